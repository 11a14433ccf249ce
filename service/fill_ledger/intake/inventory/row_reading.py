"""One row of cells to one cylinder: every cell is read, and every fault is noted where it stands."""

import re
from collections.abc import Callable
from typing import TypeVar

import msgspec

from fill_ledger.intake.inventory.cells import (
    Cell,
    cell_trouble,
    is_blank,
    meant_text,
    shown,
)
from fill_ledger.intake.inventory.columns import REQUIRED_FIELDS, Field
from fill_ledger.intake.inventory.date_readings import Moment
from fill_ledger.intake.inventory.dates import DateHabits, read_moment
from fill_ledger.intake.inventory.faults import CellFault, FileNote, Trouble, shortened
from fill_ledger.intake.inventory.headers import Column, HeaderRow, words_of
from fill_ledger.intake.inventory.identities import (
    read_alloy,
    read_inventory_number,
    read_requalifier,
    read_serial,
    read_specification,
    read_station,
    read_tag,
)
from fill_ledger.intake.inventory.numbers import DecimalSign
from fill_ledger.intake.inventory.tables import SourceRow
from fill_ledger.intake.inventory.units import read_service_pressure, read_water_volume
from fill_ledger.intake.inventory.words import (
    CONDITIONS,
    MATERIALS,
    METHODS,
    USES,
    Condition,
    Material,
    RequalificationMethod,
    Use,
    read_marks,
    read_word,
    read_yes_or_no,
)
from fill_ledger.trade.marks import SpecificationMark
from fill_ledger.trade.pressure import PressureUnit, StampedPressure
from fill_ledger.trade.requalifiers import (
    ReadStamp,
    RequalificationSuffix,
    parse_requalification_stamp,
    rin_warning,
)
from fill_ledger.trade.volumes import VolumeUnit

Value = TypeVar("Value")

# A requalifier's number among a date's parts makes the cell a whole stamp: "09 A123 21 +".
_STAMP = re.compile(r"\d.*(?<![A-Z])[A-Z]\d{3}(?!\d\d)|\d{1,2}\s*[A-Z]\d{3}\d{2}", re.IGNORECASE)
_DATE_WITH_SIGNS = re.compile(
    "(?P<date>.*?\\d)\\s*(?P<signs>[+*\N{BLACK STAR}\N{WHITE STAR}][\\s+*\N{BLACK STAR}\N{WHITE STAR}]*)"
)


class FileHabits(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of the whole file when its rows are read: how it writes dates and numbers, and what goes unsaid."""

    dates: DateHabits
    decimal_sign: DecimalSign | None = None
    pressure_unit: PressureUnit | None = None
    volume_unit: VolumeUnit | None = None
    default_use: Use | None = None


class RowDraft(msgspec.Struct, kw_only=True):
    """A row while it is read: what could be read so far, and what is wrong. Empty where a cell is empty or faulty."""

    row: int
    faults: list[CellFault] = msgspec.field(default_factory=list)
    notes: list[FileNote] = msgspec.field(default_factory=list)
    inventory_number: str | None = None
    serial: str | None = None
    mark: SpecificationMark | None = None
    service_pressure: StampedPressure | None = None
    water_volume_ml: int | None = None
    manufactured: Moment | None = None
    last_requalified: Moment | None = None
    requalifier: str | None = None
    requalification_method: RequalificationMethod | None = None
    requalification_marks: tuple[RequalificationSuffix, ...] = ()
    material: Material | None = None
    alloy: str | None = None
    use: Use | None = None
    tag: str | None = None
    home_station: str | None = None
    condition: Condition | None = None
    purchased: Moment | None = None
    remark: str | None = None


class RowReader:
    """Reads one row; `draft` holds what came of it."""

    def __init__(self, row: SourceRow, header: HeaderRow, habits: FileHabits) -> None:
        self._row = row
        self._header = header
        self._habits = habits
        self.draft = RowDraft(row=row.number)

    def read(self) -> RowDraft:
        """Read all columns. Use and specification come first: volume and pressure are judged by them."""
        draft = self.draft
        draft.inventory_number = self._take(Field.INVENTORY_NUMBER, read_inventory_number)
        draft.serial = self._required(Field.SERIAL, self._take(Field.SERIAL, read_serial))
        draft.mark = self._required(Field.SPECIFICATION, self._take(Field.SPECIFICATION, read_specification))
        use: Use | None = self._take(Field.USE, lambda cell: read_word(cell, USES, "use"))
        faulty = any(fault.field == Field.USE.value for fault in draft.faults)
        draft.use = self._required(Field.USE, use if use is not None or faulty else self._habits.default_use)
        self._read_quantities()
        self._read_dates()
        draft.requalification_method = self._take(
            Field.REQUALIFICATION_METHOD, lambda cell: read_word(cell, METHODS, "requalification method")
        )
        self._read_marks()
        self._read_requalifier()
        draft.material = self._take(Field.MATERIAL, lambda cell: read_word(cell, MATERIALS, "material"))
        draft.alloy = self._take(Field.ALLOY, read_alloy)
        draft.tag = self._take(Field.TAG, read_tag)
        draft.home_station = self._take(Field.HOME_STATION, read_station)
        draft.condition = self._take(Field.CONDITION, lambda cell: read_word(cell, CONDITIONS, "condition"))
        draft.remark = self._take(Field.REMARK, lambda cell: meant_text(shown(cell)))
        return draft

    def fault(self, field: Field, trouble: Trouble) -> None:
        """Note a fault of this row in a field's column."""
        column = self._header.column_of(field)
        self.draft.faults.append(
            CellFault(
                row=self._row.number,
                column=column.header if column is not None else None,
                field=field.value,
                value=shortened(shown(self._cell(column))),
                code=trouble.code,
                detail=trouble.detail,
                suggestion=trouble.suggestion,
            )
        )

    def note(self, field: Field, code: str, detail: str) -> None:
        """Note something worth knowing about this row."""
        column = self._header.column_of(field)
        header = column.header if column is not None else None
        self.draft.notes.append(FileNote(code=code, detail=detail, row=self._row.number, column=header))

    def has_column(self, field: Field) -> bool:
        """Return whether the file has a column for a field."""
        return self._header.column_of(field) is not None

    def _cell(self, column: Column | None) -> Cell:
        if column is None or column.index >= len(self._row.cells):
            return ""
        return self._row.cells[column.index]

    def _take(self, field: Field, read: Callable[[Cell], Value | Trouble | None]) -> Value | None:
        """Read a field's cell; a trouble becomes a fault and leaves None."""
        cell = self._cell(self._header.column_of(field))
        if is_blank(cell):
            return None
        outcome: Value | Trouble | None = cell_trouble(cell) or read(cell)
        if isinstance(outcome, Trouble):
            self.fault(field, outcome)
            return None
        return outcome or None

    def _required(self, field: Field, value: Value | None) -> Value | None:
        faulty = any(fault.field == field.value for fault in self.draft.faults)
        column_missing = field in REQUIRED_FIELDS and self._header.column_of(field) is None
        if value is None and not faulty and not column_missing:
            self.fault(
                field,
                Trouble(
                    code="value-missing",
                    detail=f"The {words_of(field)} is missing.",
                    suggestion=f"Enter the {words_of(field)}.",
                ),
            )
        return value

    def _read_quantities(self) -> None:
        draft, habits = self.draft, self._habits
        column = self._header.column_of(Field.SERVICE_PRESSURE)
        pressure_unit = (column.pressure_unit if column is not None else None) or habits.pressure_unit
        marked = draft.mark.service_pressure if draft.mark is not None else None
        entered = self._take(
            Field.SERVICE_PRESSURE,
            lambda cell: read_service_pressure(cell, unit=pressure_unit, mark=marked, decimal_sign=habits.decimal_sign),
        )
        draft.service_pressure = entered or marked
        if draft.mark is not None:
            self._required(Field.SERVICE_PRESSURE, draft.service_pressure)
        volume_column = self._header.column_of(Field.WATER_VOLUME)
        volume_unit = (volume_column.volume_unit if volume_column is not None else None) or habits.volume_unit
        draft.water_volume_ml = self._take(
            Field.WATER_VOLUME,
            lambda cell: read_water_volume(
                cell, unit=volume_unit, carried=draft.use in {"scba", "scuba"}, decimal_sign=habits.decimal_sign
            ),
        )

    def _read_dates(self) -> None:
        draft, dates = self.draft, self._habits.dates
        draft.manufactured = self._take(Field.MANUFACTURED, lambda cell: read_moment(cell, dates))
        draft.purchased = self._take(Field.PURCHASED, lambda cell: read_moment(cell, dates))
        draft.last_requalified = self._take(Field.LAST_REQUALIFIED, self._requalified)

    def _requalified(self, cell: Cell) -> Moment | Trouble | None:
        """Read the last requalification: a month, a month with plus or star behind it, or a whole stamp."""
        text = meant_text(cell) if isinstance(cell, str) else ""
        if _STAMP.search(text):
            return self._stamped(text)
        with_signs = _DATE_WITH_SIGNS.fullmatch(text)
        if with_signs is None:
            return read_moment(cell, self._habits.dates)
        marks = read_marks(with_signs["signs"])
        if isinstance(marks, Trouble):
            return marks
        self.draft.requalification_marks = marks
        return read_moment(with_signs["date"], self._habits.dates)

    def _stamped(self, text: str) -> Moment | Trouble:
        today = self._habits.dates.today
        stamp = parse_requalification_stamp(text, read_in=f"{today.year:04d}-{today.month:02d}")
        if not isinstance(stamp, ReadStamp):
            return Trouble(code=f"stamp-{stamp.code}", detail=f"{stamp.detail}.", suggestion=f"{stamp.suggestion}.")
        if stamp.other_suffixes:
            return Trouble(
                code="mark-unknown",
                detail=f"{' '.join(stamp.other_suffixes)} is no mark after a requalification date.",
                suggestion="Use plus, star, S, E, FS, AE, UE or VE behind the date.",
            )
        self.draft.requalifier = stamp.requalifier
        self.draft.requalification_marks = stamp.suffixes
        return Moment(int(stamp.month[:4]), int(stamp.month[5:]))

    def _read_marks(self) -> None:
        marks = set(self.draft.requalification_marks)
        marks |= set(self._take(Field.REQUALIFICATION_MARKS, read_marks) or ())
        for field, mark in (
            (Field.PLUS_MARK, RequalificationSuffix.PLUS),
            (Field.STAR_MARK, RequalificationSuffix.STAR),
        ):
            if self._take(field, read_yes_or_no):
                marks.add(mark)
        self.draft.requalification_marks = tuple(mark for mark in RequalificationSuffix if mark in marks)

    def _read_requalifier(self) -> None:
        entered = self._take(Field.REQUALIFIER, read_requalifier)
        stamped = self.draft.requalifier
        if entered is not None and stamped is not None and entered != stamped:
            trouble = Trouble(
                code="requalifier-contradicts-stamp",
                detail=f"The stamp names the requalifier {stamped}, this column says {entered}.",
                suggestion="Enter the one that is on the cylinder in both.",
            )
            self.fault(Field.REQUALIFIER, trouble)
        self.draft.requalifier = entered or stamped
        warning = rin_warning(self.draft.requalifier) if self.draft.requalifier is not None else None
        if warning is not None:
            self.note(Field.REQUALIFIER, warning.code, f"{warning.text}.")
