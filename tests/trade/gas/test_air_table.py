"""The table of air: true to CoolProp, rising both ways, its own inverse, and silent outside its bounds."""

import random
import re
import subprocess
import sys
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas import table_values
from fill_ledger.trade.gas.air_table import (
    GREATEST_READING_PSI,
    BeyondTableError,
    OutsideTable,
    density_kg_per_m3,
    inside,
    reading_psi,
)
from tests.support.coolprop import gas_table_maker
from tests.trade.gas.coolprop_points import COOLPROP_POINTS

TOLERANCE = 0.001  # 0.1 %
LIKELY_TOLERANCE = 0.0001  # what the lines of the table are close enough for
ABSOLUTE_PSI = 14.7
temperatures = st.integers(-20, 150)
readings = st.integers(0, 8_000)


@pytest.mark.parametrize(("gauge_psi", "temperature_f", "coolprop_density"), COOLPROP_POINTS)
def test_committed_points_of_coolprop(gauge_psi: int, temperature_f: int, coolprop_density: float) -> None:
    assert inside(density_kg_per_m3(gauge_psi, temperature_f)) == pytest.approx(coolprop_density, rel=LIKELY_TOLERANCE)
    # At the very edge of pressure the density of CoolProp may lie a hair beyond the table's.
    if gauge_psi < GREATEST_READING_PSI:
        pressure = inside(reading_psi(coolprop_density, temperature_f)) + ABSOLUTE_PSI
        assert pressure == pytest.approx(gauge_psi + ABSOLUTE_PSI, rel=LIKELY_TOLERANCE)


def test_the_committed_points_reach_the_corners_and_lie_between_the_lines() -> None:
    corners = {(0, -20), (0, 150), (8_000, -20), (8_000, 150)}
    points = {(gauge_psi, temperature_f) for gauge_psi, temperature_f, _ in COOLPROP_POINTS}
    assert corners <= points
    assert len(points) > 150
    assert all(temperature_f % 10 for _, temperature_f in points - corners)


def test_within_a_thousandth_of_coolprop_everywhere() -> None:
    """A grid over the whole range with its edges, and points at random, both ways."""
    coolprop = gas_table_maker()
    chance = random.Random(20)
    grid = [(gauge, degrees) for gauge in range(0, 8_001, 200) for degrees in range(-20, 151, 5)]
    edges = [(gauge, degrees) for gauge in (0, 1, 2, 5, 10, 7_999, 8_000) for degrees in range(-20, 151)]
    drawn = [(chance.randint(0, 8_000), chance.randint(-20, 150)) for _ in range(2_000)]
    worst_density = worst_pressure = 0.0
    for gauge_psi, temperature_f in grid + edges + drawn:
        true_density = coolprop.density_kg_per_m3(gauge_psi, temperature_f)
        density = inside(density_kg_per_m3(gauge_psi, temperature_f))
        worst_density = max(worst_density, abs(density / true_density - 1))
        if gauge_psi < GREATEST_READING_PSI:
            pressure = inside(reading_psi(true_density, temperature_f)) + ABSOLUTE_PSI
            worst_pressure = max(worst_pressure, abs(pressure / (gauge_psi + ABSOLUTE_PSI) - 1))
    assert worst_density < TOLERANCE
    assert worst_pressure < TOLERANCE
    # The goal is met with room to spare; a table made too coarse shows here first.
    assert max(worst_density, worst_pressure) < LIKELY_TOLERANCE


def test_the_committed_table_is_what_coolprop_makes() -> None:
    made = gas_table_maker().table_text()
    figures = [int(figure) for figure in re.findall(r"-?\d+", made[made.index('= """') :])]
    committed = [int(figure) for figure in re.findall(r"-?\d+", table_values.PRESSURE_OVER_DENSITY)]
    assert len(figures) == len(committed) == 18 * (112 + 1)
    # Another machine may round a last digit the other way.
    assert max(abs(one - other) for one, other in zip(figures, committed, strict=True)) <= 1
    assert "CoolProp 8.0.0" in (table_values.__doc__ or "")


def test_the_service_does_not_load_coolprop() -> None:
    program = "import fill_ledger.trade.gas.plans, sys; print('CoolProp' in sys.modules, 'numpy' in sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert loaded.stdout.split() == ["False", "False"]


@given(readings, temperatures)
def test_each_way_is_the_inverse_of_the_other(gauge_psi: int, temperature_f: int) -> None:
    density = inside(density_kg_per_m3(gauge_psi, temperature_f))
    assert inside(reading_psi(density, temperature_f)) == pytest.approx(gauge_psi, abs=1e-6)


@given(st.integers(0, 7_999), temperatures)
def test_density_rises_with_pressure(gauge_psi: int, temperature_f: int) -> None:
    assert inside(density_kg_per_m3(gauge_psi, temperature_f)) < inside(density_kg_per_m3(gauge_psi + 1, temperature_f))


@given(readings, st.integers(-20, 149))
def test_density_falls_with_temperature(gauge_psi: int, temperature_f: int) -> None:
    assert inside(density_kg_per_m3(gauge_psi, temperature_f)) > inside(density_kg_per_m3(gauge_psi, temperature_f + 1))


@given(st.floats(0, 400), st.floats(0.001, 10), temperatures)
def test_pressure_rises_with_density(density: float, step: float, temperature_f: int) -> None:
    assert inside(reading_psi(density, temperature_f)) < inside(reading_psi(density + step, temperature_f))


def test_pressure_rises_with_density_across_every_line_of_the_table() -> None:
    for temperature_f in range(-20, 151):
        below = -ABSOLUTE_PSI
        for tenths in range(1, 5_551):
            pressure = reading_psi(tenths / 10, temperature_f)
            if isinstance(pressure, OutsideTable):
                break
            assert pressure > below
            below = pressure


@pytest.mark.parametrize("temperature_f", [-21, 151, -60, 250])
def test_a_temperature_outside_has_no_answer(temperature_f: int) -> None:
    outside = density_kg_per_m3(1_000, temperature_f)
    assert outside == OutsideTable(quantity="gas_temperature_f", given=temperature_f, least=-20, greatest=150)
    assert reading_psi(100.0, temperature_f) == outside
    assert outside.text == f"{temperature_f} F is outside the gas table, -20 to 150 F"


@pytest.mark.parametrize("gauge_psi", [-1, 8_001, 15_000])
def test_a_pressure_outside_has_no_answer(gauge_psi: int) -> None:
    outside = density_kg_per_m3(gauge_psi, 70)
    assert outside == OutsideTable(quantity="reading_psi", given=gauge_psi, least=0, greatest=8_000)
    assert outside.text == f"{gauge_psi} psi is outside the gas table, 0 to 8000 psi"


@pytest.mark.parametrize(("density", "temperature_f"), [(555.1, -20), (900.0, 70), (420.0, 150), (555.0, -20)])
def test_a_result_above_the_table_has_no_answer(density: float, temperature_f: int) -> None:
    """The pressure bounds it too: 8,000 psig at 150 F is only 419 kg/m3 (CoolProp 8.0.0)."""
    outside = reading_psi(density, temperature_f)
    assert outside == OutsideTable(quantity="result_psi", given=None, least=0, greatest=8_000)
    assert outside.text == "the pressure this comes to is above the gas table, which ends at 8000 psi"
    with pytest.raises(BeyondTableError) as beyond:
        inside(outside)
    assert beyond.value.outside is outside


def test_an_empty_vessel_shows_the_atmosphere_missing() -> None:
    assert reading_psi(0.0, 70) == pytest.approx(-ABSOLUTE_PSI)
    with pytest.raises(ValueError, match="not a density"):
        reading_psi(-0.1, 70)


def test_a_conversion_takes_under_ten_microseconds() -> None:
    """The best of several rounds, so that a busy machine fails nothing; both ways and all temperatures."""
    for temperature_f in range(-20, 151):  # each isotherm is laid out once
        density_kg_per_m3(0, temperature_f)
    asked = [(gauge_psi, temperature_f) for gauge_psi in range(0, 8_000, 97) for temperature_f in range(-20, 151, 9)]
    best_s = float("inf")
    for _ in range(20):
        begun = time.perf_counter()
        for gauge_psi, temperature_f in asked:
            reading_psi(inside(density_kg_per_m3(gauge_psi, temperature_f)), temperature_f)
        best_s = min(best_s, time.perf_counter() - begun)
    assert best_s / (2 * len(asked)) < 10e-6
