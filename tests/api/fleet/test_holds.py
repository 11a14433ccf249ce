"""Holds over HTTP: put on, listed with their reason for those who may read it, released."""

import uuid

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import CylinderHeld
from tests.api.clients import places, problem_in
from tests.support.county import County

REASON = "Avery Example dropped it from the rear step."


async def test_a_hold_bars_until_it_is_released(county: County) -> None:
    cylinder_id = await county.cylinder()
    body = {"hold_kind": "damage", "reason": REASON, "clears_by": "inspection", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        held = await client.post(f"/v1/cylinders/{cylinder_id}/holds", json=body)
        again = await client.post(f"/v1/cylinders/{cylinder_id}/holds", json=body)
        other = await client.post(f"/v1/cylinders/{cylinder_id}/holds", json={"hold_kind": "air", "reason": "Odour."})
        assert [each.status_code for each in (held, again, other)] == [201, 200, 201]
        hold_id = held.json()["subject_id"]
        listed = (await client.get("/v1/holds")).json()["items"]
        assert next((hold["hold_id"], hold["reason"]) for hold in listed) == (hold_id, REASON)
        assert len(listed) == 2
        assert (await client.get("/v1/cylinders", params={"standing": "held"})).json()["items"]
        release = {"reason": "No damage found.", "event_id": str(uuid.uuid4())}
        released = await client.post(f"/v1/holds/{hold_id}/releases", json=release)
        repeated = await client.post(f"/v1/holds/{hold_id}/releases", json=release)
        assert (released.status_code, repeated.status_code) == (201, 200)
        twice = await client.post(f"/v1/holds/{hold_id}/releases", json={"reason": "Again."})
        assert ("/hold_id", "hold-released") in places(problem_in(twice, 409, "conflict"))
        left = (await client.get("/v1/holds")).json()["items"]
        page = await client.get("/v1/holds", params={"limit": "1"})
    assert [hold["hold_kind"] for hold in left] == ["air"]
    assert page.json()["next_cursor"] is None


async def test_the_reason_stays_sealed_for_those_who_read_no_names(county: County) -> None:
    cylinder_id = await county.cylinder()
    hold_id = uuid.uuid4()
    await county.record(CylinderHeld(cylinder_id=cylinder_id, hold_id=hold_id, hold_kind="recall", reason=REASON))
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        sealed = (await client.get("/v1/holds")).json()["items"]
        problem_in(await client.post(f"/v1/holds/{hold_id}/releases", json={"reason": "x"}), 403, "not-permitted")
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        assert (await client.get("/v1/holds")).json()["items"] == []
        problem_in(await client.post(f"/v1/holds/{hold_id}/releases", json={"reason": "x"}), 404, "not-found")
        foreign = await client.post(f"/v1/cylinders/{cylinder_id}/holds", json={"hold_kind": "air", "reason": "x"})
        problem_in(foreign, 404, "not-found")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        opened = (await client.get("/v1/holds", params={"hold_kind": "recall"})).json()["items"]
        # A hold that came by another way than this interface is found by its own id as well.
        released = await client.post(f"/v1/holds/{hold_id}/releases", json={"reason": "Recall checked."})
    assert [(hold["reason"], hold["reason_erased"]) for hold in sealed] == [(None, False)]
    assert [hold["reason"] for hold in opened] == [REASON]
    assert released.status_code == 201


async def test_every_fault_of_a_hold_is_told(county: County) -> None:
    cylinder_id = await county.cylinder()
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        bad = await client.post(f"/v1/cylinders/{cylinder_id}/holds", json={"hold_kind": "bent", "reason": "", "y": 1})
    assert places(problem_in(bad, 422, "invalid-body")) == {
        ("/hold_kind", "not-a-choice"),
        ("/reason", "too-short"),
        ("/y", "unknown-field"),
    }
