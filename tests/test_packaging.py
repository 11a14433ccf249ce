"""The built wheel holds all the service needs, wherever it is installed; the lock pins all it asks for."""

import itertools
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

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


def test_every_dependency_is_pinned_by_hash_and_no_index_is_named() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *itertools.chain(*project["optional-dependencies"].values())]
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    pinned = dict(re.findall(r"^([a-z0-9-]+)==\S+ \\\n    --hash=(sha256):", lock, re.MULTILINE))
    assert {canonicalize_name(Requirement(text).name) for text in wanted} <= set(pinned)
    assert lock.count("==") == len(pinned)
    options = [line for line in lock.splitlines() if line.startswith("-") or "://" in line]
    assert options == []
