"""Months without days: arithmetic, and when a month ends on the wall clock of a station."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.months import (
    YEAR_MAX,
    YEAR_MIN,
    MonthError,
    StampMonth,
    add_months,
    add_years,
    compare_months,
    make_month,
    month_end_exclusive,
    month_of,
    month_start,
    months_between,
    parse_month,
    year_of_two_digits,
)

EASTERN = ZoneInfo("America/New_York")
months = st.builds(make_month, st.integers(1950, 2150), st.integers(1, 12))
# Zones with daylight saving at midnight, half-hour steps, and dates skipped; all from the public tz database.
zones = st.sampled_from(
    [
        ZoneInfo(name)
        for name in (
            "America/New_York",
            "America/Havana",
            "America/Asuncion",
            "Australia/Lord_Howe",
            "Asia/Kathmandu",
            "Pacific/Apia",
            "Asia/Beirut",
            "UTC",
        )
    ]
)


def test_a_month_is_text_that_sorts() -> None:
    assert make_month(2006, 9) == "2006-09"
    assert parse_month("2006-09") == (2006, 9)
    assert sorted(["2021-10", "2021-09", "1999-12"]) == ["1999-12", "2021-09", "2021-10"]


@pytest.mark.parametrize(
    "text", ["", "2021-9", "2021-13", "2021-00", "1899-12", "2201-01", "2021-09\n", " 2021-09", "2021/09", "٢٠٢١-09"]
)
def test_other_text_is_no_month(text: str) -> None:
    with pytest.raises(MonthError):
        parse_month(text)
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(text, type=StampMonth)


@pytest.mark.parametrize(("year", "month"), [(YEAR_MIN - 1, 12), (YEAR_MAX + 1, 1), (2021, 0), (2021, 13)])
def test_bounds_of_year_and_month(year: int, month: int) -> None:
    with pytest.raises(MonthError):
        make_month(year, month)


def test_bounds_are_inside() -> None:
    for year in (YEAR_MIN, YEAR_MAX):
        assert msgspec.convert(make_month(year, 12), type=StampMonth) == make_month(year, 12)


@given(months, st.integers(-600, 600))
def test_adding_months_and_back_gives_the_same(month: StampMonth, count: int) -> None:
    later = add_months(month, count)
    assert add_months(later, -count) == month
    assert months_between(month, later) == count


@given(months, st.integers(-50, 50))
def test_adding_years_keeps_the_month(month: StampMonth, count: int) -> None:
    year, month_number = parse_month(month)
    assert add_years(month, count) == make_month(year + count, month_number)


@given(months, months)
def test_text_order_is_calendar_order(left: StampMonth, right: StampMonth) -> None:
    assert compare_months(left, right) == (left > right) - (left < right)
    assert compare_months(right, left) == -compare_months(left, right)


def test_adding_past_the_bounds_is_refused() -> None:
    with pytest.raises(MonthError):
        add_years("2190-05", 15)


@given(months, zones)
def test_the_end_of_a_month_is_the_start_of_the_next(month: StampMonth, zone: ZoneInfo) -> None:
    end = month_end_exclusive(month, zone)
    assert end == month_start(add_months(month, 1), zone)
    assert month_of(end, zone) == add_months(month, 1)
    assert month_of(end.astimezone(UTC) - timedelta(seconds=1), zone) == month


@pytest.mark.parametrize(
    ("month", "zone", "expected"),
    [
        ("2026-11", "America/New_York", "2026-12-01T00:00:00-05:00"),
        # Summer time in the month, winter time after it, and the reverse.
        ("2026-10", "America/New_York", "2026-11-01T00:00:00-04:00"),
        ("2026-03", "America/New_York", "2026-04-01T00:00:00-04:00"),
        ("2024-02", "America/Chicago", "2024-03-01T00:00:00-06:00"),
        ("2026-12", "America/Phoenix", "2027-01-01T00:00:00-07:00"),
        # Clocks there went from 00:00 to 01:00 on the first: midnight was skipped.
        ("2017-09", "America/Asuncion", "2017-10-01T01:00:00-03:00"),
        ("2001-03", "America/Havana", "2001-04-01T01:00:00-04:00"),
        # Clocks there went from 01:00 back to 00:00 on the first: midnight came twice, the earlier one counts.
        ("2015-10", "America/Havana", "2015-11-01T00:00:00-04:00"),
    ],
)
def test_month_ends_on_the_wall_clock(month: StampMonth, zone: str, expected: str) -> None:
    assert month_end_exclusive(month, ZoneInfo(zone)).isoformat() == expected


def test_leap_february_has_its_last_day() -> None:
    leap_day = datetime(2024, 2, 29, 23, 59, 59, tzinfo=EASTERN)
    assert month_of(leap_day, EASTERN) == "2024-02"
    assert leap_day < month_end_exclusive("2024-02", EASTERN)
    assert month_end_exclusive("2023-02", EASTERN) == datetime(2023, 3, 1, tzinfo=EASTERN)


def test_the_month_depends_on_the_zone() -> None:
    moment = datetime(2026, 12, 1, 3, 0, tzinfo=UTC)
    assert month_of(moment, EASTERN) == "2026-11"
    assert month_of(moment, UTC) == "2026-12"


def test_a_moment_without_zone_has_no_month() -> None:
    with pytest.raises(MonthError):
        month_of(datetime(2026, 12, 1), EASTERN)  # noqa: DTZ001 - the naive time is what is being refused


@pytest.mark.parametrize(
    ("two_digits", "not_after", "year"),
    [(6, 2026, 2006), (26, 2026, 2026), (27, 2026, 1927), (95, 2026, 1995), (0, 2099, 2000)],
)
def test_two_digit_years(two_digits: int, not_after: int, year: int) -> None:
    assert year_of_two_digits(two_digits, not_after_year=not_after) == year


@given(st.integers(0, 99), st.integers(2000, 2200))
def test_two_digit_years_lie_in_the_century_before(two_digits: int, not_after: int) -> None:
    year = year_of_two_digits(two_digits, not_after_year=not_after)
    assert year % 100 == two_digits
    assert not_after - 100 < year <= not_after


def test_two_digits_are_two_digits() -> None:
    with pytest.raises(MonthError):
        year_of_two_digits(100, not_after_year=2026)
