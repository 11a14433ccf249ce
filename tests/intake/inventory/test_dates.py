"""Months and days: what is read, what is refused, and what settles it."""

from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.intake.inventory.cells import Cell
from fill_ledger.intake.inventory.date_readings import MONTH_NAMES, Moment
from fill_ledger.intake.inventory.dates import (
    DAY_ZERO_1900,
    DAY_ZERO_1904,
    DateEvidence,
    DateHabits,
    date_evidence,
    read_moment,
)
from fill_ledger.intake.inventory.faults import Trouble
from tests.intake.inventory.support import TODAY, codes, note_codes, read_rows

HABITS = DateHabits(today=TODAY)
MONTH_FIRST = DateHabits(today=TODAY, order="month_first", order_chosen=True)
DAY_FIRST = DateHabits(today=TODAY, order="day_first", order_chosen=True)
SHORT_YEARS = DateHabits(today=TODAY, short_years=True)

days = st.dates(min_value=date(1945, 1, 1), max_value=TODAY)


def outcome(cell: Cell, habits: DateHabits = HABITS) -> str | None:
    """Return the moment as text, or the code of the trouble."""
    moment = read_moment(cell, habits)
    if isinstance(moment, Trouble):
        return moment.code
    return moment.text if moment is not None else None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2021-09", "2021-09"),
        ("9/2021", "2021-09"),
        ("09.2021", "2021-09"),
        ("2021/09/30", "2021-09-30"),
        ("20210930", "2021-09-30"),
        ("202109", "2021-09"),
        ("Sep 2021", "2021-09"),
        ("Sept. 2021", "2021-09"),
        ("SEPTEMBER 2021", "2021-09"),
        ("2021 Sep", "2021-09"),
        ("Sep-2021", "2021-09"),
        ("September 30, 2021", "2021-09-30"),
        ("30-Sep-2021", "2021-09-30"),
        ("9/30/2021", "2021-09-30"),
        ("30.9.2021", "2021-09-30"),
        ("05/05/2021", "2021-05-05"),
        ("2021-09-30T00:00:00", "2021-09-30"),
        ("9/30/2021 12:00:00 AM", "2021-09-30"),
        ("\N{NO-BREAK SPACE}2021-09 ", "2021-09"),
        ("'2021-09", "2021-09"),
        ("2021\N{EN DASH}09", "2021-09"),
        ("Sep-98", "1998-09"),
        ("11/98", "1998-11"),
        ("9/30/98", "1998-09-30"),
        ("Nov 2026", "2026-11"),
        ("", None),
        ("n/a", None),
        (date(2021, 9, 30), "2021-09-30"),
        (datetime(2021, 9, 30, 13, 0), "2021-09-30"),  # noqa: DTZ001 - a spreadsheet's cell has no time zone
    ],
)
def test_spellings_with_one_meaning_are_read(text: Cell, expected: str | None) -> None:
    assert outcome(text) == expected


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("03/04/2021", "date-ambiguous"),
        ("1.9.2021", "date-ambiguous"),
        ("09/21", "two-digit-year"),
        ("Sep-21", "two-digit-year"),
        ("9/30/21", "two-digit-year"),
        ("21-09-30", "two-digit-year"),
        ("201209", "date-ambiguous"),
        ("21-Sep", "date-ambiguous"),
        ("21/09", "year-missing"),
        ("2021", "month-missing"),
        ("2021-02-30", "no-such-date"),
        ("02/30/2021", "no-such-date"),
        ("31-Sep-2021", "no-such-date"),
        ("13/2021", "no-such-date"),
        ("2026-12", "date-in-future"),
        ("11/25/2026", "date-in-future"),
        ("1850-01", "date-too-early"),
        ("soon", "not-a-date"),
        ("1/2/3/4", "not-a-date"),
        ("September", "not-a-date"),
        (True, "not-a-date"),
        (12.5, "year-missing"),
        (-3, "not-a-date"),
    ],
)
def test_what_is_unclear_or_impossible_is_refused(text: Cell, code: str) -> None:
    assert outcome(text) == code


def test_an_ambiguous_date_names_its_meanings_and_what_settles_it() -> None:
    trouble = read_moment("03/04/2021", HABITS)
    assert isinstance(trouble, Trouble)
    assert "2021-03-04 or 2021-04-03" in trouble.detail
    assert "date_order=month_first or date_order=day_first" in trouble.suggestion


@pytest.mark.parametrize(
    ("text", "habits", "expected"),
    [
        ("03/04/2021", MONTH_FIRST, "2021-03-04"),
        ("03/04/2021", DAY_FIRST, "2021-04-03"),
        ("30/09/2021", MONTH_FIRST, "date-order-contradicted"),
        ("9/30/2021", DAY_FIRST, "date-order-contradicted"),
        ("09/21", SHORT_YEARS, "2021-09"),
        ("Sep-21", SHORT_YEARS, "2021-09"),
        ("11/27", SHORT_YEARS, "1927-11"),
        ("9/30/21", SHORT_YEARS, "2021-09-30"),
        ("30-Sep-21", SHORT_YEARS, "2021-09-30"),
        ("03/04/21", SHORT_YEARS, "date-ambiguous"),
        ("21-09-30", SHORT_YEARS, "date-ambiguous"),
        ("21-Sep", SHORT_YEARS, "date-ambiguous"),
    ],
)
def test_known_habits_settle_what_they_can(text: str, habits: DateHabits, expected: str) -> None:
    assert outcome(text, habits) == expected


# ECMA-376 part 1, date conversion for serial values: "38749 represents 2006-02-01" in the 1900 date base; 1904-01-01
# is 0 in the 1904 one. 40729 = 2011-07-05 is the example of a vendor's help page on the two systems.
def test_day_numbers_count_from_the_base_of_the_standard() -> None:
    assert outcome(38749) == "2006-02-01"
    assert outcome("40729") == "2011-07-05"
    assert outcome(40729 - 1462, DateHabits(today=TODAY, day_zero=DAY_ZERO_1904)) == "2011-07-05"
    assert (DAY_ZERO_1904 - DAY_ZERO_1900).days == 1462


def test_a_day_number_with_a_time_of_day_is_that_day() -> None:
    assert outcome(38749.75) == "2006-02-01"


@given(day=days)
def test_every_plain_spelling_of_a_day_gives_its_month(day: date) -> None:
    month = f"{day.year:04d}-{day.month:02d}"
    name = MONTH_NAMES[day.month - 1]
    for text in (
        month,
        day.isoformat(),
        f"{day.month}/{day.year}",
        f"{name.title()} {day.year}",
        f"{name[:3]}-{day.year}",
        f"{day.day} {name[:3].upper()} {day.year}",
        f"{name} {day.day}, {day.year}",
        str((day - DAY_ZERO_1900).days),
    ):
        moment = read_moment(text, HABITS)
        assert isinstance(moment, Moment), text
        assert moment.month_text == month, text


@given(day=days, separator=st.sampled_from("/.-"))
def test_numbers_alone_never_give_a_wrong_month(day: date, separator: str) -> None:
    """Whichever way a day was written, an answer without knowing the order is the right one."""
    for parts in ((day.month, day.day, day.year), (day.day, day.month, day.year)):
        moment = read_moment(separator.join(str(part) for part in parts), HABITS)
        if isinstance(moment, Moment):
            assert moment.month_text == f"{day.year:04d}-{day.month:02d}"
        else:
            assert isinstance(moment, Trouble)
            assert moment.code == "date-ambiguous"
            assert day.day <= 12


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("9/30/2021", DateEvidence(order="month_first")),
        ("30.9.2021", DateEvidence(order="day_first")),
        ("11/98", DateEvidence(short_years=True)),
        ("Jun-99", DateEvidence(short_years=True)),
        ("03/04/2021", DateEvidence()),
        ("05/05/2021", DateEvidence()),
        ("09/21", DateEvidence()),
        ("2021-09-30", DateEvidence()),
        ("02/30/2021", DateEvidence()),
    ],
)
def test_what_one_cell_proves(text: str, expected: DateEvidence) -> None:
    assert date_evidence(text, TODAY) == expected


def _file(*tested: str) -> list[tuple[str, ...]]:
    return [(f"AB{number}", "DOT-3AA2015", "2015", "1998-01", month, "scuba") for number, month in enumerate(tested)]


def test_a_day_above_twelve_settles_the_order_of_the_file() -> None:
    table = read_rows(_file("03/04/2021", "9/30/2021"))
    assert table.faults == []
    assert [row.last_requalified for row in table.rows] == ["2021-03", "2021-09"]
    note = next(note for note in table.notes if note.code == "date-order-settled")
    assert note.row == 3
    assert "month first" in note.detail


def test_a_file_that_writes_dates_both_ways_is_told_so_and_nothing_is_concluded() -> None:
    table = read_rows(_file("03/04/2021", "9/30/2021", "30/9/2021"))
    assert codes(table) == ["date-ambiguous"]
    assert "month first in row 3 (9/30/2021) and day first in row 4 (30/9/2021)" in table.faults[0].detail
    assert "date-order-contradictory" in note_codes(table)
    assert [row.row for row in table.rows] == [3, 4]


def test_a_year_above_thirty_one_settles_two_digit_years() -> None:
    table = read_rows(_file("09/21", "11/98"))
    assert table.faults == []
    assert [row.last_requalified for row in table.rows] == ["2021-09", "1998-11"]
    assert "two-digit-years-settled" in note_codes(table)


def test_a_file_of_two_digit_years_alone_is_refused_cell_by_cell() -> None:
    table = read_rows(_file("09/21", "10/22"))
    assert codes(table) == ["two-digit-year", "two-digit-year"]
    assert [fault.row for fault in table.faults] == [2, 3]
