"""Appending to the ledger: one call of one SQL function, which locks the department's lane late and briefly."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import asyncpg
import msgspec

from fill_ledger.ledger.canonical import canonical_bytes
from fill_ledger.ledger.read import Connection
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject

# Raised by lane.append; see migrations/sql.
SUBJECT_CHANGED = "FL001"
NO_SUCH_DEPARTMENT = "FL004"

_APPEND = "SELECT ledger_position, recorded_at, chain_digest FROM lane.append({})".format(
    ", ".join(f"${number}" for number in range(1, 22))
)
_encoder = msgspec.json.Encoder()


class LostRaceError(Exception):
    """Something read before the append has changed meanwhile: read, judge and try again. Nothing was written."""


class UnknownDepartmentError(Exception):
    """The county has registered no such department; nothing was written."""


class Appended(msgspec.Struct, frozen=True):
    """What the ledger gave one event."""

    ledger_position: int
    recorded_at: datetime
    chain_digest: bytes


class SubjectEntry(msgspec.Struct, frozen=True):
    """One line of the index from subjects to events: `place` is the event's place in the append, from 1."""

    place: int
    subject: Subject
    folds: bool


class NewState(msgspec.Struct, frozen=True):
    """A changed state; `place` is the place of the newest event that changed it."""

    subject_kind: str
    subject_id: uuid.UUID
    place: int
    state: Any


class Append(msgspec.Struct, kw_only=True):
    """Everything that one append writes. `versions` holds the position of every subject read, 0 where it had none."""

    department_id: uuid.UUID
    versions: Mapping[Subject, int]
    events: Sequence[Event]
    entries: Sequence[SubjectEntry]
    states: Sequence[NewState]
    view_rows: Mapping[str, Sequence[Any]]
    sealed_keys: Sequence[Any] = ()
    sealed_records: Sequence[Any] = ()
    outbox: Sequence[Any] = ()


def _json(rows: Any) -> str:
    return _encoder.encode(rows).decode()


async def append(connection: Connection, write: Append) -> list[Appended]:
    """Write events, their index, changed states and view rows, all or nothing.

    Raises:
        LostRaceError: a subject read, or an id, was changed or taken meanwhile; nothing was written.
        UnknownDepartmentError: the department was never registered; nothing was written.
    """
    events = write.events
    try:
        rows = await connection.fetch(
            _APPEND,
            write.department_id,
            [subject.kind.value for subject in write.versions],
            [subject.subject_id for subject in write.versions],
            list(write.versions.values()),
            [event.event_id for event in events],
            [event.body.event_type for event in events],
            [event.body.type_version for event in events],
            [event.occurred_at for event in events],
            [event.effective_at for event in events],
            [event.stream_id for event in events],
            [event.stream_number for event in events],
            [canonical_bytes(event) for event in events],
            [entry.place for entry in write.entries],
            [entry.subject.kind.value for entry in write.entries],
            [entry.subject.subject_id for entry in write.entries],
            [entry.folds for entry in write.entries],
            _json(write.states),
            _json(write.view_rows),
            _json(write.sealed_keys),
            _json(write.sealed_records),
            _json(write.outbox),
        )
    except asyncpg.UniqueViolationError as error:
        raise LostRaceError(str(error)) from error
    except asyncpg.PostgresError as error:
        if error.sqlstate == SUBJECT_CHANGED:
            raise LostRaceError(str(error)) from error
        if error.sqlstate == NO_SUCH_DEPARTMENT:
            raise UnknownDepartmentError(str(error)) from error
        raise
    return [Appended(*row) for row in rows]
