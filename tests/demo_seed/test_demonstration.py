"""The demonstration as a person runs it: once to its end, once more until it is stopped."""

import asyncio
import json
import shlex
import signal
from pathlib import Path

import asyncpg
import httpx

from tests.support.commands import run_command, start_command

PRIVATE = 0o600


def requests_in(text: str) -> list[httpx.Request]:
    """Return the curl commands of a text as requests."""
    found: list[httpx.Request] = []
    for line in text.splitlines():
        if not line.startswith("curl "):
            continue
        words = iter(shlex.split(line)[2:])
        method, url = "GET", ""
        headers: dict[str, str] = {}
        content: str | bytes | None = None
        for word in words:
            if word == "-X":
                method = next(words)
            elif word == "-H":
                name, _, value = next(words).partition(": ")
                headers[name] = value
            elif word == "--data-binary":
                content = Path(next(words).removeprefix("@")).read_bytes()
            elif word == "-d":
                content = next(words)
            else:
                url = word
        found.append(httpx.Request(method, url, headers=headers, content=content))
    return found


def check_that_keys_are_labelled(text: str, output: str) -> None:
    """Check that file and screen say of every key whose it is, by role and department."""
    kept = json.loads(text).values()
    assert {each["role"] for each in kept} == {"controller", "officer", "integrator", "analyst", "operator"}
    for each in kept:
        assert (each["department"] is None) == (each["role"] in ("integrator", "analyst", "operator"))
        assert each["label"]
        line = next(line for line in output.splitlines() if line.endswith(each["key"]) and not line.startswith("curl"))
        assert line.split()[:2] == [each["role"], each["department"] or "every"]
        assert each["label"] in line


async def test_the_demonstration_runs_seeds_once_and_its_commands_work(
    database_url: str, tmp_path: Path, owner_connection: asyncpg.Connection
) -> None:
    environment = {"DATABASE_URL": database_url}
    home = tmp_path / "demo"
    first = await run_command("demo", "--small", "--exit", "--home", str(home), environment=environment)
    assert first.status == 0, first.errors
    assert "facts recorded in" in first.output
    assert " permit Fill to " in first.output
    assert " deny   Do not fill. Cylinder not known here" in first.output
    assert first.output.endswith("Stopped cleanly.\n")
    for name in ("keys.json", "master-key"):
        assert (home / name).stat().st_mode & 0o777 == PRIVATE
    keys = (home / "keys.json").read_text()
    seeded = "SELECT count(*) FROM ledger.event WHERE event_type NOT LIKE 'cylinder.filled%'"
    before = await owner_connection.fetchval(seeded)
    installed = "SELECT count(*) FROM ledger.event WHERE event_type = 'rulebook.installed'"
    assert await owner_connection.fetchval(installed) == 1

    process = await start_command(
        "demo", "--small", "--home", str(home), environment={**environment, "PYTHONUNBUFFERED": "1"}
    )
    assert process.stdout is not None
    try:
        output = ""
        async with asyncio.timeout(60):
            while "Serving until Ctrl-C" not in output:
                line = (await process.stdout.readline()).decode()
                assert line, "the demonstration ended before it served"
                output += line
        assert "is on record already" in output
        assert (home / "keys.json").read_text() == keys
        check_that_keys_are_labelled(keys, output)
        assert await owner_connection.fetchval(seeded) == before
        commands = requests_in(output)
        assert {request.method for request in commands} == {"GET", "POST"}
        async with httpx.AsyncClient() as client:
            for request in commands:
                response = await client.send(request)
                assert response.status_code in (200, 201), (request.url, response.text)
                if request.url.path == "/v1/imports":
                    # The two slips in the list, and nothing else.
                    report = response.json()
                    assert [fault["row"] for fault in report["faults"]] == [3, 5]
                    assert report["recorded"] is False
                if request.method == "POST" and request.url.path == "/v1/fills":
                    again = await client.send(request)
                    assert (again.status_code, again.json()["outcome"]) == (200, "exists")
        rotated = [request for request in commands if request.url.path.endswith("/rotations")]
        assert len(rotated) == 1
        # The command that is printed for it, with the database of this run.
        assert any(line.endswith("fill-ledger check") for line in output.splitlines())
        checked = await run_command("check", environment=environment)
        assert checked.status == 0, checked.output + checked.errors
        assert checked.output.endswith(": sound.\n")
        process.send_signal(signal.SIGINT)
        async with asyncio.timeout(30):
            rest, errors = await process.communicate()
        assert process.returncode == 0
        assert rest.decode().endswith("Stopped cleanly.\n")
        assert b"Traceback" not in errors
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def test_it_does_not_touch_a_database_of_somebody_else(
    database_url: str, tmp_path: Path, owner_connection: asyncpg.Connection
) -> None:
    fresh = await run_command(
        "demo", "--fresh", "--home", str(tmp_path / "demo"), environment={"DATABASE_URL": database_url}
    )
    assert fresh.status == 1
    assert "--fresh empties only the demonstration's own database" in fresh.errors
    assert await owner_connection.fetchval("SELECT count(*) FROM ledger.event") == 0
