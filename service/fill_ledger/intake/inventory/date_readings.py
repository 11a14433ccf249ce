"""Every month or day that a piece of text can mean, before anything is decided.

A reading that needs something to be known about the file (which number is the month, that 21 is a year) says so.
"""

import re
from calendar import monthrange
from collections.abc import Iterator
from typing import Literal

import msgspec

DateOrder = Literal["month_first", "day_first"]

MONTH_NAMES = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
_MONTH_NUMBERS = {name: number for number, name in enumerate(MONTH_NAMES, 1)}
_MONTH_NUMBERS |= {name[:3]: number for number, name in enumerate(MONTH_NAMES, 1)} | {"sept": 9}

_GREATEST_MONTH = 12
_CENTURIES = (1900, 2000)
_YEAR_DIGITS = 4
_SHORT_YEAR_DIGITS = 2
_PAIR = 2
_CLOCK_TIME = re.compile(r"[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?[AP]\.?M\.?)?(Z|[+-]\d{2}:?\d{2})?$", re.IGNORECASE)
_SHAPE = re.compile(r"([A-Za-z]+|\d+)(\.? ?[-/., ] ?([A-Za-z]+|\d+)){0,2}\.?")
_PART = re.compile(r"[A-Za-z]+|\d+")


class Moment(msgspec.Struct, frozen=True, order=True):
    """A month of a year, with the day where one was written."""

    year: int
    month: int
    day: int | None = None

    @property
    def month_text(self) -> str:
        """The month as YYYY-MM."""
        return f"{self.year:04d}-{self.month:02d}"

    @property
    def text(self) -> str:
        """The moment as YYYY-MM-DD, or YYYY-MM where no day was written (ISO 8601)."""
        return self.month_text if self.day is None else f"{self.month_text}-{self.day:02d}"

    @property
    def exists(self) -> bool:
        """Whether the Gregorian calendar has this month and day."""
        if self.year < 1 or not 1 <= self.month <= _GREATEST_MONTH:
            return False
        return self.day is None or 1 <= self.day <= monthrange(self.year, self.month)[1]


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One thing a text can mean, and what must be known for it to be so.

    `order` is None where the text itself shows which number is the month. `short_year` marks a two-digit year.
    `year_first` marks a two-digit year in front. A reading without `moment` is a day without a year.
    """

    moment: Moment | None
    order: DateOrder | None = None
    short_year: bool = False
    year_first: bool = False


def date_parts(text: str) -> list[str] | None:
    """Return the numbers and the month name of a date, without its clock time; None where it has no date's shape."""
    text = _CLOCK_TIME.sub("", text)
    if _SHAPE.fullmatch(text) is None:
        return None
    parts = [part.casefold() for part in _PART.findall(text)]
    names = [part for part in parts if part.isalpha()]
    if len(names) > 1 or len(parts) == 1 or any(name not in _MONTH_NUMBERS for name in names):
        return None
    if any(part.isdigit() and len(part) not in {1, 2, _YEAR_DIGITS} for part in parts):
        return None
    if sum(len(part) == _YEAR_DIGITS for part in parts if part.isdigit()) > 1:
        return None
    return parts


def readings_of(parts: list[str]) -> list[Reading]:
    """Return what the parts of a date can mean; only readings whose month and day exist."""
    if any(part.isalpha() for part in parts):
        found = _named(parts)
    elif len(parts) == _PAIR:
        found = _pair(parts)
    else:
        found = _triple(parts)
    return [reading for reading in found if reading.moment is None or reading.moment.exists]


def _is_year(part: str) -> bool:
    return len(part) == _YEAR_DIGITS


def _short_years(part: str) -> Iterator[int]:
    if len(part) == _SHORT_YEAR_DIGITS:
        for century in _CENTURIES:
            yield century + int(part)


def _pair(parts: list[str]) -> Iterator[Reading]:
    first, second = parts
    if _is_year(second):
        yield Reading(moment=Moment(int(second), int(first)))
    elif _is_year(first):
        yield Reading(moment=Moment(int(first), int(second)))
    else:
        for year in _short_years(second):
            yield Reading(moment=Moment(year, int(first)), short_year=True)
        if _day_of_some_year(int(first), int(second)) or _day_of_some_year(int(second), int(first)):
            yield Reading(moment=None)


def _day_of_some_year(month: int, day: int) -> bool:
    leap_year = 2000
    return Moment(leap_year, month, day).exists


def _triple(parts: list[str]) -> Iterator[Reading]:
    first, second, third = (int(part) for part in parts)
    if _is_year(parts[0]):
        yield Reading(moment=Moment(first, second, third))
        return
    if _is_year(parts[1]):
        return
    for year in (third,) if _is_year(parts[2]) else tuple(_short_years(parts[2])):
        short = not _is_year(parts[2])
        yield Reading(moment=Moment(year, first, second), order="month_first", short_year=short)
        yield Reading(moment=Moment(year, second, first), order="day_first", short_year=short)
    if not _is_year(parts[2]):
        for year in _short_years(parts[0]):
            yield Reading(moment=Moment(year, second, third), short_year=True, year_first=True)


def _named(parts: list[str]) -> Iterator[Reading]:
    position = next(index for index, part in enumerate(parts) if part.isalpha())
    month = _MONTH_NUMBERS[parts[position]]
    numbers = [part for part in parts if part.isdigit()]
    if len(numbers) == 1:
        yield from _named_with_one_number(month, numbers[0], name_first=position == 0)
        return
    if _is_year(numbers[0]):
        yield Reading(moment=Moment(int(numbers[0]), month, int(numbers[1])))
    elif _is_year(numbers[1]):
        yield Reading(moment=Moment(int(numbers[1]), month, int(numbers[0])))
    else:
        for year in _short_years(numbers[1]):
            yield Reading(moment=Moment(year, month, int(numbers[0])), short_year=True)
        for year in _short_years(numbers[0]):
            yield Reading(moment=Moment(year, month, int(numbers[1])), short_year=True, year_first=True)


def _named_with_one_number(month: int, number: str, *, name_first: bool) -> Iterator[Reading]:
    if _is_year(number):
        yield Reading(moment=Moment(int(number), month))
        return
    for year in _short_years(number):
        yield Reading(moment=Moment(year, month), short_year=True, year_first=not name_first)
    if _day_of_some_year(month, int(number)):
        yield Reading(moment=None)
