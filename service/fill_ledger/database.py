"""PostgreSQL as the service uses it: two pools of connections, both as an unprivileged role.

Look-ups and writes have pools of their own, because look-ups come before everything else: a station asking whether it
may fill must not wait behind an import.

Connect to PostgreSQL itself, not through a pooler that rejects start-up parameters: role and time limits are set there.
"""

import asyncio

import asyncpg

from fill_ledger.schema import migrate
from fill_ledger.settings import DEFAULT_LOOKUPS, DEFAULT_WRITES, PoolSettings

__all__ = ["SERVICE_ROLE", "Database", "DatabaseError", "check_unprivileged", "migrate", "open_database"]

# Made by the first migration: may select and insert, owns nothing, and is held by row-level security.
SERVICE_ROLE = "fill_ledger_service"
# Connections nobody used for this long are closed, so that a fail-over is noticed and memory is given back.
IDLE_CONNECTION_LIFETIME_S = 300.0
# The server is asked to stop first (statement_timeout); the client gives up a little later, for a server that is gone.
CLIENT_TIMEOUT_MARGIN_S = 2.0
CLOSE_TIMEOUT_S = 10.0

PRIVILEGES_QUERY = """
SELECT current_user::text AS role_name,
       role.rolsuper AS is_superuser,
       role.rolbypassrls AS bypasses_row_security,
       pg_has_role(database.datdba, 'USAGE') AS owns_database,
       (SELECT min(format('%I.%I', schema.nspname, relation.relname))
          FROM pg_class AS relation
          JOIN pg_namespace AS schema ON schema.oid = relation.relnamespace
         WHERE relation.relkind IN ('r', 'p', 'v', 'm', 'S')
           AND schema.nspname NOT LIKE 'pg\\_%'
           AND schema.nspname <> 'information_schema'
           AND pg_has_role(relation.relowner, 'USAGE')) AS owned_relation
  FROM pg_roles AS role, pg_database AS database
 WHERE role.rolname = current_user AND database.datname = current_database()
"""


class DatabaseError(Exception):
    """The database cannot be used as it is; the text says what to change."""


class Database:
    """The service's two pools. Use them as they are: `async with database.lookups.acquire() as connection`."""

    def __init__(self, lookups: "asyncpg.Pool[asyncpg.Record]", writes: "asyncpg.Pool[asyncpg.Record]") -> None:
        self.lookups = lookups
        self.writes = writes

    async def is_writable(self) -> bool:
        """Say whether the server takes writes, for the readiness probe.

        After a switch-over the old connections stay with the demoted server, where every write fails: they are told to
        close, so that the next ones find the new primary.

        Raises:
            asyncpg.PostgresError, OSError, TimeoutError: the server does not answer.
        """
        read_only = await self.writes.fetchval("SELECT current_setting('transaction_read_only')")
        if read_only == "off":
            return True
        await asyncio.gather(self.lookups.expire_connections(), self.writes.expire_connections())
        return False

    async def close(self) -> None:
        """Wait for the statements under way, at most `CLOSE_TIMEOUT_S`, then close every connection."""
        for pool in (self.lookups, self.writes):
            try:
                await asyncio.wait_for(pool.close(), CLOSE_TIMEOUT_S)
            except TimeoutError:
                pool.terminate()


async def open_database(
    database_url: str, *, lookups: PoolSettings = DEFAULT_LOOKUPS, writes: PoolSettings = DEFAULT_WRITES
) -> Database:
    """Open both pools as the role `fill_ledger_service` and make sure that the role is as weak as it must be.

    The address may name a superuser, a member of the role, or the role itself.

    Raises:
        DatabaseError: the role is missing, may not be taken, or has more rights than it must have.
        asyncpg.PostgresError, OSError, TimeoutError: the connection failed.
    """
    pools: list[asyncpg.Pool[asyncpg.Record]] = []
    try:
        for name, pool_settings in (("lookups", lookups), ("writes", writes)):
            pools.append(await _open_pool(database_url, name, pool_settings))
        async with pools[0].acquire() as connection:
            await check_unprivileged(connection)
    except BaseException:
        for pool in pools:
            pool.terminate()
        raise
    return Database(*pools)


async def _open_pool(database_url: str, name: str, limits: PoolSettings) -> "asyncpg.Pool[asyncpg.Record]":
    try:
        return await asyncpg.create_pool(
            database_url,
            min_size=limits.min_size,
            max_size=limits.max_size,
            timeout=limits.connect_timeout_ms / 1000,
            command_timeout=limits.statement_timeout_ms / 1000 + CLIENT_TIMEOUT_MARGIN_S,
            max_inactive_connection_lifetime=IDLE_CONNECTION_LIFETIME_S,
            server_settings={
                "role": SERVICE_ROLE,
                "application_name": f"fill-ledger {name}",
                "statement_timeout": str(limits.statement_timeout_ms),
                "lock_timeout": str(limits.lock_timeout_ms),
                "idle_in_transaction_session_timeout": str(limits.idle_in_transaction_timeout_ms),
                "timezone": "UTC",
                # Compiling pays off in seconds-long reports only, and is paid for by every short statement.
                "jit": "off",
            },
        )
    except asyncpg.InvalidParameterValueError as error:
        if SERVICE_ROLE not in str(error):
            raise
        raise DatabaseError(f"The role {SERVICE_ROLE} does not exist: run fill-ledger migrate first.") from error
    except asyncpg.InsufficientPrivilegeError as error:
        raise DatabaseError(
            f"The login may not act as {SERVICE_ROLE}: run GRANT {SERVICE_ROLE} TO the login of DATABASE_URL. ({error})"
        ) from error


async def check_unprivileged(connection: asyncpg.Connection | asyncpg.pool.PoolConnectionProxy) -> None:
    """Make sure that the connection's role is held by row-level security and can rewrite nothing.

    Raises:
        DatabaseError: the role is a superuser, has BYPASSRLS, or owns the database or a table in it.
    """
    privileges = await connection.fetchrow(PRIVILEGES_QUERY)
    assert privileges is not None
    role = privileges["role_name"]
    if privileges["is_superuser"]:
        raise DatabaseError(f"The role {role} is a superuser: row-level security would not hold it.")
    if privileges["bypasses_row_security"]:
        raise DatabaseError(f"The role {role} has BYPASSRLS: run ALTER ROLE {role} NOBYPASSRLS.")
    if privileges["owns_database"]:
        raise DatabaseError(
            f"The role {role} owns the database: give it to another role (ALTER DATABASE ... OWNER TO)."
        )
    if privileges["owned_relation"] is not None:
        raise DatabaseError(
            f"The role {role} owns {privileges['owned_relation']}, alone or through a role it is a member of: "
            "tables must belong to another role."
        )
