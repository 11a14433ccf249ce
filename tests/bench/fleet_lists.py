"""How long the lists of a whole fleet take, and what they do to look-ups meanwhile.

    python -m tests.bench.fleet_lists --cylinders 10000

seeds a scratch database, serves it in this process, asks for each list once, and prints seconds, the longest time in
which nothing else could run, and memory. Look-ups go on all the while: their time is printed as a ratio of what they
take alone, measured in the same run.
"""

import argparse
import asyncio
import gc
import resource
import statistics
import sys
import time
import uuid
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import httpx

from fill_ledger.database import open_database
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import (
    CylinderDetails,
    CylinderRegistered,
    RequalificationStamp,
    ServicePressure,
)
from fill_ledger.trade.events.envelope import Body
from tests.support.county import County, open_county
from tests.support.databases import clean_up, fresh_database, prepare
from tests.support.postgres_sources import open_source

BATCH = 500
TICK_S = 0.001
LOOK_UPS_ALONE = 200
KIND_OF_CYLINDER = (
    ("DOT-3AA2216", "2216", 2003),
    ("DOT-3AL3000", "3000", 2010),
    ("DOT-SP10915-4500", "4500", 2014),
    ("DOT-SP14232-5500", "5500", 2018),
)


def cylinder(number: int) -> Body:
    """Return one of a fleet whose tests and lives are spread over the years."""
    specification, pressure, made = KIND_OF_CYLINDER[number % len(KIND_OF_CYLINDER)]
    tested = f"{2020 + number % 7}-{number % 11 + 1:02d}"
    return CylinderRegistered(
        cylinder_id=uuid.UUID(int=number + 1),
        details=CylinderDetails(
            serial=f"B{number:06d}",
            specification=specification,
            service_pressure=ServicePressure(value=pressure, unit="psi"),
            use="scba",
            manufactured=f"{made + number % 3}-{number % 12 + 1:02d}",
        ),
        requalifications=(
            RequalificationStamp(month=f"{2015 + number % 5}-{number % 12 + 1:02d}", outcome="pass"),
            RequalificationStamp(month=tested, outcome="pass"),
        ),
    )


class Ticker:
    """Notes the longest time in which nothing but one task could run, in seconds of this thread's own work.

    Time in which the machine did something else is left out, so that a busy machine does not count against the list.
    """

    def __init__(self) -> None:
        self.longest_s = 0.0
        self._task: asyncio.Task[None] | None = None

    async def _tick(self) -> None:
        while True:
            before = time.thread_time()
            await asyncio.sleep(TICK_S)
            self.longest_s = max(self.longest_s, time.thread_time() - before)

    async def during(self, work: Awaitable[Any]) -> float:
        """Await some work and return the longest block while it ran, in milliseconds."""
        self.longest_s = 0.0
        self._task = asyncio.get_running_loop().create_task(self._tick())
        try:
            await work
        finally:
            self._task.cancel()
        return self.longest_s * 1000


async def look_up(client: httpx.AsyncClient, county: County) -> float:
    """Ask about one cylinder and return the milliseconds it took."""
    params = {
        "cylinder_id": str(uuid.UUID(int=17)),
        "station_id": str(county.own.station_id),
        "member_id": str(county.own.member_id),
    }
    before = time.perf_counter()
    (await client.get("/v1/eligibility", params=params)).raise_for_status()
    return (time.perf_counter() - before) * 1000


async def look_ups_during(client: httpx.AsyncClient, county: County, work: Awaitable[Any]) -> list[float]:
    """Ask again and again while some work is under way."""
    task, times = asyncio.ensure_future(work), []
    while not task.done():
        times.append(await look_up(client, county))
    await task
    return times


def show(line: str) -> None:
    """Print a line."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def memory_mib() -> float:
    """Return the memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


async def measure(county: County, client: httpx.AsyncClient) -> None:
    """Ask for each list once while nothing else runs, and once while look-ups go on."""
    alone = statistics.median([await look_up(client, county) for _ in range(LOOK_UPS_ALONE)])
    show(f"look-up alone: {alone:.1f} ms (median of {LOOK_UPS_ALONE})")
    lists: dict[str, Callable[[str], str]] = {
        "due within 31 days": lambda at: f"/v1/due?limit=500&at={at}",
        "due within ten years": lambda at: f"/v1/due?limit=500&horizon_days=3650&at={at}",
        "workload of ten years": lambda at: f"/v1/due/workload?horizon_days=3650&at={at}",
        "fleet judgements": lambda at: f"/v1/fleet-judgements?limit=500&at={at}",
        "fleet judgements at a station": lambda at: (
            f"/v1/fleet-judgements?limit=500&station_id={county.own.station_id}&at={at}"
        ),
    }
    for number, (name, path) in enumerate(lists.items()):
        memory, before, work = memory_mib(), time.perf_counter(), time.process_time()
        block_ms = await Ticker().during(fetch(client, path(f"2026-12-{10 + number}T12:00:00Z")))
        seconds, work_s = time.perf_counter() - before, time.process_time() - work
        more = memory_mib() - memory
        before = time.perf_counter()
        await fetch(client, path(f"2026-12-{10 + number}T12:00:00Z"))
        again_ms = (time.perf_counter() - before) * 1000
        times = await look_ups_during(client, county, fetch(client, path(f"2026-12-{20 + number}T12:00:00Z")))
        show(
            f"{name}: {seconds:.2f} s, {work_s:.2f} of them this process's own work; longest block {block_ms:.1f} ms; "
            f"{more:.0f} MiB more; the same again {again_ms:.0f} ms; look-ups meanwhile: median "
            f"{statistics.median(times) / alone:.1f}, slowest {max(times) / alone:.1f} times alone (of {len(times)})"
        )
    kept = list(county.parts.listings._kept.values())
    show(f"kept: {len(kept)} lists, {sum(listing.size_bytes for listing in kept) / 2**20:.1f} MiB")


async def fetch(client: httpx.AsyncClient, path: str) -> None:
    """Ask for one page."""
    (await client.get(path, timeout=300)).raise_for_status()


async def run(service_url: str, cylinders: int) -> None:
    """Seed, then measure."""
    database = await open_database(service_url)
    try:
        async with open_county(database) as county:
            before = time.perf_counter()
            for first in range(0, cylinders, BATCH):
                await county.record(*(cylinder(number) for number in range(first, min(first + BATCH, cylinders))))
            show(f"{cylinders} cylinders recorded in {time.perf_counter() - before:.1f} s")
            # As the service does when it starts.
            gc.collect()
            gc.freeze()
            async with county.client(county.own.keys[Role.OFFICER]) as client:
                await measure(county, client)
    finally:
        await database.close()


async def main(cylinders: int) -> None:
    """Run on a scratch database."""
    with open_source() as server:
        databases = await asyncio.to_thread(prepare, server)
        try:
            async with fresh_database(databases) as name:
                await run(databases.service_url(name), cylinders)
        finally:
            await asyncio.to_thread(clean_up, databases)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cylinders", type=int, default=10_000)
    asyncio.run(main(parser.parse_args().cylinders))
