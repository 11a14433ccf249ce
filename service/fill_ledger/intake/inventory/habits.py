"""What the cells of a whole file prove about how it writes dates and numbers."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

import msgspec

from fill_ledger.intake.inventory.cells import Cell, meant_text, shown
from fill_ledger.intake.inventory.columns import Field
from fill_ledger.intake.inventory.date_readings import DateOrder
from fill_ledger.intake.inventory.dates import DAY_ZERO_1900, DAY_ZERO_1904, DateHabits, date_evidence
from fill_ledger.intake.inventory.faults import FileNote, shortened
from fill_ledger.intake.inventory.headers import HeaderRow
from fill_ledger.intake.inventory.limits import GREATEST_DAY_NUMBER, LEAST_DAY_NUMBER
from fill_ledger.intake.inventory.numbers import settled_decimal_sign, split_unit
from fill_ledger.intake.inventory.options import ReadingOptions
from fill_ledger.intake.inventory.row_reading import FileHabits
from fill_ledger.intake.inventory.tables import SourceRow

_DATE_FIELDS = (Field.MANUFACTURED, Field.LAST_REQUALIFIED, Field.PURCHASED)
_NUMBER_FIELDS = (Field.SERVICE_PRESSURE, Field.WATER_VOLUME)


class Proof(msgspec.Struct, frozen=True):
    """A cell that proves a habit: its row and what stands in it."""

    row: int
    text: str

    def __str__(self) -> str:
        return f"row {self.row} ({shortened(self.text)})"


def file_habits(
    header: HeaderRow, rows: Sequence[SourceRow], options: ReadingOptions, today: date, *, counts_from_1904: bool
) -> tuple[FileHabits, list[FileNote]]:
    """Return how a file writes dates and numbers, from what was chosen and what its cells prove, and notes on it."""
    orders: dict[DateOrder, Proof] = {}
    short_year: Proof | None = None
    for row, cell in _cells(header, rows, _DATE_FIELDS):
        evidence = date_evidence(cell, today)
        if evidence.order is not None:
            orders.setdefault(evidence.order, Proof(row, shown(cell)))
        if evidence.short_years and short_year is None:
            short_year = Proof(row, shown(cell))
    notes = list(_date_notes(orders, short_year, options))
    notes += _day_number_notes(header, rows, counts_from_1904=counts_from_1904)
    dates = DateHabits(
        today=today,
        order=options.date_order or (next(iter(orders)) if len(orders) == 1 else None),
        order_chosen=options.date_order is not None,
        order_proofs=_both_ways(orders) if len(orders) > 1 else "",
        short_years=options.two_digit_years == "latest_past" or short_year is not None,
        day_zero=DAY_ZERO_1904 if counts_from_1904 else DAY_ZERO_1900,
    )
    notes += _unit_notes(header, rows, options)
    texts = (meant_text(cell) for _, cell in _cells(header, rows, _NUMBER_FIELDS) if isinstance(cell, str))
    habits = FileHabits(
        dates=dates,
        decimal_sign=settled_decimal_sign(texts),
        pressure_unit=options.pressure_unit,
        volume_unit=options.volume_unit,
        default_use=options.default_use,
    )
    return habits, notes


def _cells(header: HeaderRow, rows: Iterable[SourceRow], fields: Iterable[Field]) -> Iterator[tuple[int, Cell]]:
    places = [column.index for column in header.columns if column.field in set(fields)]
    for row in rows:
        for index in places:
            if index < len(row.cells):
                yield row.number, row.cells[index]


def _both_ways(orders: dict[DateOrder, Proof]) -> str:
    return " and ".join(f"{order.replace('_', ' ')} in {proof}" for order, proof in orders.items())


def _date_notes(
    orders: dict[DateOrder, Proof], short_year: Proof | None, options: ReadingOptions
) -> Iterator[FileNote]:
    if len(orders) > 1:
        yield FileNote(
            code="date-order-contradictory",
            detail=f"The file writes dates both ways: {_both_ways(orders)}. Nothing is concluded from that.",
        )
    elif options.date_order is None:
        for order, proof in orders.items():
            yield FileNote(
                code="date-order-settled",
                detail=f"Dates are read {order.replace('_', ' ')}, as {proof} proves.",
                row=proof.row,
            )
    if short_year is not None and options.two_digit_years == "refuse":
        yield FileNote(
            code="two-digit-years-settled",
            detail=f"Two digits at the end of a date are read as the year, as {short_year} proves.",
            row=short_year.row,
        )


def _day_number_notes(header: HeaderRow, rows: Sequence[SourceRow], *, counts_from_1904: bool) -> Iterator[FileNote]:
    first_day = "1904-01-01" if counts_from_1904 else "1900-01-01"
    for field in _DATE_FIELDS:
        numbers = [row for row, cell in _cells(header, rows, (field,)) if _is_day_number(cell)]
        column = header.column_of(field)
        if numbers and column is not None:
            yield FileNote(
                code="day-numbers-read",
                detail=(
                    f"{len(numbers)} cells of the column {column.header!r} hold a spreadsheet's day number, the first "
                    f"in row {numbers[0]}; they are counted from {first_day}."
                ),
                row=numbers[0],
                column=column.header,
            )


def _unit_notes(header: HeaderRow, rows: Sequence[SourceRow], options: ReadingOptions) -> Iterator[FileNote]:
    column = header.column_of(Field.SERVICE_PRESSURE)
    if column is None or column.pressure_unit is not None or options.pressure_unit is not None:
        return
    bare = [row for row, cell in _cells(header, rows, (Field.SERVICE_PRESSURE,)) if _has_no_unit(cell)]
    if bare:
        yield FileNote(
            code="pressure-unit-concluded",
            detail=(
                f"{len(bare)} cells of the column {column.header!r} name no unit, the first in row {bare[0]}. They are "
                "read as the specification has them, or as psi where no cylinder is marked so high in bar."
            ),
            row=bare[0],
            column=column.header,
        )


def _has_no_unit(cell: Cell) -> bool:
    parts = split_unit(meant_text(shown(cell)))
    return parts is not None and not parts[1]


def _is_day_number(cell: Cell) -> bool:
    if isinstance(cell, str):
        text = meant_text(cell)
        return text.isdecimal() and len(text) == len(str(LEAST_DAY_NUMBER)) and _in_range(int(text))
    return isinstance(cell, (int, float)) and not isinstance(cell, bool) and _in_range(cell)


def _in_range(number: float) -> bool:
    return LEAST_DAY_NUMBER <= number < GREATEST_DAY_NUMBER + 1
