"""The built wheel: it holds everything the service needs, and finds its migrations outside the source tree."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

from fill_ledger.schema import migrations_folder

ROOT = Path(__file__).parent.parent

PROBE = """
from fill_ledger import schema
print(schema.__file__, schema.migrations_folder(), schema.newest_revision(), sep="\\n")
"""


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel's files, as an installer would lay them."""
    folder = tmp_path_factory.mktemp("wheel")
    (wheel,) = WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def test_the_wheel_holds_the_package_the_migrations_and_the_licence(unpacked: Path) -> None:
    held = {str(path.relative_to(unpacked)) for path in unpacked.rglob("*") if path.is_file()}
    package = [path for path in (ROOT / "service").rglob("*") if path.is_file() and path.suffix != ".pyc"]
    sources = {str(path.relative_to(ROOT / "service")) for path in package}
    scripts = {
        f"fill_ledger/migrations/{path.relative_to(migrations_folder())}"
        for path in migrations_folder().rglob("*")
        if path.suffix in (".sql", ".py", ".ini")
    }
    assert len(scripts) > 3
    assert sources | scripts | {"fill_ledger/py.typed", "demo_seed/__init__.py"} <= held
    assert any(name.endswith("licenses/LICENSE") for name in held)
    assert not [name for name in held if name.startswith("tests/") or name.endswith(".pyc")]


def test_an_installed_package_finds_its_own_migrations(unpacked: Path, tmp_path: Path) -> None:
    code = f"import sys; sys.path.insert(0, {str(unpacked)!r}){PROBE}"
    answer = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=True, capture_output=True, text=True)
    module, folder, revision = answer.stdout.splitlines()
    assert Path(module).is_relative_to(unpacked)
    assert Path(folder) == unpacked / "fill_ledger/migrations"
    assert len(revision) == 4
