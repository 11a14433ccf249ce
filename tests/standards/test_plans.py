"""Stored air and plans for several connections against figures from outside."""

from math import isclose

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas.air_table import OutsideTable, inside
from fill_ledger.trade.gas.contents import free_air_litres
from fill_ledger.trade.gas.plan_types import Compressor, Connection, ConnectionState, FillPlan, Supply
from fill_ledger.trade.gas.plans import plan_fills
from fill_ledger.trade.gas.storage import Bottle, CylinderKind, Forecast, fill_from_bank, forecast
from tests.support.coolprop import gas_table_maker

BANK = tuple(Bottle(label=f"bottle {number}", water_volume_ml=43_000, pressure_psi=6_000) for number in range(1, 5))
SCBA = CylinderKind(label="scba", water_volume_ml=6_800, start_psi=500, limit_psi=4_500)


def connection(limit_psi: int, present_psi: int = 500, water_volume_ml: int = 6_800) -> Connection:
    return Connection(
        label=f"for {limit_psi}", water_volume_ml=water_volume_ml, present_psi=present_psi, limit_psi=limit_psi
    )


def planned(connections: list[Connection], supply: Supply) -> FillPlan:
    plan = plan_fills(connections, supply)
    assert isinstance(plan, FillPlan)
    return plan


def content_litres(water_volume_ml: int, gauge_psi: int) -> float:
    return inside(free_air_litres(gauge_psi, 70, water_volume_ml))


def test_lowest_first_fills_nineteen_where_all_open_fill_six() -> None:
    """Computed apart from this project with CoolProp 8.0.0, isothermal at 70 F: 19 full fills and 6."""
    answer = forecast(BANK, SCBA)
    assert isinstance(answer, Forecast)
    assert answer.full_fills == 19
    assert answer.full_fills_all_open == 6
    assert not answer.more


def test_all_open_together_by_hand() -> None:
    """A balance of mass in one line a fill, without the code under test: bank at one density until it is too low.

    Densities of CoolProp 8.0.0, fluid `Air`, at 70 F: 500, 4,500 and 6,000 psig.
    """
    start, full, bank = 42.42, 330.37, 401.85
    count = 0
    while (bank * 172.0 + start * 6.8) / 178.8 >= full:
        bank -= (full - start) * 6.8 / 172.0
        count += 1
    assert count == 6
    answer = forecast(BANK, SCBA)
    assert isinstance(answer, Forecast)
    assert answer.full_fills_all_open == count


def test_lowest_first_by_hand() -> None:
    """The same densities, bottle after bottle (department fill sheets: the lowest that still exceeds the cylinder)."""
    start, full = 42.42, 330.37
    bottles = [401.85] * 4
    count = 0
    while True:
        cylinder = start
        for place, bottle in enumerate(bottles):
            level = (bottle * 43.0 + cylinder * 6.8) / 49.8
            if bottle > cylinder:
                reached = min(level, full)
                bottles[place] -= (reached - cylinder) * 6.8 / 43.0
                cylinder = reached
            if cylinder == full:
                break
        if cylinder < full:
            break
        count += 1
    assert count == 19


def test_the_densities_used_by_hand() -> None:
    """CoolProp 8.0.0 `Air` at 70 F; the last digit of each is what the balances above round to."""
    coolprop = gas_table_maker()
    for gauge_psi, density in ((500, 42.42), (4_500, 330.37), (6_000, 401.85)):
        assert coolprop.density_kg_per_m3(gauge_psi, 70) == pytest.approx(density, abs=0.006)


@pytest.mark.parametrize(
    "supply",
    [
        Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=6_000)),
        Supply(bottles=BANK),
        Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=6_000), bottles=BANK[:1]),
        Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=5_000), bottles=BANK),
    ],
    ids=["compressor", "stored air", "both", "compressor below the highest limit"],
)
def test_three_limits_give_three_stages(supply: Supply) -> None:
    """Common practice, no source: all open to the lowest limit, close those, go on to the next."""
    plan = planned([connection(5_500), connection(2_216), connection(4_500)], supply)
    assert [stage.ceiling_psi for stage in plan.stages] == [2_216, 4_500, 5_500]
    assert [stage.closed for stage in plan.stages] == [("for 2216",), ("for 4500",), ("for 5500",)]
    assert [len(stage.opened) for stage in plan.stages] == [3, 2, 1]
    assert all(stage.reached for stage in plan.stages)
    assert [(end.end_psi, end.state) for end in plan.ends] == [
        (5_500, ConnectionState.FULL),
        (2_216, ConnectionState.FULL),
        (4_500, ConnectionState.FULL),
    ]
    assert "mixed-limits" in [each.code for each in plan.advice]


def test_the_time_of_a_compressor_by_hand() -> None:
    """A 6.8 L cylinder at 4,500 psig holds 66.09 scf and at 500 about 8.49 (42.42 / 330.37 of it): 57.6 scf at 10 scfm.

    Contents by CoolProp 8.0.0.
    """
    plan = planned([connection(4_500)], Supply(compressor=Compressor(rate_scfm=10.0, maximum_psi=5_000)))
    assert float(plan.from_compressor.standard_cubic_feet) == pytest.approx(
        66.09 * (1 - 42.42 / 330.37), abs=0.1
    )  # told in tenths
    assert plan.compressor_s == plan.duration_s
    assert plan.compressor_s == pytest.approx(57.6 / 10 * 60, abs=2)


@given(
    st.lists(st.tuples(st.integers(0, 4_000), st.sampled_from([2_216, 3_000, 4_500, 5_500])), min_size=1, max_size=5),
    st.lists(st.tuples(st.integers(5_000, 100_000), st.integers(0, 6_000)), max_size=4),
    st.none() | st.integers(1_000, 7_000),
)
def test_no_air_is_made_or_lost(
    cylinders: list[tuple[int, int]], bottles: list[tuple[int, int]], compressor_psi: int | None
) -> None:
    """Conservation of mass, from the pressures a plan tells: to their rounding."""
    connections = [
        Connection(label=str(place), water_volume_ml=6_800, present_psi=present_psi, limit_psi=limit_psi)
        for place, (present_psi, limit_psi) in enumerate(cylinders)
    ]
    bank = tuple(
        Bottle(label=str(place), water_volume_ml=ml, pressure_psi=psi) for place, (ml, psi) in enumerate(bottles)
    )
    compressor = None if compressor_psi is None else Compressor(rate_scfm=20.0, maximum_psi=compressor_psi)
    plan = planned(connections, Supply(compressor=compressor, bottles=bank))
    gained = sum(
        content_litres(6_800, end.end_psi) - content_litres(6_800, each.present_psi)
        for each, end in zip(connections, plan.ends, strict=True)
    )
    before = sum(content_litres(each.water_volume_ml, each.pressure_psi) for each in bank)
    after = sum(content_litres(each.water_volume_ml, each.pressure_psi) for each in plan.bottles_after)
    # Half a psi is at most 0.05 L of free air per litre of vessel, and each sum is told to a litre.
    volume_l = (6_800 * len(cylinders) + sum(each.water_volume_ml for each in bank)) / 1_000
    allowed = 0.05 * volume_l + 1
    assert isclose(before - after, plan.from_storage.litres, abs_tol=allowed)
    assert isclose(gained, plan.from_storage.litres + plan.from_compressor.litres, abs_tol=allowed + 1)
    for each, end in zip(connections, plan.ends, strict=True):
        assert each.present_psi <= end.end_psi <= max(each.limit_psi, each.present_psi)


def test_beyond_the_table_nothing_is_promised() -> None:
    assert isinstance(
        fill_from_bank((Bottle(label="x", water_volume_ml=43_000, pressure_psi=8_200),), SCBA), OutsideTable
    )
    assert isinstance(plan_fills([connection(8_200)], Supply(bottles=BANK)), OutsideTable)
