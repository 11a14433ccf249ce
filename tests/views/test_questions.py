"""Reading for many questions at once: shared, fresh, and by index alone."""

import asyncio
import json
import re
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any

import asyncpg
import pytest

from fill_ledger.database import open_database
from fill_ledger.intake.founding import record_entries
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import CylinderHeld, CylinderHoldReleased
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.views import questions
from fill_ledger.views.questions import Asked, QuestionReader
from fill_ledger.views.rulebooks import Rulebooks
from tests.support.county import County

ROUNDS = 25


def _asked(county: County, cylinder_id: uuid.UUID, role: Role = Role.CONTROLLER) -> Asked:
    return Asked(
        key_digest=sha256(county.own.keys[role].plain_key.encode()).digest(),
        station_id=None if role is Role.CONTROLLER else county.own.station_id,
        subject_kind="cylinder_id",
        value=str(cylinder_id),
        member_id=county.own.member_id,
    )


class _CountingPool:
    """Passes everything on to a pool, and counts the reads and how many questions each was for."""

    def __init__(self, pool: Any) -> None:
        self._pool = pool
        self.sizes: list[int] = []
        self.at_once = 0
        self.most_at_once = 0

    def acquire(self) -> "_Counted":
        return _Counted(self, self._pool.acquire())


class _Counted:
    def __init__(self, counts: _CountingPool, acquired: Any) -> None:
        self._counts = counts
        self._acquired = acquired
        self._connection: Any = None

    async def __aenter__(self) -> "_Counted":
        self._connection = await self._acquired.__aenter__()
        return self

    async def __aexit__(self, *raised: Any) -> None:
        await self._acquired.__aexit__(*raised)

    async def fetch(self, query: str, *arguments: Any) -> Any:
        self._counts.sizes.append(len(arguments[0]))
        self._counts.at_once += 1
        self._counts.most_at_once = max(self._counts.most_at_once, self._counts.at_once)
        try:
            return await self._connection.fetch(query, *arguments)
        finally:
            self._counts.at_once -= 1


async def test_questions_that_wait_at_the_same_moment_share_reads(county: County) -> None:
    ids = [await county.cylinder() for _ in range(3)]
    pool = _CountingPool(county.parts.database.lookups)
    reader = QuestionReader(pool, Rulebooks())  # type: ignore[arg-type]
    asked = [_asked(county, ids[number % 3]) for number in range(200)]
    found = await asyncio.gather(*(reader.read(one) for one in asked))
    assert [gathered.matches[0].cylinder_id for gathered in found] == [ids[number % 3] for number in range(200)]
    assert sum(pool.sizes) == 200
    assert max(pool.sizes) <= questions.QUESTIONS_IN_A_READ
    assert len(pool.sizes) <= 200 / questions.QUESTIONS_IN_A_READ + questions.READS_AT_ONCE
    assert pool.most_at_once <= questions.READS_AT_ONCE


async def test_a_question_never_joins_a_read_that_has_begun(county: County, service_url: str) -> None:
    """Write, acknowledge, ask, while another process keeps readers busy: every answer sees the write."""
    cylinder_id = await county.cylinder()
    other = await open_database(service_url)
    reader = QuestionReader(other.lookups, Rulebooks())
    stop = asyncio.Event()

    async def keep_busy() -> int:
        count = 0
        while not stop.is_set():
            await reader.read(_asked(county, cylinder_id))
            count += 1
        return count

    busy = [asyncio.create_task(keep_busy()) for _ in range(8)]
    try:
        for _ in range(ROUNDS):
            hold_id = uuid.uuid4()
            held = CylinderHeld(cylinder_id=cylinder_id, hold_id=hold_id, hold_kind="other", reason="test")
            recorded = await record_entries(county.parts.lanes, county.own.department_id, (held,))
            seen = await reader.read(_asked(county, cylinder_id))
            assert seen.position >= recorded.ledger_position
            cylinder = seen.matches[0].cylinder
            assert cylinder is not None
            assert [hold.hold_id for hold in cylinder.holds_at(seen.asked_at)] == [hold_id]
            released = CylinderHoldReleased(cylinder_id=cylinder_id, hold_id=hold_id, reason="test")
            await record_entries(county.parts.lanes, county.own.department_id, (released,))
            seen = await reader.read(_asked(county, cylinder_id))
            cylinder = seen.matches[0].cylinder
            assert cylinder is not None
            assert cylinder.holds_at(seen.asked_at) == []
    finally:
        stop.set()
        counts = await asyncio.gather(*busy)
        await other.close()
    assert sum(counts) > ROUNDS


async def test_a_failed_read_fails_those_in_it_and_the_next_one_is_served(county: County) -> None:
    cylinder_id = await county.cylinder()
    good = _asked(county, cylinder_id)
    reader = QuestionReader(county.parts.database.lookups, county.parts.rulebooks)
    bad = Asked(key_digest=b"", station_id=None, subject_kind="serial", value="\x00", member_id=None)
    with pytest.raises(asyncpg.CharacterNotInRepertoireError):
        await reader.read(bad)
    assert (await reader.read(good)).matches[0].cylinder_id == cylinder_id


async def test_a_database_that_is_gone_is_told_to_everybody_who_waits(county: County, service_url: str) -> None:
    other = await open_database(service_url)
    reader = QuestionReader(other.lookups, Rulebooks())
    await other.close()
    asked = [reader.read(_asked(county, uuid.uuid4())) for _ in range(5)]
    outcomes = await asyncio.gather(*asked, return_exceptions=True)
    assert all(isinstance(outcome, asyncpg.InterfaceError) for outcome in outcomes), outcomes


async def test_whoever_no_longer_waits_is_left_out(county: County) -> None:
    cylinder_id = await county.cylinder()
    reader = QuestionReader(county.parts.database.lookups, county.parts.rulebooks)
    waiting = [asyncio.create_task(reader.read(_asked(county, cylinder_id))) for _ in range(10)]
    await asyncio.sleep(0)
    for task in waiting[::2]:
        task.cancel()
    outcomes = await asyncio.gather(*waiting, return_exceptions=True)
    assert [isinstance(outcome, asyncio.CancelledError) for outcome in outcomes] == [True, False] * 5


async def test_too_many_waiting_are_turned_away(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(questions, "QUESTIONS_WAITING", 3)
    reader = QuestionReader(county.parts.database.lookups, county.parts.rulebooks)
    asked = [reader.read(_asked(county, uuid.uuid4())) for _ in range(5)]
    outcomes = await asyncio.gather(*asked, return_exceptions=True)
    assert [isinstance(outcome, TimeoutError) for outcome in outcomes] == [False, False, False, True, True]


async def test_an_unknown_key_learns_nothing(county: County) -> None:
    cylinder_id = await county.cylinder()
    unknown = Asked(
        key_digest=bytes(32),
        station_id=county.own.station_id,
        subject_kind="cylinder_id",
        value=str(cylinder_id),
        member_id=county.own.member_id,
    )
    found = await county.parts.questions.read(unknown)
    assert (found.key, found.department_id, found.station, found.member) == (None, None, None, None)
    assert (found.policy, found.air_sources, found.matches, found.position) == (None, (), (), 0)


async def test_the_moment_is_never_before_what_the_ledger_recorded(
    county: County, owner_connection: asyncpg.Connection
) -> None:
    cylinder_id = await county.cylinder()
    ahead = datetime(2100, 1, 1, tzinfo=UTC)
    await owner_connection.execute(
        "UPDATE ledger.head SET recorded_at = $1 WHERE department_id = $2", ahead, county.own.department_id
    )
    found = await county.parts.questions.read(_asked(county, cylinder_id))
    assert found.asked_at == ahead
    assert found.checked_at < ahead


def _nodes(plan: Any) -> Iterator[dict[str, Any]]:
    if isinstance(plan, dict):
        if "Node Type" in plan:
            yield plan
        for part in plan.values():
            yield from _nodes(part)
    elif isinstance(plan, list):
        for part in plan:
            yield from _nodes(part)


async def test_every_part_of_the_read_uses_an_index(county: County, owner_connection: asyncpg.Connection) -> None:
    await record_entries(
        county.parts.lanes, county.own.department_id, (PolicySet(department_id=county.own.department_id),)
    )
    await county.cylinder(tag="iso15693:E004010012345678")
    source: str = await owner_connection.fetchval("SELECT prosrc FROM pg_proc WHERE proname = 'eligibility'")
    statement = source[source.index("RETURN QUERY") + len("RETURN QUERY") :].partition(";")[0]
    types = {
        "p_key_digests": "bytea[]",
        "p_station_ids": "uuid[]",
        "p_subject_kinds": "text[]",
        "p_values": "text[]",
        "p_member_ids": "uuid[]",
    }
    for number, name in enumerate(types, start=1):
        statement = re.sub(rf"\b{name}\b", f"${number}", statement)
    settings = await owner_connection.fetchval("SELECT proconfig FROM pg_proc WHERE proname = 'eligibility'")
    for setting in settings:
        name, _, value = setting.partition("=")
        await owner_connection.execute("SELECT set_config($1, $2, false)", name, value)
    await owner_connection.execute(f"PREPARE question ({', '.join(types.values())}) AS {statement}")
    text = await owner_connection.fetchval("EXPLAIN (FORMAT JSON) EXECUTE question ('{}', '{}', '{}', '{}', '{}')")
    nodes = list(_nodes(json.loads(text)))
    assert [node["Relation Name"] for node in nodes if node["Node Type"] == "Seq Scan"] == []
    by_index = [node for node in nodes if node["Node Type"] in ("Index Scan", "Index Only Scan", "Bitmap Index Scan")]
    # An index scan without a condition would read the whole table in its order.
    assert [node for node in by_index if "Index Cond" not in node] == []
    of_state = [node["Index Cond"] for node in by_index if node["Index Name"] == "state_pkey"]
    assert len(of_state) == 8  # station, rulebook, department, policy, air source, member, tag, cylinder
    for condition in of_state:
        assert all(f"{column} = " in condition for column in ("department_id", "subject_kind", "subject_id")), condition
    used = {node["Index Name"] for node in by_index}
    assert {
        "access_key_by_digest",
        "station_by_id",
        "head_pkey",
        "air_source_by_station",
        "directory_by_value",
    } <= used
