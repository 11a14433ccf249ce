"""Days and months as instants, also where clocks do odd things."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.rules.calendar import (
    day_ends_at,
    day_of,
    day_starts_at,
    month_ends_at,
    month_starts_at,
    months_later,
    years_later,
    zone_of,
)
from tests.trade.rules.histories import ZONES


@given(day=st.dates(date(1970, 1, 1), date(2100, 1, 1)), name=st.sampled_from(ZONES))
def test_a_day_starts_at_the_first_instant_that_shows_it(day: date, name: str) -> None:
    zone = ZoneInfo(name)
    starts_at = day_starts_at(day, zone)
    assert starts_at.tzinfo is UTC
    assert starts_at.astimezone(zone).date() >= day
    assert (starts_at - timedelta(microseconds=1)).astimezone(zone).date() < day


@given(day=st.dates(date(1970, 1, 1), date(2090, 1, 1)), later=st.integers(0, 3_660), name=st.sampled_from(ZONES))
def test_a_day_ends_where_the_next_begins(day: date, later: int, name: str) -> None:
    zone = ZoneInfo(name)
    assert day_ends_at(day, zone, later) == day_starts_at(day + timedelta(days=later + 1), zone)


# IANA time zone database: Samoa skipped 30 December 2011; Cairo skips 00:00 to 01:00 on 24 April 2026; Toronto skipped
# 23:30 to 00:30 on the night to 31 March 1919, so that the day began at half past twelve.
@pytest.mark.parametrize(
    ("day", "name", "starts_at"),
    [
        (date(2011, 12, 30), "Pacific/Apia", datetime(2011, 12, 30, 10, tzinfo=UTC)),
        (date(2011, 12, 31), "Pacific/Apia", datetime(2011, 12, 30, 10, tzinfo=UTC)),
        (date(2026, 4, 24), "Africa/Cairo", datetime(2026, 4, 23, 22, tzinfo=UTC)),
        (date(1919, 3, 31), "America/Toronto", datetime(1919, 3, 31, 4, 30, tzinfo=UTC)),
        (date(2026, 3, 8), "America/New_York", datetime(2026, 3, 8, 5, tzinfo=UTC)),
        (date(2026, 3, 9), "America/New_York", datetime(2026, 3, 9, 4, tzinfo=UTC)),
    ],
)
def test_days_on_which_clocks_jump(day: date, name: str, starts_at: datetime) -> None:
    assert day_starts_at(day, ZoneInfo(name)) == starts_at
    assert day_starts_at(day, ZoneInfo(name)).tzinfo is UTC


def test_months_begin_and_end_in_utc() -> None:
    """New York: five hours behind UTC in January and February, four in April."""
    zone = ZoneInfo("America/New_York")
    starts_at, ends_at = month_starts_at("2026-02", zone), month_ends_at("2026-03", zone)
    assert (starts_at, ends_at) == (datetime(2026, 2, 1, 5, tzinfo=UTC), datetime(2026, 4, 1, 4, tzinfo=UTC))
    assert starts_at is not None
    assert ends_at is not None
    assert starts_at.tzinfo is ends_at.tzinfo is UTC


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-02-28", date(2026, 2, 28)),
        ("2026-02-30", date(2026, 2, 28)),
        ("2028-02-30", date(2028, 2, 29)),
        ("2026-04-31", date(2026, 4, 30)),
        ("2026-00-10", None),
        ("2026-13-10", None),
        ("2026-01-00", None),
        ("1899-12-31", None),
        ("1900-01-01", date(1900, 1, 1)),
        ("2200-12-31", date(2200, 12, 31)),
        ("2201-01-01", None),
        ("2026-1-1", None),
        ("2026-01-01\n", None),
        ("", None),
    ],
)
def test_a_day_past_the_end_of_its_month_is_its_last(text: str, day: date | None) -> None:
    assert day_of(text) == day


def test_what_is_no_month_has_no_instant() -> None:
    zone = ZoneInfo("UTC")
    for text in ("2026-13", "202606", "", "2201-01"):
        assert month_starts_at(text, zone) is None
        assert month_ends_at(text, zone) is None
        assert years_later(text, 5) is None
    assert years_later("2199-12", 1) == "2200-12"
    assert years_later("2200-12", 1) is None
    assert months_later("2026-06", 7) == "2027-01"
    assert months_later("2026-13", 1) is None


def test_zones_are_found_by_name_only() -> None:
    assert zone_of("America/New_York") is not None
    assert zone_of("America") is None
    assert zone_of("") is None
