"""A fresh database for each test, copied from a template that is migrated once for the whole run."""

import asyncio
import secrets
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any, TypeVar
from urllib.parse import quote, urlsplit, urlunsplit

import asyncpg
import msgspec

from fill_ledger.database import SERVICE_ROLE, migrate
from tests.support.postgres_sources import Server

Result = TypeVar("Result")
NAME_PREFIX = "fill_ledger_test"


class Databases(msgspec.Struct, frozen=True, kw_only=True):
    """The template of a run and the login its tests use; sent to each worker process as plain data."""

    source: str
    version: str
    admin_url: str
    template: str
    # A login of this run alone that acts as the service's role: the role's own password, if any, is left alone.
    login: str
    password: str
    copy_strategy: str

    def owner_url(self, name: str) -> str:
        """Return the address of a database as the owner of its tables."""
        return replace_in_url(self.admin_url, database=name)

    def service_url(self, name: str) -> str:
        """Return the address of a database for the run's login, which acts as the service's role from the start."""
        return replace_in_url(self.admin_url, database=name, user=self.login, password=self.password)

    def describe(self) -> str:
        """Return one line for the head of the run."""
        return f"PostgreSQL {self.version} ({self.source}), acting as {SERVICE_ROLE}"


def replace_in_url(url: str, *, database: str, user: str | None = None, password: str | None = None) -> str:
    """Return the address with another database and, if given, another login."""
    parts = urlsplit(url)
    netloc = parts.netloc
    if user is not None:
        hosts = netloc.rpartition("@")[2]
        netloc = f"{quote(user, safe='')}:{quote(password or '', safe='')}@{hosts}"
    return urlunsplit(parts._replace(netloc=netloc, path=f"/{database}"))


def prepare(server: Server) -> Databases:
    """Make the template and the login of this run."""
    return _run(_prepare(server))


def clean_up(databases: Databases) -> None:
    """Drop the template and the login of this run."""
    _run(_clean_up(databases))


def _run(work: Coroutine[Any, Any, Result]) -> Result:
    """Run to the end on a loop of its own; unlike `asyncio.run`, leave the test runner's current loop in its place."""
    loop = asyncio.new_event_loop()
    try:
        return loop.run_until_complete(work)
    finally:
        loop.close()


async def _prepare(server: Server) -> Databases:
    run = secrets.token_hex(4)
    admin = await asyncpg.connect(server.admin_url)
    try:
        version: str = await admin.fetchval("SELECT split_part(current_setting('server_version'), ' ', 1)")
        databases = Databases(
            source=server.source,
            version=version,
            admin_url=server.admin_url,
            template=f"{NAME_PREFIX}_{run}_template",
            login=f"{NAME_PREFIX}_{run}",
            password=secrets.token_hex(16),
            copy_strategy="FILE_COPY" if server.is_ours else "WAL_LOG",
        )
        try:
            await admin.execute(f"CREATE DATABASE {databases.template} TEMPLATE template0 ENCODING 'UTF8'")
            await migrate(databases.owner_url(databases.template))
            await admin.execute(
                f"CREATE ROLE {databases.login} LOGIN PASSWORD '{databases.password}' IN ROLE {SERVICE_ROLE};"
                f"ALTER ROLE {databases.login} SET role = {SERVICE_ROLE}"
            )
        except BaseException:
            await _drop(admin, databases)
            raise
        return databases
    finally:
        await admin.close()


async def _clean_up(databases: Databases) -> None:
    admin = await asyncpg.connect(databases.admin_url)
    try:
        await _drop(admin, databases)
    finally:
        await admin.close()


async def _drop(admin: asyncpg.Connection, databases: Databases) -> None:
    await admin.execute(f"DROP DATABASE IF EXISTS {databases.template} WITH (FORCE)")
    await admin.execute(f"DROP ROLE IF EXISTS {databases.login}")


@asynccontextmanager
async def fresh_database(databases: Databases) -> AsyncIterator[str]:
    """Make a database from the template, give its name, and drop it at the end with whoever is still connected."""
    name = f"{databases.login}_{secrets.token_hex(6)}"
    admin = await asyncpg.connect(databases.admin_url)
    try:
        await admin.execute(f"CREATE DATABASE {name} TEMPLATE {databases.template} STRATEGY {databases.copy_strategy}")
        try:
            yield name
        finally:
            await admin.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
    finally:
        await admin.close()
