"""One PostgreSQL for a run, one template in it, one fresh database for each test that asks.

Run in parallel, the controlling process opens the server and makes the template before the workers start. Run alone,
the first test that needs a database does it, so that pure tests need no server.
"""

from collections.abc import AsyncIterator
from contextlib import ExitStack
from typing import Any

import asyncpg
import hypothesis
import msgspec
import pytest

from fill_ledger.database import Database, open_database
from fill_ledger.settings import DEFAULT_LOOKUPS, DEFAULT_WRITES
from tests.support.county import County, open_county
from tests.support.databases import Databases, clean_up, fresh_database, prepare
from tests.support.postgres_sources import open_source

SHARED_NAME = "fill_ledger_databases"
TEST_POOL_SIZE = 4

# A loaded machine is no fault of the code under test: neither a slow example nor a slow draw fails a test.
hypothesis.settings.register_profile(
    "suite", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow], print_blob=True
)
hypothesis.settings.load_profile("suite")

_open = pytest.StashKey[ExitStack]()
_databases = pytest.StashKey[Databases]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the choice for a second run on another version of PostgreSQL."""
    parser.addoption(
        "--only-database-tests", action="store_true", help="leave out the tests that use no database of the run"
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what a run on another database would only repeat."""
    if config.getoption("--only-database-tests"):
        chosen = [item for item in items if "databases" in getattr(item, "fixturenames", ())]
        config.hook.pytest_deselected(items=[item for item in items if item not in chosen])
        items[:] = chosen


def pytest_configure(config: pytest.Config) -> None:
    """Take the template from the controlling process, or make it for the workers."""
    shared = getattr(config, "workerinput", {}).get(SHARED_NAME)
    if shared is not None:
        config.stash[_databases] = msgspec.convert(shared, Databases)
    elif getattr(config.option, "tx", None):
        _open_databases(config)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Hand the template to a worker."""
    node.workerinput[SHARED_NAME] = msgspec.to_builtins(node.config.stash[_databases])


def pytest_report_header(config: pytest.Config) -> str:
    """Say which PostgreSQL the run uses."""
    if _databases in config.stash:
        return config.stash[_databases].describe()
    return "PostgreSQL: opened by the first test that needs it"


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say at the end as well which PostgreSQL the run used."""
    if _databases in config.stash:
        terminalreporter.write_line(f"Ran on {config.stash[_databases].describe()}")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Drop the template and stop the server, if this process opened them."""
    if _open in config.stash:
        config.stash[_open].close()


def _open_databases(config: pytest.Config) -> Databases:
    with ExitStack() as stack:
        databases = prepare(stack.enter_context(open_source()))
        stack.callback(clean_up, databases)
        config.stash[_open] = stack.pop_all()
    config.stash[_databases] = databases
    return databases


@pytest.fixture(scope="session")
def databases(request: pytest.FixtureRequest) -> Databases:
    """The run's server and template."""
    config = request.config
    return config.stash[_databases] if _databases in config.stash else _open_databases(config)


@pytest.fixture
async def database_name(databases: Databases) -> AsyncIterator[str]:
    """The name of a fresh, migrated database that is dropped after the test."""
    async with fresh_database(databases) as name:
        yield name


@pytest.fixture
def database_url(databases: Databases, database_name: str) -> str:
    """The fresh database as the owner of its tables: for migrations and for arranging what the service may not."""
    return databases.owner_url(database_name)


@pytest.fixture
def service_url(databases: Databases, database_name: str) -> str:
    """The fresh database as the service's own unprivileged role."""
    return databases.service_url(database_name)


@pytest.fixture
async def database(service_url: str) -> AsyncIterator[Database]:
    """The fresh database opened as the service opens it."""
    opened = await open_database(
        service_url,
        lookups=msgspec.structs.replace(DEFAULT_LOOKUPS, max_size=TEST_POOL_SIZE),
        writes=msgspec.structs.replace(DEFAULT_WRITES, max_size=TEST_POOL_SIZE),
    )
    yield opened
    await opened.close()


@pytest.fixture
async def owner_connection(database_url: str) -> AsyncIterator[asyncpg.Connection]:
    """A connection to the fresh database as the owner of its tables."""
    connection = await asyncpg.connect(database_url)
    yield connection
    await connection.close()


@pytest.fixture
async def county(database: Database) -> AsyncIterator[County]:
    """Two departments with stations, air, members and keys, served in this process over the fresh database."""
    async with open_county(database) as opened:
        yield opened
