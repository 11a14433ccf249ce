"""Lanes: requests share a transaction, nobody fails a neighbour, and nobody who goes away undoes anything."""

import asyncio
import uuid

import asyncpg
import pytest

from fill_ledger.database import Database
from fill_ledger.intake import attempt, lane
from fill_ledger.intake.claims import Recorded, Unit
from fill_ledger.intake.lane import LaneFullError, Lanes
from fill_ledger.intake.recorder import Recorder
from fill_ledger.ledger.append import Append, Appended, UnknownDepartmentError, append
from fill_ledger.ledger.read import Connection
from fill_ledger.trade.events.fills import FillDenied
from fill_ledger.trade.events.stations import ClockRead
from fill_ledger.views.check import check_views
from fill_ledger.views.rulebooks import Rulebooks
from tests.support.ledgers import Ledger, claim_of, make_vault, open_ledger

POISON = "poison"


def reading() -> ClockRead:
    return ClockRead(station_id=uuid.uuid4(), ahead_ms=0)


class Appends:
    """Stands before the append: counts, holds back, and fails what it is told to."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.sizes: list[int] = []
        self.may_go = asyncio.Event()
        self.may_go.set()
        self.fails_after_writing = False
        self.connection_error: OSError | None = None
        monkeypatch.setattr(attempt, "append", self._append)

    async def _append(self, connection: Connection, write: Append) -> list[Appended]:
        await self.may_go.wait()
        self.sizes.append(len(write.events))
        if self.connection_error is not None and len(self.sizes) > 1:
            raise self.connection_error
        codes = [event.body.code for event in write.events if isinstance(event.body, FillDenied)]
        if POISON in codes and not self.fails_after_writing:
            raise asyncpg.DataError("injected")
        if POISON not in codes:
            return await append(connection, write)
        async with connection.transaction():
            await append(connection, write)
            raise asyncpg.DataError("injected after writing")


@pytest.fixture
def appends(monkeypatch: pytest.MonkeyPatch) -> Appends:
    return Appends(monkeypatch)


async def waiting_behind(ledger: Ledger, appends: Appends, *units: tuple[ClockRead | FillDenied, ...]) -> list[object]:
    """Record units that all arrive while the lane is busy with another one."""
    appends.may_go.clear()
    first = asyncio.create_task(ledger.record(reading()))
    await asyncio.sleep(0.05)
    others = [asyncio.create_task(ledger.record(*bodies)) for bodies in units]
    await asyncio.sleep(0.05)
    appends.may_go.set()
    await first
    return list(await asyncio.gather(*others, return_exceptions=True))


async def test_those_who_wait_share_one_append(database: Database, appends: Appends) -> None:
    async with open_ledger(database) as ledger:
        appends.sizes.clear()
        recorded = await waiting_behind(ledger, appends, *[(reading(), reading())] * 5)
        assert appends.sizes == [1, 10]
        positions = [
            [outcome.ledger_position for outcome in one.outcomes] for one in recorded if isinstance(one, Recorded)
        ]
        assert positions == [[2, 3], [4, 5], [6, 7], [8, 9], [10, 11]]


@pytest.mark.parametrize("fails_after_writing", [False, True])
async def test_a_unit_that_fails_does_not_fail_its_neighbours(
    database: Database, database_url: str, appends: Appends, fails_after_writing: bool
) -> None:
    appends.fails_after_writing = fails_after_writing
    async with open_ledger(database) as ledger:
        poison = FillDenied(cylinder_id=uuid.uuid4(), code=POISON)
        answers = await waiting_behind(ledger, appends, (reading(),), (poison, reading()), (reading(), reading()))
        assert [type(answer).__name__ for answer in answers] == ["Recorded", "DataError", "Recorded"]
        assert len(await ledger.links()) == 1 + 1 + 2
        assert await ledger.chain_faults() == []
        # The lane goes on.
        assert (await ledger.record(reading())).outcomes[0].ledger_position == 5
        assert (await check_views(database_url)).verdict == "sound"


async def test_a_database_that_is_gone_is_asked_once_for_all_who_wait(database: Database, appends: Appends) -> None:
    async with open_ledger(database) as ledger:
        appends.sizes.clear()
        appends.connection_error = ConnectionRefusedError("injected")
        answers = await waiting_behind(ledger, appends, *[(reading(),)] * 5)
        assert [type(answer).__name__ for answer in answers] == ["ConnectionRefusedError"] * 5
        assert appends.sizes == [1, 5]
        appends.connection_error = None
        assert (await ledger.record(reading())).outcomes[0].ledger_position == 2


async def test_a_request_that_goes_away_does_not_undo_what_was_written(database: Database, appends: Appends) -> None:
    async with open_ledger(database) as ledger:
        claim = claim_of(reading())
        appends.may_go.clear()
        being_written = asyncio.create_task(ledger.take(claim))
        await asyncio.sleep(0.05)
        waiting = claim_of(reading())
        in_the_queue = asyncio.create_task(ledger.take(waiting))
        neighbour = asyncio.create_task(ledger.record(reading()))
        await asyncio.sleep(0.05)
        being_written.cancel()
        in_the_queue.cancel()
        appends.may_go.set()
        assert (await neighbour).outcomes[0].outcome == "created"
        for task in (being_written, in_the_queue):
            with pytest.raises(asyncio.CancelledError):
                await task
        again = await ledger.take(claim, waiting)
        assert [outcome.outcome for outcome in again.outcomes] == ["exists", "exists"]
        assert len(await ledger.links()) == 3


async def test_a_shared_append_is_bounded(
    database: Database, appends: Appends, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lane, "MAXIMUM_SHARED_CLAIMS", 4)
    async with open_ledger(database) as ledger:
        appends.sizes.clear()
        # The third unit is larger than what may be shared: it goes alone, and whole.
        await waiting_behind(ledger, appends, *[(reading(),) * size for size in (2, 2, 9, 1)])
        assert appends.sizes == [1, 4, 9, 1]


async def test_a_full_lane_says_so_and_writes_nothing(
    database: Database, appends: Appends, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lane, "MAXIMUM_WAITING_UNITS", 2)
    async with open_ledger(database) as ledger:
        answers = await waiting_behind(ledger, appends, *[(reading(),)] * 4)
        assert [type(answer).__name__ for answer in answers] == [
            "Recorded",
            "Recorded",
            "LaneFullError",
            "LaneFullError",
        ]
        assert isinstance(answers[-1], LaneFullError)
        assert len(await ledger.links()) == 3


async def test_departments_do_not_wait_for_each_other(database: Database, appends: Appends) -> None:
    async with open_ledger(database) as ledger, open_ledger(database) as other:
        lanes = Lanes(Recorder(database.writes, make_vault(), Rulebooks()))
        async with database.writes.acquire() as connection, connection.transaction():
            # Somebody holds the lane of one department.
            await append(
                connection,
                Append(
                    department_id=ledger.department_id,
                    versions={},
                    events=[],
                    entries=(),
                    states=(),
                    view_rows={},
                ),
            )
            blocked = asyncio.create_task(
                lanes.record(Unit(department_id=ledger.department_id, claims=(claim_of(reading()),)))
            )
            recorded = await lanes.record(Unit(department_id=other.department_id, claims=(claim_of(reading()),)))
            assert recorded.ledger_position == 1
            assert not blocked.done()
        assert (await blocked).ledger_position == 1


async def test_nobody_begins_a_ledger_for_a_department_that_is_not_registered(database: Database) -> None:
    async with open_ledger(database, uuid.uuid4()) as ledger:
        with pytest.raises(UnknownDepartmentError):
            await ledger.record(reading())
        assert await ledger.links() == []


async def test_closing_waits_for_what_is_under_way(database: Database, appends: Appends) -> None:
    async with open_ledger(database) as ledger:
        appends.may_go.clear()
        tasks = [asyncio.create_task(ledger.record(reading())) for _ in range(3)]
        await asyncio.sleep(0.05)
        closing = asyncio.create_task(ledger.lanes.close())
        await asyncio.sleep(0.05)
        assert not closing.done()
        appends.may_go.set()
        await closing
        assert len(await ledger.links()) == 3
        await asyncio.gather(*tasks)
