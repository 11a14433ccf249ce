"""Months and days as people and spreadsheets write them. What can be read two ways is refused, not guessed.

A requalification is stamped with month and year only (49 CFR 180.213(d)), so a month is what most columns hold.
"""

from collections.abc import Iterable
from datetime import date, timedelta

import msgspec

from fill_ledger.intake.inventory.cells import Cell, meant_text, shown
from fill_ledger.intake.inventory.date_readings import DateOrder, Moment, Reading, date_parts, readings_of
from fill_ledger.intake.inventory.faults import Trouble
from fill_ledger.intake.inventory.limits import EARLIEST_YEAR, GREATEST_DAY_NUMBER, LEAST_DAY_NUMBER

# Serial value 0 of the two date systems (ECMA-376 part 1, date conversion for serial values). Days after February
# 1900 of the 1900 system count as if from the day before 1899-12-31, because it holds a 29th of February 1900.
DAY_ZERO_1900 = date(1899, 12, 30)
DAY_ZERO_1904 = date(1904, 1, 1)

_COMPACT_DAY_DIGITS = 8
_COMPACT_MONTH_DIGITS = 6
_YEAR_DIGITS = 4
_HALF_A_CENTURY = 50
_MONTH_FORM = "Write year and month, such as 2021-09."
_SHORT_YEAR_WAYS = "Write the year with four digits, such as 2021-09, or import with two_digit_years=latest_past."
_ORDER_WAYS = "Write year and month, such as 2021-09, or import with date_order=month_first or date_order=day_first."


class DateHabits(msgspec.Struct, frozen=True, kw_only=True):
    """How dates are written in one file, as far as it is known.

    `order` says which number of 03/04/2021 is the month; `order_chosen` that the importing person said so. With
    `short_years` the last part of 09/21 and Sep-21 is a year, the latest not after `today`. `order_proofs` names the
    rows that prove the order both ways. `day_zero` is serial value 0 of the spreadsheet's date system.
    """

    today: date
    order: DateOrder | None = None
    order_chosen: bool = False
    order_proofs: str = ""
    short_years: bool = False
    day_zero: date = DAY_ZERO_1900


class DateEvidence(msgspec.Struct, frozen=True, kw_only=True):
    """What one cell proves about how its file writes dates."""

    order: DateOrder | None = None
    short_years: bool = False


def read_moment(cell: Cell, habits: DateHabits) -> Moment | Trouble | None:
    """Return the month (and day) in a cell, what is wrong with it, or None for an empty cell.

    Read are 2021-09, 2021/09/30, 20210930, 9/2021, 9/30/2021, 30.9.2021, Sep 2021, September 30, 2021, 30-Sep-2021, a
    date cell and a spreadsheet's day number. 03/04/2021, 09/21 and Sep-21 are read only where `habits` settle them.
    """
    if isinstance(cell, str):
        text = meant_text(cell)
        moment = _read_text(text, habits) if text else None
    else:
        moment = _read_native(cell, habits)
    return _within_bounds(moment, habits.today) if isinstance(moment, Moment) else moment


def date_evidence(cell: Cell, today: date) -> DateEvidence:
    """Return what a cell proves: a day part of 13 to 31 the order, a last part of 0 or above 31 that it is a year."""
    parts = date_parts(meant_text(cell)) if isinstance(cell, str) else None
    if parts is None:
        return DateEvidence()
    readings = _not_after(readings_of(parts), today)
    if not readings or any(reading.moment is None for reading in readings):
        return DateEvidence()
    orders = {reading.order for reading in readings}
    return DateEvidence(
        order=next(iter(orders)) if len(orders) == 1 and not any(reading.short_year for reading in readings) else None,
        short_years=len(readings) == 1 and readings[0].short_year and not readings[0].year_first,
    )


def _read_native(cell: Cell, habits: DateHabits) -> Moment | Trouble:
    if isinstance(cell, date):
        return Moment(cell.year, cell.month, cell.day)
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        if LEAST_DAY_NUMBER <= cell < GREATEST_DAY_NUMBER + 1:
            return _day_of_number(int(cell), habits.day_zero)
        return _read_text(shown(cell), habits)
    return _not_a_date(shown(cell))


def _day_of_number(number: int, day_zero: date) -> Moment:
    day = day_zero + timedelta(days=number)
    return Moment(day.year, day.month, day.day)


def _read_text(text: str, habits: DateHabits) -> Moment | Trouble:
    if text.isdigit() and text.isascii():
        return _read_digits(text, habits)
    parts = date_parts(text)
    if parts is None:
        return _not_a_date(text)
    readings = readings_of(parts)
    if not any(reading.moment is not None for reading in readings):
        return _no_such_day(text) if not readings else _year_missing(text)
    return _decide(text, readings, habits)


def _read_digits(digits: str, habits: DateHabits) -> Moment | Trouble:
    if len(digits) == _COMPACT_DAY_DIGITS:
        moment = Moment(int(digits[:4]), int(digits[4:6]), int(digits[6:]))
        return moment if moment.exists else _no_such_day(digits)
    if len(digits) == _COMPACT_MONTH_DIGITS:
        moment = Moment(int(digits[:4]), int(digits[4:]))
        # 201209 is also 9 December 2020 without its century.
        other = Moment(2000 + int(digits[:2]), int(digits[2:4]), int(digits[4:]))
        if moment.exists and other.exists:
            detail = f"{digits!r} can mean {moment.text} or {other.text}."
            return Trouble(code="date-ambiguous", detail=detail, suggestion=_MONTH_FORM)
        return moment if moment.exists else _not_a_date(digits)
    if len(digits) == len(str(LEAST_DAY_NUMBER)) and LEAST_DAY_NUMBER <= int(digits) <= GREATEST_DAY_NUMBER:
        return _day_of_number(int(digits), habits.day_zero)
    if len(digits) == _YEAR_DIGITS and EARLIEST_YEAR <= int(digits) <= habits.today.year:
        return Trouble(
            code="month-missing",
            detail=f"{digits} is a year; the month is missing.",
            suggestion=f"Write year and month, such as {digits}-09.",
        )
    return _not_a_date(digits)


def _decide(text: str, readings: list[Reading], habits: DateHabits) -> Moment | Trouble:
    complete = [reading for reading in readings if reading.moment is not None]
    if habits.order is not None and any(reading.order for reading in complete):
        in_order = [reading for reading in complete if reading.order == habits.order]
        if not in_order and habits.order_chosen:
            return _against_chosen_order(text, habits.order)
        if in_order:
            complete = [reading for reading in complete if reading.order in {habits.order, None}]
    if habits.short_years and any(reading.short_year for reading in complete):
        return _decide_short_year(text, complete, habits)
    possible = _not_after(complete, habits.today) or complete
    moments = sorted({reading.moment for reading in possible if reading.moment is not None})
    undated = any(reading.moment is None for reading in readings)
    if len({moment.month_text for moment in moments}) == 1 and not undated:
        return _fullest(moments)
    return _ambiguous(text, possible, habits, undated=undated)


def _decide_short_year(text: str, readings: list[Reading], habits: DateHabits) -> Moment | Trouble:
    past = _not_after(readings, habits.today)
    newest = _latest_year(reading for reading in past if not reading.year_first)
    newest_year_first = _latest_year(reading for reading in past if reading.year_first)
    if not newest:
        return _ambiguous(text, readings, habits, undated=True)
    if newest_year_first and newest_year_first[0].year - newest[0].year > _HALF_A_CENTURY:
        # 21-09-30 is more likely 2021-09-30 than a day in 1930: nothing is certain.
        return _ambiguous(text, past, habits, undated=False)
    if len({moment.month for moment in newest}) > 1:
        return _ambiguous(text, [reading for reading in past if reading.moment in newest], habits, undated=False)
    return _fullest(newest)


def _latest_year(readings: Iterable[Reading]) -> list[Moment]:
    moments = {reading.moment for reading in readings if reading.moment is not None}
    latest = max((moment.year for moment in moments), default=0)
    return sorted(moment for moment in moments if moment.year == latest)


def _not_after(readings: Iterable[Reading], today: date) -> list[Reading]:
    """Drop the readings of a two-digit year whose century would put it into the future."""
    return [
        reading
        for reading in readings
        if reading.moment is None or not reading.short_year or _day_or_first(reading.moment) <= today
    ]


def _day_or_first(moment: Moment) -> date:
    return date(moment.year, moment.month, moment.day or 1)


def _fullest(moments: list[Moment]) -> Moment:
    # In one month but on two possible days: the month is certain, the day stays open.
    return moments[0] if len(moments) == 1 else Moment(moments[0].year, moments[0].month)


def _within_bounds(moment: Moment, today: date) -> Moment | Trouble:
    if moment.year < EARLIEST_YEAR:
        detail = f"The year {moment.year} is before {EARLIEST_YEAR}."
        return Trouble(code="date-too-early", detail=detail, suggestion=_MONTH_FORM)
    if _day_or_first(moment) > today:
        return Trouble(
            code="date-in-future",
            detail=f"{moment.text} is after today, {today.isoformat()}.",
            suggestion="Enter when it was done, not when it is next due.",
        )
    return moment


def _ambiguous(text: str, readings: list[Reading], habits: DateHabits, *, undated: bool) -> Trouble:
    moments = sorted({reading.moment.text for reading in readings if reading.moment is not None})
    choices = [*moments, "a day without a year"] if undated else moments
    by_order = any(reading.order for reading in readings)
    detail = f"{text!r} can mean {' or '.join(choices)}."
    if by_order and habits.order_proofs:
        detail += f" The file writes dates both ways: {habits.order_proofs}."
    if any(reading.short_year and not reading.year_first for reading in readings) and not habits.short_years:
        return Trouble(code="two-digit-year", detail=detail, suggestion=_SHORT_YEAR_WAYS)
    return Trouble(code="date-ambiguous", detail=detail, suggestion=_ORDER_WAYS if by_order else _MONTH_FORM)


def _against_chosen_order(text: str, order: DateOrder) -> Trouble:
    return Trouble(
        code="date-order-contradicted",
        detail=f"{text!r} has no such month if the file is {order.replace('_', ' ')}, as the import says.",
        suggestion=_MONTH_FORM,
    )


def _no_such_day(text: str) -> Trouble:
    return Trouble(code="no-such-date", detail=f"{text!r} is no day of the calendar.", suggestion=_MONTH_FORM)


def _year_missing(text: str) -> Trouble:
    return Trouble(code="year-missing", detail=f"{text!r} is a day without a year.", suggestion=_MONTH_FORM)


def _not_a_date(text: str) -> Trouble:
    return Trouble(code="not-a-date", detail=f"{text!r} is not a date.", suggestion=_MONTH_FORM)
