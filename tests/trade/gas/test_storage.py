"""Stored air: the order of bottles, what they fill, and the mass of all of it."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas import storage
from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.contents import MILLILITRES_PER_CUBIC_METRE
from fill_ledger.trade.gas.mass_balance import total_mass_kg
from fill_ledger.trade.gas.storage import (
    BankFill,
    Bottle,
    CylinderKind,
    Forecast,
    bank_of,
    comes_full,
    fill_from_bank,
    forecast,
    forecast_together,
    lowest_first,
)

SCBA = CylinderKind(label="scba", water_volume_ml=6_800, start_psi=500, limit_psi=4_500)
LOW = CylinderKind(label="low", water_volume_ml=8_430, start_psi=300, limit_psi=2_216)
pressures = st.integers(0, 6_000)
banks = st.lists(st.tuples(st.integers(5_000, 200_000), pressures), max_size=6)


def bank(*pressures_psi: int, water_volume_ml: int = 43_000) -> tuple[Bottle, ...]:
    return tuple(
        Bottle(label=f"bottle {number}", water_volume_ml=water_volume_ml, pressure_psi=pressure_psi)
        for number, pressure_psi in enumerate(pressures_psi, start=1)
    )


def filled(bottles: tuple[Bottle, ...], kind: CylinderKind = SCBA, temperature_f: int = 70) -> BankFill:
    answer = fill_from_bank(bottles, kind, temperature_f)
    assert isinstance(answer, BankFill)
    return answer


def counted(bottles: tuple[Bottle, ...], kind: CylinderKind = SCBA, temperature_f: int = 70) -> Forecast:
    answer = forecast(bottles, kind, temperature_f)
    assert isinstance(answer, Forecast)
    return answer


def test_the_lowest_bottle_that_still_helps_is_opened_first() -> None:
    fill = filled(bank(6_000, 400, 2_500, 4_000))
    assert [step.bottle for step in fill.openings] == ["bottle 3", "bottle 4", "bottle 1"]
    assert fill.full
    assert fill.end_psi == 4_500
    # Each but the last ends level with the cylinder.
    for step in fill.openings[:-1]:
        assert step.bottle_after_psi == step.cylinder_after_psi < step.bottle_before_psi
    assert fill.openings[-1].cylinder_after_psi == 4_500 < fill.openings[-1].bottle_after_psi
    assert {each.label: each.pressure_psi for each in fill.bottles_after}["bottle 2"] == 400
    assert sum(step.air.litres for step in fill.openings) == pytest.approx(fill.air.litres, abs=2)


def test_a_bank_too_low_fills_as_far_as_it_goes() -> None:
    fill = filled(bank(2_000, 3_000))
    assert not fill.full
    assert fill.end_psi == fill.bottles_after[-1].pressure_psi
    assert 2_500 < fill.end_psi < 3_000


def test_nothing_to_fill_or_to_fill_from() -> None:
    full = filled(bank(6_000), CylinderKind(label="full", water_volume_ml=6_800, start_psi=4_500, limit_psi=4_500))
    assert full.full
    assert full.openings == ()
    assert full.air.litres == 0
    nothing = filled(())
    assert not nothing.full
    assert nothing.end_psi == 500
    assert counted(()).full_fills == counted(()).full_fills_all_open == 0


@given(banks, st.integers(500, 30_000), pressures, pressures, st.integers(-20, 110))
def test_mass_is_conserved(
    bottles: list[tuple[int, int]], water_volume_ml: int, start_psi: int, limit_psi: int, temperature_f: int
) -> None:
    before = bank_of(
        [Bottle(label=str(n), water_volume_ml=ml, pressure_psi=psi) for n, (ml, psi) in enumerate(bottles)],
        temperature_f,
    )
    (cylinder,) = bank_of([Bottle(label="c", water_volume_ml=water_volume_ml, pressure_psi=start_psi)], temperature_f)
    (full,) = bank_of([Bottle(label="t", water_volume_ml=water_volume_ml, pressure_psi=limit_psi)], temperature_f)
    state = lowest_first(before, cylinder, full.density_kg_per_m3)
    assert total_mass_kg([*state.bottles, state.cylinder]) == pytest.approx(
        total_mass_kg([*before, cylinder]), rel=1e-12
    )
    assert state.cylinder.density_kg_per_m3 <= max(full.density_kg_per_m3, cylinder.density_kg_per_m3)
    # One order of opening holds for the next fill too, to about 1 psi.
    after = [each.density_kg_per_m3 for each in state.bottles]
    assert all(lower <= higher + 0.1 for lower, higher in pairwise(after))


@given(banks, pressures, pressures)
def test_told_pressures_conserve_mass_to_their_rounding(
    bottles: list[tuple[int, int]], start_psi: int, limit_psi: int
) -> None:
    before = tuple(Bottle(label=str(n), water_volume_ml=ml, pressure_psi=psi) for n, (ml, psi) in enumerate(bottles))
    kind = CylinderKind(label="c", water_volume_ml=6_800, start_psi=start_psi, limit_psi=limit_psi)
    fill = filled(before, kind)
    lost_kg = total_mass_kg(bank_of(before, 70)) - total_mass_kg(bank_of(fill.bottles_after, 70))
    ends = [Bottle(label="c", water_volume_ml=6_800, pressure_psi=psi) for psi in (start_psi, fill.end_psi)]
    gained_kg = total_mass_kg(bank_of(ends[1:], 70)) - total_mass_kg(bank_of(ends[:1], 70))
    # Half a psi is at most 0.05 kg/m3 in every vessel.
    volume_ml = 6_800 + sum(each.water_volume_ml for each in before)
    assert gained_kg == pytest.approx(lost_kg, abs=0.05 * volume_ml / MILLILITRES_PER_CUBIC_METRE)


@given(st.lists(st.integers(3_000, 6_000), min_size=1, max_size=4), st.integers(4_000, 12_000))
def test_lowest_first_never_fills_fewer_than_all_open(pressures_psi: list[int], water_volume_ml: int) -> None:
    kind = CylinderKind(label="c", water_volume_ml=water_volume_ml, start_psi=500, limit_psi=4_500)
    forecasted = counted(bank(*pressures_psi), kind)
    assert forecasted.full_fills >= forecasted.full_fills_all_open
    assert not forecasted.more


def test_a_forecast_is_fills_one_after_the_other() -> None:
    bottles = bank(5_500, 6_000, 3_000)
    expected, count = bottles, 0
    while filled(expected).full:
        expected, count = filled(expected).bottles_after, count + 1
    forecasted = counted(bottles)
    assert forecasted.full_fills == count > 3
    assert forecasted.opening_order == ("bottle 3", "bottle 1", "bottle 2")
    after = {each.label: each.pressure_psi for each in forecasted.bottles_after}
    for each in expected:  # told pressures are rounded at each fill here, and only once there
        assert after[each.label] == pytest.approx(each.pressure_psi, abs=count)
    assert forecasted.next_end_psi is not None
    assert forecasted.next_end_psi < 4_500


def test_a_forecast_stops_at_what_is_wanted_and_at_its_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    kind = CylinderKind(label="c", water_volume_ml=6_800, start_psi=500, limit_psi=4_500, wanted=3)
    some = counted(bank(6_000, 6_000, 6_000, 6_000), kind)
    assert (some.full_fills, some.more, some.next_end_psi) == (3, True, None)
    monkeypatch.setattr(storage, "MAXIMUM_FORECAST_FILLS", 5)
    bounded = counted(bank(6_000, 6_000, 6_000, 6_000))
    assert (bounded.full_fills, bounded.full_fills_all_open, bounded.more) == (5, 5, True)


def test_several_kinds_from_one_bank_highest_limit_first() -> None:
    wanted = CylinderKind(label="scba", water_volume_ml=6_800, start_psi=500, limit_psi=4_500, wanted=19)
    answer = forecast_together(bank(6_000, 6_000, 6_000, 6_000), [LOW, wanted])
    assert isinstance(answer, tuple)
    assert [each.kind for each in answer] == ["scba", "low"]
    assert answer[0].full_fills == 19
    # What no longer fills a 4,500 still fills cylinders of 2,216, but fewer than a full bank does.
    assert 0 < answer[1].full_fills < counted(bank(6_000, 6_000, 6_000, 6_000), LOW).full_fills
    assert {each.label for each in answer[0].bottles_after} == {f"bottle {n}" for n in range(1, 5)}


def test_in_the_cold_a_cylinder_is_full_at_less() -> None:
    """A 4,500 settled at 70 F reads 3,563 at 0 F (CoolProp 8.0.0), and what is in it at 500 psi is more."""
    cold, warm = filled(bank(6_000), SCBA, 0), filled(bank(6_000), SCBA, 70)
    assert cold.full
    assert cold.end_psi == pytest.approx(3_563, abs=1)
    assert cold.air.litres < warm.air.litres
    assert counted(bank(6_000), SCBA, 0).limit_reading_psi == cold.end_psi
    # Left at 6,000 psi in the cold the bank is denser, and so fills more.
    assert counted(bank(6_000), SCBA, 0).full_fills > counted(bank(6_000), SCBA, 70).full_fills


def test_a_kind_that_comes_full_is_told_apart() -> None:
    nearly = CylinderKind(label="c", water_volume_ml=6_800, start_psi=3_600, limit_psi=4_500)
    assert comes_full(nearly) is False
    assert comes_full(nearly, 0) is True
    assert isinstance(comes_full(nearly, 200), OutsideTable)


@given(banks, st.integers(500, 30_000), st.integers(0, 4_000), st.integers(1, 40))
def test_counting_is_filling_again_and_again(
    bottles: list[tuple[int, int]], water_volume_ml: int, start_psi: int, most: int
) -> None:
    before = bank_of(
        [Bottle(label=str(n), water_volume_ml=ml, pressure_psi=psi) for n, (ml, psi) in enumerate(bottles)], 70
    )
    (cylinder,) = bank_of([Bottle(label="c", water_volume_ml=water_volume_ml, pressure_psi=start_psi)], 70)
    (full,) = bank_of([Bottle(label="c", water_volume_ml=water_volume_ml, pressure_psi=4_500)], 70)
    count, left = storage._count_lowest_first(before, cylinder, full.density_kg_per_m3, most)
    expected, again = 0, before
    while expected < most and (state := lowest_first(again, cylinder, full.density_kg_per_m3)).full:
        expected, again = expected + 1, state.bottles
    assert count == expected
    assert [each.density_kg_per_m3 for each in left] == pytest.approx([each.density_kg_per_m3 for each in again])


def test_the_first_fills_are_told_step_by_step() -> None:
    kinds = [CylinderKind(label="scba", water_volume_ml=6_800, start_psi=500, limit_psi=4_500, wanted=2), LOW]
    answer = forecast_together(bank(6_000, 6_000), kinds, fills_told=3)
    assert isinstance(answer, tuple)
    first, second = answer
    assert [len(first.first_fills), len(second.first_fills)] == [2, 1]
    assert all(fill.full for fill in (*first.first_fills, *second.first_fills))
    assert [step.bottle for step in first.first_fills[0].openings] == ["bottle 1"]
    assert first.bottles_after == first.first_fills[-1].bottles_after
    assert first.air.litres == pytest.approx(2 * first.first_fills[0].air.litres, abs=2)
    # Where a fill ends the next one goes on.
    assert first.first_fills[1].openings[0].bottle_before_psi == first.first_fills[0].openings[-1].bottle_after_psi


def test_a_forecast_of_many_bottles_stops_at_its_bound() -> None:
    """So that no request can keep the service counting: fills times bottles are bounded."""
    many = bank(*[6_000] * 100, water_volume_ml=200_000)
    forecasted = counted(many, CylinderKind(label="c", water_volume_ml=1_000, start_psi=0, limit_psi=2_216))
    assert (forecasted.full_fills, forecasted.more) == (storage.MAXIMUM_FORECAST_STEPS // 100, True)


@pytest.mark.parametrize(
    ("bottles", "kind", "temperature_f"),
    [
        (bank(9_000), SCBA, 70),
        (bank(6_000), CylinderKind(label="c", water_volume_ml=6_800, start_psi=-1, limit_psi=4_500), 70),
        (bank(6_000), CylinderKind(label="c", water_volume_ml=6_800, start_psi=500, limit_psi=8_500), 70),
        (bank(6_000), SCBA, 200),
    ],
)
def test_outside_the_table(bottles: tuple[Bottle, ...], kind: CylinderKind, temperature_f: int) -> None:
    assert isinstance(fill_from_bank(bottles, kind, temperature_f), OutsideTable)
    assert isinstance(forecast(bottles, kind, temperature_f), OutsideTable)
    assert isinstance(forecast_together(bottles, [kind], temperature_f), OutsideTable)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="not below the limit"):
        forecast(bank(6_000), CylinderKind(label="c", water_volume_ml=6_800, start_psi=4_500, limit_psi=4_500))
    with pytest.raises(ValueError, match="not a water volume"):
        fill_from_bank(bank(6_000, water_volume_ml=0), SCBA)
