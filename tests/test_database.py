"""The service's connections: the role they act as, their limits, and what is refused at the start."""

import asyncpg
import msgspec
import pytest

from fill_ledger.database import SERVICE_ROLE, Database, DatabaseError, check_unprivileged, open_database
from fill_ledger.settings import DEFAULT_LOOKUPS, PoolSettings
from tests.support.databases import Databases, replace_in_url


async def test_the_suite_acts_as_an_unprivileged_role(database: Database) -> None:
    for pool in (database.lookups, database.writes):
        role = await pool.fetchrow(
            "SELECT current_user::text AS name, rolsuper, rolbypassrls, rolcreaterole, rolcreatedb "
            "FROM pg_roles WHERE rolname = current_user"
        )
        assert role is not None
        assert dict(role) == {
            "name": SERVICE_ROLE,
            "rolsuper": False,
            "rolbypassrls": False,
            "rolcreaterole": False,
            "rolcreatedb": False,
        }
        login_is_superuser = await pool.fetchval("SELECT rolsuper FROM pg_roles WHERE rolname = session_user")
        assert login_is_superuser is False
        assert await pool.fetchval("SELECT count(*) FROM pg_class WHERE pg_has_role(relowner, 'USAGE')") == 0


async def test_the_login_of_the_tests_acts_as_the_role_without_being_told(service_url: str) -> None:
    connection = await asyncpg.connect(service_url)
    try:
        assert await connection.fetchval("SELECT current_user") == SERVICE_ROLE
        await check_unprivileged(connection)
        with pytest.raises(asyncpg.InsufficientPrivilegeError):
            await connection.execute("CREATE TABLE public.not_allowed (number int)")
    finally:
        await connection.close()


async def test_a_superuser_login_is_lowered_to_the_role_and_stays_so(database_url: str) -> None:
    opened = await open_database(database_url, lookups=msgspec.structs.replace(DEFAULT_LOOKUPS, max_size=1))
    try:
        # With one connection the second turn comes after the pool's reset of the first.
        for _turn in range(2):
            async with opened.lookups.acquire() as connection:
                assert await connection.fetchval("SELECT current_user") == SERVICE_ROLE
                await connection.execute("SET statement_timeout = 12345")
        assert await opened.lookups.fetchval("SHOW statement_timeout") == "2s"
    finally:
        await opened.close()


async def limits(pool: "asyncpg.Pool[asyncpg.Record]") -> list[str]:
    names = ["statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout", "TimeZone", "jit"]
    query = (
        "SELECT array_agg(current_setting(name) ORDER BY place) FROM unnest($1::text[]) WITH ORDINALITY s(name, place)"
    )
    values: list[str] = await pool.fetchval(query, names)
    return values


async def test_time_limits_are_set_for_each_pool(service_url: str) -> None:
    opened = await open_database(
        service_url,
        lookups=PoolSettings(max_size=1, statement_timeout_ms=150, lock_timeout_ms=70),
        writes=PoolSettings(
            max_size=1, statement_timeout_ms=7_000, lock_timeout_ms=3_000, idle_in_transaction_timeout_ms=4_000
        ),
    )
    try:
        assert await limits(opened.lookups) == ["150ms", "70ms", "10s", "UTC", "off"]
        assert await limits(opened.writes) == ["7s", "3s", "4s", "UTC", "off"]
        with pytest.raises(asyncpg.QueryCanceledError):
            await opened.lookups.execute("SELECT pg_sleep(5)")
        assert await opened.lookups.fetchval("SELECT 1") == 1
    finally:
        await opened.close()


async def test_a_full_write_pool_leaves_lookups_alone(service_url: str) -> None:
    one = PoolSettings(max_size=1, statement_timeout_ms=2_000, lock_timeout_ms=500)
    opened = await open_database(service_url, lookups=one, writes=one)
    try:
        async with opened.writes.acquire():
            assert await opened.lookups.fetchval("SELECT 1", timeout=1) == 1
    finally:
        await opened.close()


async def test_a_role_that_owns_a_table_is_refused(owner_connection: asyncpg.Connection, service_url: str) -> None:
    await owner_connection.execute("CREATE TABLE public.strange (number int)")
    await owner_connection.execute(f"ALTER TABLE public.strange OWNER TO {SERVICE_ROLE}")
    with pytest.raises(DatabaseError, match=r"owns public\.strange"):
        await open_database(service_url)


async def test_a_role_that_owns_the_database_is_refused(
    owner_connection: asyncpg.Connection, database_name: str, service_url: str
) -> None:
    await owner_connection.execute(f"ALTER DATABASE {database_name} OWNER TO {SERVICE_ROLE}")
    with pytest.raises(DatabaseError, match="owns the database"):
        await open_database(service_url)


async def test_a_superuser_is_refused(owner_connection: asyncpg.Connection) -> None:
    with pytest.raises(DatabaseError, match="is a superuser"):
        await check_unprivileged(owner_connection)


async def test_a_role_with_bypassrls_is_refused(owner_connection: asyncpg.Connection, databases: Databases) -> None:
    # In a transaction that is rolled back: roles belong to the whole server, which other tests use as well.
    transaction = owner_connection.transaction()
    await transaction.start()
    try:
        name = f"{databases.login}_bypass"
        await owner_connection.execute(f"CREATE ROLE {name} BYPASSRLS; SET LOCAL ROLE {name}")
        with pytest.raises(DatabaseError, match="has BYPASSRLS"):
            await check_unprivileged(owner_connection)
    finally:
        await transaction.rollback()


async def test_a_login_outside_the_role_is_told_what_to_grant(
    owner_connection: asyncpg.Connection, databases: Databases, database_url: str
) -> None:
    name = f"{databases.login}_outsider"
    await owner_connection.execute(f"CREATE ROLE {name} LOGIN PASSWORD 'outside'")
    try:
        database = database_url.rpartition("/")[2].partition("?")[0]
        url = replace_in_url(database_url, database=database, user=name, password="outside")
        with pytest.raises(DatabaseError, match=f"GRANT {SERVICE_ROLE}"):
            await open_database(url)
    finally:
        await owner_connection.execute(f"DROP ROLE {name}")


async def test_a_writable_server_says_so(database: Database) -> None:
    assert await database.is_writable() is True


async def test_a_read_only_server_is_noticed_and_its_connections_are_given_up(
    database: Database, owner_connection: asyncpg.Connection, database_name: str
) -> None:
    before = await database.writes.fetchval("SELECT pg_backend_pid()")
    await database.writes.execute("SET default_transaction_read_only = on")
    await owner_connection.execute(f"ALTER DATABASE {database_name} SET default_transaction_read_only = on")
    await database.writes.expire_connections()
    assert await database.is_writable() is False
    await owner_connection.execute(f"ALTER DATABASE {database_name} SET default_transaction_read_only = off")
    assert await database.is_writable() is True
    assert await database.writes.fetchval("SELECT pg_backend_pid()") != before
