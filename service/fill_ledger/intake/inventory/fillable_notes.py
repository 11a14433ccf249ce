"""Which rows describe cylinders that will not be permitted to be filled because of what is stamped on them.

They are taken all the same, because a department may keep them on record; the report says so row by row, so that
nobody learns of it at the whip. The words and codes are those the decision will have.
"""

from collections.abc import Iterable
from datetime import date

from fill_ledger.intake.inventory.columns import Field
from fill_ledger.intake.inventory.faults import FileNote
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.trade.cylinder_marks import read_mark
from fill_ledger.trade.events.rulebook import SpecificationEntry
from fill_ledger.trade.mark_types import SpecificationFamily, SpecificationFault, SpecificationMark
from fill_ledger.trade.rulebook import Rulebook, holds_on, specification_key
from fill_ledger.trade.rules.specification import NOT_FILLABLE, PERMIT_UNKNOWN, UNKNOWN, WRONG_USE

_NO_FILL = "The cylinder can be on record, but no fill of it will be permitted"
_PERMITS = (SpecificationFamily.SPECIAL_PERMIT, SpecificationFamily.TC_PERMIT)


def fillable_notes(
    rows: Iterable[InventoryRow], rulebook: Rulebook, today: date, columns: dict[str, str]
) -> list[FileNote]:
    """Return a note for every row without fault whose specification rules out filling it today.

    `today` is the date in the department's time zone; `columns` tells the header as written by the field it holds.
    """
    column = columns.get(Field.SPECIFICATION.value)
    notes: list[FileNote] = []
    for row in rows:
        mark = read_mark(row.specification)
        told = None if isinstance(mark, SpecificationFault) else _told(row, mark, rulebook, today)
        if told is not None:
            code, detail = told
            notes.append(FileNote(code=code, detail=detail, row=row.row, column=column))
    return notes


def _told(row: InventoryRow, mark: SpecificationMark, rulebook: Rulebook, today: date) -> tuple[str, str] | None:
    """Return code and sentence where the specification rules out the row's use, None where it may be filled."""
    entry = _entry_on(today, rulebook, specification_key(mark, row.material))
    if entry is None:
        code = PERMIT_UNKNOWN.code if mark.family in _PERMITS else UNKNOWN.code
        return code, f"{_NO_FILL} until its specification is on file: nothing is known of {row.specification}."
    if not entry.uses:
        refusal = entry.refusal or "is not filled here"
        return NOT_FILLABLE.code, f"{_NO_FILL}: {row.specification} {refusal} ({entry.source})."
    if row.use not in entry.uses:
        uses = " and ".join(entry.uses)
        return (
            WRONG_USE.code,
            f"{_NO_FILL}: {row.specification} is filled for {uses} only, the row says {row.use} ({entry.source}).",
        )
    return None


def _entry_on(today: date, rulebook: Rulebook, key: str | None) -> SpecificationEntry | None:
    """Return the entry that holds on a day: of several in effect the last."""
    entries = () if key is None else rulebook.specifications(key)
    in_effect = [
        dated.entry for dated in entries if holds_on(today, dated.entry.effective_from, dated.entry.effective_until)
    ]
    return in_effect[-1] if in_effect else None
