"""Free air in a cylinder, and what a fill adds."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.contents import (
    FreeAir,
    air_delivered,
    content,
    free_air,
    free_air_cubic_feet,
    free_air_litres,
    free_air_of_mass_litres,
    mass_of_free_air_kg,
)


def test_an_open_cylinder_holds_its_own_volume() -> None:
    assert free_air_litres(0, 70, 6_800) == pytest.approx(6.8)
    assert content(0, 70, 6_800) == FreeAir(litres=7, standard_cubic_feet=Decimal("0.2"))


@given(st.integers(0, 8_000), st.integers(-20, 150), st.integers(100, 3_000_000))
def test_contents_go_with_the_volume(gauge_psi: int, temperature_f: int, water_volume_ml: int) -> None:
    one, many = free_air_litres(gauge_psi, temperature_f, 1), free_air_litres(gauge_psi, temperature_f, water_volume_ml)
    assert isinstance(one, float)
    assert many == pytest.approx(one * water_volume_ml)


@given(st.integers(0, 8_000), st.integers(0, 8_000), st.integers(-20, 150), st.integers(-20, 150))
def test_a_fill_is_the_difference_of_two_contents(start: int, end: int, start_f: int, end_f: int) -> None:
    before, after = free_air_litres(start, start_f, 6_800), free_air_litres(end, end_f, 6_800)
    assert isinstance(before, float)
    assert isinstance(after, float)
    delivered = air_delivered(start, end, 6_800, start_f, end_f)
    assert isinstance(delivered, FreeAir)
    assert delivered.litres == round(after - before)
    assert float(delivered.standard_cubic_feet) == pytest.approx((after - before) / 28.3168, abs=0.051)


def test_air_let_out_is_negative_and_nothing_is_plain_zero() -> None:
    out = air_delivered(4_500, 500, 6_800)
    assert isinstance(out, FreeAir)
    assert out.litres < 0
    assert out.standard_cubic_feet < 0
    assert str(free_air(-0.001).standard_cubic_feet) == "0.0"
    assert air_delivered(500, 500, 6_800) == FreeAir(litres=0, standard_cubic_feet=Decimal("0.0"))


def test_hot_gas_at_the_same_reading_is_less_air() -> None:
    """The docstring's figure: 4,500 psi at 100 F holds about 6 % less than at 70 F."""
    cool, hot = free_air_litres(4_500, 70, 1_000), free_air_litres(4_500, 100, 1_000)
    assert isinstance(cool, float)
    assert isinstance(hot, float)
    assert hot / cool == pytest.approx(0.94, abs=0.002)


@given(st.floats(0, 100_000))
def test_mass_and_free_air_are_each_others_inverse(litres: float) -> None:
    assert free_air_of_mass_litres(mass_of_free_air_kg(litres)) == pytest.approx(litres)


def test_outside_the_table() -> None:
    assert isinstance(free_air_litres(9_000, 70, 1_000), OutsideTable)
    assert isinstance(free_air_cubic_feet(9_000, 70, 1_000), OutsideTable)
    assert isinstance(content(4_500, 200, 1_000), OutsideTable)
    assert isinstance(air_delivered(9_000, 4_500, 6_800), OutsideTable)
    assert isinstance(air_delivered(500, 9_000, 6_800), OutsideTable)
