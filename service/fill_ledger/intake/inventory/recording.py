"""From an inventory file to the ledger: read, compare with what is on record, record what is new.

An import can be repeated: the ids of its entries follow from the department and the content of each row, so the same
file changes nothing the second time, and one that broke off half way goes on where it stopped.
"""

import asyncio
import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import asyncpg
import msgspec

from fill_ledger.intake.claims import Claim, Outcome, Recorded, Unit
from fill_ledger.intake.inventory.faults import CellFault, file_fault
from fill_ledger.intake.inventory.fillable_notes import fillable_notes
from fill_ledger.intake.inventory.known import UnknownDepartment, department_today, read_known
from fill_ledger.intake.inventory.limits import MAXIMUM_FILE_BYTES
from fill_ledger.intake.inventory.options import ReadingOptions
from fill_ledger.intake.inventory.plans import Plan, PlannedRow, Planner, fault_of_refusal
from fill_ledger.intake.inventory.reading import InventoryTable, read_inventory
from fill_ledger.intake.inventory.report import ImportMode, ImportReport, RowOutcome, make_report
from fill_ledger.intake.lane import Lanes
from fill_ledger.views.rulebooks import Rulebooks

__all__ = ["MAXIMUM_ROWS_TOGETHER", "ImportReport", "UnknownDepartment", "import_inventory", "import_inventory_file"]

# New rows of one all-or-nothing import: one transaction, and whoever else writes for the department waits for it.
# Measured at 5 to 10 ms a row on two busy cores, so a report from a station may wait some seconds; look-ups
# get in between the rows.
MAXIMUM_ROWS_TOGETHER = 500
# New rows sent to the lane at once otherwise; between two such lots others get their turn.
ROWS_AT_ONCE = 100
# Refusals that only say that another entry of the same row or import was refused.
_COMPANION = "not-taken-alone"


class _Recording(msgspec.Struct, kw_only=True):
    """What came of recording: outcomes, faults, and the newest head of the ledger."""

    outcomes: list[RowOutcome] = msgspec.field(default_factory=list)
    faults: list[CellFault] = msgspec.field(default_factory=list)
    head: Recorded | None = None

    def note_head(self, recorded: Recorded) -> None:
        """Keep the newest head."""
        if self.head is None or recorded.ledger_position > self.head.ledger_position:
            self.head = recorded


async def import_inventory_file(
    path: Path,
    *,
    pool: "asyncpg.Pool[asyncpg.Record]",
    lanes: Lanes,
    department_id: uuid.UUID,
    recorded_by: uuid.UUID,
    options: ReadingOptions | None = None,
    mode: ImportMode = "all_or_nothing",
    dry_run: bool = True,
) -> ImportReport:
    """Import an inventory file from disk; see `import_inventory`. Raises OSError where it cannot be read."""
    content = await asyncio.to_thread(_read_at_most, path, MAXIMUM_FILE_BYTES + 1)
    return await import_inventory(
        content,
        pool=pool,
        lanes=lanes,
        department_id=department_id,
        recorded_by=recorded_by,
        options=options,
        mode=mode,
        dry_run=dry_run,
    )


def _read_at_most(path: Path, limit_bytes: int) -> bytes:
    with path.open("rb") as file:
        return file.read(limit_bytes)


async def import_inventory(
    content: bytes,
    *,
    pool: "asyncpg.Pool[asyncpg.Record]",
    lanes: Lanes,
    department_id: uuid.UUID,
    recorded_by: uuid.UUID,
    options: ReadingOptions | None = None,
    mode: ImportMode = "all_or_nothing",
    dry_run: bool = True,
) -> ImportReport:
    """Read an inventory file and, unless it is a dry run, record its new cylinders with their tags and conditions.

    `pool` is read from, `lanes` written through. With "all_or_nothing" one row that is faulty or differs from the
    record keeps every row out; at most `MAXIMUM_ROWS_TOGETHER` new rows are taken so. With "only_good_rows" each row
    stands for itself.

    Raises:
        UnknownDepartment: nobody registered the department.
        LaneFullError, LaneBusyError, asyncpg.PostgresError: the database did not take it; import the file again.
    """
    now = datetime.now(UTC)
    today = await department_today(pool, department_id, now)
    table = await asyncio.to_thread(read_inventory, content, today=today, options=options)
    known = await read_known(pool, department_id, table.rows)
    rulebook = await Rulebooks().current(pool)
    table.notes.extend(fillable_notes(table.rows, rulebook, today, table.columns))
    plan = await asyncio.to_thread(Planner(department_id, known, table.columns, now).plan, table.rows)
    faults = [*table.faults, *plan.faults]
    too_many = mode == "all_or_nothing" and len(plan.new) > MAXIMUM_ROWS_TOGETHER
    if too_many:
        faults.append(_too_many(len(plan.new)))
    stands_in_the_way = bool(faults) or any(outcome.outcome == "difference" for outcome in plan.settled)
    if dry_run or (mode == "all_or_nothing" and stands_in_the_way):
        waits = "would_be_created" if mode == "only_good_rows" or not stands_in_the_way else "not_taken"
        recording = _Recording(outcomes=[_outcome(row, waits) for row in plan.new])
    elif mode == "all_or_nothing":
        recording = await _record_together(lanes, department_id, recorded_by, plan, table)
    else:
        recording = await _record_each(lanes, department_id, recorded_by, plan, table)
    return make_report(
        table,
        [*plan.settled, *recording.outcomes],
        [*faults, *recording.faults],
        department_id=department_id,
        dry_run=dry_run,
        mode=mode,
        ledger_position=None if recording.head is None else recording.head.ledger_position,
        chain_digest=None if recording.head is None else recording.head.chain_digest,
    )


def _too_many(rows: int) -> CellFault:
    return file_fault(
        "too-many-rows-for-all-or-nothing",
        f"The file has {rows} new rows; at most {MAXIMUM_ROWS_TOGETHER} are taken all or nothing.",
        "Import with only_good_rows, or split the file.",
    )


async def _record_together(
    lanes: Lanes, department_id: uuid.UUID, recorded_by: uuid.UUID, plan: Plan, table: InventoryTable
) -> _Recording:
    recording = _Recording()
    rows = _numbered_first(plan.new)
    claims = tuple(claim for row in rows for claim in _claims(row, recorded_by))
    if not claims:
        return recording
    recorded = await lanes.record(Unit(department_id=department_id, claims=claims, atomic=True))
    recording.note_head(recorded)
    outcomes = iter(recorded.outcomes)
    for row in rows:
        _note(recording, row, [next(outcomes) for _ in row.entries], table)
    return recording


async def _record_each(
    lanes: Lanes, department_id: uuid.UUID, recorded_by: uuid.UUID, plan: Plan, table: InventoryTable
) -> _Recording:
    """Record row by row, many rows in one passage of the lane; the entries of one row together or not at all."""
    recording = _Recording()
    for rows in _lots(_numbered_first(plan.new)):
        single = [row for row in rows if len(row.entries) == 1]
        several = [row for row in rows if len(row.entries) > 1]
        units = [
            Unit(department_id=department_id, claims=tuple(_claims(row, recorded_by)), atomic=True) for row in several
        ]
        if single:
            together = tuple(claim for row in single for claim in _claims(row, recorded_by))
            units.append(Unit(department_id=department_id, claims=together))
        recorded = await asyncio.gather(*(lanes.record(unit) for unit in units))
        for of_unit in recorded:
            recording.note_head(of_unit)
        for row, of_unit in zip(several, recorded, strict=False):
            _note(recording, row, of_unit.outcomes, table)
        if single:
            for row, outcome in zip(single, recorded[-1].outcomes, strict=True):
                _note(recording, row, (outcome,), table)
    return recording


def _numbered_first(rows: Sequence[PlannedRow]) -> list[PlannedRow]:
    """Put rows that bring their number first, so that no number given to another row takes one of theirs."""
    return sorted(rows, key=lambda planned: planned.row.inventory_number is None)


def _lots(rows: Sequence[PlannedRow]) -> Iterator[Sequence[PlannedRow]]:
    for start in range(0, len(rows), ROWS_AT_ONCE):
        yield rows[start : start + ROWS_AT_ONCE]


def _claims(planned: PlannedRow, recorded_by: uuid.UUID) -> Iterator[Claim]:
    for event_id, body in planned.entries:
        yield Claim(event_id=event_id, body=body, recorded_by=recorded_by)


def _note(recording: _Recording, planned: PlannedRow, outcomes: Sequence[Outcome], table: InventoryTable) -> None:
    """Tell what became of a row: what the ledger refuses now has changed since the file was compared with it."""
    refusals = [refusal for outcome in outcomes for refusal in outcome.refusals if refusal.code != _COMPANION]
    if refusals:
        recording.faults.extend(fault_of_refusal(planned.row, refusal, table.columns) for refusal in refusals)
        recording.outcomes.append(RowOutcome(row=planned.row.row, outcome="faulty", serial=planned.row.serial))
    elif any(outcome.outcome == "refused" for outcome in outcomes):
        recording.outcomes.append(_outcome(planned, "not_taken"))
    else:
        first = outcomes[0]
        is_new = any(outcome.outcome == "created" for outcome in outcomes)
        recording.outcomes.append(
            RowOutcome(
                row=planned.row.row,
                outcome="created" if is_new else "exists",
                serial=planned.row.serial,
                cylinder_id=planned.cylinder_id,
                inventory_number=first.inventory_number,
                event_id=first.event_id,
                ledger_position=first.ledger_position,
            )
        )


def _outcome(planned: PlannedRow, result: str) -> RowOutcome:
    return RowOutcome(
        row=planned.row.row,
        outcome=result,  # type: ignore[arg-type]
        serial=planned.row.serial,
        inventory_number=planned.row.inventory_number,
    )
