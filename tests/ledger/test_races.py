"""Several writers at once: nothing is lost, nothing twice, and no reader sees positions out of order.

Writers that share nothing but the database stand for processes; one test starts real ones.
"""

import asyncio
import functools
import os
import sys
import uuid
from collections import Counter
from pathlib import Path

import asyncpg
import msgspec
import pytest

from fill_ledger.database import Database
from fill_ledger.intake import attempt
from fill_ledger.ledger.append import Append, LostRaceError, append
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import TagPaired
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.members import MemberEnrolled
from fill_ledger.trade.events.stations import ClockRead
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.views.check import check_views
from tests.support.ledgers import (
    SOMEBODY,
    Ledger,
    claim_of,
    days_ago,
    interfere,
    open_ledger,
    open_writers,
    registration,
)

TAG = "iso15693:E004010000000A01"
WRITERS = 4
FACTS_A_WRITER = 12
POLL_PAUSE_S = 0.001
PROCESSES = 3
FACTS_A_PROCESS = 25
PROJECT = Path(__file__).parents[2]


def clock_event(ledger: Ledger) -> Event:
    moment = days_ago(1)
    return Event(
        department_id=ledger.department_id,
        event_id=uuid.uuid4(),
        occurred_at=moment,
        effective_at=moment,
        recorded_by=SOMEBODY,
        body=ClockRead(station_id=uuid.uuid4(), ahead_ms=1),
    )


def append_of(ledger: Ledger, *events: Event) -> Append:
    return Append(department_id=ledger.department_id, versions={}, events=events, entries=(), states=(), view_rows={})


class Poller:
    """A reader that follows a ledger by position, as an export or another system does: each event once, in order."""

    def __init__(self, database: Database, department_id: uuid.UUID) -> None:
        self._database = database
        self._department_id = department_id
        self.seen: list[tuple[int, object]] = []
        self.finish = asyncio.Event()

    async def run(self) -> None:
        while True:
            is_last = self.finish.is_set()
            after = self.seen[-1][0] if self.seen else 0
            async with self._database.lookups.acquire() as connection, seeing(connection, (self._department_id,)):
                rows = await connection.fetch(
                    """
                    SELECT ledger_position, recorded_at FROM ledger.event
                    WHERE department_id = $1 AND ledger_position > $2 ORDER BY ledger_position
                    """,
                    self._department_id,
                    after,
                )
            self.seen.extend(tuple(row) for row in rows)
            if is_last:
                return
            await asyncio.sleep(POLL_PAUSE_S)

    def positions(self) -> list[int]:
        return [position for position, _ in self.seen]


async def test_a_reader_that_follows_positions_never_misses_an_event(database: Database, service_url: str) -> None:
    async with (
        open_ledger(database) as ledger,
        open_writers(service_url, ledger.department_id, WRITERS) as writers,
    ):
        poller = Poller(database, ledger.department_id)
        polling = asyncio.create_task(poller.run())

        async def write(writer: Ledger) -> list[int]:
            positions = []
            for number in range(FACTS_A_WRITER):
                # Batches of several sizes, so that transactions take different times.
                bodies = [ClockRead(station_id=uuid.uuid4(), ahead_ms=number)] * (1 + number % 3)
                recorded = await writer.record(*bodies)
                positions += [outcome.ledger_position for outcome in recorded.outcomes if outcome.ledger_position]
            return positions

        written = await asyncio.gather(*(write(writer) for writer in writers))
        poller.finish.set()
        await polling
        total = WRITERS * sum(1 + number % 3 for number in range(FACTS_A_WRITER))
        assert sorted(position for positions in written for position in positions) == list(range(1, total + 1))
        # Had a position become visible before a lower one, the poller would have passed over the lower one.
        assert poller.positions() == list(range(1, total + 1))
        moments = [moment for _, moment in poller.seen]
        assert moments == sorted(moments)  # type: ignore[type-var]
        assert await ledger.chain_faults() == []


@pytest.mark.parametrize("already_there", [0, 3])
async def test_nobody_overtakes_a_writer_that_has_not_committed(database: Database, already_there: int) -> None:
    """In a ledger that is just beginning and in one that is under way."""
    async with open_ledger(database) as ledger, database.writes.acquire() as slow, database.writes.acquire() as quick:
        if already_there:
            await append(slow, append_of(ledger, *(clock_event(ledger) for _ in range(already_there))))
        transaction = slow.transaction()
        await transaction.start()
        (first,) = await append(slow, append_of(ledger, clock_event(ledger)))
        overtaking = asyncio.create_task(append(quick, append_of(ledger, clock_event(ledger))))
        done, _ = await asyncio.wait((overtaking,), timeout=0.3)
        assert not done
        assert len(await ledger.links()) == already_there
        await transaction.commit()
        (second,) = await overtaking
        assert (first.ledger_position, second.ledger_position) == (already_there + 1, already_there + 2)
        assert first.recorded_at <= second.recorded_at
        assert await ledger.chain_faults() == []


async def test_a_writer_that_gives_up_leaves_no_gap(database: Database) -> None:
    async with open_ledger(database) as ledger, database.writes.acquire() as slow, database.writes.acquire() as quick:
        transaction = slow.transaction()
        await transaction.start()
        await append(slow, append_of(ledger, clock_event(ledger), clock_event(ledger)))
        waiting = asyncio.create_task(append(quick, append_of(ledger, clock_event(ledger))))
        await asyncio.wait((waiting,), timeout=0.1)
        await transaction.rollback()
        (kept,) = await waiting
        assert kept.ledger_position == 1
        assert await ledger.chain_faults() == []


async def test_recorded_at_never_decreases_though_the_servers_clock_steps_back(
    database: Database, owner_connection: asyncpg.Connection
) -> None:
    async with open_ledger(database) as ledger:
        await ledger.record(ClockRead(station_id=uuid.uuid4(), ahead_ms=0))
        # What a ledger looks like after the clock has been set back by an hour.
        ahead = await owner_connection.fetchval(
            """
            UPDATE ledger.head SET recorded_at = recorded_at + interval '1 hour' WHERE department_id = $1
            RETURNING recorded_at
            """,
            ledger.department_id,
        )
        recorded = await ledger.record(*[ClockRead(station_id=uuid.uuid4(), ahead_ms=0)] * 2)
        assert [outcome.recorded_at for outcome in recorded.outcomes] == [ahead, ahead]
        moments = [link.recorded_at for link in await ledger.links()]
        assert moments == sorted(moments)
        # effective_at orders the folds and is never pushed into the future by it.
        rows = await ledger.fetch("SELECT effective_at, recorded_at FROM ledger.event")
        assert all(row["effective_at"] <= row["recorded_at"] for row in rows)


async def test_writers_that_fill_one_cylinder_lose_no_fill(database: Database, service_url: str) -> None:
    cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
    async with (
        open_ledger(database) as ledger,
        open_writers(service_url, ledger.department_id, WRITERS) as writers,
    ):
        await ledger.record(registration(cylinder.subject_id), occurred_at=days_ago(30))

        async def fill(writer: Ledger) -> None:
            for _ in range(FACTS_A_WRITER):
                recorded = await writer.record(Filled(cylinder_id=cylinder.subject_id, end_psi=2200))
                assert recorded.outcomes[0].outcome == "created"

        await asyncio.gather(*(fill(writer) for writer in writers))
        assert (await ledger.state(cylinder)).fills_total == WRITERS * FACTS_A_WRITER
        assert len(await ledger.links()) == WRITERS * FACTS_A_WRITER + 1
        assert await ledger.chain_faults() == []


async def test_a_lost_race_is_redone_on_what_the_winner_wrote(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
    async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
        await ledger.record(registration(cylinder.subject_id), occurred_at=days_ago(30))
        fill = Filled(cylinder_id=cylinder.subject_id, end_psi=2200)
        tried = interfere(monkeypatch, lambda: winner.record(fill))
        recorded = await ledger.record(fill)
        assert len(tried) == 2
        assert recorded.outcomes[0].ledger_position == 3
        assert (await ledger.state(cylinder)).fills_total == 2


async def test_a_lost_race_writes_nothing(database: Database) -> None:
    async with open_ledger(database) as ledger, database.writes.acquire() as connection:
        cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
        await ledger.record(registration(cylinder.subject_id))
        write = append_of(ledger, clock_event(ledger))
        stale = msgspec.structs.replace(write, versions={cylinder: 0})
        with pytest.raises(LostRaceError, match="cylinder"):
            await append(connection, stale)
        assert len(await ledger.links()) == 1
        await append(connection, msgspec.structs.replace(write, versions={cylinder: 1}))
        with pytest.raises(LostRaceError):
            await append(connection, write)  # its event_id is taken now
        assert len(await ledger.links()) == 2


async def test_inventory_numbers_are_given_once(database: Database, service_url: str) -> None:
    async with (
        open_ledger(database) as ledger,
        open_writers(service_url, ledger.department_id, 3) as writers,
    ):

        async def register(writer: Ledger) -> list[str | None]:
            numbers: list[str | None] = []
            for _ in range(6):
                recorded = await writer.record(registration(uuid.uuid4()), registration(uuid.uuid4()))
                numbers += [outcome.inventory_number for outcome in recorded.outcomes]
            return numbers

        given = [number for numbers in await asyncio.gather(*map(register, writers)) for number in numbers]
        assert sorted(int(number or 0) for number in given) == list(range(1, 3 * 12 + 1))


async def test_the_same_event_raced_by_two_writers_is_created_once(database: Database, service_url: str) -> None:
    async with (
        open_ledger(database) as ledger,
        open_writers(service_url, ledger.department_id, 2) as writers,
    ):
        cylinder_id = uuid.uuid4()
        for _ in range(5):
            claim = claim_of(Filled(cylinder_id=cylinder_id, end_psi=2000), occurred_at=days_ago(1))
            both = await asyncio.gather(*(writer.take(claim) for writer in writers))
            outcomes = [recorded.outcomes[0] for recorded in both]
            assert Counter(outcome.outcome for outcome in outcomes) == {"created": 1, "exists": 1}
            assert len({outcome.ledger_position for outcome in outcomes}) == 1
        assert len(await ledger.links()) == 5


async def test_two_facts_raced_under_one_id_are_both_kept(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
        event_id, cylinder_id = uuid.uuid4(), uuid.uuid4()
        interfere(monkeypatch, lambda: winner.take(claim_of(Filled(cylinder_id=cylinder_id, end_psi=2000), event_id)))
        recorded = await ledger.take(claim_of(Filled(cylinder_id=cylinder_id, end_psi=2100), event_id))
        assert recorded.outcomes[0].outcome == "conflict_kept"
        assert (await ledger.state(Subject(SubjectKind.CYLINDER, cylinder_id))).fills_total == 1


async def test_a_member_enrolled_by_two_writers_has_one_key(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
        enrolled = MemberEnrolled(member_id=uuid.uuid4(), personal='{"name":"Avery Example"}')
        interfere(monkeypatch, lambda: winner.record(enrolled))
        recorded = await ledger.record(enrolled)
        assert recorded.outcomes[0].outcome == "created"
        assert len(await ledger.fetch("SELECT 1 FROM ledger.sealed_key")) == 1
        assert len(await ledger.fetch("SELECT 1 FROM ledger.sealed_record")) == 2


async def test_a_retraction_and_its_event_that_cross_take_the_event_out(
    database: Database, monkeypatch: pytest.MonkeyPatch, database_url: str
) -> None:
    """Whichever of the two is first in the ledger, the other must notice it."""
    for retraction_reads_first in (True, False):
        async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
            cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
            fill = claim_of(Filled(cylinder_id=cylinder.subject_id, end_psi=2000))
            retraction = claim_of(EventRetracted(retracted_event_id=fill.event_id, reason="typed twice"))
            loser_claim, winner_claim = (retraction, fill) if retraction_reads_first else (fill, retraction)
            with monkeypatch.context() as patched:
                tried = interfere(patched, functools.partial(winner.take, winner_claim))
                await ledger.take(loser_claim)
            assert len(tried) == 2
            state = await ledger.state(cylinder)
            assert state is None or state.fills_total == 0
            assert [row["retracted"] for row in await ledger.fetch("SELECT retracted FROM views.fill")] == [True]
    assert (await check_views(database_url)).verdict == "sound"


async def test_a_pairing_and_a_fill_known_by_the_tag_that_cross_find_each_other(
    database: Database, monkeypatch: pytest.MonkeyPatch, database_url: str
) -> None:
    for pairing_reads_first in (True, False):
        async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
            cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
            await ledger.record(registration(cylinder.subject_id), occurred_at=days_ago(30))
            pairing = claim_of(TagPaired(cylinder_id=cylinder.subject_id, tag=TAG), occurred_at=days_ago(20))
            fill = claim_of(Filled(tag=TAG, end_psi=2000), occurred_at=days_ago(10))
            loser_claim, winner_claim = (pairing, fill) if pairing_reads_first else (fill, pairing)
            with monkeypatch.context() as patched:
                interfere(patched, functools.partial(winner.take, winner_claim))
                await ledger.take(loser_claim)
            rows = await ledger.fetch("SELECT cylinder_id FROM views.fill")
            assert [row["cylinder_id"] for row in rows] == [cylinder.subject_id]
            assert (await ledger.state(cylinder)).fills_total == 1
    assert (await check_views(database_url)).verdict == "sound"


async def test_a_lane_that_is_lost_again_and_again_says_so(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    async def always_lost(connection: Connection, write: Append) -> None:
        raise LostRaceError("lost")

    async with open_ledger(database) as ledger:
        monkeypatch.setattr(attempt, "append", always_lost)
        monkeypatch.setattr("fill_ledger.intake.recorder.MAXIMUM_TRIES", 3)
        with pytest.raises(Exception, match="busy 3 times"):
            await ledger.record(ClockRead(station_id=uuid.uuid4(), ahead_ms=0))
        assert await ledger.links() == []


async def test_real_processes_that_write_together_give_one_gapless_ledger(database: Database, service_url: str) -> None:
    async with open_ledger(database) as ledger:
        cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
        poller = Poller(database, ledger.department_id)
        polling = asyncio.create_task(poller.run())
        processes = [
            await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "tests.support.writer_process",
                service_url,
                str(ledger.department_id),
                str(cylinder.subject_id),
                str(FACTS_A_PROCESS),
                cwd=PROJECT,
                env={**os.environ, "PYTHONPATH": f"service{os.pathsep}."},
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
            )
            for _ in range(PROCESSES)
        ]
        outputs = [(await process.communicate())[0] for process in processes]
        poller.finish.set()
        await polling
        assert [process.returncode for process in processes] == [0] * PROCESSES
        acknowledged = [int(line.split()[1]) for output in outputs for line in output.split(b"\n") if line]
        total = PROCESSES * FACTS_A_PROCESS
        assert sorted(acknowledged) == list(range(1, total + 1))
        assert poller.positions() == list(range(1, total + 1))
        assert (await ledger.state(cylinder)).fills_total == total
        assert await ledger.chain_faults() == []
