"""The station's calendar: stamped months and written days as instants.

Rules compare instants in UTC and nothing else: two aware times in one time zone compare by their wall clocks, which is
wrong in the hour that comes twice. Everything that depends on a time zone is worked out here, once, and remembered.

A month or day from outside may be no month or day at all (February 30 passes a pattern). What cannot be read gives
None, never an exception; a day past the end of its month is taken as the last day of it.
"""

import calendar
import re
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from fill_ledger.trade.months import (
    YEAR_MAX,
    YEAR_MIN,
    MonthError,
    add_months,
    add_years,
    month_end_exclusive,
    month_start,
)

REMEMBERED_ZONES = 1_024
REMEMBERED_INSTANTS = 16_384
UTC_ZONE = ZoneInfo("UTC")

_SECOND = timedelta(seconds=1)
_DAY = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})\Z")


@lru_cache(maxsize=REMEMBERED_ZONES)
def zone_of(name: str) -> ZoneInfo | None:
    """Return the IANA time zone of this name, or None where there is none."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return None


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def month_starts_at(month: str, zone: ZoneInfo) -> datetime | None:
    """Return the first instant of a month "YYYY-MM" in a zone, in UTC, or None where the text is no month."""
    try:
        return month_start(month, zone).astimezone(UTC)
    except MonthError:
        return None


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def month_ends_at(month: str, zone: ZoneInfo) -> datetime | None:
    """Return the first instant after a month, in UTC; None where the text is no month or the calendar ends there."""
    try:
        return month_end_exclusive(month, zone).astimezone(UTC)
    except MonthError:
        return None


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def years_later(month: str, years: int) -> str | None:
    """Return the same month some years later, or None where the text is no month or lies beyond the calendar."""
    try:
        return add_years(month, years)
    except MonthError:
        return None


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def months_later(month: str, months: int) -> str | None:
    """Return the month some months later, or None where the text is no month or lies beyond the calendar."""
    try:
        return add_months(month, months)
    except MonthError:
        return None


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def day_of(text: str) -> date | None:
    """Return the day written as YYYY-MM-DD, held within its month, or None where it cannot be read."""
    match = _DAY.match(text)
    if match is None:
        return None
    year, month, day = (int(part) for part in match.groups())
    if not (YEAR_MIN <= year <= YEAR_MAX and 1 <= month <= 12 and day >= 1):
        return None
    return date(year, month, min(day, calendar.monthrange(year, month)[1]))


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def day_starts_at(day: date, zone: ZoneInfo) -> datetime:
    """Return the first instant, in UTC, at which the calendar of a zone shows this day or a later one."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=zone)
    # PEP 495: where the clock skips midnight, fold=0 names an instant after the jump and fold=1 one before it.
    later = midnight.astimezone(UTC)
    shown = later.astimezone(zone)  # pragma: no mutate - in another zone only the longer way is taken
    if shown.replace(tzinfo=None) == midnight.replace(tzinfo=None):
        return later
    earlier = midnight.replace(fold=1).astimezone(UTC)
    while later - earlier > _SECOND:
        middle = (earlier + (later - earlier) / 2).replace(microsecond=0)
        if middle.astimezone(zone).date() < day:
            earlier = middle
        else:
            later = middle
    return later


@lru_cache(maxsize=REMEMBERED_INSTANTS)
def day_ends_at(day: date, zone: ZoneInfo, days_later: int = 0) -> datetime:
    """Return the first instant after a day, or after the day some days later, in UTC.

    What is good through that day ends here, exclusively.
    """
    return day_starts_at(day + timedelta(days=days_later + 1), zone)


def day_text(moment: datetime, zone: ZoneInfo) -> str:
    """Return the day a wall calendar in the zone shows, as YYYY-MM-DD."""
    return moment.astimezone(zone).date().isoformat()
