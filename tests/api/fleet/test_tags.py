"""Tags over HTTP: pair, move, remove, list."""

import uuid

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

TAG = "iso15693:E004010012345678"


async def test_a_tag_is_paired_moved_when_told_and_removed(county: County) -> None:
    first, second = await county.cylinder(), await county.cylinder()
    body = {"tag": "e0 04 01 00 12 34 56 78", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        assert (await client.post(f"/v1/cylinders/{first}/tags", json=body)).status_code == 201
        asked = await client.post(f"/v1/cylinders/{second}/tags", json={"tag": TAG})
        document = problem_in(asked, 409, "conflict")
        assert ("/tag", "tag-on-another-cylinder") in places(document)
        assert document["cylinder_id"] == str(first)
        moved = await client.post(f"/v1/cylinders/{second}/tags", json={"tag": TAG, "tag_moves": True})
        assert moved.status_code == 201
        # The same entry sent again is the same entry, although the tag has moved on since.
        assert (await client.post(f"/v1/cylinders/{first}/tags", json=body)).status_code == 200
        wrong = await client.post(f"/v1/cylinders/{first}/tag-removals", json={"tag": TAG})
        assert ("/tag", "tag-not-on-cylinder") in places(problem_in(wrong, 409, "conflict"))
        removal = {"tag": TAG, "event_id": str(uuid.uuid4())}
        removed = await client.post(f"/v1/cylinders/{second}/tag-removals", json=removal)
        again = await client.post(f"/v1/cylinders/{second}/tag-removals", json=removal)
        assert (removed.status_code, again.status_code) == (201, 200)
        tags = (await client.get(f"/v1/cylinders/{first}")).json()["tags"]
        listed = (await client.get("/v1/tags", params={"tag": "E0:04:01:00:12:34:56:78"})).json()["items"]
    assert [(tag["tag"], tag["unpaired_at"] is not None) for tag in tags] == [(TAG, True)]
    assert [(tag["tag"], tag["cylinder_id"]) for tag in listed] == [(TAG, None)]


async def test_an_id_used_before_is_refused_and_nothing_is_kept_beside(county: County) -> None:
    cylinder_id = await county.cylinder()
    event_id = str(uuid.uuid4())
    path = f"/v1/cylinders/{cylinder_id}/tags"
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        await client.post(path, json={"tag": "label:R-1", "event_id": event_id})
        used = await client.post(path, json={"tag": "label:R-2", "event_id": event_id})
        history = (await client.get(f"/v1/cylinders/{cylinder_id}/history")).json()["items"]
    assert ("/event_id", "event-id-taken") in places(problem_in(used, 409, "conflict"))
    assert [entry["type"] for entry in history] == ["cylinder.registered", "tag.paired"]


async def test_what_is_no_tag_and_what_is_no_cylinder_of_ours(county: County) -> None:
    cylinder_id = await county.cylinder()
    path = f"/v1/cylinders/{cylinder_id}/tags"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        blank = await client.post(path, json={"tag": "00000000"})
        assert {place for place, _ in places(problem_in(blank, 422, "not-processable"))} == {"/tag"}
        problem_in(await client.post(f"/v1/cylinders/{uuid.uuid4()}/tags", json={"tag": TAG}), 404, "not-found")
        problem_in(await client.get("/v1/tags", params={"tag": "00000000"}), 400, "invalid-query")
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.post(path, json={"tag": TAG}), 404, "not-found")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post(path, json={"tag": TAG}), 403, "not-permitted")
