"""Views can be dropped and made anew, and the checker tells a view that is behind from one that lies."""

import asyncio
import uuid
from datetime import UTC, datetime, timedelta, timezone

import asyncpg
import pytest

from fill_ledger.intake.founding import record_entries
from fill_ledger.trade.events import corrections, cylinders, fills, stations
from fill_ledger.trade.events.county import KeyIssued, Role
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.views.check import check_views
from fill_ledger.views.rebuild import rebuild_views
from tests.support.county import County

TAG = "iso15693:E004010000000001"


async def _some_history(county: County) -> uuid.UUID:
    """Record what makes folding hard: late facts, a moved tag, a fill known by its tag, retractions early and late."""
    own = county.own
    cylinder_id = await county.cylinder(tag=TAG)
    other_id = await county.cylinder()
    fill_id, mistaken_id = uuid.uuid4(), uuid.uuid4()
    filled = fills.Filled(cylinder_id=cylinder_id, member_id=own.member_id, end_psi=2200)
    await county.record(corrections.EventRetracted(retracted_event_id=mistaken_id, reason="typed twice"))
    await county.record(filled, event_ids=[fill_id], station_id=own.station_id)
    await county.record(filled, event_ids=[mistaken_id], station_id=own.station_id)
    await county.record(
        fills.FilledByHand(tag=TAG, end_psi=2000),
        occurred_at=datetime.now(UTC) - timedelta(days=100),
        station_id=own.station_id,
    )
    await county.record(
        cylinders.TagPaired(cylinder_id=other_id, tag=TAG), occurred_at=datetime.now(UTC) - timedelta(days=200)
    )
    await county.record(
        cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="damage", reason="dent")
    )
    await county.record(corrections.EventRetracted(retracted_event_id=fill_id, reason="wrong cylinder"))
    await county.record(
        stations.StationClosed(station_id=own.station_id, reason="flood"),
        occurred_at=datetime.now(UTC) - timedelta(days=50),
    )
    await county.record(
        stations.StationOpened(station_id=own.station_id), occurred_at=datetime.now(UTC) - timedelta(days=60)
    )
    return other_id


async def _rows(connection: asyncpg.Connection, table: str) -> set[str]:
    rows = await connection.fetch(f"SELECT to_jsonb(known)::text AS whole FROM views.{table} AS known")
    return {row["whole"] for row in rows}


async def test_a_rebuild_gives_the_same_rows_and_the_same_rights(
    county: County, database_url: str, owner_connection: asyncpg.Connection
) -> None:
    other_id = await _some_history(county)
    tables = [
        row[0] for row in await owner_connection.fetch("SELECT tablename FROM pg_tables WHERE schemaname = 'views'")
    ]
    rights = """
        SELECT table_name, grantee, privilege_type FROM information_schema.role_table_grants
        WHERE table_schema = 'views' ORDER BY 1, 2, 3
    """
    policies = """
        SELECT tablename, policyname, roles, cmd, qual, with_check FROM pg_policies
        WHERE schemaname = 'views' ORDER BY 1, 2
    """
    before = {table: await _rows(owner_connection, table) for table in tables}
    rights_before, policies_before = await owner_connection.fetch(rights), await owner_connection.fetch(policies)
    report = await rebuild_views(database_url)
    assert report.events == await owner_connection.fetchval("SELECT count(*) FROM ledger.event")
    assert {table: await _rows(owner_connection, table) for table in tables} == before
    assert await owner_connection.fetch(rights) == rights_before
    assert await owner_connection.fetch(policies) == policies_before
    # The late pairing moved the fill by hand to the other cylinder.
    assert (
        await owner_connection.fetchval(
            "SELECT cylinder_id FROM views.fill WHERE event_type = 'cylinder.filled_by_hand'"
        )
        == other_id
    )
    # The service goes on writing and reading with connections opened before the swap.
    recorded = await county.record(fills.Filled(cylinder_id=other_id, end_psi=2100), station_id=county.own.station_id)
    assert recorded.outcomes[0].outcome == "created"
    assert (await check_views(database_url)).verdict == "sound"


async def test_look_ups_and_appends_go_on_during_rebuilds(county: County, database_url: str) -> None:
    cylinder_id = await county.cylinder()
    done = asyncio.Event()

    async def keep_filling() -> int:
        count = 0
        while not done.is_set():
            await county.record(fills.Filled(cylinder_id=cylinder_id, end_psi=2000), station_id=county.own.station_id)
            count += 1
        return count

    filling = asyncio.create_task(keep_filling())
    try:
        for _ in range(3):
            await rebuild_views(database_url)
    finally:
        done.set()
        count = await filling
    assert count > 0
    async with county.parts.database.lookups.acquire() as connection:
        total = await connection.fetchval(
            "SELECT state->>'fills_total' FROM lookup.states($1, ARRAY['cylinder'], $2)",
            [county.own.department_id],
            [cylinder_id],
        )
    assert int(total) == count
    assert (await check_views(database_url)).verdict == "sound"


async def test_times_with_any_offset_fold_as_they_are_read_again(county: County, database_url: str) -> None:
    """Controllers send local times (RFC 3339); the canonical bytes have them in UTC."""
    own = county.own
    eastern = timezone(timedelta(hours=-5))
    filled = fills.Filled(cylinder_id=await county.cylinder(), end_psi=2200)
    await county.record(filled, occurred_at=datetime.now(eastern) - timedelta(hours=1), station_id=own.station_id)
    issued = KeyIssued(
        principal_id=own.keys[Role.CONTROLLER].principal_id,
        key_id=uuid.uuid4(),
        key_digest="0" * 64,
        expires_at=datetime.now(eastern) + timedelta(days=1),
    )
    await record_entries(county.parts.lanes, COUNTY_ID, [issued])
    assert (await check_views(database_url)).counts == {}


async def test_a_second_retraction_changes_nothing_here_as_in_a_replay(county: County, database_url: str) -> None:
    own = county.own
    fill_id = uuid.uuid4()
    filled = fills.Filled(cylinder_id=await county.cylinder(), end_psi=2200)
    await county.record(filled, event_ids=[fill_id], station_id=own.station_id)
    for _ in range(2):
        retracted = corrections.EventRetracted(retracted_event_id=fill_id, reason="typed twice")
        assert (await county.record(retracted)).outcomes[0].outcome == "created"
    assert (await check_views(database_url)).counts == {}


@pytest.mark.parametrize(
    ("damage", "verdict"),
    [
        ("DELETE FROM views.fill", "incomplete"),
        ("UPDATE views.state SET ledger_position = ledger_position - 1 WHERE subject_kind = 'cylinder'", "incomplete"),
        ("UPDATE views.cylinder SET standing = 'in_service'", "mismatch"),
        ("UPDATE views.state SET state = '{}' WHERE subject_kind = 'member'", "mismatch"),
        (
            "INSERT INTO views.tag (department_id, tag_id) SELECT department_id, gen_random_uuid() FROM ledger.head",
            "mismatch",
        ),
    ],
)
async def test_the_checker_tells_behind_from_wrong(
    county: County, database_url: str, owner_connection: asyncpg.Connection, damage: str, verdict: str
) -> None:
    await _some_history(county)
    assert (await check_views(database_url)).verdict == "sound"
    await owner_connection.execute(damage)
    report = await check_views(database_url)
    assert report.verdict == verdict
    assert report.counts


async def test_the_checker_finds_a_broken_chain(
    county: County, database_url: str, owner_connection: asyncpg.Connection
) -> None:
    await _some_history(county)
    await owner_connection.execute("ALTER TABLE ledger.event DISABLE TRIGGER ALL")
    await owner_connection.execute(
        "UPDATE ledger.event SET recorded_at = recorded_at + interval '1 second' WHERE ledger_position = 3"
    )
    report = await check_views(database_url)
    assert report.verdict == "chain broken"
    assert all(faults[0].ledger_position == 3 for faults in report.chain_faults.values())
