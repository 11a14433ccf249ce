"""What a reading settles to and where to stop: rounding, bounds, and one undoing the other."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.contents import air_of_fill_litres, free_air_litres
from fill_ledger.trade.gas.reading_checks import EndReadingVerdict, judge_end_reading
from fill_ledger.trade.gas.readings import (
    EN_REFERENCE_TEMPERATURE_F,
    at_other_temperature_psi,
    settled_psi,
    stop_at_psi,
)

temperatures = st.integers(-20, 150)


@given(st.integers(0, 8_000))
def test_at_the_reference_temperature_a_reading_is_what_it_is(reading: int) -> None:
    assert settled_psi(reading, 70) == reading
    assert stop_at_psi(reading, 70) == reading
    assert stop_at_psi(reading, 59, EN_REFERENCE_TEMPERATURE_F) == reading


@given(st.integers(100, 5_500), temperatures)
def test_stopping_there_never_settles_above_the_limit(limit_psi: int, temperature_f: int) -> None:
    stop = stop_at_psi(limit_psi, temperature_f)
    assert not isinstance(stop, OutsideTable)
    settled = at_other_temperature_psi(stop, temperature_f, 70)
    assert not isinstance(settled, OutsideTable)
    assert settled <= limit_psi + 1e-5
    # One psi more would: the limit is rounded down and no further.
    beyond = at_other_temperature_psi(stop + 1, temperature_f, 70)
    assert not isinstance(beyond, OutsideTable)
    assert beyond > limit_psi


@given(st.integers(200, 5_000), temperatures)
def test_what_it_settles_to_is_within_the_limit_and_close(limit_psi: int, temperature_f: int) -> None:
    stop = stop_at_psi(limit_psi, temperature_f)
    assert isinstance(stop, int)
    settled = settled_psi(stop, temperature_f)
    assert isinstance(settled, int)
    assert limit_psi - 2 <= settled <= limit_psi


@given(st.integers(1, 5_500), st.integers(-20, 149))
def test_warmer_gas_reads_more_and_settles_to_less(pressure_psi: int, temperature_f: int) -> None:
    here, warmer = temperature_f, temperature_f + 1
    stop, stop_warmer = stop_at_psi(pressure_psi, here), stop_at_psi(pressure_psi, warmer)
    settled, settled_warmer = settled_psi(pressure_psi, here), settled_psi(pressure_psi, warmer)
    assert isinstance(stop, int)
    assert isinstance(stop_warmer, int)
    assert isinstance(settled, int)
    assert isinstance(settled_warmer, int)
    assert stop <= stop_warmer
    assert settled >= settled_warmer


def test_a_gauge_does_not_fall_below_nothing() -> None:
    """Air let out hot leaves less than an atmosphere when it cools."""
    cooled = at_other_temperature_psi(0, 150, 70)
    assert isinstance(cooled, float)
    assert cooled < 0
    assert settled_psi(0, 150) == 0
    assert stop_at_psi(0, -20) == 0


@pytest.mark.parametrize(
    ("reading", "temperature_f", "quantity"),
    [
        (8_001, 70, "reading_psi"),
        (-1, 70, "reading_psi"),
        (8_001, 90, "reading_psi"),
        (4_500, 151, "gas_temperature_f"),
    ],
)
def test_outside_the_table_is_an_answer_and_not_a_number(reading: int, temperature_f: int, quantity: str) -> None:
    for answer in (settled_psi(reading, temperature_f), stop_at_psi(reading, temperature_f)):
        assert isinstance(answer, OutsideTable)
        assert answer.quantity == quantity


def test_a_result_outside_the_table() -> None:
    cold = settled_psi(7_000, -20)
    assert isinstance(cold, OutsideTable)
    assert cold.quantity == "result_psi"
    hot = stop_at_psi(7_500, 150)
    assert isinstance(hot, OutsideTable)
    assert hot.quantity == "result_psi"
    outside_reference = settled_psi(4_500, 70, 200)
    assert isinstance(outside_reference, OutsideTable)
    assert outside_reference.given == 200


reported = st.integers(-(2**31), 2**31 - 1)


@given(reported, reported | temperatures)
def test_whatever_a_device_reports_is_settled_or_said_to_be_outside(reading_psi: int, temperature_f: int) -> None:
    """A broken sensor never makes a calculation fail, and what no table has is never a number."""
    is_inside = 0 <= reading_psi <= 8_000 and -20 <= temperature_f <= 150
    for answer in (settled_psi(reading_psi, temperature_f), stop_at_psi(reading_psi, temperature_f)):
        assert is_inside or isinstance(answer, OutsideTable)
    assert is_inside or isinstance(free_air_litres(reading_psi, temperature_f, 6_800), OutsideTable)
    air_of_fill_litres(reading_psi, 4_500, 6_800, temperature_f)
    verdict = judge_end_reading(reading_psi, 4_500, temperature_f).verdict
    if reading_psi < 0 or not -20 <= temperature_f <= 150:
        assert verdict is EndReadingVerdict.OUTSIDE_TABLE
    elif reading_psi > 8_000 and temperature_f <= 131:
        assert verdict is EndReadingVerdict.OVER_LIMIT


def test_a_reading_below_nothing_is_never_called_an_overfill() -> None:
    for temperature_f in (None, -20, 70, 150):
        assert judge_end_reading(-1, 100, temperature_f).verdict is EndReadingVerdict.OUTSIDE_TABLE
