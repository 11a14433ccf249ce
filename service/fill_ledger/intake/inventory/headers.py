"""The header row of a table and what its columns mean, whatever case, spaces and punctuation they are written in."""

import re
import unicodedata
from collections.abc import Sequence
from difflib import get_close_matches

import msgspec

from fill_ledger.intake.inventory.cells import is_blank, meant_text, shown
from fill_ledger.intake.inventory.columns import FIELD_OF_SPELLING, NOT_TAKEN, REQUIRED_FIELDS, TEMPLATE_COLUMNS, Field
from fill_ledger.intake.inventory.faults import CellFault, FileNote, file_fault, shortened
from fill_ledger.intake.inventory.limits import HEADER_SEARCH_ROWS, LEAST_HEADER_FIELDS
from fill_ledger.intake.inventory.tables import SourceRow
from fill_ledger.intake.inventory.units import PRESSURE_UNITS, VOLUME_UNITS, unit_word
from fill_ledger.trade.pressure import PressureUnit
from fill_ledger.trade.volumes import VolumeUnit

_FORM_WORDS = re.compile(
    r"\b(?:yyyy|mm|dd|yy|mon|mmm)(?:[-/. ](?:yyyy|mm|dd|yy|mon|mmm))*\b"
    r"|\bmonth (?:and|&) year\b|\byear (?:and|&) month\b|\bmonth/year\b|\bas stamped\b|\brequired\b|\boptional\b",
    re.IGNORECASE,
)
_PARENTHESES = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_NUMBER_SIGN = re.compile(r"#|\bnum\b\.?|№", re.IGNORECASE)


class Column(msgspec.Struct, frozen=True, kw_only=True):
    """One column of the file: its place, its header as written, its meaning and the unit its header names."""

    index: int
    header: str
    field: Field
    pressure_unit: PressureUnit | None = None
    volume_unit: VolumeUnit | None = None


class HeaderRow(msgspec.Struct, frozen=True, kw_only=True):
    """The header of a table: where it stands, the columns that are understood, and the ones that are not.

    `texts` are all headers as written, by place.
    """

    row: int
    texts: tuple[str, ...]
    columns: tuple[Column, ...]
    unknown: tuple[tuple[int, str], ...] = ()

    @property
    def fields(self) -> frozenset[Field]:
        """What the columns hold."""
        return frozenset(column.field for column in self.columns)

    def column_of(self, field: Field) -> Column | None:
        """Return the first column that holds a field, or None."""
        return next((column for column in self.columns if column.field is field), None)


def match_header(text: str, index: int = 0) -> Column | None:
    """Return what a header means, with the unit it names, or None where it is not understood."""
    header = meant_text(text)
    squeezed, unit = _squeezed_without_unit(header)
    field = FIELD_OF_SPELLING.get(squeezed)
    if field is None and not squeezed and unit is not None and unit in PRESSURE_UNITS:
        field = Field.SERVICE_PRESSURE  # a column headed "PSI" and nothing else
    if field is None and _squeezed(header) in FIELD_OF_SPELLING:
        field, unit = FIELD_OF_SPELLING[_squeezed(header)], None
    if field is None:
        return None
    return Column(
        index=index,
        header=header,
        field=field,
        pressure_unit=PRESSURE_UNITS.get(unit) if unit and field is Field.SERVICE_PRESSURE else None,
        volume_unit=VOLUME_UNITS.get(unit) if unit and field is Field.WATER_VOLUME else None,
    )


def _squeezed_without_unit(header: str) -> tuple[str, str | None]:
    """Take a unit off a header: in parentheses, or as its last words."""
    unit = None
    for inside in _PARENTHESES.findall(header):
        if _is_unit(inside):
            unit = unit_word(inside)
            header = header.replace(inside, "")
    words = re.split(r"[\s,:;/_-]+", re.sub(r"[()\[\]{}]", " ", _FORM_WORDS.sub(" ", header)).strip())
    for count in (2, 1):
        tail = "".join(words[-count:])
        if unit is None and len(words) >= count and _is_unit(tail):
            unit = unit_word(tail)
            words = words[:-count]
    if len(words) > 1 and words[-1].casefold() == "in":
        words = words[:-1]  # "Service pressure in psi"
    return _squeezed(" ".join(words)), unit


def _is_unit(text: str) -> bool:
    return unit_word(text) in PRESSURE_UNITS or unit_word(text) in VOLUME_UNITS


def _squeezed(header: str) -> str:
    numbered = _NUMBER_SIGN.sub(" no ", header)
    folded = unicodedata.normalize("NFKD", numbered).casefold()
    return "".join(character for character in folded if character.isalnum())


def read_header(row: SourceRow) -> HeaderRow:
    """Return what a row would mean as a header."""
    columns: list[Column] = []
    unknown: list[tuple[int, str]] = []
    for index, cell in enumerate(row.cells):
        if is_blank(cell):
            continue
        column = match_header(cell, index) if isinstance(cell, str) else None
        if column is None:
            unknown.append((index, meant_text(shown(cell))))
        else:
            columns.append(column)
    texts = tuple(meant_text(shown(cell)) for cell in row.cells)
    return HeaderRow(row=row.number, texts=texts, columns=tuple(columns), unknown=tuple(unknown))


def find_header(rows: Sequence[SourceRow]) -> HeaderRow | None:
    """Return the header among the first rows: the row that names the most fields, the earliest of equals.

    None where no row names at least two.
    """
    best: HeaderRow | None = None
    for row in rows[:HEADER_SEARCH_ROWS]:
        header = read_header(row)
        if len(header.fields) >= LEAST_HEADER_FIELDS and (best is None or len(header.fields) > len(best.fields)):
            best = header
    return best


def header_faults(header: HeaderRow, *, use_is_given: bool) -> list[CellFault]:
    """Return the faults of a header: two columns for one field, and required columns that are missing.

    `use_is_given`: the import itself says what the cylinders are used for, so the column may be missing.
    """
    faults = [
        _claimed_twice(header.row, claimants[0], column)
        for field in Field
        for claimants in [[column for column in header.columns if column.field is field]]
        for column in claimants[1:]
    ]
    for field in REQUIRED_FIELDS:
        if field in header.fields or (field is Field.USE and use_is_given):
            continue
        title = next(column.header for column in TEMPLATE_COLUMNS if column.field is field)
        also = ", or import with default_use=scba, scuba or storage" if field is Field.USE else ""
        fault = file_fault(
            "column-missing",
            f"No column holds the {words_of(field)}.",
            f"Add a column headed {title!r}{also}.",
            row=header.row,
        )
        faults.append(msgspec.structs.replace(fault, field=field.value))
    return faults


def _claimed_twice(row: int, first: Column, second: Column) -> CellFault:
    return CellFault(
        row=row,
        column=second.header,
        field=second.field.value,
        value=shortened(second.header),
        code="column-repeated",
        detail=f"The columns {first.header!r} and {second.header!r} both hold the {words_of(second.field)}.",
        suggestion="Keep one of them and rename or delete the other.",
    )


def header_notes(header: HeaderRow) -> list[FileNote]:
    """Return a note for each column that is not understood, nothing of which is kept, and for missing months."""
    notes = [
        FileNote(code="column-absent", detail=f"No column holds the {words_of(field)} month; that may bar filling.")
        for field in (Field.MANUFACTURED, Field.LAST_REQUALIFIED)
        if field not in header.fields
    ]
    for _, text in header.unknown:
        squeezed = _squeezed_without_unit(text)[0]
        reason = NOT_TAKEN.get(squeezed)
        if reason is None:
            near = get_close_matches(squeezed, FIELD_OF_SPELLING, n=1)
            reason = f"did you mean {words_of(FIELD_OF_SPELLING[near[0]])}?" if near else "it is not known here"
        notes.append(
            FileNote(
                code="column-not-read",
                detail=f"The column {shortened(text)!r} is not read: {reason}.".replace("?.", "?"),
                row=header.row,
                column=shortened(text),
            )
        )
    return notes


def words_of(field: Field) -> str:
    """Return a field's name in words."""
    return field.value.replace("_", " ")
