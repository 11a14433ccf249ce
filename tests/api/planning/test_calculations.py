"""Long calculations run beside the event loop, one after the other."""

import asyncio
import threading

import pytest

from fill_ledger.api.planning.calculations import calculated, outside_table
from fill_ledger.api.planning.supplies import free_label
from fill_ledger.trade.gas.air_table import OutsideTable

LONG_ENOUGH_S = 10


async def test_look_ups_go_on_while_something_is_calculated() -> None:
    """The calculation ends only because the loop runs meanwhile and lets it."""
    may_end = threading.Event()
    running = asyncio.ensure_future(calculated(lambda: may_end.wait(LONG_ENOUGH_S)))
    await asyncio.sleep(0)
    assert not running.done()
    may_end.set()
    assert await running is True


async def test_calculations_share_one_thread() -> None:
    names = await asyncio.gather(*(calculated(lambda: threading.current_thread().name) for _ in range(5)))
    assert len(set(names)) == 1
    assert threading.current_thread().name not in names


async def test_what_a_calculation_raises_comes_through() -> None:
    def wrong() -> None:
        raise ValueError("no such thing")

    with pytest.raises(ValueError, match="no such thing"):
        await calculated(wrong)


def test_what_lies_outside_the_table_is_a_fault_of_the_whole_body() -> None:
    problem = outside_table(OutsideTable(quantity="result_psi", given=None, least=0, greatest=8_000))
    assert problem.detail == "The pressure this comes to is above the gas table, which ends at 8000 psi."
    assert [(fault.code, fault.pointer) for fault in problem.errors] == [("outside-gas-table", "")]


def test_labels_are_told_apart() -> None:
    labels: set[str] = set()
    wanted = ("1", "Cascade: 1")
    assert [free_label(wanted, labels) for _ in range(4)] == ["1", "Cascade: 1", "Cascade: 1 (2)", "Cascade: 1 (3)"]
    assert labels == {"1", "Cascade: 1", "Cascade: 1 (2)", "Cascade: 1 (3)"}
