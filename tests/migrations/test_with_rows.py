"""Each migration on a database that holds what its predecessors could hold: nothing is lost, and the chain still holds.

A migration released later is tested by itself: it starts from rows written at the revision before it.
"""

import hashlib
import json
import re
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import asyncpg
import pytest

from fill_ledger.database import SERVICE_ROLE, open_database
from fill_ledger.ledger.append import Append, append
from fill_ledger.ledger.canonical import canonical_bytes
from fill_ledger.ledger.chain import Link, check_chain, genesis_digest, link_digest
from fill_ledger.schema import migrate, migrations_folder, newest_revision
from fill_ledger.trade.events.county import DepartmentRegistered
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.stations import ClockRead
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.views.check import check_views
from fill_ledger.views.rebuild import rebuild_views
from tests.support.databases import Databases, replace_in_url
from tests.support.ledgers import SOMEBODY

DEPARTMENT = uuid.uuid4()
START = datetime(2026, 1, 1, tzinfo=UTC)
EVENTS = 5
REVISIONS = sorted(path.name[:4] for path in Path(migrations_folder() / "versions").glob("[0-9]*.py"))


@pytest.fixture
async def empty_url(databases: Databases, database_name: str) -> str:
    """The address of an empty database, owner's login; it takes the place of the migrated one."""
    admin = await asyncpg.connect(databases.admin_url)
    try:
        await admin.execute(f"DROP DATABASE {database_name}")
        await admin.execute(f"CREATE DATABASE {database_name} TEMPLATE template0")
    finally:
        await admin.close()
    return replace_in_url(databases.admin_url, database=database_name)


def _event(department_id: uuid.UUID, position: int) -> Event:
    moment = START + timedelta(seconds=position)
    body = (
        DepartmentRegistered(department_id=DEPARTMENT, name="Own Department", code="OWN", time_zone="America/New_York")
        if department_id == COUNTY_ID
        else ClockRead(station_id=SOMEBODY, ahead_ms=position)
    )
    return Event(
        department_id=department_id,
        event_id=uuid.uuid4(),
        occurred_at=moment,
        effective_at=moment,
        recorded_by=SOMEBODY,
        body=body,
    )


async def _write_as_the_first_revision_could(
    connection: asyncpg.Connection, department_id: uuid.UUID, count: int
) -> None:
    """Write events without any function of a later revision, linked by the rule of the chain."""
    previous = genesis_digest(department_id)
    for position in range(1, count + 1):
        event = _event(department_id, position)
        canonical = canonical_bytes(event)
        payload = hashlib.sha256(canonical).digest()
        previous = link_digest(previous, position, event.effective_at, payload)
        await connection.execute(
            """
            INSERT INTO ledger.event (department_id, ledger_position, event_id, event_type, type_version, occurred_at,
                effective_at, recorded_at, canonical, payload_digest, chain_digest)
            VALUES ($1, $2, $3, $4, 1, $5, $5, $5, $6, $7, $8)
            """,
            department_id,
            position,
            event.event_id,
            event.body.event_type,
            event.effective_at,
            canonical,
            payload,
            previous,
        )
        for subject, folds in [(known, True) for known in event.folds_into()] + [
            (known, False) for known in event.mentions()
        ]:
            await connection.execute(
                "INSERT INTO ledger.event_subject VALUES ($1, $2, $3, $4, $5, $6, $7)",
                department_id,
                subject.kind.value,
                subject.subject_id,
                event.effective_at,
                event.event_id,
                position,
                folds,
            )
    await connection.execute(
        "INSERT INTO ledger.head VALUES ($1, $2, $3, $4)",
        department_id,
        count,
        START + timedelta(seconds=count),
        previous,
    )


async def _links(connection: asyncpg.Connection) -> list[Link]:
    rows = await connection.fetch(
        """
        SELECT ledger_position, recorded_at, canonical, payload_digest, chain_digest FROM ledger.event
        WHERE department_id = $1 ORDER BY ledger_position
        """,
        DEPARTMENT,
    )
    return [Link(**dict(row)) for row in rows]


@pytest.mark.parametrize("revision", REVISIONS)
async def test_a_ledger_written_at_any_revision_is_whole_at_the_newest(empty_url: str, revision: str) -> None:
    await migrate(empty_url, revision)
    connection = await asyncpg.connect(empty_url)
    try:
        await _write_as_the_first_revision_could(connection, COUNTY_ID, 1)
        await _write_as_the_first_revision_could(connection, DEPARTMENT, EVENTS)
        before = await _links(connection)
        await migrate(empty_url)
        assert await connection.fetchval("SELECT version_num FROM alembic_version") == newest_revision()
        assert await _links(connection) == before
        assert check_chain(DEPARTMENT, before) == []
        # What was only in the ledger is in the views after a rebuild, and the lane goes on where the ledger ended.
        await rebuild_views(empty_url)
        assert (await check_views(empty_url)).verdict == "sound"
        assert await connection.fetchval("SELECT code FROM views.department") == "OWN"
        database = await open_database(empty_url)
        try:
            async with database.writes.acquire() as service:
                assert await service.fetchval("SELECT current_user") == SERVICE_ROLE
                event = _event(DEPARTMENT, EVENTS + 1)
                (appended,) = await append(
                    service,
                    Append(department_id=DEPARTMENT, versions={}, events=[event], entries=(), states=(), view_rows={}),
                )
        finally:
            await database.close()
        assert appended.ledger_position == EVENTS + 1
        assert check_chain(DEPARTMENT, await _links(connection)) == []
    finally:
        await connection.close()


async def test_findings_from_before_reviews_stay_open_and_can_be_reviewed(empty_url: str) -> None:
    finding = {
        "department_id": str(DEPARTMENT),
        "finding_id": str(uuid.uuid4()),
        "event_id": str(uuid.uuid4()),
        "code": "on-hold",
        "severity": "grave",
        "found_at": START.isoformat(),
        "text": "The cylinder is on hold.",
        "standing": "open",
    }
    reviewed_at = START + timedelta(days=1)
    await migrate(empty_url, "0004")
    connection = await asyncpg.connect(empty_url)
    put = "SELECT lane.put_finding($1)"
    read = "SELECT finding_id, code, standing, reviewed_at, cause FROM views.finding"
    try:
        await connection.execute(put, json.dumps([finding]))
        await migrate(empty_url)
        kept = await connection.fetchrow(read)
        assert kept is not None
        assert tuple(kept) == (uuid.UUID(finding["finding_id"]), "on-hold", "open", None, None)
        reviewed = {"standing": "reviewed", "cause": "training", "reviewed_at": reviewed_at.isoformat()}
        await connection.execute(put, json.dumps([finding | reviewed]))
        (row,) = await connection.fetch(read)
        assert tuple(row) == (uuid.UUID(finding["finding_id"]), "on-hold", "reviewed", reviewed_at, "training")
    finally:
        await connection.close()


def test_scripts_take_no_row_out_of_the_ledger() -> None:
    """A migration that deletes, rewrites or drops what the ledger holds fails here, before anybody has run it."""
    forbidden = re.compile(
        r"\b(DROP\s+TABLE|TRUNCATE\s+(TABLE\s+)?ledger|DELETE\s+FROM\s+ledger\.event|UPDATE\s+ledger\.event|"
        r"DISABLE\s+TRIGGER|DISABLE\s+ROW|NO\s+FORCE)\b",
        re.IGNORECASE,
    )
    scripts = sorted((migrations_folder() / "sql").glob("*.sql"))
    assert len(scripts) >= len(REVISIONS)
    for script in scripts:
        statements = re.sub(r"--[^\n]*", "", script.read_text(encoding="utf-8"))
        assert forbidden.findall(statements) == [], script.name
