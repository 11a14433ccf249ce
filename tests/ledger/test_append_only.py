"""The ledger is append-only: the service has no way to rewrite it, and triggers refuse its owner and a superuser."""

import uuid

import asyncpg
import pytest

from fill_ledger.database import SERVICE_ROLE, Database
from fill_ledger.trade.events.stations import ClockRead
from tests.support.databases import Databases
from tests.support.ledgers import Ledger, open_ledger

LEDGER_TABLES = ("ledger.event", "ledger.event_subject")
APPEND_ONLY = "FL003"
OWNER_ROLE = "fill_ledger_owner"
# Every table privilege that PostgreSQL knows (documentation of GRANT); MAINTAIN came with version 17.
TABLE_PRIVILEGES = ("SELECT", "INSERT", "UPDATE", "DELETE", "TRUNCATE", "REFERENCES", "TRIGGER")
MAINTAIN_SINCE = 170_000

REWRITES = (
    "UPDATE {table} SET ledger_position = ledger_position",
    "UPDATE {table} SET event_id = gen_random_uuid() WHERE false",
    "DELETE FROM {table}",
    "DELETE FROM {table} WHERE false",
    "TRUNCATE {table}",
    "MERGE INTO {table} AS kept USING (SELECT 1) AS one ON true WHEN MATCHED THEN DELETE",
    "SELECT * FROM {table} FOR UPDATE",
    "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT ON CONSTRAINT {name}_pkey DO UPDATE SET event_id = NULL",
    "ALTER TABLE {table} DISABLE TRIGGER ALL",
    "ALTER TABLE {table} DISABLE ROW LEVEL SECURITY",
    "ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY",
    "ALTER TABLE {table} ADD COLUMN note text",
    "ALTER TABLE {table} RENAME TO other",
    "ALTER TABLE {table} OWNER TO CURRENT_USER",
    "DROP TABLE {table} CASCADE",
    "DROP POLICY own_departments ON {table}",
    "ALTER POLICY own_departments ON {table} USING (true)",
    "CREATE POLICY everything ON {table} FOR ALL USING (true)",
    "CREATE RULE swallow AS ON INSERT TO {table} DO INSTEAD NOTHING",
    "CREATE TRIGGER own BEFORE INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change()",
    "CREATE INDEX own ON {table} (ledger_position)",
    "LOCK TABLE {table} IN ACCESS EXCLUSIVE MODE",
    "SET LOCAL row_security = off; SELECT * FROM {table}",
    "COPY {table} TO PROGRAM 'true'",
)
OTHER_ATTEMPTS = (
    f"SET ROLE {OWNER_ROLE}",
    "SET ROLE fill_ledger_lookup",
    f"SET SESSION AUTHORIZATION {OWNER_ROLE}",
    "SET session_replication_role = replica",
    "DROP TRIGGER event_refuses_change ON ledger.event",
    "ALTER TRIGGER event_refuses_change ON ledger.event RENAME TO other",
    "CREATE OR REPLACE FUNCTION ledger.refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'",
    "DROP FUNCTION ledger.refuse_change() CASCADE",
    "CREATE OR REPLACE FUNCTION lookup.visible_departments() RETURNS uuid[] LANGUAGE sql AS 'SELECT NULL'",
    "ALTER FUNCTION lookup.visible_departments() SECURITY INVOKER",
    "DELETE FROM ledger.head",
    "DELETE FROM ledger.sealed_key",
    "DELETE FROM ledger.sealed_record",
    "DELETE FROM ledger.outbox",
    "TRUNCATE ledger.head",
    "DROP SCHEMA ledger CASCADE",
    "ALTER SCHEMA ledger RENAME TO other",
    "CREATE TABLE ledger.own (number int)",
    "CREATE FUNCTION lane.own() RETURNS int LANGUAGE sql AS 'SELECT 1'",
    f"ALTER ROLE {SERVICE_ROLE} BYPASSRLS",
    f"GRANT {OWNER_ROLE} TO {SERVICE_ROLE}",
    "UPDATE pg_class SET relrowsecurity = false",
)


async def some_events(ledger: Ledger) -> None:
    await ledger.record(*[ClockRead(station_id=uuid.uuid4(), ahead_ms=1)] * 3)


async def refusal_of(connection: asyncpg.Connection, statement: str) -> str | None:
    """Try a statement and roll it back; return the SQLSTATE of its refusal, or None where it went through."""
    transaction = connection.transaction()
    await transaction.start()
    try:
        await connection.execute(statement)
    except asyncpg.PostgresError as error:
        return error.sqlstate
    else:
        return None
    finally:
        await transaction.rollback()


async def test_the_service_can_rewrite_nothing(database: Database, service_url: str) -> None:
    async with open_ledger(database) as ledger:
        await some_events(ledger)
        before = await ledger.links()
        statements = [
            rewrite.format(table=table, name=table.removeprefix("ledger."))
            for rewrite in REWRITES
            for table in LEDGER_TABLES
        ]
        connection = await asyncpg.connect(service_url)
        try:
            await connection.execute(
                "SELECT set_config('fill_ledger.departments', $1, false)", str(ledger.department_id)
            )
            assert await connection.fetchval("SELECT count(*) FROM ledger.event") == len(before)
            answers = {
                statement: await refusal_of(connection, statement) for statement in (*statements, *OTHER_ATTEMPTS)
            }
        finally:
            await connection.close()
        denied = asyncpg.InsufficientPrivilegeError.sqlstate
        assert {statement: answer for statement, answer in answers.items() if answer != denied} == {}
        assert await ledger.links() == before


async def test_the_service_has_two_rights_to_the_ledger_and_deletes_nothing_but_counted_attempts(
    database: Database,
) -> None:
    """Read from the catalogue, so that a table or right added later has to be thought about."""
    privileges = list(TABLE_PRIVILEGES)
    async with database.lookups.acquire() as connection:
        if connection.get_server_version().major * 10_000 >= MAINTAIN_SINCE:
            privileges.append("MAINTAIN")
        rows = await connection.fetch(
            """
            SELECT relation.oid::regclass::text AS name, privilege
            FROM pg_class AS relation
            JOIN pg_namespace AS schema ON schema.oid = relation.relnamespace
            CROSS JOIN unnest($1::text[]) AS privilege
            WHERE relation.relkind IN ('r', 'p', 'v', 'm', 'f') AND schema.nspname NOT LIKE 'pg\\_%'
                AND schema.nspname <> 'information_schema' AND has_table_privilege(relation.oid, privilege)
            """,
            privileges,
        )
        columns = await connection.fetchval(
            """
            SELECT count(*) FROM pg_attribute
            WHERE attrelid = ANY ($1::text[]::regclass[]) AND attnum > 0
                AND has_column_privilege(attrelid, attnum, 'UPDATE')
            """,
            list(LEDGER_TABLES),
        )
    held: dict[str, set[str]] = {}
    for name, privilege in rows:
        held.setdefault(name, set()).add(privilege)
    assert {table: held[table] for table in LEDGER_TABLES} == {table: {"SELECT", "INSERT"} for table in LEDGER_TABLES}
    assert columns == 0
    beyond = {name: rights - {"SELECT", "INSERT", "UPDATE"} for name, rights in held.items()}
    assert {name: rights for name, rights in beyond.items() if rights} == {"access.credential_attempt": {"DELETE"}}


@pytest.mark.parametrize("role", ["superuser", OWNER_ROLE])
async def test_triggers_refuse_even_those_who_may(
    database: Database, owner_connection: asyncpg.Connection, role: str
) -> None:
    async with open_ledger(database) as ledger:
        await some_events(ledger)
        before = await ledger.links()
        if role == OWNER_ROLE:
            await owner_connection.execute(f"SET ROLE {OWNER_ROLE}")
        else:
            assert await owner_connection.fetchval("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
        for table in LEDGER_TABLES:
            assert await owner_connection.fetchval(f"SELECT count(*) FROM {table}") > 0
            for statement in (
                f"UPDATE {table} SET ledger_position = ledger_position",
                f"DELETE FROM {table}",
                f"TRUNCATE {table}",
                f"MERGE INTO {table} AS kept USING (SELECT 1) AS one ON true WHEN MATCHED THEN DELETE",
            ):
                assert (statement, await refusal_of(owner_connection, statement)) == (statement, APPEND_ONLY)
        assert await ledger.links() == before


async def test_nobody_but_the_service_calls_what_sees_across_departments(
    owner_connection: asyncpg.Connection, databases: Databases
) -> None:
    rows = await owner_connection.fetch(
        """
        SELECT function.oid::regprocedure::text AS name, owner.rolname AS owner, function.prosecdef AS is_definer,
            array_to_string(function.proconfig, ',') AS settings
        FROM pg_proc AS function
        JOIN pg_namespace AS schema ON schema.oid = function.pronamespace
        JOIN pg_roles AS owner ON owner.oid = function.proowner
        WHERE schema.nspname IN ('lane', 'lookup', 'ledger', 'views', 'access')
        """
    )
    definers = [row for row in rows if row["is_definer"]]
    assert {row["name"].split(".")[0] for row in definers} == {"lookup"}
    # They run as a role that may only read, and cannot be led astray by a search path of the caller's.
    assert {row["owner"] for row in definers} == {"fill_ledger_lookup"}
    assert all("search_path=pg_catalog" in row["settings"] for row in definers)
    can_write = await owner_connection.fetch(
        """
        SELECT relation.oid::regclass::text, privilege FROM pg_class AS relation
        CROSS JOIN unnest(ARRAY['INSERT', 'UPDATE', 'DELETE', 'TRUNCATE']) AS privilege
        WHERE relkind IN ('r', 'p') AND relnamespace <> 'pg_catalog'::regnamespace
            AND has_table_privilege('fill_ledger_lookup', relation.oid, privilege)
        """
    )
    assert can_write == []
    stranger = f"{databases.login}_stranger"
    transaction = owner_connection.transaction()
    await transaction.start()
    try:
        await owner_connection.execute(f"CREATE ROLE {stranger}; SET LOCAL ROLE {stranger}")
        open_to_strangers = await owner_connection.fetch(
            """
            SELECT function.oid::regprocedure::text FROM pg_proc AS function
            JOIN pg_namespace AS schema ON schema.oid = function.pronamespace
            WHERE schema.nspname IN ('lane', 'lookup') AND has_function_privilege(function.oid, 'EXECUTE')
            """
        )
    finally:
        await transaction.rollback()
    assert open_to_strangers == []
