"""Conversions of stamped pressures: exact, never up, and plain about what is wrong."""

from decimal import Decimal
from fractions import Fraction
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.pressure import (
    GAUGE_READING_MAX_PSI,
    PASCALS_PER_PSI,
    PASCALS_PER_UNIT,
    SERVICE_PRESSURE_MAX_PSI,
    SERVICE_PRESSURE_MIN_PSI,
    PressureError,
    PressureFault,
    PressureUnit,
    StampedPressure,
    parse_pressure,
    service_pressure_fault,
    to_psi_floor,
    unit_doubt,
)

units = st.sampled_from(list(PressureUnit))
stamped_numbers = st.decimals(min_value=0, max_value=999_999, places=3, allow_nan=False, allow_infinity=False)


@given(stamped_numbers, units)
def test_the_floor_is_never_above_the_pressure_and_less_than_one_psi_below(value: Decimal, unit: PressureUnit) -> None:
    psi = to_psi_floor(value, unit)
    exact = Fraction(value) * PASCALS_PER_UNIT[unit] / PASCALS_PER_PSI
    assert psi <= exact < psi + 1


@given(stamped_numbers, stamped_numbers, units)
def test_a_higher_stamp_never_gives_a_lower_limit(one: Decimal, two: Decimal, unit: PressureUnit) -> None:
    low, high = sorted((one, two))
    assert to_psi_floor(low, unit) <= to_psi_floor(high, unit)


@given(st.integers(0, 999_999))
def test_whole_psi_stays_as_it_is(value: int) -> None:
    assert to_psi_floor(value, PressureUnit.PSI) == value
    assert to_psi_floor(str(value), PressureUnit.PSI) == value


@given(st.integers(0, 9_999))
def test_bar_kilopascal_and_megapascal_agree(bar: int) -> None:
    psi = to_psi_floor(bar, PressureUnit.BAR)
    assert to_psi_floor(bar * 100, PressureUnit.KILOPASCAL) == psi
    assert to_psi_floor(Decimal(bar) / 10, PressureUnit.MEGAPASCAL) == psi


@pytest.mark.parametrize(
    "value", ["", " 1", "1 ", "1\n", "01", "1.", ".5", "-1", "+1", "1e3", "1,5", "1_0", "٣", "1234567"]
)
def test_text_that_is_no_plain_decimal_is_refused(value: str) -> None:
    with pytest.raises(PressureError) as caught:
        to_psi_floor(value, PressureUnit.PSI)
    assert caught.value.code == "not-a-number"


@pytest.mark.parametrize("value", [0.5, True, None, Decimal("NaN"), Decimal("Infinity")])
def test_what_is_no_exact_number_is_refused(value: Any) -> None:
    with pytest.raises(PressureError):
        to_psi_floor(value, PressureUnit.BAR)


def test_below_zero_is_refused() -> None:
    with pytest.raises(PressureError) as caught:
        to_psi_floor(-1, PressureUnit.PSI)
    assert caught.value.code == "negative"


def test_a_stamped_pressure_survives_json_and_refuses_what_it_does_not_know() -> None:
    stamped = StampedPressure(value="310", unit=PressureUnit.BAR)
    assert msgspec.json.encode(stamped) == b'{"value":"310","unit":"bar"}'
    assert msgspec.json.decode(msgspec.json.encode(stamped), type=StampedPressure) == stamped
    for wrong in (
        b'{"value":310,"unit":"bar"}',
        b'{"value":"310\\n","unit":"bar"}',
        b'{"value":"310","unit":"Bar"}',
        b'{"value":"310","unit":"bar","more":1}',
    ):
        with pytest.raises(msgspec.ValidationError):
            msgspec.json.decode(wrong, type=StampedPressure)


def test_service_pressure_bounds_hold_at_their_edges() -> None:
    for psi, fine in (
        (SERVICE_PRESSURE_MIN_PSI - 1, False),
        (SERVICE_PRESSURE_MIN_PSI, True),
        (SERVICE_PRESSURE_MAX_PSI, True),
        (SERVICE_PRESSURE_MAX_PSI + 1, False),
        (45_000, False),
    ):
        fault = service_pressure_fault(StampedPressure(value=str(psi), unit=PressureUnit.PSI))
        assert (fault is None) is fine, psi
    assert GAUGE_READING_MAX_PSI > SERVICE_PRESSURE_MAX_PSI


def test_a_psi_figure_entered_as_bar_is_found_out() -> None:
    fault = service_pressure_fault(StampedPressure(value="2216", unit=PressureUnit.BAR))
    assert fault is not None
    assert fault.code == "pressure-too-high"
    assert "is the number in psi?" in fault.suggestion


def test_a_bar_figure_entered_as_psi_raises_a_doubt_only() -> None:
    assert unit_doubt(StampedPressure(value="300", unit=PressureUnit.PSI)) is not None
    assert unit_doubt(StampedPressure(value="300", unit=PressureUnit.BAR)) is None
    assert unit_doubt(StampedPressure(value="1800", unit=PressureUnit.PSI)) is None


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("4500", "4500", PressureUnit.PSI),
        (" 4,500 PSIG ", "4500", PressureUnit.PSI),
        ("4500 p.s.i.", "4500", PressureUnit.PSI),
        ("2216 lbs/in\N{SUPERSCRIPT TWO}", "2216", PressureUnit.PSI),
        ("310bar", "310", PressureUnit.BAR),
        ("31.5 MPa", "31.5", PressureUnit.MEGAPASCAL),
        ("31000\N{NO-BREAK SPACE}kPa", "31000", PressureUnit.KILOPASCAL),
    ],
)
def test_people_write_pressures_in_many_ways(text: str, value: str, unit: PressureUnit) -> None:
    assert parse_pressure(text, PressureUnit.PSI) == StampedPressure(value=value, unit=unit)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("4500", "unit-missing"),
        ("310,5 bar", "decimal-comma"),
        ("300 atm", "unit-unknown"),
        ("full", "not-a-pressure"),
        ("", "not-a-pressure"),
        ("-5 psi", "not-a-pressure"),
        ("4500 4500 psi", "not-a-number"),
        ("04500 psi", "not-a-number"),
    ],
)
def test_unclear_pressures_are_refused_with_a_reason(text: str, code: str) -> None:
    fault = parse_pressure(text)
    assert isinstance(fault, PressureFault)
    assert fault.code == code
    assert fault.suggestion
