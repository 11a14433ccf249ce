"""Rules of this code that no linter knows: what the import contracts cannot see, and how long a file may get."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TRADE = ROOT / "service/fill_ledger/trade"
# A call by any of these names reads a clock, or touches the world outside.
IMPURE_CALLS = frozenset(
    {"now", "utcnow", "today", "localtime", "open", "print", "input", "uuid1", "uuid4", "read_text", "write_text"}
)
LONGEST_FILE_LINES = 450


def impure_calls(source: str) -> Iterator[str]:
    """Yield the line and the name of each call that a pure module must not make."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        if name in IMPURE_CALLS:
            yield f"line {node.lineno}: {name}"


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("import datetime\nmoment = datetime.datetime.now(zone)", ["line 2: now"]),
        ("from datetime import date\ndue = date.today()", ["line 2: today"]),
        ("with open(name) as file: pass", ["line 1: open"]),
        ("moment = case.at\nnow = moment", []),
    ],
)
def test_the_search_finds_what_it_looks_for(source: str, found: list[str]) -> None:
    assert list(impure_calls(source)) == found


def test_the_trade_asks_no_clock_and_touches_nothing_outside() -> None:
    modules = sorted(TRADE.rglob("*.py"))
    assert modules
    faults = {str(path.relative_to(ROOT)): list(impure_calls(path.read_text(encoding="utf-8"))) for path in modules}
    assert {name: calls for name, calls in faults.items() if calls} == {}


def test_no_file_is_too_long_to_read_at_a_sitting() -> None:
    folders = ("service", "tests", "migrations", "demo_seed")
    files = [path for folder in folders for path in (ROOT / folder).rglob("*") if path.suffix in (".py", ".sql")]
    lengths = {str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines()) for path in files}
    assert {name: length for name, length in lengths.items() if length > LONGEST_FILE_LINES} == {}
