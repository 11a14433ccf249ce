"""An inventory file from bytes to cylinders: the one way in.

Reading records nothing. It answers with the rows that are without fault, and with every fault of the others.
"""

import hashlib
import re
from collections.abc import Iterator, Sequence
from datetime import date

import msgspec

from fill_ledger.intake.inventory.cells import is_blank, meant_text, shown
from fill_ledger.intake.inventory.checks import check_repetitions, check_row
from fill_ledger.intake.inventory.columns import Field
from fill_ledger.intake.inventory.faults import CellFault, FileNote, UnreadableFile, file_fault, shortened
from fill_ledger.intake.inventory.habits import file_habits
from fill_ledger.intake.inventory.headers import HeaderRow, header_faults, header_notes
from fill_ledger.intake.inventory.limits import MAXIMUM_FILE_BYTES
from fill_ledger.intake.inventory.options import ReadingOptions
from fill_ledger.intake.inventory.row_reading import FileHabits, RowDraft, RowReader
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.intake.inventory.sources import Source, read_source
from fill_ledger.intake.inventory.tables import SourceRow

# Below the list people write totals and signatures; a row with one cell, and that not in one of these columns or with
# one of these words, is taken for such a line.
_NAMING_FIELDS = frozenset({Field.SERIAL, Field.SPECIFICATION, Field.INVENTORY_NUMBER, Field.TAG})
_FOOTER = re.compile(r"(?:sub|grand )?total|count|page|printed|updated|prepared|signed|end of|note", re.IGNORECASE)


class InventoryTable(msgspec.Struct, frozen=True, kw_only=True):
    """What an inventory file says.

    rows: without fault, in the file's order. faults: all of them, by row and column. cylinder_rows: how many rows
    describe a cylinder, faulty ones included. sheet is set for workbooks, encoding and delimiter for text.
    file_digest: SHA-256 (hex) of the file's bytes. unknown_columns: headers that were not understood.
    columns: header as written in the file, by the field it holds.
    """

    rows: list[InventoryRow]
    faults: list[CellFault]
    notes: list[FileNote]
    file_digest: str
    cylinder_rows: int = 0
    sheet: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    header_row: int | None = None
    unknown_columns: list[str] = msgspec.field(default_factory=list)
    columns: dict[str, str] = msgspec.field(default_factory=dict)


def read_inventory(content: bytes, *, today: date, options: ReadingOptions | None = None) -> InventoryTable:
    """Read a department's inventory file: CSV in any usual encoding and delimiter, or XLSX.

    `today` is the date in the department's time zone; dates after it are faults. Never raises for what stands in the
    file: a file that cannot be read has one fault without a row, and no rows.
    """
    options = options or ReadingOptions()
    digest = hashlib.sha256(content).hexdigest()
    try:
        if len(content) > MAXIMUM_FILE_BYTES:
            raise UnreadableFile(
                "file-too-large",
                f"The file has {len(content)} bytes; at most {MAXIMUM_FILE_BYTES} are read.",
                "Save only the list itself, without pictures, or split it.",
            )
        source = read_source(content, options)
    except UnreadableFile as unreadable:
        return InventoryTable(rows=[], faults=[unreadable.fault], notes=[], file_digest=digest)
    return _read_table(source, options, today, digest)


def _read_table(source: Source, options: ReadingOptions, today: date, digest: str) -> InventoryTable:
    header = source.header
    faults = header_faults(header, use_is_given=options.default_use is not None)
    notes = [*source.notes, *header_notes(header)]
    body = [row for row in source.sheet.rows if row.number > header.row and not row.blank]
    lines, line_notes = _cylinder_lines(header, body)
    habits, habit_notes = file_habits(header, lines, options, today, counts_from_1904=source.counts_from_1904)
    notes += line_notes + habit_notes + _unheaded_notes(header, lines, is_text=source.delimiter is not None)
    readers = [_read_row(row, header, habits, is_text=source.delimiter is not None) for row in lines]
    check_repetitions(readers, serials_may_repeat=options.serials_may_repeat)
    header_is_sound = not faults
    places = {column.header: column.index for column in header.columns}
    for reader in readers:
        faults += sorted(reader.draft.faults, key=lambda fault: places.get(fault.column or "", -1))
        notes += reader.draft.notes
    if not lines:
        faults.append(
            file_fault("no-rows", "No cylinder stands below the header.", "Enter one cylinder a row.", row=header.row)
        )
    return InventoryTable(
        rows=[row for row in map(_finished, readers) if row is not None] if header_is_sound else [],
        faults=faults,
        notes=notes,
        file_digest=digest,
        cylinder_rows=len(lines),
        sheet=source.sheet.name,
        encoding=source.encoding,
        delimiter=source.delimiter,
        header_row=header.row,
        unknown_columns=[text for _, text in header.unknown],
        columns={column.field.value: column.header for column in header.columns},
    )


def _read_row(row: SourceRow, header: HeaderRow, habits: FileHabits, *, is_text: bool) -> RowReader:
    reader = RowReader(row, header, habits)
    reader.read()
    check_row(reader)
    beyond = [cell for cell in row.cells[len(header.texts) :] if not is_blank(cell)]
    if beyond and is_text:
        reader.draft.faults.append(
            file_fault(
                "more-cells-than-header",
                f"The row has {len(row.cells)} cells, the header {len(header.texts)}: cells may have moved.",
                "Put a value that holds the delimiter into double quotes.",
                row=row.number,
                value=shown(beyond[0]),
            )
        )
    return reader


def _cylinder_lines(header: HeaderRow, body: Sequence[SourceRow]) -> tuple[list[SourceRow], list[FileNote]]:
    """Part the rows that describe cylinders from headers repeated page by page and from lines of plain text."""
    lines: list[SourceRow] = []
    notes: list[FileNote] = []
    naming = {column.index for column in header.columns if column.field in _NAMING_FIELDS}
    for row in body:
        texts = tuple(meant_text(shown(cell)) for cell in row.cells)
        filled = [index for index, cell in enumerate(row.cells) if not is_blank(cell)]
        if [text for text in texts if text] == [text for text in header.texts if text]:
            notes.append(FileNote(code="header-repeated", detail="The header stands here again.", row=row.number))
        elif len(filled) == 1 and (filled[0] not in naming or _FOOTER.match(texts[filled[0]])):
            text = shortened(texts[filled[0]])
            detail = f"The row holds only {text!r} and is not taken for a cylinder."
            notes.append(FileNote(code="row-not-read", detail=detail, row=row.number))
        else:
            lines.append(row)
    return lines, notes


def _unheaded_notes(header: HeaderRow, lines: Sequence[SourceRow], *, is_text: bool) -> list[FileNote]:
    """Tell of columns that have content but no header; in text the cells beyond the header are a fault instead."""
    first_row: dict[int, int] = {}
    for row in lines:
        for index, cell in enumerate(row.cells):
            headed = index < len(header.texts) and header.texts[index]
            if not headed and not (is_text and index >= len(header.texts)) and not is_blank(cell):
                first_row.setdefault(index, row.number)
    return [
        FileNote(
            code="column-without-header",
            detail=f"Column {index + 1} has content, first in row {number}, but no header; it is not read.",
            row=number,
        )
        for index, number in sorted(first_row.items())
    ]


def _finished(reader: RowReader) -> InventoryRow | None:
    draft = reader.draft
    if draft.faults or draft.serial is None or draft.mark is None or draft.service_pressure is None or not draft.use:
        return None
    return InventoryRow(
        row=draft.row,
        serial=draft.serial,
        specification=draft.mark.canonical,
        specification_as_entered=draft.mark.text,
        service_pressure=draft.service_pressure,
        use=draft.use,
        condition=draft.condition or "in_service",
        inventory_number=draft.inventory_number,
        water_volume_ml=draft.water_volume_ml,
        requalifier=draft.requalifier,
        requalification_method=draft.requalification_method,
        requalification_marks=draft.requalification_marks,
        material=draft.material,
        alloy=draft.alloy,
        tag=draft.tag,
        home_station=draft.home_station,
        remark=draft.remark,
        **dict(_moments(draft)),
    )


def _moments(draft: RowDraft) -> Iterator[tuple[str, str | None]]:
    yield "manufactured", draft.manufactured.month_text if draft.manufactured is not None else None
    yield "last_requalified", draft.last_requalified.month_text if draft.last_requalified is not None else None
    yield "purchased", draft.purchased.text if draft.purchased is not None else None
