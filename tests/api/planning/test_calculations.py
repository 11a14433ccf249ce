"""Long calculations run beside the event loop, one after the other."""

import asyncio
import threading
from typing import Any

import pytest

from fill_ledger.api.planning.calculations import calculated, outside_table
from fill_ledger.api.planning.fill_plan_types import MAXIMUM_CONNECTIONS
from fill_ledger.api.planning.planning_types import MAXIMUM_BOTTLES
from fill_ledger.api.planning.storage_forecast_types import MAXIMUM_FILLS_TOLD, MAXIMUM_KINDS
from fill_ledger.api.planning.supplies import free_label
from fill_ledger.trade.gas import plans, storage
from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.mass_balance import Vessel, flow
from fill_ledger.trade.gas.plan_types import Compressor, Connection, FillPlan, Supply
from fill_ledger.trade.gas.plans import plan_fills
from fill_ledger.trade.gas.storage import Bottle, CylinderKind, Forecast, forecast, forecast_together

LONG_ENOUGH_S = 10
# What a calculation is made of: one flow from a bottle is some ten microseconds.
MAXIMUM_FORECAST_FLOWS = 20_000
MAXIMUM_PLAN_FLOWS = 2_000


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


def _counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Let every flow be counted: a count is the same on any machine, a time is not."""
    flows: list[str] = []

    def counted(source: Vessel, *arguments: Any) -> Any:
        flows.append(source.label)
        return flow(source, *arguments)

    monkeypatch.setattr(plans, "flow", counted)
    monkeypatch.setattr(storage, "flow", counted)
    return flows


def test_the_largest_forecast_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ladder of large bottles, nearly all of which are opened for every fill: the most there is to count."""
    bottles = [
        Bottle(label=str(number), water_volume_ml=3_000_000, pressure_psi=600 + 50 * number)
        for number in range(MAXIMUM_BOTTLES)
    ]
    kinds = [
        CylinderKind(label=str(number), water_volume_ml=30_000, start_psi=50, limit_psi=5_400 + number)
        for number in range(MAXIMUM_KINDS)
    ]
    flows = _counted(monkeypatch)
    alone = [forecast(bottles, kind) for kind in kinds]
    together = forecast_together(bottles, kinds, fills_told=MAXIMUM_FILLS_TOLD)
    assert 0 < len(flows) < MAXIMUM_FORECAST_FLOWS
    assert all(isinstance(one, Forecast) and one.full_fills > 0 for one in alone)
    assert isinstance(together, tuple)


def test_the_largest_plan_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    bottles = tuple(
        Bottle(label=str(number), water_volume_ml=43_000, pressure_psi=600 + 50 * number)
        for number in range(MAXIMUM_BOTTLES)
    )
    connections = [
        Connection(label=str(number), water_volume_ml=30_000, present_psi=50 * number, limit_psi=2_000 + 150 * number)
        for number in range(MAXIMUM_CONNECTIONS)
    ]
    supply = Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=6_000), bottles=bottles)
    flows = _counted(monkeypatch)
    plan = plan_fills(connections, supply, gas_temperature_f=100, fill_rate_psi_per_minute=300)
    assert 0 < len(flows) < MAXIMUM_PLAN_FLOWS
    assert isinstance(plan, FillPlan)
    assert len(plan.stages) == MAXIMUM_CONNECTIONS
