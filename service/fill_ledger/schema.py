"""The database schema: where the migrations lie, and how they are applied.

Migrations are alembic revisions whose SQL stands in frozen files, `migrations/sql/NNNN_name.sql`. In the source tree
they lie in the top folder, in an installed package inside it; no working directory is assumed.

Alembic and SQLAlchemy are imported only where a migration runs: the serving processes never load them.
"""

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import asyncpg

if TYPE_CHECKING:
    from sqlalchemy import Connection
    from sqlalchemy.ext.asyncio import AsyncConnection

# A migration that waits for a lock makes everybody behind it wait as well: give up soon, and try again.
MIGRATION_LOCK_TIMEOUT_MS = 5_000
MIGRATION_STATEMENT_TIMEOUT_MS = 15 * 60_000
# One migration at a time in a database, however many processes start at once. The number is arbitrary and ours.
MIGRATION_LOCK_KEY = 0x46494C4C
SQL_FILE_NAME = re.compile(r"\d{4}_[a-z0-9_]+\.sql")
REVISION_FILE_NAME = re.compile(r"(\d{4})_[a-z0-9_]+\.py")


class SchemaError(Exception):
    """The schema cannot be used or changed as asked; the text says what to do."""


def migrations_folder() -> Path:
    """Return the folder that holds `alembic.ini`, `versions` and `sql`.

    Raises:
        SchemaError: it is neither inside the package nor in the source tree: the installation is damaged.
    """
    package = Path(__file__).parent
    for folder in (package / "migrations", package.parent.parent / "migrations"):
        if (folder / "alembic.ini").is_file():
            return folder
    raise SchemaError("The migrations are missing from this installation: install the package again.")


def newest_revision() -> str | None:
    """Return the revision that this version of the code expects, such as `0001`; None while there is none.

    Revisions are numbered without branches, and a revision's file begins with its number.
    """
    names = (REVISION_FILE_NAME.fullmatch(path.name) for path in (migrations_folder() / "versions").iterdir())
    return max((name[1] for name in names if name is not None), default=None)


async def applied_revision(connection: asyncpg.Connection) -> str | None:
    """Return the revision the database stands at; None if it was never migrated."""
    if await connection.fetchval("SELECT to_regclass('public.alembic_version')") is None:
        return None
    revision: str | None = await connection.fetchval("SELECT version_num FROM public.alembic_version")
    return revision


async def migrate(database_url: str, revision: str = "head") -> None:
    """Bring the database to a revision, each migration in a transaction of its own.

    Connects as the schema's owner. Waits at most `MIGRATION_LOCK_TIMEOUT_MS` for another migration or any lock; a
    migration that fails leaves the database at the one before it.

    Raises:
        asyncpg.PostgresError, OSError: the connection failed.
        sqlalchemy.exc.DBAPIError: a statement failed or took too long.
    """
    async with _migration_connection(database_url) as connection:
        await connection.run_sync(_upgrade, revision)


def _upgrade(connection: "Connection", revision: str) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config(str(migrations_folder() / "alembic.ini"))
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


@asynccontextmanager
async def _migration_connection(database_url: str) -> AsyncIterator["AsyncConnection"]:
    """Open a connection with time limits that holds the one migration lock of its database."""
    from sqlalchemy import text
    from sqlalchemy.ext.asyncio import create_async_engine
    from sqlalchemy.pool import NullPool

    async def connect() -> asyncpg.Connection:
        # asyncpg reads the address itself: SQLAlchemy's own parser knows fewer of PostgreSQL's options.
        return await asyncpg.connect(
            database_url,
            server_settings={
                "application_name": "fill-ledger migrate",
                "lock_timeout": str(MIGRATION_LOCK_TIMEOUT_MS),
                "statement_timeout": str(MIGRATION_STATEMENT_TIMEOUT_MS),
                "timezone": "UTC",
            },
        )

    engine = create_async_engine("postgresql+asyncpg://", async_creator=connect, poolclass=NullPool)
    try:
        async with engine.connect() as connection:
            # Held by the session until the connection closes, across the transactions of the single migrations.
            await connection.execute(text("SELECT pg_advisory_lock(:key)"), {"key": MIGRATION_LOCK_KEY})
            await connection.commit()
            yield connection
    finally:
        await engine.dispose()


def run_sql_file(name: str) -> None:
    """Run a whole SQL script inside the migration that calls this, in the migration's transaction.

    The script goes to the server as it stands, several statements at once, with no parameters and no escapes.

    Args:
        name: a file in `migrations/sql`, such as `0001_ledger.sql`.

    Raises:
        SchemaError: no such file.
        asyncpg.PostgresError: a statement failed; the whole migration is rolled back.
    """
    from alembic import op
    from sqlalchemy.util import await_only

    path = migrations_folder() / "sql" / name
    if SQL_FILE_NAME.fullmatch(name) is None or not path.is_file():
        raise SchemaError(f"There is no migration script {name!r}.")
    connection = op.get_bind()
    # The adapter opens its transaction at the first statement it sends itself; without it the script would stand alone.
    connection.exec_driver_sql("SELECT 1")
    driver = connection.connection.driver_connection
    assert isinstance(driver, asyncpg.Connection)
    assert driver.is_in_transaction()
    await_only(driver.execute(path.read_text(encoding="utf-8")))


def refuse_downgrade() -> None:
    """End a downgrade: facts are never taken out of the ledger, so a step back would have to lose some.

    Raises:
        SchemaError: always.
    """
    raise SchemaError("Migrations go forward only: restore a backup, or write a new migration.")
