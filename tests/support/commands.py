"""Running the command line as a person would: a process of its own, with an environment of its own."""

import asyncio
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Mapping
from pathlib import Path

import msgspec

TIMEOUT_S = 90.0


class Ended(msgspec.Struct, frozen=True, kw_only=True):
    """How a command ended."""

    status: int | None
    output: str
    errors: str


def environment_of(given: Mapping[str, str]) -> dict[str, str]:
    """Return an environment without settings or proxies of whoever runs the tests, and with these."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in ("PATH", "HOME", "LANG", "PYTHONPATH", "VIRTUAL_ENV", "TMPDIR")
    }
    return {**kept, **given}


async def start_command(*arguments: str, environment: Mapping[str, str], folder: Path | None = None) -> Process:
    """Start `fill-ledger` with some arguments."""
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "fill_ledger.cli",
        *arguments,
        stdout=PIPE,
        stderr=PIPE,
        env=environment_of(environment),
        cwd=folder,
    )


async def run_command(*arguments: str, environment: Mapping[str, str], folder: Path | None = None) -> Ended:
    """Run `fill-ledger` to its end."""
    process = await start_command(*arguments, environment=environment, folder=folder)
    try:
        async with asyncio.timeout(TIMEOUT_S):
            output, errors = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    return Ended(status=process.returncode, output=output.decode(), errors=errors.decode())
