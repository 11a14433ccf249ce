"""Ask every mutant in a fork of one test session, so that tests are collected once and not again for each mutant.

A plugin of pytest, run where mutmut has laid out what it changed: `python -m pytest -s -p tests.mutation.forks`. It
runs every test once on the code as it stands and remembers which functions each one reaches; then each mutant meets the
tests that reach its function until one fails: those first that noticed another change of it, then the quickest. Writes
`verdicts.txt` as it goes, a line for each mutant: its name, "killed", "survived", "no tests" or "timeout", and the test
that noticed it, with tabs between. The first line is about the code as it stands, which has to survive.
"""

import gc
import inspect
import json
import os
import resource
import signal
import sys
import warnings
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from _pytest.runner import runtestprotocol
from mutmut.mutation.trampoline import set_mutant_under_test
from mutmut.state import state
from mutmut.utils.format_utils import mangled_name_from_mutant_name

VERDICTS = Path("verdicts.txt")
UNCHANGED = "unchanged"
PROCESSES_VARIABLE = "MUTANT_PROCESSES"
# All of the tests take five; what takes longer does not end.
CPU_SECONDS_OF_A_MUTANT = 10
LONGEST_NAME = 4_096  # what a pipe takes at once
OF_EVERY_TEST = {"event_loop_policy"}  # given to tests that have no event loop as well

_VERDICT_BY_EXIT_CODE = {0: "survived", 1: "killed"}


class Child(NamedTuple):
    """A mutant that is being asked. `notices` is a pipe on which the test that notices it is named."""

    mutant: str
    tests: list[pytest.Item]
    notices: int


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop(session: pytest.Session) -> bool:
    """Run all tests once, then ask every mutant."""
    reaching = _tests_by_function(session)
    VERDICTS.write_text("")
    running: dict[int, Child] = {}
    gc.freeze()  # what a collection would touch, every fork would have to copy
    for mutant in (UNCHANGED, *_mutants()):
        tests = session.items if mutant == UNCHANGED else reaching.get(mangled_name_from_mutant_name(mutant), [])
        if not tests:
            _tell(mutant, "no tests")
            continue
        if len(running) == int(os.environ[PROCESSES_VARIABLE]):
            _wait_for_one(running)
        notices, writes = os.pipe()
        child = os.fork()
        if child == 0:
            _ask(mutant, tests, writes)
        os.close(writes)
        running[child] = Child(mutant, tests, notices)
    while running:
        _wait_for_one(running)
    return True


def _mutants() -> Iterator[str]:
    for path in sorted(Path("src").rglob("*.meta")):
        yield from json.loads(path.read_text())["exit_code_by_key"]


def _tests_by_function(session: pytest.Session) -> dict[str, list[pytest.Item]]:
    """Return the tests that reach each changed function, the quickest first. Ends the run where a test fails."""
    set_mutant_under_test("stats")
    changed = {mutant.rpartition(".")[0] for mutant in _mutants()}
    seconds: dict[str, float] = {}
    reaching: dict[str, list[pytest.Item]] = defaultdict(list)
    for item in session.items:
        state()._stats.clear()
        _forget(changed)
        reports = runtestprotocol(item, log=False, nextitem=None)
        for report in reports:
            if report.failed:
                pytest.exit(f"{item.nodeid} fails as the code stands:\n{report.longreprtext}", returncode=1)
        seconds[item.nodeid] = sum(report.duration for report in reports)
        for function in state()._stats:
            reaching[function].append(item)
    set_mutant_under_test("")
    for tests in reaching.values():
        tests.sort(key=lambda item: seconds[item.nodeid])
    return reaching


def _forget(module_names: set[str]) -> None:
    """Empty the caches of modules."""
    for name in module_names & sys.modules.keys():
        for value in list(vars(sys.modules[name]).values()):
            if hasattr(value, "cache_clear"):
                value.cache_clear()


def _ask(mutant: str, tests: list[pytest.Item], writes: int) -> None:
    """Run the tests of one mutant in this process, tell which one fails, and end it with 1 where one does."""
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS_OF_A_MUTANT, CPU_SECONDS_OF_A_MUTANT))
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    set_mutant_under_test(mutant)
    # What other files remember came of unchanged code and stays right: none of it calls what is changed.
    _forget({mutant.rpartition(".")[0]})
    warnings.simplefilter("error")
    for item in tests:
        if _fails(item):
            os.write(writes, item.nodeid.encode())
            os._exit(1)
    os._exit(0)


def _fails(item: pytest.Item) -> bool:
    """Run a test. One that is a plain function of its parameters needs nothing of what pytest does around it."""
    if not isinstance(item, pytest.Function) or inspect.iscoroutinefunction(item.obj):
        return any(report.failed for report in runtestprotocol(item, log=False, nextitem=None))
    parameters = item.callspec.params if hasattr(item, "callspec") else {}
    if set(item.fixturenames) - set(parameters) - OF_EVERY_TEST:
        return any(report.failed for report in runtestprotocol(item, log=False, nextitem=None))
    try:
        item.obj(**parameters)
    except (Exception, pytest.fail.Exception):
        return True
    return False


def _wait_for_one(running: dict[int, Child]) -> None:
    process, status = os.wait()
    child = running.pop(process)
    noticing = os.read(child.notices, LONGEST_NAME).decode()
    os.close(child.notices)
    # The sort is stable: what noticed a change of this function goes first, the others stay in their order.
    if child.mutant != UNCHANGED:
        child.tests.sort(key=lambda item: item.nodeid != noticing)
    code = os.waitstatus_to_exitcode(status)
    is_timeout = code in (-signal.SIGXCPU, -signal.SIGKILL)
    _tell(child.mutant, "timeout" if is_timeout else _VERDICT_BY_EXIT_CODE.get(code, "killed"), noticing)
    if child.mutant == UNCHANGED and code != 0:
        pytest.exit(f"{noticing} fails in a fork as the code stands", returncode=1)


def _tell(mutant: str, verdict: str, noticing: str = "") -> None:
    with VERDICTS.open("a") as lines:
        lines.write(f"{mutant}\t{verdict}\t{noticing}\n")
