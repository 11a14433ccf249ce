"""Row-level security, table by table out of the catalogue: a new table without a policy or without rows here fails."""

import uuid
from datetime import UTC, datetime

import asyncpg
import msgspec
import pytest

from fill_ledger.database import Database
from fill_ledger.intake.claims import Unit, Unreadable
from fill_ledger.ledger.read import ALL_DEPARTMENTS, seeing
from fill_ledger.trade.events import air, cylinders, fills
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.support.county import County, Department
from tests.support.ledgers import SOMEBODY, days_ago

TAGS = ("iso15693:E004010000000B01", "iso15693:E004010000000B02")
# The tables of these two hold everything; alembic's own table is the only other.
NOT_OURS = {"public.alembic_version"}
# Departments, principals and keys stand in the county ledger; whoever sees one department only sees none of them.
COUNTY_TABLES = {"views.department", "views.principal", "views.access_key"}


async def _live(county: County, department: Department, tag: str, neighbours_tag: str) -> None:
    """Let something happen in a department that leaves a row in every table."""
    department_id = department.department_id
    cylinder_id = await county.cylinder(department_id=department_id, tag=tag)
    await county.record(PolicySet(department_id=department_id), department_id=department_id, occurred_at=days_ago(100))
    await county.record(
        air.CompressorHoursRead(air_source_id=department.air_source_id, run_time_tenths_h=10),
        fills.Filled(cylinder_id=cylinder_id, member_id=department.member_id, end_psi=2200, note="for the drill"),
        fills.Filled(end_psi=9_000),
        fills.FillDenied(cylinder_id=cylinder_id, code="on-hold"),
        cylinders.TagRead(tag=neighbours_tag),
        department_id=department_id,
        station_id=department.station_id,
    )
    unreadable = Unreadable(raw=b"\xff", reason="no text", recorded_by=SOMEBODY)
    await county.parts.lanes.record(Unit(department_id=department_id, claims=(unreadable,)))
    async with (
        county.parts.database.writes.acquire() as connection,
        seeing(connection, (department_id,)),
    ):
        await connection.execute(
            "INSERT INTO access.credential_attempt VALUES ($1, '\\x01', 1, now(), NULL)", department_id
        )


async def _meet(county: County) -> None:
    """Fill each other's cylinders, which leaves something to tell in both outboxes."""
    for here, there in ((county.own, county.neighbour), (county.neighbour, county.own)):
        theirs = await county.cylinder(department_id=there.department_id)
        await county.record(
            fills.Filled(cylinder_id=theirs, end_psi=2000),
            department_id=here.department_id,
            station_id=here.station_id,
        )


@pytest.fixture
async def lived_in(county: County) -> County:
    """A county in which both departments have left a row in every table."""
    await _live(county, county.own, TAGS[0], TAGS[1])
    await _live(county, county.neighbour, TAGS[1], TAGS[0])
    await _meet(county)
    return county


async def _tables(connection: asyncpg.Connection) -> list[str]:
    rows = await connection.fetch(
        """
        SELECT format('%I.%I', schema.nspname, relation.relname) AS name
        FROM pg_class AS relation JOIN pg_namespace AS schema ON schema.oid = relation.relnamespace
        WHERE relation.relkind IN ('r', 'p', 'v', 'm', 'f')
            AND schema.nspname NOT LIKE 'pg\\_%' AND schema.nspname <> 'information_schema'
        ORDER BY 1
        """
    )
    return [row["name"] for row in rows if row["name"] not in NOT_OURS]


async def test_every_table_is_divided_by_department_and_guarded(owner_connection: asyncpg.Connection) -> None:
    for table in await _tables(owner_connection):
        guarded = await owner_connection.fetchrow(
            "SELECT relkind::text, relrowsecurity, relforcerowsecurity FROM pg_class WHERE oid = $1::regclass", table
        )
        assert (table, tuple(guarded or ())) == (table, ("r", True, True))
        leading = await owner_connection.fetchval(
            """
            SELECT attname FROM pg_index JOIN pg_attribute ON attrelid = indrelid AND attnum = indkey[0]
            WHERE indrelid = $1::regclass AND indisprimary
            """,
            table,
        )
        assert (table, leading) == (table, "department_id")
        policies = await owner_connection.fetch(
            """
            SELECT policyname, permissive, cmd, roles::text[], qual, with_check FROM pg_policies
            WHERE format('%I.%I', schemaname, tablename) = $1
                AND roles::text[] && ARRAY['fill_ledger_service', 'public']
            """,
            table,
        )
        own = "(department_id = ANY (( SELECT lookup.visible_departments() AS visible_departments)::uuid[]))"
        assert [tuple(policy) for policy in policies] == [
            ("own_departments", "PERMISSIVE", "ALL", ["fill_ledger_service"], own, own)
        ], table


async def _counts(
    connection: asyncpg.Connection, tables: list[str], setting: str | None
) -> dict[str, dict[uuid.UUID, int]]:
    """Return how many rows of which department each table shows under a setting."""
    seen: dict[str, dict[uuid.UUID, int]] = {}
    async with connection.transaction():
        if setting is not None:
            await connection.execute("SELECT set_config('fill_ledger.departments', $1, true)", setting)
        for table in tables:
            rows = await connection.fetch(f"SELECT department_id, count(*) AS count FROM {table} GROUP BY 1")
            seen[table] = {row["department_id"]: row["count"] for row in rows}
    return seen


async def test_whoever_is_set_to_see_a_department_sees_it_and_nothing_else(
    lived_in: County, owner_connection: asyncpg.Connection, service_url: str
) -> None:
    own, neighbour = lived_in.own.department_id, lived_in.neighbour.department_id
    tables = await _tables(owner_connection)
    everything = await _counts(owner_connection, tables, None)
    for table, counts in everything.items():
        wanted = {COUNTY_ID} if table in COUNTY_TABLES else {own, neighbour}
        assert wanted <= counts.keys(), f"{table} has no rows to hide: let something happen that makes some"
    connection = await asyncpg.connect(service_url)

    def only(*departments: uuid.UUID) -> dict[str, dict[uuid.UUID, int]]:
        return {
            table: {department: count for department, count in counts.items() if department in departments}
            for table, counts in everything.items()
        }

    try:
        # A connection that never had the setting, and one on which it was reset, which leaves an empty text.
        assert await _counts(connection, tables, None) == only()
        assert await _counts(connection, tables, str(own)) == only(own)
        assert await connection.fetchval("SELECT current_setting('fill_ledger.departments', true)") == ""
        assert await _counts(connection, tables, None) == only()
        assert await _counts(connection, tables, "") == only()
        assert await _counts(connection, tables, str(neighbour)) == only(neighbour)
        assert await _counts(connection, tables, f"{own},{neighbour}") == only(own, neighbour)
        assert await _counts(connection, tables, str(COUNTY_ID)) == only(COUNTY_ID)
        assert await _counts(connection, tables, str(uuid.uuid4())) == only()
        assert await _counts(connection, tables, ALL_DEPARTMENTS) == everything
        for garbage in ("nonsense", "**", " *", "*,", f"{own},", f"{own};{neighbour}", "{*}", "' OR true --", "%"):
            with pytest.raises(asyncpg.InvalidTextRepresentationError):
                await _counts(connection, tables, garbage)
    finally:
        await connection.close()


async def test_nobody_writes_into_a_department_that_is_not_set(
    lived_in: County, owner_connection: asyncpg.Connection, service_url: str
) -> None:
    own, neighbour = lived_in.own.department_id, lived_in.neighbour.department_id
    connection = await asyncpg.connect(service_url)
    try:
        for table in await _tables(owner_connection):
            owner = COUNTY_ID if table in COUNTY_TABLES else neighbour
            row = await owner_connection.fetchval(
                f"SELECT to_json(known)::text FROM {table} AS known WHERE department_id = $1 LIMIT 1", owner
            )
            insert = f"INSERT INTO {table} SELECT * FROM json_populate_record(NULL::{table}, $1)"
            for setting in (str(own), ""):
                with pytest.raises(asyncpg.InsufficientPrivilegeError, match="row-level security"):
                    async with seeing(connection, setting):
                        await connection.execute(insert, row)
            # The very same row is let through the policy where its department is set: there it is only a repeat.
            with pytest.raises(asyncpg.UniqueViolationError):
                async with seeing(connection, (owner,)):
                    await connection.execute(insert, row)
            if await connection.fetchval("SELECT has_table_privilege($1, 'UPDATE')", table):
                async with seeing(connection, (own,)):
                    status = await connection.execute(
                        f"UPDATE {table} SET department_id = department_id WHERE department_id = $1", owner
                    )
                    assert status == "UPDATE 0"
                if owner == neighbour:
                    with pytest.raises(asyncpg.InsufficientPrivilegeError, match="row-level security"):
                        async with seeing(connection, (own,)):
                            await connection.execute(f"UPDATE {table} SET department_id = $1", neighbour)
    finally:
        await connection.close()


async def test_the_lane_writes_no_department_but_the_one_it_was_called_for(database: Database, county: County) -> None:
    """Rows for views name a department themselves: one that is not the lane's is refused by the policy."""
    row = {
        "department_id": str(county.neighbour.department_id),
        "tag_id": str(uuid.uuid4()),
        "tag": TAGS[0],
        "cylinder_id": None,
        "paired_at": datetime.now(UTC).isoformat(),
    }
    async with database.writes.acquire() as connection:
        with pytest.raises(asyncpg.InsufficientPrivilegeError, match="row-level security"):
            async with seeing(connection, (county.own.department_id,)):
                await connection.execute("SELECT lane.put_tag($1)", msgspec.json.encode([row]).decode())


async def test_the_look_ups_see_what_a_decision_needs_whatever_is_set(lived_in: County, service_url: str) -> None:
    own, neighbour = lived_in.own, lived_in.neighbour
    connection = await asyncpg.connect(service_url)
    try:
        heads = await connection.fetch("SELECT department_id FROM lookup.heads()")
        assert {own.department_id, neighbour.department_id, COUNTY_ID} == {row[0] for row in heads}
        found = await connection.fetch(
            "SELECT department_id, cylinder_id FROM lookup.directory($1, $2)", ["tag"], [TAGS[1]]
        )
        assert [row["department_id"] for row in found] == [neighbour.department_id]
        states = await connection.fetch(
            "SELECT department_id, state FROM lookup.states($1, $2, $3)",
            [neighbour.department_id, own.department_id],
            ["cylinder", "cylinder"],
            [found[0]["cylinder_id"]] * 2,
        )
        assert [row["department_id"] for row in states] == [neighbour.department_id]
        key = next(iter(own.keys.values()))
        digest = await connection.fetchval("SELECT sha256($1)", key.plain_key.encode())
        access = await connection.fetch("SELECT principal_id, department_ids FROM lookup.access($1)", digest)
        assert [tuple(row) for row in access] == [(key.principal_id, [own.department_id])]
        for department_id, expected in (
            (own.department_id, True),
            (COUNTY_ID, True),
            (uuid.uuid4(), False),
        ):
            assert await connection.fetchval("SELECT lookup.is_department($1)", department_id) is expected
        telling = await connection.fetch("SELECT * FROM lookup.departments_with_outbox()")
        assert {row[0] for row in telling} == {own.department_id, neighbour.department_id}
        assert await connection.fetchval("SELECT lookup.visible_departments()") is None
    finally:
        await connection.close()
