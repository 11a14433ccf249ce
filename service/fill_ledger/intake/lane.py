"""The lanes: requests that wait for the same department at the same moment are recorded in one transaction.

One commit costs one flush of the log, however many facts it carries. A shared transaction that fails is tried again
unit by unit, so that nobody fails a neighbour; one that found no database fails for all. Within a process a lane does
one thing at a time; between processes the department's head row keeps order.
"""

import asyncio
import uuid
from collections import deque

import asyncpg
import structlog

from fill_ledger.intake.claims import Recorded, Unit
from fill_ledger.intake.recorder import LaneBusyError, Recorder

# Enough to share a commit among a busy moment's requests, small enough to keep the head row's lock short.
MAXIMUM_SHARED_CLAIMS = 1_000
# Requests that may wait in one lane; beyond, the sender is asked to come back.
MAXIMUM_WAITING_UNITS = 2_000

# Nobody's own fault: tried one by one, each would wait for a time-out of its own, the last for hours.
DATABASE_GONE = (OSError, TimeoutError, asyncpg.InterfaceError, asyncpg.PostgresConnectionError)

log = structlog.get_logger()


class LaneFullError(Exception):
    """Too many requests wait for this department already. Nothing was written."""


class _Waiting:
    """A unit and the future that its request waits for."""

    __slots__ = ("future", "unit")

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.future: asyncio.Future[Recorded] = asyncio.get_running_loop().create_future()


class Lanes:
    """One lane for each department that is being written to."""

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._waiting: dict[uuid.UUID, deque[_Waiting]] = {}
        self._workers: dict[uuid.UUID, asyncio.Task[None]] = {}

    async def record(self, unit: Unit) -> Recorded:
        """Record one unit and return its outcomes once they are durable.

        A request that is cancelled while it waits does not undo what was written: the sender asks again and is told
        that the facts are there.

        Raises:
            LaneFullError, LaneBusyError: nothing was written, try again later.
            asyncpg.PostgresError, OSError, TimeoutError: the database failed; whether it was written is told by asking
                again with the same event ids.
        """
        waiting = self._waiting.setdefault(unit.department_id, deque())
        if len(waiting) >= MAXIMUM_WAITING_UNITS:
            raise LaneFullError(f"{len(waiting)} requests wait for department {unit.department_id}")
        mine = _Waiting(unit)
        waiting.append(mine)
        if unit.department_id not in self._workers:
            self._workers[unit.department_id] = asyncio.create_task(self._work(unit.department_id))
        return await mine.future

    async def close(self) -> None:
        """Wait until everything that waits has been recorded."""
        while self._workers:
            await asyncio.gather(*self._workers.values(), return_exceptions=True)

    async def _work(self, department_id: uuid.UUID) -> None:
        waiting = self._waiting[department_id]
        try:
            while waiting:
                await self._record_together(department_id, _next_group(waiting))
        finally:
            # No await between the last look at the queue and this line, so no unit can be left behind.
            del self._workers[department_id]
            del self._waiting[department_id]
            for left in waiting:
                left.future.cancel()

    async def _record_together(self, department_id: uuid.UUID, group: list[_Waiting]) -> None:
        try:
            recorded = await self._recorder.record(department_id, [waiting.unit for waiting in group])
        except Exception as error:
            if len(group) == 1 or isinstance(error, DATABASE_GONE):
                for waiting in group:
                    _fail(waiting, error)
                return
            log.warning("shared_append_failed", department_id=str(department_id), units=len(group), error=repr(error))
            for waiting in group:
                await self._record_together(department_id, [waiting])
            return
        for waiting, of_unit in zip(group, recorded, strict=True):
            if not waiting.future.done():
                waiting.future.set_result(of_unit)


def _next_group(waiting: deque[_Waiting]) -> list[_Waiting]:
    group = [waiting.popleft()]
    claims = len(group[0].unit.claims)
    while waiting and claims + len(waiting[0].unit.claims) <= MAXIMUM_SHARED_CLAIMS:
        group.append(waiting.popleft())
        claims += len(group[-1].unit.claims)
    return group


def _fail(waiting: _Waiting, error: Exception) -> None:
    if not waiting.future.done():
        waiting.future.set_exception(error)


__all__ = ["LaneBusyError", "LaneFullError", "Lanes"]
