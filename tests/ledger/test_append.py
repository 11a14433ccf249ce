"""One append: all of it or nothing, with its index and its views, found again by index and not by a scan."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import asyncpg
import msgspec
import pytest

from fill_ledger.database import Database
from fill_ledger.ledger.append import Append, NewState, SubjectEntry, UnknownDepartmentError, append
from fill_ledger.ledger.read import event_by_id, events_after, events_folded_into, read_for_append, seeing
from fill_ledger.trade.events.cylinders import CylinderInspected
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject, SubjectKind
from tests.support.ledgers import SOMEBODY, Ledger, open_ledger

MOMENT = datetime(2026, 3, 1, 12, 0, 0, 123_456, tzinfo=UTC)
CYLINDER = Subject(SubjectKind.CYLINDER, uuid.uuid4())
STATION = Subject(SubjectKind.STATION, uuid.uuid4())


def event_of(ledger: Ledger, **changes: Any) -> Event:
    event = Event(
        department_id=ledger.department_id,
        event_id=uuid.uuid4(),
        occurred_at=MOMENT,
        effective_at=MOMENT,
        recorded_by=SOMEBODY,
        body=CylinderInspected(cylinder_id=CYLINDER.subject_id, inspection_kind="monthly", outcome="pass"),
        station_id=STATION.subject_id,
        stream_id=uuid.UUID(int=9),
        stream_number=2**53 - 1,
    )
    return msgspec.structs.replace(event, **changes)


def append_of(ledger: Ledger, *events: Event, **changes: Any) -> Append:
    entries = [
        entry
        for place in range(1, len(events) + 1)
        for entry in (SubjectEntry(place, CYLINDER, folds=True), SubjectEntry(place, STATION, folds=False))
    ]
    write = Append(
        department_id=ledger.department_id, versions={}, events=events, entries=entries, states=(), view_rows={}
    )
    return msgspec.structs.replace(write, **changes)


async def test_what_is_appended_is_read_back_as_it_was(database: Database) -> None:
    async with open_ledger(database) as ledger, database.writes.acquire() as connection:
        late, early = event_of(ledger), event_of(ledger, effective_at=MOMENT - timedelta(days=1))
        given = await append(connection, append_of(ledger, late, early))
        assert [appended.ledger_position for appended in given] == [1, 2]
        async with seeing(connection, (ledger.department_id,)):
            known = await event_by_id(connection, ledger.department_id, late.event_id)
            assert known is not None
            assert (known.event, known.chain_digest, known.recorded_at) == (
                late,
                given[0].chain_digest,
                given[0].recorded_at,
            )
            # By position in the ledger, by what took effect first in the folds.
            after = await events_after(connection, ledger.department_id, 0)
            assert [recorded.event for recorded in after] == [late, early]
            assert await events_after(connection, ledger.department_id, 2) == []
            folded = await events_folded_into(connection, ledger.department_id, CYLINDER)
            assert [recorded.event for recorded in folded] == [early, late]
            earlier = await events_folded_into(connection, ledger.department_id, CYLINDER, through_position=1)
            assert [recorded.event for recorded in earlier] == [late]
            # A station is only mentioned: no state of it is folded from these.
            assert await events_folded_into(connection, ledger.department_id, STATION) == []
            assert await event_by_id(connection, ledger.department_id, uuid.uuid4()) is None


async def test_what_is_read_before_an_append_is_one_snapshot_of_one_department(database: Database) -> None:
    async with (
        open_ledger(database) as ledger,
        open_ledger(database) as other,
        database.writes.acquire() as connection,
    ):
        event = event_of(ledger)
        state = NewState("cylinder", CYLINDER.subject_id, 1, {"any": "state"})
        (given,) = await append(connection, append_of(ledger, event, states=[state]))
        snapshot = await read_for_append(connection, ledger.department_id, [event.event_id], [CYLINDER, STATION])
        assert (snapshot.head_position, snapshot.head_digest) == (1, given.chain_digest)
        assert {subject: known.ledger_position for subject, known in snapshot.states.items()} == {CYLINDER: 1}
        assert {event_id: known.event for event_id, known in snapshot.events.items()} == {event.event_id: event}
        elsewhere = await read_for_append(connection, other.department_id, [event.event_id], [CYLINDER])
        assert (elsewhere.head_position, elsewhere.head_digest) == (0, None)
        assert (elsewhere.states, elsewhere.events) == ({}, {})


@pytest.mark.parametrize(
    ("broken", "error"),
    [
        ({"view_rows": {"unheard_of": [{}]}}, asyncpg.UndefinedFunctionError),
        ({"view_rows": {"tag": [{"tag_id": str(uuid.uuid4())}]}}, asyncpg.InsufficientPrivilegeError),
        ({"states": [NewState("cylinder", CYLINDER.subject_id, 1, None)]}, asyncpg.NotNullViolationError),
        ({"sealed_records": [{"record_id": str(uuid.uuid4())}]}, asyncpg.NotNullViolationError),
        ({"outbox": [{"purpose": "filled_elsewhere"}]}, asyncpg.NotNullViolationError),
    ],
)
async def test_an_append_that_fails_at_its_end_leaves_nothing_of_its_beginning(
    database: Database, broken: dict[str, Any], error: type[Exception]
) -> None:
    async with open_ledger(database) as ledger, database.writes.acquire() as connection:
        with pytest.raises(error):
            await append(connection, append_of(ledger, event_of(ledger), **broken))
        assert await ledger.links() == []
        for table in ("ledger.head", "ledger.event_subject", "views.state"):
            assert await ledger.fetch(f"SELECT 1 FROM {table}") == []
        # The connection is good for the next one.
        assert (await append(connection, append_of(ledger, event_of(ledger))))[0].ledger_position == 1


async def test_a_department_must_be_registered_before_it_has_a_ledger(database: Database) -> None:
    async with open_ledger(database, uuid.uuid4()) as ledger, database.writes.acquire() as connection:
        with pytest.raises(UnknownDepartmentError):
            await append(connection, append_of(ledger, event_of(ledger)))
        assert await ledger.fetch("SELECT 1 FROM ledger.head") == []


async def test_no_event_is_recorded_before_it_took_effect(
    database: Database, owner_connection: asyncpg.Connection
) -> None:
    async with open_ledger(database) as ledger, database.writes.acquire() as connection:
        ahead = datetime.now(UTC) + timedelta(hours=1)
        (given,) = await append(connection, append_of(ledger, event_of(ledger, effective_at=ahead)))
        assert given.recorded_at == ahead
    with pytest.raises(asyncpg.CheckViolationError):
        await owner_connection.execute(
            """
            INSERT INTO ledger.event SELECT (json_populate_record(event, '{"ledger_position": 2,
                "event_id": "00000000-0000-4000-8000-00000000000f", "recorded_at": "2020-01-01T00:00:00Z"}')).*
            FROM ledger.event WHERE event_type = 'cylinder.inspected'
            """
        )


@pytest.mark.parametrize(
    ("query", "index"),
    [
        (
            """
            SELECT * FROM ledger.event_subject WHERE department_id = $1 AND subject_kind = 'cylinder'
                AND subject_id = $2 ORDER BY effective_at, event_id
            """,
            "event_subject_pkey",
        ),
        ("SELECT * FROM ledger.event WHERE department_id = $1 AND event_id = $2", "event_department_id_event_id_key"),
        (
            "SELECT * FROM ledger.event WHERE department_id = $1 AND stream_id = $2 ORDER BY stream_number",
            "event_by_stream",
        ),
    ],
)
async def test_events_are_found_by_index_and_in_its_order(
    owner_connection: asyncpg.Connection, query: str, index: str
) -> None:
    """The plan of a table that is large: with few rows PostgreSQL would rightly read them all."""
    async with owner_connection.transaction():
        await owner_connection.execute("SET LOCAL enable_seqscan = off; SET LOCAL enable_bitmapscan = off")
        rows = await owner_connection.fetch(f"EXPLAIN {query}", uuid.uuid4(), uuid.uuid4())
    plan = "\n".join(row[0] for row in rows)
    assert f"using {index} " in plan
    assert "Sort" not in plan
    assert "Filter" not in plan
