"""Migrations: found from anywhere, applied once, one at a time, all or nothing."""

import asyncio
from pathlib import Path

import asyncpg
import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory

from fill_ledger import schema
from fill_ledger.schema import applied_revision, migrate, migrations_folder, newest_revision
from tests.support.databases import Databases, replace_in_url

PROBE = """
from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = "0001"
down_revision = None


def upgrade() -> None:
    run_sql_file("0001_probe.sql")


def downgrade() -> None:
    refuse_downgrade()
"""


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


@pytest.fixture
def probe_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A migrations folder of our own with one migration, whose script each test writes."""
    for name in ("alembic.ini", "env.py", "script.py.mako"):
        (tmp_path / name).write_text((migrations_folder() / name).read_text())
    (tmp_path / "versions").mkdir()
    (tmp_path / "sql").mkdir()
    (tmp_path / "versions/0001_probe.py").write_text(PROBE)
    monkeypatch.setattr(schema, "migrations_folder", lambda: tmp_path)
    return tmp_path


async def fetch_value(url: str, query: str) -> object:
    connection = await asyncpg.connect(url)
    try:
        return await connection.fetchval(query)
    finally:
        await connection.close()


async def test_the_template_stands_at_the_newest_revision(owner_connection: asyncpg.Connection) -> None:
    assert newest_revision() is not None
    assert await applied_revision(owner_connection) == newest_revision()


def test_revisions_are_numbered_in_one_line() -> None:
    """Checked against alembic's own reading of the scripts."""
    scripts = ScriptDirectory.from_config(Config(str(migrations_folder() / "alembic.ini")))
    assert scripts.get_current_head() == newest_revision()
    in_order = [script.revision for script in scripts.walk_revisions()][::-1]
    assert in_order == [f"{number:04}" for number in range(1, len(in_order) + 1)]


async def test_an_empty_database_has_no_revision_and_is_migrated_from_any_folder(
    empty_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    connection = await asyncpg.connect(empty_url)
    try:
        assert await applied_revision(connection) is None
        await migrate(empty_url)
        assert await applied_revision(connection) == newest_revision()
        await migrate(empty_url)
        assert await applied_revision(connection) == newest_revision()
    finally:
        await connection.close()


async def test_processes_that_start_together_migrate_once(empty_url: str, probe_folder: Path) -> None:
    # CREATE TABLE without IF NOT EXISTS: a second run would fail.
    (probe_folder / "sql/0001_probe.sql").write_text("SELECT pg_sleep(0.3); CREATE TABLE once (number int);")
    await asyncio.gather(*(migrate(empty_url) for _process in range(3)))
    assert await fetch_value(empty_url, "SELECT version_num FROM alembic_version") == "0001"


async def test_a_script_runs_whole_and_as_it_stands(empty_url: str, probe_folder: Path) -> None:
    (probe_folder / "sql/0001_probe.sql").write_text(
        "CREATE TABLE words (word text);\n"
        "INSERT INTO words VALUES ('100 % :name $1'), ('semicolon ; inside');\n"
        "DO $$ BEGIN INSERT INTO words VALUES ('block'); END $$;\n"
    )
    await migrate(empty_url)
    words = await fetch_value(empty_url, "SELECT array_agg(word ORDER BY word) FROM words")
    assert words == ["100 % :name $1", "block", "semicolon ; inside"]


async def test_a_script_that_fails_leaves_nothing_behind(empty_url: str, probe_folder: Path) -> None:
    (probe_folder / "sql/0001_probe.sql").write_text("CREATE TABLE half (number int); SELECT 1 / 0;")
    with pytest.raises(asyncpg.DivisionByZeroError):
        await migrate(empty_url)
    assert await fetch_value(empty_url, "SELECT to_regclass('public.half')") is None
    assert await fetch_value(empty_url, "SELECT to_regclass('public.alembic_version')") is None


async def test_a_migration_does_not_wait_long_for_a_lock(
    empty_url: str, probe_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATION_LOCK_TIMEOUT_MS", 200)
    (probe_folder / "sql/0001_probe.sql").write_text("ALTER TABLE busy ADD COLUMN note text;")
    holder = await asyncpg.connect(empty_url)
    try:
        await holder.execute("CREATE TABLE busy (number int)")
        async with holder.transaction():
            await holder.execute("LOCK TABLE busy IN ACCESS SHARE MODE")
            async with asyncio.timeout(5):
                with pytest.raises(asyncpg.LockNotAvailableError):
                    await migrate(empty_url)
    finally:
        await holder.close()


async def test_a_migration_that_runs_too_long_is_stopped(
    empty_url: str, probe_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATION_STATEMENT_TIMEOUT_MS", 200)
    (probe_folder / "sql/0001_probe.sql").write_text("SELECT pg_sleep(30);")
    async with asyncio.timeout(5):
        with pytest.raises(asyncpg.QueryCanceledError):
            await migrate(empty_url)


@pytest.mark.parametrize("name", ["0001_missing.sql", "../alembic.ini", "0001_probe.py", ""])
async def test_a_script_that_is_not_there_is_named(empty_url: str, probe_folder: Path, name: str) -> None:
    (probe_folder / "versions/0001_probe.py").write_text(PROBE.replace("0001_probe.sql", name))
    with pytest.raises(schema.SchemaError, match="There is no migration script"):
        await migrate(empty_url)


async def test_a_step_back_is_refused(empty_url: str, probe_folder: Path) -> None:
    (probe_folder / "sql/0001_probe.sql").write_text("CREATE TABLE kept (number int);")
    await migrate(empty_url)
    script = ScriptDirectory.from_config(Config(str(probe_folder / "alembic.ini"))).get_revision("0001")
    with pytest.raises(schema.SchemaError, match="forward only"):
        script.module.downgrade()
