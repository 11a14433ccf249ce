"""The commands, each run as a process of its own against a fresh database."""

import asyncio
import json
import signal
import socket
import uuid
from asyncio.subprocess import Process
from pathlib import Path

import asyncpg
import httpx
import pytest
from click.testing import CliRunner

from fill_ledger.app import close_parts, make_parts
from fill_ledger.cli import main
from fill_ledger.database import open_database
from fill_ledger.intake.founding import record_entries
from fill_ledger.ledger.access_keys import access_key_digest
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.schema import newest_revision
from fill_ledger.settings import generate_master_key, read_settings
from fill_ledger.trade.events.county import DepartmentRegistered
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.support.commands import run_command, start_command

ADDRESS = "postgresql://nobody@127.0.0.1:1/nothing"


def settings_for(database_url: str, **given: str) -> dict[str, str]:
    return {"DATABASE_URL": database_url, "FILL_LEDGER_MASTER_KEY": generate_master_key(), **given}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def test_every_command_is_listed_with_a_line() -> None:
    shown = CliRunner().invoke(main, ["--help"])
    assert shown.exit_code == 0
    for command in (
        "migrate",
        "serve",
        "demo",
        "import",
        "openapi",
        "founder-key",
        "health",
        "rebuild",
        "check",
        "generate-master-key",
    ):
        assert f"\n  {command} " in shown.output


def test_a_generated_master_key_is_taken_and_new_each_time() -> None:
    keys = [CliRunner().invoke(main, ["generate-master-key"]).output.strip() for _ in range(2)]
    assert keys[0] != keys[1]
    assert len(read_settings({"DATABASE_URL": ADDRESS, "FILL_LEDGER_MASTER_KEY": keys[0]}).master_key) == 32


@pytest.mark.parametrize("command", ["migrate", "serve", "founder-key", "rebuild", "check"])
def test_a_missing_address_is_told_by_name(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DATABASE_URL", raising=False)
    monkeypatch.delenv("FILL_LEDGER_OWNER_DATABASE_URL", raising=False)
    ended = CliRunner().invoke(main, [command])
    assert ended.exit_code == 1
    assert "DATABASE_URL must be a PostgreSQL address" in ended.output
    assert "Traceback" not in ended.output


async def test_a_database_that_is_not_there_is_told_plainly() -> None:
    ended = await run_command("founder-key", environment=settings_for(f"postgresql://x@127.0.0.1:{free_port()}/x"))
    assert ended.status == 1
    assert ended.errors.startswith("Error: The database cannot be reached")
    assert "Traceback" not in ended.errors


async def test_migrate_says_where_the_database_stands(database_url: str) -> None:
    ended = await run_command("migrate", environment={"DATABASE_URL": database_url})
    assert (ended.status, ended.output) == (0, f"The database stands at revision {newest_revision()}.\n")


async def test_the_founders_key_opens_and_is_made_once(database_url: str, owner_connection: asyncpg.Connection) -> None:
    environment = settings_for(database_url)
    first = await run_command("founder-key", "--label", "County founder", environment=environment)
    assert first.status == 0
    plain = first.output.strip()
    row = await owner_connection.fetchrow("SELECT * FROM lookup.access($1)", access_key_digest(plain))
    assert row is not None
    assert (row["role"], row["department_ids"]) == ("operator", None)

    again = await run_command("founder-key", environment=environment)
    assert again.status == 1
    assert "has an operator already" in again.errors
    another = await run_command("founder-key", "--another", environment=environment)
    assert another.status == 0
    assert another.output.strip() != plain


async def test_check_and_rebuild_of_an_untouched_county(database_url: str) -> None:
    await run_command("founder-key", environment=settings_for(database_url))
    rebuilt = await run_command("rebuild", environment={"DATABASE_URL": database_url})
    assert rebuilt.status == 0
    assert rebuilt.output.startswith("2 events of 1 ledgers replayed")
    checked = await run_command("check", environment={"DATABASE_URL": database_url})
    assert (checked.status, checked.output) == (0, "2 events of 1 ledgers: sound.\n")


async def test_check_tells_a_view_that_was_altered(database_url: str, owner_connection: asyncpg.Connection) -> None:
    await run_command("founder-key", environment=settings_for(database_url))
    await owner_connection.execute("UPDATE views.principal SET label = 'somebody else'")
    checked = await run_command("check", environment={"DATABASE_URL": database_url})
    assert checked.status == 1
    assert "mismatch: principal" in checked.output


def test_the_document_is_printed_whole() -> None:
    document = json.loads(CliRunner().invoke(main, ["openapi"]).output)
    assert document["openapi"].startswith("3.1")
    assert {"/v1/eligibility", "/v1/fills", "/v1/ready", "/v1/openapi.json"} <= document["paths"].keys()


async def test_import_is_a_dry_run_until_told_to_record(
    database_url: str, tmp_path: Path, owner_connection: asyncpg.Connection
) -> None:
    environment = settings_for(database_url)
    settings = read_settings(environment)
    database = await open_database(settings.database_url)
    parts = make_parts(database, KeyRing(settings.master_key))
    department = DepartmentRegistered(department_id=uuid.uuid4(), name="Own", code="OWN", time_zone="UTC")
    await record_entries(parts.lanes, COUNTY_ID, (department,))
    await close_parts(parts)
    file = tmp_path / "list.csv"
    file.write_text("Serial,DOT Spec,Mfg Date,Last Hydro,Use\nAB 1,DOT-3AA2216,1998-05,2023-04,scba\n")
    cylinders = "SELECT count(*) FROM views.cylinder"

    dry = await run_command("import", str(file), "--department", "own", environment=environment)
    assert (dry.status, dry.output) == (0, "Dry run: 1 would be created.\n"), dry.errors
    assert await owner_connection.fetchval(cylinders) == 0
    done = await run_command("import", str(file), "--department", "own", "--record", environment=environment)
    assert (done.status, done.output) == (0, "Import: 1 created.\n"), done.errors
    again = await run_command("import", str(file), "--department", "own", "--record", environment=environment)
    assert (again.status, again.output) == (0, "Import: 1 exists.\n"), again.errors
    assert await owner_connection.fetchval(cylinders) == 1

    file.write_text("Serial,DOT Spec,Mfg Date,Use\nAB 2,DOT-3AA2216,1998-13,scba\n")
    faulty = await run_command("import", str(file), "--department", "OWN", environment=environment)
    assert (faulty.status, faulty.output) == (1, "Dry run: 1 faulty.\n")
    assert "row 2, column 'Mfg Date', value '1998-13'" in faulty.errors
    nowhere = await run_command("import", str(file), "--department", "NONE", environment=environment)
    assert nowhere.status == 2
    assert "no departments have the code" in nowhere.errors


async def until_ready(base_url: str, process: Process) -> None:
    async with httpx.AsyncClient(base_url=base_url) as client, asyncio.timeout(60):
        while True:
            assert process.returncode is None, "the service ended before it was ready"
            try:
                if (await client.get("/v1/ready")).status_code == 200:
                    return
            except httpx.TransportError:
                await asyncio.sleep(0.05)


@pytest.mark.parametrize("workers", ["1", "2"])
async def test_serve_answers_and_ends_cleanly_when_asked(database_url: str, workers: str) -> None:
    port = free_port()
    environment = settings_for(database_url, FILL_LEDGER_PORT=str(port), FILL_LEDGER_WORKERS=workers)
    process = await start_command("serve", environment=environment)
    try:
        await until_ready(f"http://127.0.0.1:{port}", process)
        health = await run_command("health", environment={"FILL_LEDGER_PORT": str(port)})
        assert (health.status, '"ready"' in health.output) == (0, True)
        second = await run_command("serve", environment=environment)
        assert second.status == 1
        assert f"Cannot listen on 127.0.0.1 port {port}" in second.errors
        process.send_signal(signal.SIGTERM)
        async with asyncio.timeout(30):
            _, errors = await process.communicate()
        assert b"Traceback" not in errors
        with socket.socket() as probe:
            assert probe.connect_ex(("127.0.0.1", port)) != 0
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def test_health_of_nothing_is_an_error() -> None:
    ended = await run_command("health", environment={"FILL_LEDGER_PORT": str(free_port())})
    assert ended.status == 1
    assert "does not answer" in ended.errors
