"""The report of an import as it is answered: bounded, and with the row and column of every faulty cell."""

import uuid
from typing import Annotated

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Count, LedgerPosition, LedgerToken
from fill_ledger.intake.inventory.faults import CellFault, FileNote
from fill_ledger.intake.inventory.limits import MAXIMUM_ROWS
from fill_ledger.intake.inventory.report import ImportMode, ImportReport, RowOutcome, RowResult
from fill_ledger.ledger.ledger_token import encode_ledger_token

# A file where everything is wrong has ten faults a row; nobody corrects more than this from one answer.
MAXIMUM_FAULTS_SHOWN = 5_000
MAXIMUM_NOTES_SHOWN = 5_000

RowNumber = Annotated[int, Meta(ge=1, le=2**31 - 1, description="The row as the spreadsheet numbers it, from 1.")]
ShortText = Annotated[str, Meta(max_length=2_100)]
Name = Annotated[str, Meta(max_length=64)]


class FaultShown(Struct, frozen=True, kw_only=True):
    """One faulty cell: where it is, what stands there, what is wrong and what would be right.

    `column` is the header as written in the file, `field` its plain name. All are null for a fault of the whole file.
    """

    row: RowNumber | None
    column: ShortText | None
    field: Name | None
    value: ShortText | None
    code: Name
    detail: ShortText
    suggestion: ShortText


class NoteShown(Struct, frozen=True, kw_only=True):
    """Something the reader did or saw that the sender should know; it stops nothing."""

    row: RowNumber | None
    column: ShortText | None
    code: Name
    detail: ShortText


class DifferenceShown(Struct, frozen=True, kw_only=True):
    """One field that the file and the record tell differently. Nothing was changed."""

    field: Name
    in_file: ShortText
    on_record: ShortText | None


class RowShown(Struct, frozen=True, kw_only=True):
    """What became of one row.

    `created`, or `would_be_created` on a dry run; `exists`: on record, nothing to do; `difference`: known, but told
    otherwise; `faulty`: see the faults of its row; `not_taken`: good, but another row kept all of them out.
    """

    row: RowNumber
    outcome: RowResult
    serial: Name | None
    cylinder_id: uuid.UUID | None
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    event_id: uuid.UUID | None
    ledger_position: LedgerPosition | None
    differences: Annotated[tuple[DifferenceShown, ...], Meta(max_length=32)]


class ImportCounts(Struct, frozen=True, kw_only=True):
    """How many rows ended how."""

    created: Count
    would_be_created: Count
    exists: Count
    difference: Count
    faulty: Count
    not_taken: Count


class ImportAnswer(Struct, frozen=True, kw_only=True):
    """The whole answer to an import; `recorded` tells whether anything new went into the ledger."""

    department_id: uuid.UUID
    dry_run: bool
    mode: ImportMode
    recorded: bool
    counts: ImportCounts
    rows: Annotated[tuple[RowShown, ...], Meta(max_length=MAXIMUM_ROWS)]
    faults_total: Count
    faults: Annotated[tuple[FaultShown, ...], Meta(max_length=MAXIMUM_FAULTS_SHOWN)]
    notes: Annotated[tuple[NoteShown, ...], Meta(max_length=MAXIMUM_NOTES_SHOWN)]
    file_digest: Annotated[str, Meta(min_length=64, max_length=64, description="SHA-256 of the file, hex.")]
    sheet: ShortText | None
    encoding: Name | None
    delimiter: Name | None
    header_row: RowNumber | None
    unknown_columns: Annotated[tuple[ShortText, ...], Meta(max_length=1_000)]
    ledger: LedgerToken | None
    chain_digest: Annotated[str, Meta(min_length=64, max_length=64, pattern=r"^[0-9a-f]{64}\Z")] | None


def fault_shown(fault: CellFault) -> FaultShown:
    """Return a fault as it is answered."""
    return FaultShown(
        row=fault.row,
        column=fault.column,
        field=fault.field,
        value=fault.value,
        code=fault.code,
        detail=fault.detail,
        suggestion=fault.suggestion,
    )


def _note_shown(note: FileNote) -> NoteShown:
    return NoteShown(row=note.row, column=note.column, code=note.code, detail=note.detail)


def _row_shown(outcome: RowOutcome) -> RowShown:
    return RowShown(
        row=outcome.row,
        outcome=outcome.outcome,
        serial=outcome.serial,
        cylinder_id=outcome.cylinder_id,
        inventory_number=outcome.inventory_number,
        event_id=outcome.event_id,
        ledger_position=outcome.ledger_position,
        differences=tuple(
            DifferenceShown(field=each.field, in_file=each.in_file, on_record=each.on_record)
            for each in outcome.differences
        ),
    )


def answer_of(report: ImportReport) -> ImportAnswer:
    """Return the report as it is answered."""
    head = report.ledger_position
    return ImportAnswer(
        department_id=report.department_id,
        dry_run=report.dry_run,
        mode=report.mode,
        recorded=report.recorded,
        counts=ImportCounts(**report.counts),
        rows=tuple(_row_shown(row) for row in report.rows),
        faults_total=len(report.faults),
        faults=tuple(fault_shown(fault) for fault in report.faults[:MAXIMUM_FAULTS_SHOWN]),
        notes=tuple(_note_shown(note) for note in report.notes[:MAXIMUM_NOTES_SHOWN]),
        file_digest=report.file_digest,
        sheet=report.sheet,
        encoding=report.encoding,
        delimiter=report.delimiter,
        header_row=report.header_row,
        unknown_columns=report.unknown_columns,
        ledger=None if head is None else encode_ledger_token(report.department_id, head),
        chain_digest=None if report.chain_digest is None else report.chain_digest.hex(),
    )
