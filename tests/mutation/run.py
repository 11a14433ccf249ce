"""Change the rules in small ways, one at a time, and show every change that no test notices.

    make mutants                            all of the judgement
    make mutants ARGS="life requalification"    some files of it

mutmut makes the changes, `forks` runs the tests that reach each. mutmut wants the package in a folder `src`, so it
works in a copy. A change that cannot matter is marked `# pragma: no mutate` in the code, with the reason beside it.
Exits with 1 where a change survived, with 2 where nothing could be found out.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TRADE = Path("fill_ledger/trade")
# Everything that decides. `words` of reasons are held by tests/trade/what_is_said.txt.
MUTATED = (
    "judgement.py",
    "due.py",
    "air_quality.py",
    "rules/*.py",
    "rulebook/book.py",
    "rulebook/keys.py",
)
# Pure and quick: they need no database. Tests that draw random examples are left out: they notice a change by luck, and
# cost every survivor a minute. What a change does wrong is to be shown by a case worked by hand.
ONLY = "not hypothesis"
TESTS = (
    "tests/trade/rules",
    "tests/trade/test_judgement_codes.py",
    "tests/trade/test_judgement_total.py",
    "tests/trade/test_judgement_valid_until.py",
    "tests/trade/test_order_of_reasons.py",
    "tests/trade/test_explanation.py",
    "tests/trade/test_what_is_said.py",
    "tests/trade/test_permit_words.py",
    "tests/trade/test_due.py",
    "tests/trade/test_due_subjects.py",
    "tests/trade/test_rulebook.py",
    "tests/standards",
)
LEFT_OUT_OF_TESTS = (
    "tests/standards/test_plans.py",
    "tests/standards/test_plans_over_http.py",
    "tests/standards/test_gas.py",
    "tests/standards/test_gas_over_http.py",
    "tests/standards/test_gauge_readings_over_http.py",
    "tests/standards/test_tags.py",
)
DRAWS_WITHOUT_SAYING_SO = (
    "tests/trade/test_explanation.py::test_a_rule_that_says_something_else_has_seen_another_fact",
)
OPTIONS = (
    "-q",
    "-s",
    "-n0",
    "-p",
    "no:cacheprovider",
    "-p",
    "tests.mutation.forks",
    "-m",
    ONLY,
    *(f"--ignore={path}" for path in LEFT_OUT_OF_TESTS),
    *(f"--deselect={test}" for test in DRAWS_WITHOUT_SAYING_SO),
)
# As in `forks`, which can be imported only where mutmut is installed and pytest runs.
PROCESSES_VARIABLE = "MUTANT_PROCESSES"
VERDICTS = "verdicts.txt"
COPIED = ("tests", "migrations", "demo_seed", "openapi", "deploy")
FILES = ("README.md", "LICENSE", "pyproject.toml")
PROCESSES = 2
CACHE = re.compile(r"^@lru_cache(?P<size>\(.*\))?\n(?=def (?P<name>\w+))", re.MULTILINE)
LONGEST_DIFFERENCE = 40


def main() -> int:
    """Run the mutants and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", help="file names without .py; all of the judgement where none is given")
    parser.add_argument("--processes", type=int, default=PROCESSES)
    parser.add_argument("--keep", type=Path, help="work in this folder and keep it, so that a run can go on later")
    arguments = parser.parse_args()
    if arguments.keep is not None:
        return _run(arguments.keep.resolve(), arguments.names, arguments.processes)
    with tempfile.TemporaryDirectory() as folder:
        return _run(Path(folder), arguments.names, arguments.processes)


def _run(folder: Path, names: list[str], processes: int) -> int:
    _copy(folder, names)
    mutmut = Path(sys.executable).with_name("mutmut")
    # mutmut makes the changes only: it would collect the tests anew for each.
    make = "import mutmut.__main__ as made; made.copy_src_dir(); made.copy_also_copy_files(); made.create_mutants(1)"
    subprocess.run([sys.executable, "-c", make], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    asked = subprocess.run(
        [sys.executable, "-m", "pytest", *OPTIONS, *TESTS],
        cwd=folder / "mutants",
        check=False,
        stdout=sys.stderr,
        env=os.environ | {PROCESSES_VARIABLE: str(processes)},
    )
    if asked.returncode:
        _write("the tests do not pass as the code stands: nothing was found out")
        return 2
    lines = [line.split("\t") for line in (folder / "mutants" / VERDICTS).read_text().splitlines()[1:]]
    verdicts = {mutant: verdict for mutant, verdict, _ in lines}
    counts: dict[str, int] = {}
    for verdict in verdicts.values():
        counts[verdict] = counts.get(verdict, 0) + 1
    noticed = {"killed", "timeout"}
    survivors = sorted(name for name, verdict in verdicts.items() if verdict not in noticed)
    for name in survivors:
        _write(f"\n{name}: {verdicts[name]}", *_told_by(folder, mutmut, "show", name)[:LONGEST_DIFFERENCE])
    _write("", ", ".join(f"{count} {verdict}" for verdict, count in sorted(counts.items())))
    return 1 if survivors or not verdicts else 0


def _told_by(folder: Path, *command: str | Path) -> list[str]:
    return subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True).stdout.splitlines()


def _write(*lines: str) -> None:
    sys.stdout.write("\n".join(lines) + "\n")


def _copy(folder: Path, names: list[str]) -> None:
    """Lay a copy of the project out as mutmut wants it; only what has changed is written, so that a run can go on."""
    unwanted = shutil.ignore_patterns("__pycache__", "node_modules", ".venv*")
    shutil.copytree(ROOT / "service", folder / "src", dirs_exist_ok=True, ignore=unwanted)
    for name in COPIED:
        shutil.copytree(ROOT / name, folder / name, dirs_exist_ok=True, ignore=unwanted)
    for name in FILES:
        shutil.copy2(ROOT / name, folder / name)
    patterns = [
        str(path.relative_to(folder))
        for pattern in MUTATED
        for path in sorted((folder / "src" / TRADE).glob(pattern))
        if not names or path.stem in names
    ]
    for path in (folder / "src" / TRADE).rglob("*.py"):
        _remember_below(path)
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert settings["tool"]["pytest"]["ini_options"]["pythonpath"] == ["service", "."]
    text = (folder / "pyproject.toml").read_text().replace('pythonpath = ["service", "."]', 'pythonpath = ["src", "."]')
    (folder / "pyproject.toml").write_text(text + _settings(patterns))


def _remember_below(path: Path) -> None:
    """Put every cache at the end of its file: mutmut changes nothing in a function that is decorated."""
    text = path.read_text()
    caches = [f"{found['name']} = lru_cache{found['size'] or ''}({found['name']})" for found in CACHE.finditer(text)]
    if caches:
        stamp = path.stat()
        path.write_text("\n".join([CACHE.sub("", text), *caches, ""]))
        os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))


def _settings(patterns: list[str]) -> str:
    copied = [*(name for name in COPIED if name != "tests"), *FILES]
    return (
        "\n[tool.mutmut]\nuse_setproctitle = false\n"
        f'source_paths = ["src"]\nonly_mutate = {_listed(patterns)}\nalso_copy = {_listed(copied)}\n'
    )


def _listed(values: list[str]) -> str:
    return "[" + ", ".join(f'"{value}"' for value in values) + "]"


if __name__ == "__main__":
    sys.exit(main())
