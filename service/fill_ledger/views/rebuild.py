"""Making all views anew from the ledger: beside those in use, then catching up, then swapping in one short lock.

Look-ups and appends go on meanwhile. Only the swap holds every lane, for the events that came since the last catch-up.
"""

import time
import uuid

import asyncpg
import msgspec

from fill_ledger.views.replay import (
    VIEWS_SCHEMA,
    DepartmentReplay,
    Progress,
    TableCopy,
    copy_tables,
    no_progress,
)

NEXT_SCHEMA = "views_next"
OLD_SCHEMA = "views_old"
# Fewer events than this are left for the swap, which holds every lane while it folds them.
CAUGHT_UP_EVENTS = 500
MAXIMUM_CATCH_UPS = 100
# Only one rebuild at a time; the number is arbitrary and ours.
REBUILD_LOCK_KEY = 0x46494C52


class RebuildRunningError(Exception):
    """Another rebuild of this database is under way."""


class RebuildReport(msgspec.Struct, frozen=True, kw_only=True):
    """What a rebuild did: events replayed, seconds in all, and seconds during which the lanes were held."""

    departments: int
    events: int
    seconds: float
    seconds_held: float


async def rebuild_views(owner_url: str, progress: Progress = no_progress) -> RebuildReport:
    """Rebuild all views, connected as the login that migrates.

    Raises:
        RebuildRunningError: another one is under way.
        asyncpg.PostgresError, OSError: the database failed; the views in use are as they were.
    """
    connection = await asyncpg.connect(owner_url, server_settings={"timezone": "UTC"})
    try:
        if not await connection.fetchval("SELECT pg_try_advisory_lock($1)", REBUILD_LOCK_KEY):
            raise RebuildRunningError("Another rebuild of this database is under way.")
        return await _Rebuild(connection, progress).run()
    finally:
        await connection.close()


class _Rebuild:
    """One rebuild over one connection."""

    def __init__(self, connection: asyncpg.Connection, progress: Progress) -> None:
        self._connection = connection
        self._progress = progress
        self._replays: dict[uuid.UUID, DepartmentReplay] = {}
        self._tables: dict[str, TableCopy] = {}

    async def run(self) -> RebuildReport:
        started = time.perf_counter()
        await self._connection.execute(f"DROP SCHEMA IF EXISTS {NEXT_SCHEMA}, {OLD_SCHEMA} CASCADE")
        async with self._connection.transaction():
            self._tables = await copy_tables(self._connection, NEXT_SCHEMA)
        events = 0
        for _ in range(MAXIMUM_CATCH_UPS):
            replayed = await self._catch_up()
            events += replayed
            if replayed < CAUGHT_UP_EVENTS:
                break
        held_from = time.perf_counter()
        events += await self._swap()
        finished = time.perf_counter()
        await self._connection.execute(f"DROP SCHEMA {OLD_SCHEMA} CASCADE")
        return RebuildReport(
            departments=len(self._replays),
            events=events,
            seconds=finished - started,
            seconds_held=finished - held_from,
        )

    async def _catch_up(self) -> int:
        departments = await self._connection.fetch("SELECT department_id FROM ledger.head ORDER BY department_id")
        replayed = 0
        for (department_id,) in departments:
            replay = self._replays.get(department_id)
            if replay is None:
                replay = DepartmentReplay(self._connection, department_id, self._tables)
                self._replays[department_id] = replay
            replayed += await replay.move_on(self._progress)
        return replayed

    async def _swap(self) -> int:
        async with self._connection.transaction():
            # Every append locks its head row or makes one: both wait for this lock, readers of heads do not.
            await self._connection.execute("LOCK TABLE ledger.head IN EXCLUSIVE MODE")
            replayed = await self._catch_up()
            await self._connection.execute("RESET ROLE")
            await self._connection.execute(f"ALTER SCHEMA {VIEWS_SCHEMA} RENAME TO {OLD_SCHEMA}")
            await self._connection.execute(f"ALTER SCHEMA {NEXT_SCHEMA} RENAME TO {VIEWS_SCHEMA}")
        return replayed


__all__ = ["RebuildReport", "RebuildRunningError", "rebuild_views"]
