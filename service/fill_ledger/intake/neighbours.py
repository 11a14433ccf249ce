"""Finding whose cylinder it is that a fill names, when it is none of the station's own department or known by marks.

A neighbour's state is read for the judgement only. It is not part of this department's ledger, so no version of it is
compared when the fill is appended: a write never waits for two ledgers.
"""

import uuid
from collections.abc import Iterable

import msgspec

from fill_ledger.ledger.read import Connection
from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.states.cylinders import CylinderState, TagState
from fill_ledger.views.cylinders import ENTRY_CYLINDER_ID, ENTRY_SERIAL, ENTRY_TAG
from fill_ledger.views.folding import decode_state


class Neighbour(msgspec.Struct, frozen=True, kw_only=True):
    """A cylinder of another department, found by its id, by a tag, or by its stamped serial."""

    department_id: uuid.UUID
    cylinder: CylinderState
    tag: TagState | None = None


class Neighbours(msgspec.Struct, frozen=True, kw_only=True):
    """What was found elsewhere, by cylinder id and by canonical tag. A tag that two departments claim is left out.

    by_serial: all that have a serial, by the serial as it is compared. own_by_serial: which of the department's own
    cylinders have it; their states are its own to read.
    """

    by_id: dict[uuid.UUID, Neighbour]
    by_tag: dict[str, Neighbour]
    by_serial: dict[str, tuple[Neighbour, ...]] = {}
    own_by_serial: dict[str, tuple[uuid.UUID, ...]] = {}


NONE_FOUND = Neighbours(by_id={}, by_tag={})


async def find_neighbours(
    connection: Connection,
    department_id: uuid.UUID,
    cylinder_ids: Iterable[uuid.UUID],
    tags: Iterable[str],
    serials: Iterable[str] = (),
) -> Neighbours:
    """Look up cylinders of other departments by id and by tag, and of all by serial, as it is compared."""
    asked = [(ENTRY_CYLINDER_ID, str(cylinder_id)) for cylinder_id in cylinder_ids]
    asked += [(ENTRY_TAG, tag) for tag in tags]
    asked += [(ENTRY_SERIAL, serial) for serial in serials]
    if not asked:
        return NONE_FOUND
    entries = await connection.fetch(
        "SELECT department_id, entry_kind, subject_id, value, cylinder_id FROM lookup.directory($1, $2)",
        [kind for kind, _ in asked],
        [value for _, value in asked],
    )
    elsewhere = [
        entry for entry in entries if entry["department_id"] != department_id and entry["cylinder_id"] is not None
    ]
    own_by_serial: dict[str, tuple[uuid.UUID, ...]] = {}
    for entry in entries:
        if entry["entry_kind"] == ENTRY_SERIAL and entry["department_id"] == department_id:
            own_by_serial[entry["value"]] = (*own_by_serial.get(entry["value"], ()), entry["subject_id"])
    if not elsewhere:
        return Neighbours(by_id={}, by_tag={}, own_by_serial=own_by_serial)
    wanted = {(entry["department_id"], SubjectKind.CYLINDER.value, entry["cylinder_id"]) for entry in elsewhere}
    wanted |= {
        (entry["department_id"], SubjectKind.TAG.value, entry["subject_id"])
        for entry in elsewhere
        if entry["entry_kind"] == ENTRY_TAG
    }
    ordered = sorted(wanted)
    rows = await connection.fetch(
        "SELECT department_id, subject_kind, subject_id, state FROM lookup.states($1, $2, $3)",
        [department for department, _, _ in ordered],
        [kind for _, kind, _ in ordered],
        [subject_id for _, _, subject_id in ordered],
    )
    states = {
        (row["department_id"], row["subject_kind"], row["subject_id"]): decode_state(
            SubjectKind(row["subject_kind"]), row["state"]
        )
        for row in rows
    }
    by_id: dict[uuid.UUID, Neighbour] = {}
    by_tag: dict[str, Neighbour] = {}
    by_serial: dict[str, tuple[Neighbour, ...]] = {}
    claimed_twice: set[str] = set()
    for entry in elsewhere:
        owner = entry["department_id"]
        cylinder = states.get((owner, SubjectKind.CYLINDER.value, entry["cylinder_id"]))
        if cylinder is None:
            continue
        if entry["entry_kind"] == ENTRY_CYLINDER_ID:
            by_id[entry["cylinder_id"]] = Neighbour(department_id=owner, cylinder=cylinder)
            continue
        if entry["entry_kind"] == ENTRY_SERIAL:
            found = Neighbour(department_id=owner, cylinder=cylinder)
            by_serial[entry["value"]] = (*by_serial.get(entry["value"], ()), found)
            continue
        if entry["value"] in by_tag:
            claimed_twice.add(entry["value"])
        by_tag[entry["value"]] = Neighbour(
            department_id=owner,
            cylinder=cylinder,
            tag=states.get((owner, SubjectKind.TAG.value, entry["subject_id"])),
        )
    for tag in claimed_twice:
        del by_tag[tag]
    return Neighbours(by_id=by_id, by_tag=by_tag, by_serial=by_serial, own_by_serial=own_by_serial)
