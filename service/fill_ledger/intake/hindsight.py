"""The states that an old fill is judged by: as they were known when it was taken, and as they are known now.

A neighbour's record is read in its own ledger, as it stood at the moment the fill was recorded. What the neighbour
recorded within the same instant, while the fill was being judged, may count though it was not seen.
"""

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import msgspec

from fill_ledger.intake.marked_cylinders import serial_keyed
from fill_ledger.intake.neighbours import NONE_FOUND, Neighbour, Neighbours, find_neighbours
from fill_ledger.ledger.read import Connection
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.identifiers import COUNTY_ID, Subject, SubjectKind, tag_subject
from fill_ledger.trade.states import FOLDS
from fill_ledger.trade.states.cylinders import CylinderState, TagState
from fill_ledger.views.as_known import StatesAsKnown, position_at
from fill_ledger.views.folding import Folding, decode_state
from fill_ledger.views.source import MAXIMUM_POSITION, DatabaseSource

# States keep only the newest of these, so that what held at an earlier moment must be folded as far as that moment.
NEWEST_ONLY: dict[SubjectKind, tuple[str, ...]] = {
    SubjectKind.CYLINDER: ("inspections",),
    SubjectKind.STATION: ("alarms",),
    SubjectKind.AIR_SOURCE: ("bottle_readings", "run_time_tenths_h", "run_time_readings", "filter_changes"),
}


class StatesInHindsight:
    """States of a department with everything known now, for a judgement of an earlier moment."""

    def __init__(self, connection: Connection, department_id: uuid.UUID, at: datetime) -> None:
        """Take the connection, which must be in no transaction, and the moment to be judged."""
        self.department_id = department_id
        self._now = Folding(department_id, DatabaseSource(connection, department_id))
        self._then = StatesAsKnown(connection, department_id, MAXIMUM_POSITION, effective_through=at)

    async def ensure(self, subjects: Iterable[Subject]) -> None:
        """Read the states of subjects that are not held yet."""
        wanted = [subject for subject in set(subjects) if subject.kind in FOLDS]
        await self._now.ensure(wanted)
        await self._then.ensure(subject for subject in wanted if subject.kind in NEWEST_ONLY)

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that is held."""
        now = self._now.state(subject)
        if subject.kind not in NEWEST_ONLY:
            return now
        then = self._then.state(subject)
        return msgspec.structs.replace(now, **{name: getattr(then, name) for name in NEWEST_ONLY[subject.kind]})


async def neighbours_then(
    connection: Connection,
    body: Filled,
    neighbour: tuple[uuid.UUID, uuid.UUID] | None,
    recorded_at: datetime,
    own_by_marks: uuid.UUID | None = None,
) -> Neighbours:
    """Return the neighbour's cylinder that a fill was taken for (department, cylinder), as known when it was taken.

    `own_by_marks` is the department's own cylinder where it was taken for that by its marks.
    """
    serial = serial_keyed(body)
    if own_by_marks is not None and serial is not None:
        return msgspec.structs.replace(NONE_FOUND, own_by_serial={serial: (own_by_marks,)})
    if neighbour is None:
        return NONE_FOUND
    owner_id, cylinder_id = neighbour
    states = StatesAsKnown(connection, owner_id, await position_at(connection, owner_id, recorded_at))
    subject = Subject(SubjectKind.CYLINDER, cylinder_id)
    await states.ensure((subject,))
    return _found(body, Neighbour(department_id=owner_id, cylinder=states.state(subject)))


async def neighbours_now(
    connection: Connection,
    states: StatesInHindsight,
    body: Filled,
    neighbour: tuple[uuid.UUID, uuid.UUID] | None,
    at: datetime,
    own_by_marks: uuid.UUID | None = None,
) -> Neighbours:
    """Return whose cylinder a fill was, when it is none of the station's department, by what is known now.

    A neighbour whose cylinder it was taken for is asked again; a cylinder that was the department's own at that moment
    is nobody else's, wherever it went since. Who has the serial that was keyed in is looked up again.
    """
    found = await _by_id_or_tag_now(connection, states, body, neighbour, at)
    serial = serial_keyed(body)
    if serial is None:
        return found
    with_serial = await find_neighbours(connection, states.department_id, (), (), (serial,))
    elsewhere = [
        await _neighbour(connection, known.department_id, known.cylinder.subject_id, at)
        for known in with_serial.by_serial.get(serial, ())
    ]
    own = {*with_serial.own_by_serial.get(serial, ()), *(() if own_by_marks is None else (own_by_marks,))}
    return msgspec.structs.replace(
        found,
        by_serial={serial: tuple(known for known in elsewhere if known is not None)},
        own_by_serial={serial: tuple(sorted(own))},
    )


async def _by_id_or_tag_now(
    connection: Connection,
    states: StatesInHindsight,
    body: Filled,
    neighbour: tuple[uuid.UUID, uuid.UUID] | None,
    at: datetime,
) -> Neighbours:
    if neighbour is not None:
        owner_id, cylinder_id = neighbour
        if body.cylinder_id is None and body.tag is not None:
            tag = await _state(connection, owner_id, tag_subject(body.tag))
            return await _worn_then(connection, body, owner_id, tag, at)
        return _found(body, await _neighbour(connection, owner_id, cylinder_id, at))
    if body.cylinder_id is not None:
        own: CylinderState = states.state(Subject(SubjectKind.CYLINDER, body.cylinder_id))
        if own.registered_at is not None and (own.transferred_at is None or own.transferred_at > at):
            return NONE_FOUND
        found = await find_neighbours(connection, states.department_id, (body.cylinder_id,), ())
        other = found.by_id.get(body.cylinder_id)
        if other is None:
            return NONE_FOUND
        return _found(body, await _neighbour(connection, other.department_id, body.cylinder_id, at))
    if body.tag is None:
        return NONE_FOUND
    found = await find_neighbours(connection, states.department_id, (), (body.tag,))
    other = found.by_tag.get(body.tag)
    return NONE_FOUND if other is None else await _worn_then(connection, body, other.department_id, other.tag, at)


async def time_zone_then(connection: Connection, department_id: uuid.UUID, recorded_at: datetime) -> str | None:
    """Return the department's time zone as the county had it on record at a moment, or None."""
    county = StatesAsKnown(connection, COUNTY_ID, await position_at(connection, COUNTY_ID, recorded_at))
    subject = Subject(SubjectKind.DEPARTMENT, department_id)
    await county.ensure((subject,))
    time_zone: str | None = county.state(subject).time_zone
    return time_zone


async def _worn_then(
    connection: Connection, body: Filled, owner_id: uuid.UUID, tag: TagState | None, at: datetime
) -> Neighbours:
    cylinder_id = None if tag is None else tag.cylinder_at(at)
    if cylinder_id is None:
        return NONE_FOUND
    return _found(body, await _neighbour(connection, owner_id, cylinder_id, at))


async def _neighbour(
    connection: Connection, owner_id: uuid.UUID, cylinder_id: uuid.UUID, at: datetime
) -> Neighbour | None:
    states = StatesInHindsight(connection, owner_id, at)
    subject = Subject(SubjectKind.CYLINDER, cylinder_id)
    await states.ensure((subject,))
    cylinder: CylinderState = states.state(subject)
    if cylinder.registered_at is None:
        return None
    return Neighbour(department_id=owner_id, cylinder=cylinder)


async def _state(connection: Connection, department_id: uuid.UUID, subject: Subject) -> Any:
    stored = await connection.fetchval(
        "SELECT state FROM lookup.states($1, $2, $3)", [department_id], [subject.kind.value], [subject.subject_id]
    )
    return None if stored is None else decode_state(subject.kind, stored)


def _found(body: Filled, neighbour: Neighbour | None) -> Neighbours:
    if neighbour is None:
        return NONE_FOUND
    if body.cylinder_id is not None:
        return Neighbours(by_id={body.cylinder_id: neighbour}, by_tag={})
    serial = serial_keyed(body)
    return Neighbours(
        by_id={},
        by_tag={} if body.tag is None else {body.tag: neighbour},
        by_serial={} if serial is None else {serial: (neighbour,)},
    )
