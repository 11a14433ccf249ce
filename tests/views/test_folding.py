"""What is taken back leaves no trace in what decides, and numbers once given stay given."""

import uuid

import asyncpg
import pytest

from fill_ledger.database import Database
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import TagPaired
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.views.check import check_views
from fill_ledger.views.digests import state_digest, state_lines
from tests.support.ledgers import Ledger, claim_of, days_ago, open_ledger, registration

TAG = "iso15693:E004010000000F01"


async def found_by(ledger: Ledger, entry_kind: str, value: str) -> list[uuid.UUID | None]:
    async with ledger.database.lookups.acquire() as connection:
        rows = await connection.fetch("SELECT cylinder_id FROM lookup.directory($1, $2)", [entry_kind], [value])
    return [row["cylinder_id"] for row in rows]


async def retract(ledger: Ledger, event_id: uuid.UUID) -> None:
    recorded = await ledger.record(EventRetracted(retracted_event_id=event_id, reason="typed twice"))
    assert recorded.outcomes[0].outcome == "created"


async def test_a_cylinder_is_not_found_by_what_was_taken_back(database: Database, database_url: str) -> None:
    async with open_ledger(database) as ledger:
        cylinder_id = uuid.uuid4()
        registered = claim_of(registration(cylinder_id), occurred_at=days_ago(20))
        paired = claim_of(TagPaired(cylinder_id=cylinder_id, tag=TAG), occurred_at=days_ago(10))
        number = (await ledger.take(registered, paired)).outcomes[0].inventory_number or ""
        serial = registration(cylinder_id).details.serial
        known = {"tag": TAG, "cylinder_id": str(cylinder_id), "inventory_number": number, "serial": serial}
        for entry_kind, value in known.items():
            assert (entry_kind, await found_by(ledger, entry_kind, value)) == (entry_kind, [cylinder_id])
        await retract(ledger, paired.event_id)
        assert await found_by(ledger, "tag", TAG) == []
        assert await found_by(ledger, "serial", serial) == [cylinder_id]
        await retract(ledger, registered.event_id)
        for entry_kind, value in known.items():
            assert (entry_kind, await found_by(ledger, entry_kind, value)) == (entry_kind, [])
        assert (await check_views(database_url)).verdict == "sound"


async def test_a_fill_known_by_a_tag_whose_pairing_is_taken_back_is_nobodys(
    database: Database, database_url: str
) -> None:
    async with open_ledger(database) as ledger:
        cylinder_id = uuid.uuid4()
        paired = claim_of(TagPaired(cylinder_id=cylinder_id, tag=TAG), occurred_at=days_ago(10))
        await ledger.take(claim_of(registration(cylinder_id), occurred_at=days_ago(20)), paired)
        await ledger.record(Filled(tag=TAG, end_psi=2000), occurred_at=days_ago(5))
        columns = "SELECT cylinder_id, attributed_by FROM views.fill"
        assert [tuple(row) for row in await ledger.fetch(columns)] == [(cylinder_id, "tag")]
        await retract(ledger, paired.event_id)
        assert [tuple(row) for row in await ledger.fetch(columns)] == [(None, None)]
        assert (await ledger.state(Subject(SubjectKind.CYLINDER, cylinder_id))).fills_total == 0
        assert (await check_views(database_url)).verdict == "sound"


@pytest.mark.parametrize("retraction_comes_first", [True, False])
async def test_the_number_of_a_registration_taken_back_is_not_given_again(
    database: Database, database_url: str, retraction_comes_first: bool
) -> None:
    async with open_ledger(database) as ledger:
        mistaken = claim_of(registration(uuid.uuid4()), occurred_at=days_ago(5))
        painted = claim_of(registration(uuid.uuid4(), inventory_number="E-17"), occurred_at=days_ago(5))
        numbers = []
        if retraction_comes_first:
            await retract(ledger, mistaken.event_id)
            await retract(ledger, painted.event_id)
        recorded = await ledger.take(mistaken, painted)
        numbers += [outcome.inventory_number for outcome in recorded.outcomes]
        if not retraction_comes_first:
            await retract(ledger, mistaken.event_id)
            await retract(ledger, painted.event_id)
        # Dated before and after: a late entry takes its place among the facts, not among the numbers.
        for days in (20, 1):
            recorded = await ledger.record(registration(uuid.uuid4()), occurred_at=days_ago(days))
            numbers.append(recorded.outcomes[0].inventory_number)
        assert numbers == ["1", "E-17", "2", "3"]
        again = await ledger.record(registration(uuid.uuid4(), inventory_number="E-17"))
        assert [refusal.code for refusal in again.outcomes[0].refusals] == ["inventory-number-taken"]
        assert (await check_views(database_url)).verdict == "sound"


async def test_the_digest_leaves_out_numbers_and_whose_it_is_and_nothing_else(
    database: Database, owner_connection: asyncpg.Connection
) -> None:
    async def digest_of(ledger: Ledger) -> bytes:
        async with database.lookups.acquire() as connection:
            return await state_digest(connection, ledger.department_id)

    cylinder_id = uuid.uuid4()
    fill = claim_of(Filled(cylinder_id=cylinder_id, end_psi=2000, note="after the drill"), occurred_at=days_ago(1))
    registered = claim_of(registration(cylinder_id), occurred_at=days_ago(20))
    async with open_ledger(database) as one, open_ledger(database) as other:
        await one.take(registered)
        await other.take(claim_of(registration(cylinder_id), registered.event_id, occurred_at=registered.occurred_at))
        assert await digest_of(one) == await digest_of(other)
        await other.record(registration(uuid.uuid4()))
        assert await digest_of(one) != await digest_of(other)
        before = await digest_of(one)
        await one.take(fill)
        assert await digest_of(one) != before
        async with database.lookups.acquire() as connection, seeing(connection, (one.department_id,)):
            lines = [line async for line in state_lines(connection, one.department_id)]
        assert not any(str(one.department_id).encode() in line for line in lines)
        # A row that says something else than the facts, in a state or in a history, is another digest.
        for damage in (
            "UPDATE views.fill SET end_psi = 2001 WHERE department_id = $1",
            "UPDATE views.state SET state = replace(state::text, '2216', '2217')::json WHERE department_id = $1",
        ):
            before = await digest_of(one)
            await owner_connection.execute(damage, one.department_id)
            assert await digest_of(one) != before
