"""The invented county goes through the ledger's own append: whole, once, and judged as anything else would be."""

import os
import uuid
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta

import asyncpg
import pytest

from demo_seed.generator import History, invent_history
from demo_seed.plan import Plan, small_plan
from demo_seed.seeding import SeedingError, earlier_seeding, is_foreign, record_history
from fill_ledger.api.parts import Parts
from fill_ledger.app import make_parts
from fill_ledger.database import Database
from fill_ledger.intake.founding import record_entries
from fill_ledger.ledger.chain import Link, check_chain
from fill_ledger.ledger.handles import PermitReferences
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.trade.events.county import DepartmentRegistered
from fill_ledger.trade.identifiers import COUNTY_ID

DAYS = 60
KEY_RING = KeyRing(os.urandom(32))  # under it the history's permits are signed


@pytest.fixture(scope="module")
def plan() -> Plan:
    return small_plan((datetime.now(UTC) - timedelta(days=1)).date(), days=DAYS)


@pytest.fixture(scope="module")
def history(plan: Plan) -> History:
    return invent_history(plan, PermitReferences.from_key_ring(KEY_RING))


@pytest.fixture
async def parts(database: Database) -> AsyncIterator[Parts]:
    made = make_parts(database, KEY_RING)
    yield made
    await made.lanes.close()
    made.passcode_hasher.close()


async def heads(connection: asyncpg.Connection) -> dict[uuid.UUID, tuple[int, bytes]]:
    rows = await connection.fetch("SELECT department_id, ledger_position, chain_digest FROM ledger.head")
    return {row["department_id"]: (row["ledger_position"], row["chain_digest"]) for row in rows}


async def test_everything_is_recorded_once_with_sound_chains(
    parts: Parts, plan: Plan, history: History, owner_connection: asyncpg.Connection
) -> None:
    assert await earlier_seeding(parts.database, plan) is None
    counted: list[int] = []
    await record_history(parts.lanes, history, counted.append)
    assert sum(counted) == len(history)
    before = await heads(owner_connection)
    assert sum(position for position, _ in before.values()) == len(history)
    for department_id in before:
        rows = await owner_connection.fetch(
            """
            SELECT ledger_position, recorded_at, canonical, payload_digest, chain_digest
            FROM ledger.event WHERE department_id = $1 ORDER BY ledger_position
            """,
            department_id,
        )
        assert check_chain(department_id, [Link(**row) for row in rows]) == []

    await record_history(parts.lanes, history, lambda _count: None)
    assert await heads(owner_connection) == before
    earlier = await earlier_seeding(parts.database, plan)
    assert earlier is not None
    assert (earlier.is_complete, earlier.reference_day) == (True, plan.reference_day)
    assert not await is_foreign(parts.database, plan)


async def test_fills_are_judged_and_nearly_all_were_permitted(
    parts: Parts, history: History, owner_connection: asyncpg.Connection
) -> None:
    await record_history(parts.lanes, history, lambda _count: None)
    decisions = await owner_connection.fetchrow(
        """
        SELECT count(*) AS fills, count(*) FILTER (WHERE decision = 'permit') AS permitted,
            count(*) FILTER (WHERE cylinder_id IS NULL) AS unattributed
        FROM views.fill WHERE event_type = 'cylinder.filled'
        """
    )
    assert decisions is not None
    assert decisions["fills"] > 50
    assert decisions["permitted"] >= decisions["fills"] * 0.95
    assert decisions["unattributed"] == 0
    too_early = await owner_connection.fetchval(
        """
        SELECT count(*) FROM views.fill AS fill
        JOIN views.cylinder AS cylinder ON cylinder.department_id = fill.owner_department_id
            AND cylinder.cylinder_id = fill.cylinder_id
        WHERE fill.filled_at < cylinder.registered_at
        """
    )
    assert too_early == 0


async def test_the_permits_of_the_story_are_genuine_and_fit_their_fills(
    parts: Parts, history: History, owner_connection: asyncpg.Connection
) -> None:
    """Else most fills of the demonstration would be something to look at."""
    await record_history(parts.lanes, history, lambda _count: None)
    quoted = await owner_connection.fetchval("SELECT count(*) FROM views.fill WHERE permit_nonce IS NOT NULL")
    assert quoted > 50
    found = await owner_connection.fetch(
        "SELECT DISTINCT code FROM views.finding WHERE code LIKE 'permit-%' OR code = 'fill-not-asked'"
    )
    assert [row["code"] for row in found] == []


async def test_the_gauge_readings_of_the_story_give_nothing_to_look_at_but_for_its_mishaps(
    parts: Parts, history: History, owner_connection: asyncpg.Connection
) -> None:
    """Operators stop where the gas settles to the limit, and fill no faster than the habit of the trade."""
    await record_history(parts.lanes, history, lambda _count: None)
    found = await owner_connection.fetchval(
        """
        SELECT count(DISTINCT event_id) FROM views.finding
        WHERE code IN ('over-fill-limit', 'hose-rating-exceeded', 'regulator-setting-exceeded',
            'end-reading-impossible', 'start-above-end', 'duration-impossible', 'filled-too-fast',
            'gas-temperature-outside-table')
        """
    )
    fills = await owner_connection.fetchrow("SELECT count(*) AS all, count(settled_psi) AS settled FROM views.fill")
    assert fills is not None
    assert fills["settled"] >= fills["all"] * 0.9
    assert found <= 2


async def test_a_seeding_that_was_broken_off_is_taken_up_again(
    parts: Parts, plan: Plan, history: History, owner_connection: asyncpg.Connection
) -> None:
    class BrokenOffError(Exception):
        pass

    counted: list[int] = []

    def break_off(count: int) -> None:
        counted.append(count)
        if len(counted) == 4:
            raise BrokenOffError

    with pytest.raises((BrokenOffError, ExceptionGroup)):
        await record_history(parts.lanes, history, break_off)
    await parts.lanes.close()
    earlier = await earlier_seeding(parts.database, plan)
    assert earlier is not None
    assert (earlier.is_complete, earlier.reference_day) == (False, plan.reference_day)
    await record_history(parts.lanes, history, lambda _count: None)
    assert sum(position for position, _ in (await heads(owner_connection)).values()) == len(history)


async def test_a_refused_entry_is_not_passed_over(parts: Parts, history: History) -> None:
    # The cylinders come before their departments' stations when the first window is left out.
    cut = History(
        world=history.world,
        departments=history.departments,
        windows=history.windows[1:],
        principals=history.principals,
    )
    with pytest.raises((SeedingError, ExceptionGroup)) as caught:
        await record_history(parts.lanes, cut, lambda _count: None)
    assert "refused" in repr(caught.value)


async def test_departments_of_somebody_else_are_noticed(parts: Parts, plan: Plan) -> None:
    other = DepartmentRegistered(department_id=uuid.uuid4(), name="Another", code="OTHER", time_zone="UTC")
    await record_entries(parts.lanes, COUNTY_ID, (other,))
    assert await is_foreign(parts.database, plan)
