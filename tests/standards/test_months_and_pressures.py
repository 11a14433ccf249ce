"""Months and pressures against arithmetic that shares nothing with the code under test.

Sources: the Gregorian calendar as the standard library's `date` keeps it, walked day by day; the exact definitions of
the pound (0.45359237 kg), the inch (25.4 mm) and standard gravity (9.80665 m/s2): NIST SP 811 (2008), appendix B.
"""

import calendar
from datetime import UTC, date, datetime, timedelta
from decimal import ROUND_FLOOR, Decimal, localcontext
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.months import add_months, add_years, make_month, month_end_exclusive, month_of, months_between
from fill_ledger.trade.pressure import PressureUnit, StampedPressure, parse_pressure, to_psi_floor
from fill_ledger.trade.rules.calendar import day_of, month_ends_at, month_starts_at, years_later

# More digits than any figure here needs, so that Decimal division is as good as exact.
DIGITS = 60
PASCALS_PER_PSI = Decimal("0.45359237") * Decimal("9.80665") / (Decimal("0.0254") * Decimal("0.0254"))
PASCALS = {PressureUnit.BAR: 100_000, PressureUnit.KILOPASCAL: 1_000, PressureUnit.MEGAPASCAL: 1_000_000}
ZONES = [ZoneInfo(name) for name in ("America/New_York", "Pacific/Chatham", "Africa/Cairo", "America/Santiago", "UTC")]

years = st.integers(1950, 2150)
month_numbers = st.integers(1, 12)


def month_after_walking(year: int, month: int, steps: int) -> str:
    """Walk `steps` months on a calendar, from the first of each to the first of the next, one day at a time."""
    day = date(year, month, 1)
    while steps:
        day += timedelta(days=1)
        steps -= day.day == 1
    return f"{day.year:04d}-{day.month:02d}"


@given(years, month_numbers, st.integers(0, 240))
def test_months_later_by_walking_the_calendar(year: int, month: int, count: int) -> None:
    start = make_month(year, month)
    assert add_months(start, count) == month_after_walking(year, month, count)
    assert months_between(start, add_months(start, count)) == count


@given(years, month_numbers, st.integers(0, 40))
def test_years_later_keep_the_month(year: int, month: int, count: int) -> None:
    """A stamp has no day, so no leap year can push it on: February and 10 years is February."""
    expected = f"{year + count:04d}-{month:02d}"
    assert add_years(make_month(year, month), count) == expected
    assert years_later(make_month(year, month), count) == expected


@pytest.mark.parametrize(
    ("month", "years_on", "later"),
    [
        ("2016-02", 10, "2026-02"),
        ("2024-02", 5, "2029-02"),
        ("2011-06", 15, "2026-06"),
        ("1999-12", 5, "2004-12"),
        ("2000-01", 3, "2003-01"),
        ("2095-02", 5, "2100-02"),
    ],
)
def test_intervals_of_the_regulation(month: str, years_on: int, later: str) -> None:
    """49 CFR 180.209(a): 3, 5, 10 years; 15 of a usual composite's life."""
    assert add_years(month, years_on) == later


@given(years, month_numbers, st.sampled_from(ZONES), st.floats(0, 0.999_999))
def test_a_moment_is_in_the_month_its_wall_calendar_shows(year: int, month: int, zone: ZoneInfo, part: float) -> None:
    last_day = calendar.monthrange(year, month)[1]
    text = make_month(year, month)
    starts_at, ends_at = month_starts_at(text, zone), month_ends_at(text, zone)
    assert starts_at is not None
    assert ends_at is not None
    at = starts_at + (ends_at - starts_at) * part
    there = at.astimezone(zone)
    assert (there.year, there.month) == (year, month)
    assert month_of(at, zone) == text
    # A month is as long as its days, but for the hour that summer time takes or gives.
    assert abs((ends_at - starts_at) - timedelta(days=last_day)) <= timedelta(hours=1)
    after = month_end_exclusive(text, zone).astimezone(zone)
    assert (after.day, ends_at.astimezone(zone).day) == (1, 1)
    before = (ends_at - timedelta(microseconds=1)).astimezone(zone)
    assert (before.month, before.day) == (month, last_day)


@pytest.mark.parametrize(
    ("text", "held"),
    [
        ("2024-02-29", date(2024, 2, 29)),
        ("2100-02-29", date(2100, 2, 28)),
        ("2000-02-29", date(2000, 2, 29)),
        ("2026-02-30", date(2026, 2, 28)),
        ("2026-04-31", date(2026, 4, 30)),
        ("2026-13-01", None),
        ("2026-00-01", None),
        ("2026-01-00", None),
        ("2026-1-1", None),
    ],
)
def test_days_that_are_none(text: str, held: date | None) -> None:
    """The Gregorian calendar: 2000 was a leap year, 2100 is none. Kept facts are held within their month, not lost."""
    assert day_of(text) == held


def exact_psi(value: Decimal, unit: PressureUnit) -> Decimal:
    with localcontext() as context:
        context.prec = DIGITS
        return value if unit is PressureUnit.PSI else value * PASCALS[unit] / PASCALS_PER_PSI


@given(st.integers(0, 999_999_999).map(lambda thousandths: Decimal(thousandths) / 1_000), st.sampled_from(PressureUnit))
def test_limits_round_down_and_never_up(value: Decimal, unit: PressureUnit) -> None:
    exact = exact_psi(value, unit)
    psi = to_psi_floor(value, unit)
    assert psi == int(exact.to_integral_value(rounding=ROUND_FLOOR))
    assert psi <= exact < psi + 1


@given(st.integers(40, 10_000))
def test_a_whole_psi_stays_itself(psi: int) -> None:
    assert to_psi_floor(psi, PressureUnit.PSI) == psi
    assert StampedPressure(value=str(psi), unit=PressureUnit.PSI).psi == psi


@given(st.integers(1, 10_000))
def test_just_under_and_just_over_a_whole_psi(psi: int) -> None:
    """A thousandth of a kPa to either side, the finest a stamp can say: below it is the lower one."""
    with localcontext() as context:
        context.prec = DIGITS
        kilopascals = PASCALS_PER_PSI * psi / 1_000
        under = kilopascals.quantize(Decimal("0.001"), rounding=ROUND_FLOOR)
    assert to_psi_floor(under, PressureUnit.KILOPASCAL) in (psi - 1, psi)
    assert to_psi_floor(under, PressureUnit.KILOPASCAL) == int(exact_psi(under, PressureUnit.KILOPASCAL))
    assert to_psi_floor(under + Decimal("0.001"), PressureUnit.KILOPASCAL) == psi


@pytest.mark.parametrize(
    ("stamped", "psi"),
    # By hand, 1 bar = 14.503773773 psi (from memory, ten digits), rounded down.
    [
        ("150 bar", 2_175),  # 2175.566
        ("153 bar", 2_219),  # 2219.077: nominal 2216
        ("200 bar", 2_900),  # 2900.755
        ("207 bar", 3_002),  # 3002.281: nominal 3000
        ("232 bar", 3_364),  # 3364.876
        ("300 bar", 4_351),  # 4351.132
        ("310 bar", 4_496),  # 4496.170: below the nominal 4500, and so is its limit
        ("379 bar", 5_496),  # 5496.930: below the nominal 5500
        ("20 MPa", 2_900),
        ("30000 kPa", 4_351),
        ("31 MPa", 4_496),
        ("4500 psi", 4_500),
        ("4,500 PSIG", 4_500),
    ],
)
def test_stamps_in_every_unit(stamped: str, psi: int) -> None:
    pressure = parse_pressure(stamped)
    assert isinstance(pressure, StampedPressure), pressure
    assert pressure.psi == psi


def test_the_moment_a_leap_february_ends() -> None:
    """By hand: 2024 has February 29 and 2023 has not; New York is at UTC-5 then."""
    new_york = ZoneInfo("America/New_York")
    assert month_ends_at("2024-02", new_york) == datetime(2024, 3, 1, 5, tzinfo=UTC)
    assert month_ends_at("2023-02", new_york) == datetime(2023, 3, 1, 5, tzinfo=UTC)
    assert datetime(2024, 2, 29, 23, 59, tzinfo=new_york).astimezone(UTC) < datetime(2024, 3, 1, 5, tzinfo=UTC)
