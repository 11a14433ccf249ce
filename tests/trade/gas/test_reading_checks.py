"""End readings against limits, and the recharge rule."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.reading_checks import (
    GAUGE_TOLERANCE_PSI,
    EndReadingVerdict,
    judge_end_reading,
    judge_recharge,
)
from fill_ledger.trade.gas.readings import settled_psi, stop_at_psi

WITHIN = EndReadingVerdict.WITHIN_LIMIT
TOLERATED = EndReadingVerdict.WITHIN_TOLERANCE
HEAT = EndReadingVerdict.EXPLAINED_BY_HEAT
OVER = EndReadingVerdict.OVER_LIMIT
OUTSIDE = EndReadingVerdict.OUTSIDE_TABLE


@pytest.mark.parametrize(
    ("end_psi", "temperature_f", "verdict"),
    [
        (4_500, 70, WITHIN),
        (4_510, 70, TOLERATED),
        (4_549, 70, TOLERATED),
        (4_550, 70, OVER),  # the manual says 50 psi or more
        (4_510, 96, WITHIN),
        (4_898, 100, WITHIN),
        (5_100, 100, OVER),
        (4_500, 40, OVER),  # a cold cylinder at its mark holds too much
        (4_100, 40, WITHIN),
    ],
)
def test_with_a_known_temperature(end_psi: int, temperature_f: int, verdict: EndReadingVerdict) -> None:
    judged = judge_end_reading(end_psi, 4_500, temperature_f)
    assert judged.verdict is verdict
    assert judged.settled_psi == settled_psi(end_psi, temperature_f)
    assert judged.stop_at_psi == stop_at_psi(4_500, temperature_f)
    assert judged.explained_from_f is None
    assert judged.outside is None


@pytest.mark.parametrize(
    ("end_psi", "verdict"),
    [(0, WITHIN), (4_500, WITHIN), (4_549, TOLERATED), (4_550, HEAT), (4_898, HEAT), (5_307, HEAT), (5_500, OVER)],
)
def test_without_a_temperature(end_psi: int, verdict: EndReadingVerdict) -> None:
    judged = judge_end_reading(end_psi, 4_500, None)
    assert judged.verdict is verdict
    assert judged.settled_psi is None
    assert judged.stop_at_psi is None
    assert (judged.explained_from_f is not None) == (verdict is HEAT)


@given(st.integers(4_550, 5_300))
def test_the_heat_that_explains_a_reading_is_the_least_that_does(end_psi: int) -> None:
    from_f = judge_end_reading(end_psi, 4_500, None).explained_from_f
    assert from_f is not None
    enough, short = settled_psi(end_psi, from_f), settled_psi(end_psi, from_f - 1)
    assert isinstance(enough, int)
    assert isinstance(short, int)
    assert enough < 4_500 + GAUGE_TOLERANCE_PSI <= short


@given(st.integers(500, 5_500), st.integers(-20, 131))
def test_stopping_where_told_is_never_called_over(limit_psi: int, temperature_f: int) -> None:
    stop = stop_at_psi(limit_psi, temperature_f)
    assert isinstance(stop, int)
    assert judge_end_reading(stop, limit_psi, temperature_f).verdict is WITHIN
    assert judge_end_reading(stop, limit_psi, None).verdict is not OVER


def test_a_european_limit_holds_at_15_c() -> None:
    limit_at_70_f = stop_at_psi(4_351, 70, 59)
    assert isinstance(limit_at_70_f, int)
    assert limit_at_70_f > 4_351 + GAUGE_TOLERANCE_PSI
    assert judge_end_reading(limit_at_70_f, 4_351, 70, 59).verdict is WITHIN
    assert judge_end_reading(limit_at_70_f, 4_351, 70).verdict is OVER
    assert judge_end_reading(limit_at_70_f + 60, 4_351, 70, 59).verdict is OVER


@pytest.mark.parametrize(
    ("end_psi", "limit_psi", "temperature_f"),
    [(8_001, 7_950, 90), (8_001, 7_500, None), (4_500, 8_001, None), (4_500, 4_500, 160)],
)
def test_outside_the_table_nothing_is_judged(end_psi: int, limit_psi: int, temperature_f: int | None) -> None:
    judged = judge_end_reading(end_psi, limit_psi, temperature_f)
    assert judged.verdict is OUTSIDE
    assert isinstance(judged.outside, OutsideTable)
    assert judge_end_reading(4_500, 4_500, 70, 200).verdict is OUTSIDE


@pytest.mark.parametrize(("limit_psi", "temperature_f"), [(4_500, 70), (4_500, None), (5_500, 150), (7_900, 70)])
def test_a_reading_beyond_the_table_is_over_a_limit_within_it(limit_psi: int, temperature_f: int | None) -> None:
    judged = judge_end_reading(8_001, limit_psi, temperature_f)
    assert judged.verdict is OVER
    assert judged.settled_psi is None
    assert judged.outside is not None
    expected = None if temperature_f is None else stop_at_psi(limit_psi, temperature_f)
    assert judged.stop_at_psi == expected


@pytest.mark.parametrize(
    ("end_psi", "tolerance_psi", "verdict"),
    [(4_510, 50, TOLERATED), (4_510, 11, TOLERATED), (4_510, 10, OVER), (4_501, 0, OVER), (4_500, 0, WITHIN)],
)
def test_a_tolerance_may_be_less(end_psi: int, tolerance_psi: int, verdict: EndReadingVerdict) -> None:
    assert judge_end_reading(end_psi, 4_500, 70, tolerance_psi=tolerance_psi).verdict is verdict


def test_without_tolerance_heat_still_explains_a_reading() -> None:
    judged = judge_end_reading(4_510, 4_500, None, tolerance_psi=0)
    assert judged.verdict is HEAT
    assert judged.explained_from_f == 71


def test_a_cold_reading_that_would_settle_above_the_table_is_over_its_limit() -> None:
    judged = judge_end_reading(7_000, 5_500, -20)
    assert judged.verdict is OVER
    assert judged.settled_psi is None
    assert judged.outside is not None
    assert judged.outside.quantity == "result_psi"
    assert judged.stop_at_psi == stop_at_psi(5_500, -20)


def test_a_stop_above_the_table_is_left_out() -> None:
    judged = judge_end_reading(7_400, 7_500, 150)
    assert judged.verdict is WITHIN
    assert judged.stop_at_psi is None


@pytest.mark.parametrize(
    ("reading_psi", "due"), [(4_500, False), (4_051, False), (4_050, True), (4_049, True), (0, True)]
)
def test_recharge_by_the_plain_reading(reading_psi: int, due: bool) -> None:
    """29 CFR 1910.134(h)(3)(iii): when the pressure falls to 90 %; exactly 90 % is there."""
    judged = judge_recharge(reading_psi, 4_500, None)
    assert judged.due is due
    assert judged.reading_per_mille == reading_psi * 1_000 // 4_500
    assert (judged.corrected_due, judged.settled_psi, judged.settled_per_mille) == (None, None, None)
    assert judged.source == "29 CFR 1910.134(h)(3)(iii)"
    assert judged.corrected_source.startswith("inference")


def test_recharge_corrected_beside_it() -> None:
    cold = judge_recharge(3_993, 4_500, 32)
    assert (cold.due, cold.corrected_due) == (True, False)
    assert cold.reading_per_mille == 887
    assert cold.settled_per_mille == 1_000
    hot = judge_recharge(4_300, 4_500, 110)
    assert (hot.due, hot.corrected_due) == (False, True)


def test_recharge_of_a_european_cylinder_is_corrected_to_15_c() -> None:
    """300 bar = 4,351 psi at 59 F; full, at 32 F it reads less than 90 % of that or not far above."""
    full_at_32_f = stop_at_psi(4_351, 32, 59)
    assert isinstance(full_at_32_f, int)
    judged = judge_recharge(full_at_32_f, 4_351, 32, 59)
    assert judged.settled_per_mille in (999, 1_000)
    assert judged.corrected_due is False


def test_recharge_beyond_the_table_has_no_corrected_figure() -> None:
    judged = judge_recharge(4_000, 4_500, 180)
    assert judged.due is True
    assert judged.corrected_due is None


def test_a_rated_pressure_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="0 psi is not a rated pressure"):
        judge_recharge(100, 0, None)
