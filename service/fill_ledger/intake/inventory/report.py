"""What an import tells: every row and what became of it, every faulty cell, and the counts."""

import uuid
from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from fill_ledger.intake.inventory.faults import CellFault, FileNote
from fill_ledger.intake.inventory.reading import InventoryTable
from fill_ledger.intake.inventory.row_entries import Difference

ImportMode = Literal["all_or_nothing", "only_good_rows"]
RowResult = Literal["created", "would_be_created", "exists", "difference", "faulty", "not_taken"]
ROW_RESULTS: tuple[RowResult, ...] = ("created", "would_be_created", "exists", "difference", "faulty", "not_taken")


class RowOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """What became of one row.

    created, would_be_created (on a dry run), exists (on record, nothing to do), difference (known, but the file tells
    it otherwise: nothing is overwritten), faulty (see the faults of its row), not_taken (good, but another row is not
    and all or nothing was asked for).
    """

    row: int
    outcome: RowResult
    serial: str | None = None
    cylinder_id: uuid.UUID | None = None
    inventory_number: str | None = None
    event_id: uuid.UUID | None = None
    ledger_position: int | None = None
    differences: tuple[Difference, ...] = ()


class ImportReport(msgspec.Struct, frozen=True, kw_only=True):
    """The whole answer to an import. `recorded` tells whether anything new went into the ledger.

    `ledger_position` and `chain_digest` are the head of the department's ledger after the import, None where nothing
    was sent to it.
    """

    department_id: uuid.UUID
    dry_run: bool
    mode: ImportMode
    recorded: bool
    counts: dict[str, int]
    rows: tuple[RowOutcome, ...]
    faults: tuple[CellFault, ...]
    notes: tuple[FileNote, ...]
    file_digest: str
    sheet: str | None
    encoding: str | None
    delimiter: str | None
    header_row: int | None
    unknown_columns: tuple[str, ...]
    ledger_position: int | None = None
    chain_digest: bytes | None = None

    @property
    def is_readable(self) -> bool:
        """Whether the file could be read as a table at all."""
        return self.header_row is not None


def make_report(
    table: InventoryTable,
    outcomes: Iterable[RowOutcome],
    faults: Sequence[CellFault],
    *,
    department_id: uuid.UUID,
    dry_run: bool,
    mode: ImportMode,
    ledger_position: int | None = None,
    chain_digest: bytes | None = None,
) -> ImportReport:
    """Put the report together: outcomes and faults by row, counts of every outcome."""
    told = {outcome.row: outcome for outcome in outcomes}
    for fault in faults:
        if fault.row is not None and fault.row != table.header_row and fault.row not in told:
            told[fault.row] = RowOutcome(row=fault.row, outcome="faulty")
    rows = tuple(told[row] for row in sorted(told))
    counts: dict[str, int] = {name: sum(row.outcome == name for row in rows) for name in ROW_RESULTS}
    return ImportReport(
        department_id=department_id,
        dry_run=dry_run,
        mode=mode,
        recorded=counts["created"] > 0,
        counts=counts,
        rows=rows,
        faults=tuple(sorted(faults, key=lambda fault: fault.row or 0)),
        notes=tuple(table.notes),
        file_digest=table.file_digest,
        sheet=table.sheet,
        encoding=table.encoding,
        delimiter=table.delimiter,
        header_row=table.header_row,
        unknown_columns=tuple(table.unknown_columns),
        ledger_position=ledger_position,
        chain_digest=chain_digest,
    )
