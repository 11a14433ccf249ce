"""Air flowing between vessels: mass is kept, nothing flows uphill, and levels are levels."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas.air_table import BeyondTableError
from fill_ledger.trade.gas.mass_balance import (
    Vessel,
    common_level,
    flow,
    levelled,
    shown_psi,
    total_mass_kg,
    useful,
    vessel,
)

densities = st.floats(0.5, 500)
volumes = st.integers(100, 200_000)
vessels = st.builds(Vessel, label=st.just("x"), water_volume_ml=volumes, density_kg_per_m3=densities)


@given(vessels, st.lists(vessels, max_size=6), densities)
def test_mass_is_conserved(source: Vessel, receivers: list[Vessel], ceiling: float) -> None:
    after, filled = flow(source, receivers, ceiling)
    assert total_mass_kg([after, *filled]) == pytest.approx(total_mass_kg([source, *receivers]), rel=1e-12)


@given(vessels, st.lists(vessels, max_size=6), densities)
def test_air_flows_downhill_only_and_stops_at_the_ceiling(
    source: Vessel, receivers: list[Vessel], ceiling: float
) -> None:
    after, filled = flow(source, receivers, ceiling)
    assert after.density_kg_per_m3 <= source.density_kg_per_m3 * (1 + 1e-12)
    for before, later in zip(receivers, filled, strict=True):
        assert (later.label, later.water_volume_ml) == (before.label, before.water_volume_ml)
        assert later.density_kg_per_m3 >= before.density_kg_per_m3
        if later != before:
            assert later.density_kg_per_m3 <= ceiling
            # Nothing ends above what it was filled from.
            assert later.density_kg_per_m3 <= after.density_kg_per_m3 * (1 + 1e-12)


@given(vessels, st.lists(vessels, max_size=6))
def test_at_rest_all_that_took_air_stand_at_one_level(source: Vessel, receivers: list[Vessel]) -> None:
    level = common_level(source, receivers)
    _, filled = flow(source, receivers, 1_000.0)
    for before, later in zip(receivers, filled, strict=True):
        assert later.density_kg_per_m3 == max(before.density_kg_per_m3, level)


@given(st.lists(vessels, min_size=1, max_size=6))
def test_levelling_conserves_mass(several: list[Vessel]) -> None:
    after = levelled(several)
    assert total_mass_kg(after) == pytest.approx(total_mass_kg(several), rel=1e-12)
    assert len({each.density_kg_per_m3 for each in after}) == 1


def test_levelling_nothing_is_nothing() -> None:
    assert levelled([]) == ()


def test_two_equal_vessels_meet_in_the_middle_of_their_densities() -> None:
    full = Vessel(label="full", water_volume_ml=10_000, density_kg_per_m3=400.0)
    empty = Vessel(label="empty", water_volume_ml=10_000, density_kg_per_m3=0.0)
    after, (filled,) = flow(full, [empty], 1_000.0)
    assert after.density_kg_per_m3 == filled.density_kg_per_m3 == pytest.approx(200.0)
    assert after.mass_kg == pytest.approx(2.0)


def test_a_valve_is_opened_for_what_a_gauge_can_show() -> None:
    low = vessel("low", 1_000, 3_000, 70)
    assert useful(vessel("a little above", 1_000, 3_003, 70), low)
    assert not useful(vessel("level", 1_000, 3_000, 70), low)
    assert not useful(low, vessel("above", 1_000, 3_100, 70))


def test_vessels_from_pressures() -> None:
    made = vessel("bank 1", 43_000, 6_000, 70)
    assert shown_psi(made.density_kg_per_m3, 70) == 6_000
    assert shown_psi(0.0, 70) == 0
    with pytest.raises(ValueError, match="bank 1: 0 ml is not a water volume"):
        vessel("bank 1", 0, 6_000, 70)
    with pytest.raises(BeyondTableError, match="9000 psi"):
        vessel("bank 1", 43_000, 9_000, 70)
    with pytest.raises(BeyondTableError, match="ends at 8000 psi"):
        shown_psi(600.0, 70)
