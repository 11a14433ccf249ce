"""A process that is killed while it writes: whatever it was told is in the ledger, once, and the views agree."""

import asyncio
import os
import random
import signal
import sys
import uuid
from pathlib import Path

from fill_ledger.database import Database
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.views.check import check_views
from fill_ledger.views.rebuild import rebuild_views
from tests.support.ledgers import Ledger, open_ledger

ROUNDS = 10
# After the first acknowledged fact; a fact takes a few milliseconds, so that the blow falls anywhere in one.
LONGEST_LIFE_S = 0.15
LOOKS, PAUSE_S = 600, 0.05
ONE_AFTER_ANOTHER_FOR_EVER = "0"
PROJECT = Path(__file__).parents[2]


async def _write_until_killed(database_url: str, department_id: uuid.UUID, cylinder_id: uuid.UUID) -> list[uuid.UUID]:
    """Start a writer, kill it without warning at a random moment, and return what had been acknowledged to it."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "tests.support.writer_process",
        database_url,
        str(department_id),
        str(cylinder_id),
        ONE_AFTER_ANOTHER_FOR_EVER,
        cwd=PROJECT,
        env={**os.environ, "PYTHONPATH": f"service{os.pathsep}."},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    assert process.stdout is not None
    first = await process.stdout.readline()
    await asyncio.sleep(random.uniform(0, LONGEST_LIFE_S))
    process.send_signal(signal.SIGKILL)
    rest = await process.stdout.read()
    assert await process.wait() == -signal.SIGKILL
    # The last line may have been cut: it was then not acknowledged.
    whole_lines = (first + rest).split(b"\n")[:-1]
    return [uuid.UUID(line.split()[0].decode()) for line in whole_lines]


async def _wait_for_the_dead(ledger: Ledger) -> None:
    """Wait until the server has ended what the killed had sent: an append on its way is still recorded, whole."""
    for _ in range(LOOKS):
        busy = await ledger.fetch(
            "SELECT 1 FROM pg_stat_activity WHERE datname = current_database() AND state <> 'idle'"
            " AND pid <> pg_backend_pid()"
        )
        if not busy:
            return
        await asyncio.sleep(PAUSE_S)
    raise AssertionError("what the killed had sent did not end")


async def test_what_was_acknowledged_before_a_kill_is_there_once(
    database: Database, database_url: str, service_url: str
) -> None:
    async with open_ledger(database) as ledger:
        cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
        acknowledged: list[uuid.UUID] = []
        # Two at a time, so that a blow to one falls while the other holds or waits for the lane.
        for _ in range(ROUNDS // 2):
            both = await asyncio.gather(
                *(_write_until_killed(service_url, ledger.department_id, cylinder.subject_id) for _ in range(2))
            )
            acknowledged += [event_id for event_ids in both for event_id in event_ids]
        assert len(acknowledged) >= ROUNDS
        await _wait_for_the_dead(ledger)
        recorded = [row["event_id"] for row in await ledger.fetch("SELECT event_id FROM ledger.event")]
        assert len(recorded) == len(set(recorded))
        assert set(acknowledged) <= set(recorded)
        assert await ledger.chain_faults() == []
        # Whatever was written but not acknowledged was written whole, into the ledger and the views alike.
        assert (await ledger.state(cylinder)).fills_total == len(recorded)
        assert len(await ledger.fetch("SELECT 1 FROM views.fill")) == len(recorded)
        assert (await check_views(database_url)).verdict == "sound"
        await rebuild_views(database_url)
        assert (await check_views(database_url)).verdict == "sound"
        # And nothing that the dead held keeps the living from writing.
        async with asyncio.timeout(10):
            assert await _write_until_killed(service_url, ledger.department_id, cylinder.subject_id)
