"""Whose cylinder it is that a fill names by its marks alone: a registered one that has the serial, or nobody's.

Marks must not be a way round the record: a cylinder on hold that is keyed in by its marks is judged by its record, as
the question before the fill was. Where it cannot be told which one it is, the marks are judged, never a guess.
"""

import uuid
from collections.abc import Iterable
from datetime import datetime

from fill_ledger.intake.neighbours import Neighbour
from fill_ledger.trade.events.fills import AsMarked, Filled
from fill_ledger.trade.identifiers import normal_serial
from fill_ledger.trade.rules.as_marked import is_same_specification


def serial_keyed(body: Filled) -> str | None:
    """Return the serial that was keyed in, as serials are compared; None where there is none, or an id goes before."""
    marks = body.cylinder_as_marked
    if body.cylinder_id is not None or marks is None or marks.serial is None:
        return None
    return normal_serial(marks.serial) or None


def belongs_to(
    candidates: Iterable[Neighbour],
    marks: AsMarked,
    *,
    department_id: uuid.UUID,
    partner_ids: Iterable[uuid.UUID],
    at: datetime,
) -> Neighbour | None:
    """Return the one cylinder that marks belong to at a moment, among those with their serial.

    The station's own department comes first, then its mutual-aid partners, then anybody else. A serial is stamped by
    makers who know nothing of each other, so the specification must not be another one; of a department that is no
    partner it must have been keyed in and be the same. None for none, and for several.
    """
    partners = frozenset(partner_ids)
    possible: tuple[list[Neighbour], list[Neighbour], list[Neighbour]] = ([], [], [])
    for candidate in candidates:
        details = candidate.cylinder.details
        gone_at = candidate.cylinder.transferred_at
        if details is None or (gone_at is not None and gone_at <= at):
            continue
        is_same = (
            None if marks.specification is None else is_same_specification(details.specification, marks.specification)
        )
        if is_same is False:
            continue
        if candidate.department_id == department_id:
            possible[0].append(candidate)
        elif candidate.department_id in partners:
            possible[1].append(candidate)
        elif is_same:
            possible[2].append(candidate)
    meant = next((tier for tier in possible if tier), [])
    return meant[0] if len(meant) == 1 else None
