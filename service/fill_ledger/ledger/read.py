"""Reading the ledger: what an append must know before it judges, and the events of a subject or a department."""

import uuid
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any, Literal

import asyncpg
import msgspec

from fill_ledger.ledger.canonical import read_event
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject, SubjectKind

ALL_DEPARTMENTS = "*"
READ_CHUNK = 2_000

Connection = asyncpg.Connection | asyncpg.pool.PoolConnectionProxy


class StoredState(msgspec.Struct, frozen=True):
    """A subject's state as stored, and the position of the event that last changed it."""

    ledger_position: int
    state: bytes


class KnownEvent(msgspec.Struct, frozen=True):
    """An event that is in the ledger under an id that somebody claims again."""

    ledger_position: int
    event: Event


class Snapshot(msgspec.Struct, frozen=True, kw_only=True):
    """What one reading before an append saw."""

    now: datetime
    head_position: int
    head_digest: bytes | None
    states: dict[Subject, StoredState]
    events: dict[uuid.UUID, KnownEvent]
    retracted: frozenset[uuid.UUID]
    permit_users: dict[str, set[uuid.UUID]]
    rulebook_position: int | None


class RecordedEvent(msgspec.Struct, frozen=True, kw_only=True):
    """An event with what the ledger gave it."""

    ledger_position: int
    recorded_at: datetime
    chain_digest: bytes
    event: Event


@asynccontextmanager
async def seeing(
    connection: Connection, departments: Iterable[uuid.UUID] | str, *, one_moment: bool = False
) -> AsyncIterator[None]:
    """Open a transaction that sees these departments and no others (row-level security).

    With `one_moment` it only reads, and every statement in it sees the ledger as it was at the first one.
    """
    setting = departments if isinstance(departments, str) else ",".join(str(department) for department in departments)
    isolation: Literal["repeatable_read"] | None = "repeatable_read" if one_moment else None
    async with connection.transaction(isolation=isolation, readonly=one_moment):
        await connection.execute("SELECT set_config('fill_ledger.departments', $1, true)", setting)
        yield


async def read_for_append(
    connection: Connection,
    department_id: uuid.UUID,
    event_ids: Sequence[uuid.UUID],
    subjects: Sequence[Subject],
    permit_nonces: Sequence[str] = (),
) -> Snapshot:
    """Read, in one round trip, the states of subjects and whatever is known of event ids and of permits quoted."""
    rows = await connection.fetch(
        "SELECT part, subject_kind, id, ledger_position, moment, content FROM lane.read_for_append($1, $2, $3, $4, $5)",
        department_id,
        event_ids,
        [subject.kind.value for subject in subjects],
        [subject.subject_id for subject in subjects],
        permit_nonces,
    )
    states: dict[Subject, StoredState] = {}
    events: dict[uuid.UUID, KnownEvent] = {}
    retracted: set[uuid.UUID] = set()
    permit_users: dict[str, set[uuid.UUID]] = {}
    rulebook_position = None
    now, head_position, head_digest = rows[0]["moment"], 0, None
    for part, subject_kind, identifier, ledger_position, moment, content in rows:
        if part == "subject":
            states[Subject(SubjectKind(subject_kind), identifier)] = StoredState(ledger_position, content)
        elif part == "event":
            events[identifier] = KnownEvent(ledger_position, read_event(content))
        elif part == "retraction":
            retracted.add(identifier)
        elif part == "permit":
            permit_users.setdefault(subject_kind, set()).add(identifier)
        elif part == "rulebook":
            rulebook_position = ledger_position
        else:
            now, head_position, head_digest = moment, ledger_position, content
    return Snapshot(
        now=now,
        head_position=head_position,
        head_digest=head_digest,
        states=states,
        events=events,
        retracted=frozenset(retracted),
        permit_users=permit_users,
        rulebook_position=rulebook_position,
    )


_EVENT_COLUMNS = "event.ledger_position, event.recorded_at, event.chain_digest, event.canonical"


def _recorded(row: Any) -> RecordedEvent:
    return RecordedEvent(
        ledger_position=row["ledger_position"],
        recorded_at=row["recorded_at"],
        chain_digest=row["chain_digest"],
        event=read_event(row["canonical"]),
    )


async def events_folded_into(
    connection: Connection, department_id: uuid.UUID, subject: Subject, through_position: int = 2**63 - 1
) -> list[RecordedEvent]:
    """Return the events that make up a subject's state, in the order of the folds, retracted ones left out."""
    rows = await connection.fetch(
        f"""
        SELECT {_EVENT_COLUMNS}
        FROM ledger.event_subject AS entry
        JOIN ledger.event ON event.department_id = entry.department_id
            AND event.ledger_position = entry.ledger_position
        WHERE entry.department_id = $1 AND entry.subject_kind = $2 AND entry.subject_id = $3 AND entry.folds
            AND entry.ledger_position <= $4
            AND NOT EXISTS (
                SELECT 1 FROM ledger.event_subject AS taken_back
                WHERE taken_back.department_id = $1 AND taken_back.subject_kind = 'event'
                    AND taken_back.subject_id = entry.event_id AND taken_back.folds)
        ORDER BY entry.effective_at, entry.event_id
        """,
        department_id,
        subject.kind.value,
        subject.subject_id,
        through_position,
    )
    return [_recorded(row) for row in rows]


async def event_by_id(connection: Connection, department_id: uuid.UUID, event_id: uuid.UUID) -> RecordedEvent | None:
    """Return one event of a department, or None."""
    row = await connection.fetchrow(
        f"SELECT {_EVENT_COLUMNS} FROM ledger.event WHERE department_id = $1 AND event_id = $2",
        department_id,
        event_id,
    )
    return None if row is None else _recorded(row)


async def events_after(
    connection: Connection, department_id: uuid.UUID, position: int, limit: int = READ_CHUNK
) -> list[RecordedEvent]:
    """Return the next events of a department after a position, in order of position."""
    rows = await connection.fetch(
        f"""
        SELECT {_EVENT_COLUMNS} FROM ledger.event
        WHERE department_id = $1 AND ledger_position > $2 ORDER BY ledger_position LIMIT $3
        """,
        department_id,
        position,
        limit,
    )
    return [_recorded(row) for row in rows]
