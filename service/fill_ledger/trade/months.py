"""Months as stamped on cylinders: year and month, no day.

A stamp such as "9 A123 06" says September 2006 and nothing finer (49 CFR 180.213(d)). A month is carried as the text
"2006-09", so that it is stored and sent as it is and compares correctly as text.
"""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Annotated

from msgspec import Meta

# No cylinder still in use was made before 1900, and no date a rule derives reaches 2200 (common practice, no source).
YEAR_MIN = 1900
YEAR_MAX = 2200
MONTHS_PER_YEAR = 12

# Text length is bounded as well: `$` alone would let a trailing newline pass.
STAMP_MONTH_PATTERN = r"^(19[0-9]{2}|20[0-9]{2}|21[0-9]{2}|2200)-(0[1-9]|1[0-2])\Z"
STAMP_MONTH_LENGTH = 7

StampMonth = Annotated[
    str,
    Meta(
        pattern=STAMP_MONTH_PATTERN,
        max_length=STAMP_MONTH_LENGTH,
        description="year and month as YYYY-MM",
        examples=["2021-09"],
    ),
]

_STAMP_MONTH = re.compile(STAMP_MONTH_PATTERN.removesuffix("$") + r"\Z")


class MonthError(ValueError):
    """A month that cannot be one; the message says what to enter."""


def make_month(year: int, month: int) -> StampMonth:
    """Return the month as text. Raises `MonthError` outside years 1900 to 2200 or months 1 to 12."""
    if not YEAR_MIN <= year <= YEAR_MAX:
        raise MonthError(f"year {year} is outside {YEAR_MIN} to {YEAR_MAX}")
    if not 1 <= month <= MONTHS_PER_YEAR:
        raise MonthError(f"month {month} is outside 1 to {MONTHS_PER_YEAR}")
    return f"{year:04d}-{month:02d}"


def parse_month(text: str) -> tuple[int, int]:
    """Return (year, month) of text in the form YYYY-MM. Raises `MonthError` for anything else."""
    if not _STAMP_MONTH.match(text):
        raise MonthError(f"{text!r} is not a month in the form YYYY-MM, such as 2021-09")
    return int(text[:4]), int(text[5:])


def month_of(moment: datetime, zone: tzinfo) -> StampMonth:
    """Return the month that the wall calendar of `zone` shows at an aware moment. Raises `MonthError` if naive."""
    _require_aware(moment)
    local = moment.astimezone(zone)
    return make_month(local.year, local.month)


def add_months(month: StampMonth, count: int) -> StampMonth:
    """Return the month `count` months later (earlier if negative). Raises `MonthError` outside the year bounds."""
    year, month_number = parse_month(month)
    years, month_index = divmod(year * MONTHS_PER_YEAR + month_number - 1 + count, MONTHS_PER_YEAR)
    return make_month(years, month_index + 1)


def add_years(month: StampMonth, count: int) -> StampMonth:
    """Return the same month `count` years later (earlier if negative). Raises `MonthError` outside the year bounds."""
    return add_months(month, count * MONTHS_PER_YEAR)


def months_between(earlier: StampMonth, later: StampMonth) -> int:
    """Return how many months `later` lies after `earlier`; negative when it lies before. Raises `MonthError`."""
    earlier_year, earlier_month = parse_month(earlier)
    later_year, later_month = parse_month(later)
    return (later_year - earlier_year) * MONTHS_PER_YEAR + later_month - earlier_month


def compare_months(left: StampMonth, right: StampMonth) -> int:
    """Return -1, 0 or 1 as `left` is before, the same as or after `right`. Raises `MonthError`.

    Comparing the two texts with `<` gives the same order; this one also refuses what is no month.
    """
    difference = months_between(right, left)
    return (difference > 0) - (difference < 0)


def month_start(month: StampMonth, zone: tzinfo) -> datetime:
    """Return the first instant of a month in a time zone, as an aware `datetime` in that zone. Raises `MonthError`."""
    year, month_number = parse_month(month)
    return _first_instant_of_day(year, month_number, zone)


def month_end_exclusive(month: StampMonth, zone: tzinfo) -> datetime:
    """Return the first instant after a month in a time zone: what is good through a month ends here, exclusively.

    `zone` is the station's. Where clocks skip midnight the first instant is the first that a clock there shows; where
    midnight comes twice it is the earlier one. Raises `MonthError`.
    """
    year, month_number = parse_month(month)
    next_year, next_index = divmod(year * MONTHS_PER_YEAR + month_number, MONTHS_PER_YEAR)
    return _first_instant_of_day(next_year, next_index + 1, zone)


def year_of_two_digits(two_digits: int, *, not_after_year: int) -> int:
    """Return the latest year not after `not_after_year` that ends in these two digits.

    A stamp "9-06" read in 2026 means 2006, and "9-95" means 1995: a stamp cannot lie in the future (inference from
    49 CFR 180.213(d), whose example has a two-digit year). Raises `MonthError` outside 0 to 99.
    """
    if not 0 <= two_digits <= 99:
        raise MonthError(f"{two_digits} is not a two-digit year")
    return not_after_year - (not_after_year - two_digits) % 100


def _first_instant_of_day(year: int, month: int, zone: tzinfo) -> datetime:
    """Return the first instant whose local date is the first of a month."""
    midnight = datetime(year, month, 1, tzinfo=zone)
    # PEP 495: of a wall time that is skipped, fold=1 names an instant before the jump and fold=0 one after it; of a
    # wall time that comes twice, fold=0 names the earlier.
    later = midnight.replace(fold=0).astimezone(UTC)
    if later.astimezone(zone).replace(tzinfo=None) == midnight.replace(tzinfo=None):
        return later.astimezone(zone)
    earlier = midnight.replace(fold=1).astimezone(UTC)
    while later - earlier > timedelta(seconds=1):
        middle = earlier + (later - earlier) // 2
        middle = middle.replace(microsecond=0)
        local = middle.astimezone(zone)
        if (local.year, local.month) < (year, month):
            earlier = middle
        else:
            later = middle
    return later.astimezone(zone)


def _require_aware(moment: datetime) -> None:
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise MonthError("the moment has no time zone")
