"""Telling other departments: once, whoever is stopped in between, and with the state that the teller had."""

import asyncio
import uuid

import pytest

from fill_ledger.intake import outbox
from fill_ledger.intake.keeping import PURPOSE_FILL_RETRACTED, PURPOSE_FILLED_ELSEWHERE, PURPOSE_TRANSFERRED_IN
from fill_ledger.intake.lane import Lanes
from fill_ledger.intake.outbox import Outbox, event_id_elsewhere
from fill_ledger.ledger.read import RecordedEvent, event_by_id, seeing
from fill_ledger.trade.events import corrections, cylinders, fills
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.views.folding import decode_state
from fill_ledger.views.source import DatabaseSource
from tests.support.county import County


async def event_of(county: County, department_id: uuid.UUID, event_id: uuid.UUID) -> RecordedEvent | None:
    """Return an event of a department."""
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        return await event_by_id(connection, department_id, event_id)


async def cylinder_state(county: County, department_id: uuid.UUID, cylinder_id: uuid.UUID) -> CylinderState:
    """Return what a department's ledger has for a cylinder."""
    subject = Subject(SubjectKind.CYLINDER, cylinder_id)
    async with county.parts.database.lookups.acquire() as connection:
        stored = await DatabaseSource(connection, department_id).states([subject])
    state: CylinderState = decode_state(SubjectKind.CYLINDER, stored[subject].state)
    return state


async def waiting(county: County) -> int:
    """Return how many rows of the outbox of both departments are not delivered."""
    departments = (county.own.department_id, county.neighbour.department_id)
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, departments):
        number: int = await connection.fetchval("SELECT count(*) FROM ledger.outbox WHERE delivered_at IS NULL")
    return number


class BrokenLanes(Lanes):
    """Lanes whose process dies after the other ledger has been written and before the row is marked."""

    async def record(self, unit: object) -> object:  # type: ignore[override]  # never returns
        await super().record(unit)  # type: ignore[arg-type]
        raise ConnectionError("killed")


async def fill_of_neighbour(county: County, cylinder_id: uuid.UUID) -> uuid.UUID:
    """Fill a neighbour's cylinder at the own station and return the id of the event."""
    event_id = uuid.uuid4()
    await county.record(
        fills.Filled(cylinder_id=cylinder_id, start_psi=300, end_psi=2100),
        station_id=county.own.station_id,
        event_ids=[event_id],
    )
    return event_id


async def test_a_fill_of_a_neighbours_cylinder_reaches_its_owner_once(county: County) -> None:
    cylinder_id = await county.cylinder(department_id=county.neighbour.department_id)
    event_id = await fill_of_neighbour(county, cylinder_id)
    killed = Outbox(county.parts.database.writes, BrokenLanes(county.parts.lanes._recorder))
    with pytest.raises(ConnectionError):
        await killed.deliver()
    assert await waiting(county) == 1
    # Two processes at once, after one that was killed half way.
    other = Outbox(county.parts.database.writes, Lanes(county.parts.lanes._recorder))
    await asyncio.gather(county.parts.outbox.deliver(), other.deliver())
    assert await waiting(county) == 0
    assert await county.parts.outbox.deliver() == 0
    here = await event_of(county, county.own.department_id, event_id)
    there = await event_of(
        county, county.neighbour.department_id, event_id_elsewhere(event_id, PURPOSE_FILLED_ELSEWHERE)
    )
    assert here is not None
    assert there is not None
    body = there.event.body
    assert isinstance(body, fills.FilledElsewhere)
    assert (body.at_event_id, body.at_position, body.at_digest) == (
        event_id,
        here.ledger_position,
        here.chain_digest.hex(),
    )
    assert (body.at_department_id, body.at_station_id) == (county.own.department_id, county.own.station_id)
    assert there.event.effective_at == here.event.effective_at
    state = await cylinder_state(county, county.neighbour.department_id, cylinder_id)
    assert state.fills_total == 1
    assert state.last_fill is not None
    assert state.last_fill.end_psi == 2100


async def test_a_fill_taken_back_is_taken_back_at_the_owners_too(county: County) -> None:
    cylinder_id = await county.cylinder(department_id=county.neighbour.department_id)
    event_id, retraction_id = await fill_of_neighbour(county, cylinder_id), uuid.uuid4()
    await county.record(
        corrections.EventRetracted(retracted_event_id=event_id, reason="Wrong cylinder."), event_ids=[retraction_id]
    )
    assert await county.parts.outbox.deliver() == 2
    state = await cylinder_state(county, county.neighbour.department_id, cylinder_id)
    assert (state.fills_total, state.last_fill) == (0, None)
    there = await event_of(
        county, county.neighbour.department_id, event_id_elsewhere(retraction_id, PURPOSE_FILL_RETRACTED)
    )
    assert there is not None


async def test_a_transferred_cylinder_brings_its_state(county: County) -> None:
    cylinder_id = await county.cylinder()
    standing, ended, transfer_id = uuid.uuid4(), uuid.uuid4(), uuid.uuid4()
    await county.record(
        cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=standing, hold_kind="damage", reason="Dent."),
        cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=ended, hold_kind="air", reason="Sample."),
        cylinders.CylinderHoldReleased(cylinder_id=cylinder_id, hold_id=ended, reason="Sample passed."),
    )
    await county.record(
        cylinders.CylinderTransferredOut(
            cylinder_id=cylinder_id, to_department_id=county.neighbour.department_id, note="Sold."
        ),
        event_ids=[transfer_id],
    )
    assert await county.parts.outbox.deliver() == 1
    before = await cylinder_state(county, county.own.department_id, cylinder_id)
    after = await cylinder_state(county, county.neighbour.department_id, cylinder_id)
    assert before.transferred_to == county.neighbour.department_id
    assert after.details == before.details
    assert [known.stamp for known in after.requalifications] == [known.stamp for known in before.requalifications]
    assert [hold.hold_id for hold in after.holds] == [standing]
    assert after.condemned_at is None
    assert after.inventory_number is not None
    there = await event_of(
        county, county.neighbour.department_id, event_id_elsewhere(transfer_id, PURPOSE_TRANSFERRED_IN)
    )
    assert there is not None
    assert there.event.inventory_number == after.inventory_number


async def test_a_transferred_cylinder_keeps_its_tag_and_is_judged_by_its_new_owners_record(county: County) -> None:
    tag = "iso15693:E0040100000000B7"
    cylinder_id = await county.cylinder(tag=tag)
    await county.record(
        cylinders.CylinderTransferredOut(cylinder_id=cylinder_id, to_department_id=county.neighbour.department_id)
    )
    assert await county.parts.outbox.deliver() == 1
    for known_as in (fills.Filled(tag=tag, end_psi=2000), fills.Filled(cylinder_id=cylinder_id, end_psi=2000)):
        for department in (county.own, county.neighbour):
            event_id = uuid.uuid4()
            await county.record(
                known_as,
                event_ids=[event_id],
                department_id=department.department_id,
                station_id=department.station_id,
            )
            taken = await event_of(county, department.department_id, event_id)
            assert taken is not None
            judgement = taken.event.judgement
            assert judgement is not None
            assert judgement.cylinder_id == cylinder_id
            assert judgement.owner_department_id == county.neighbour.department_id
            assert "transferred" not in judgement.reasons
    assert await county.parts.outbox.deliver() == 2


async def test_the_worker_delivers_until_it_is_stopped(county: County) -> None:
    cylinder_id = await county.cylinder(department_id=county.neighbour.department_id)
    county.parts.outbox.start()
    await fill_of_neighbour(county, cylinder_id)
    async with asyncio.timeout(20):
        while await waiting(county):  # noqa: ASYNC110 - what is waited for is in the database
            await asyncio.sleep(0.05)
    await county.parts.outbox.stop()
    await fill_of_neighbour(county, cylinder_id)
    assert await waiting(county) == 1


async def test_what_cannot_be_told_holds_up_nobody(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    cylinder_id = await county.cylinder(department_id=county.neighbour.department_id)
    first, second = [await fill_of_neighbour(county, cylinder_id) for _ in range(2)]
    compose = outbox._BODIES[PURPOSE_FILLED_ELSEWHERE]

    def fail_once(row: outbox.Waiting) -> Body:
        if row.event.event_id == first:
            raise AssertionError("cannot be composed")
        return compose(row)

    with monkeypatch.context() as patched:
        patched.setitem(outbox._BODIES, PURPOSE_FILLED_ELSEWHERE, fail_once)
        assert await county.parts.outbox.deliver() == 1
    told = event_id_elsewhere(second, PURPOSE_FILLED_ELSEWHERE)
    assert await event_of(county, county.neighbour.department_id, told) is not None
    assert await county.parts.outbox.deliver() == 1
