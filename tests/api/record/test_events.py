"""The ledger over HTTP: events by position, one with its digests, and taking back what was mistaken."""

import base64
import hashlib
import uuid
from datetime import datetime

from fill_ledger.api.record.events import NOTHING_KNOWN
from fill_ledger.ledger.chain import link_digest
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.facts import fact, fill


async def test_a_ledger_is_followed_by_position(county: County) -> None:
    sent = fill({"cylinder_id": str(await county.cylinder()), "note": "Said A. Example."})
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        position = (await client.post("/v1/fills", json=sent)).json()["ledger_position"]
    subject = {"subject_kind": "cylinder", "subject_id": sent["body"]["cylinder_id"]}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.get("/v1/events", params={"limit": 2})
        second = await client.get(first.links["next"]["url"])
        last = await client.get("/v1/events", params={"after": position - 1})
        by_type = await client.get("/v1/events", params={"type": "cylinder.filled"})
        about = await client.get("/v1/events", params=subject)
        half = await client.get("/v1/events", params={"subject_kind": "cylinder"})
    assert [item["ledger_position"] for page in (first, second) for item in page.json()["items"]] == [1, 2, 3, 4]
    assert [item["event_id"] for item in last.json()["items"]] == [sent["event_id"]]
    assert last.json()["items"][0]["body"]["note"] == "Said A. Example."
    assert [item["event_id"] for item in by_type.json()["items"]] == [sent["event_id"]]
    assert [item["type"] for item in about.json()["items"]] == ["cylinder.registered", "cylinder.filled"]
    assert places(problem_in(half, 400, "invalid-query")) == {("subject_id", "missing-field")}
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        hidden = (await client.get("/v1/events", params={"after": position - 1})).json()["items"][0]
        other = await client.get("/v1/events", params={"department_id": str(county.neighbour.department_id)})
    assert (hidden["body"]["note"], hidden["sealed"]) == (None, ["note"])
    problem_in(other, 403, "not-permitted")
    async with county.client(county.keys[Role.ANALYST]) as client:
        problem_in(await client.get("/v1/events"), 422, "not-processable")


async def test_an_event_proves_its_own_place_in_the_chain(county: County) -> None:
    # RFC 8785 for the bytes, FIPS 180-4 for SHA-256: recomputed here from what the answers show.
    sent = fact("tag.read", {"tag": "0042"})
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        await client.post("/v1/intake", json={"facts": [sent, fact("tag.read", {"tag": "0043"})]})
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        one = (await client.get(f"/v1/events/{sent['event_id']}")).json()
        listed = await client.get("/v1/events", params={"after": one["ledger_position"]})
        following = (await client.get(f"/v1/events/{listed.json()['items'][0]['event_id']}")).json()
        problem_in(await client.get(f"/v1/events/{uuid.uuid4()}"), 404, "not-found")
    payload_digest = hashlib.sha256(base64.b64decode(following["canonical"])).digest()
    assert payload_digest.hex() == following["payload_digest"]
    recorded_at = datetime.fromisoformat(following["recorded_at"])
    link = link_digest(bytes.fromhex(one["chain_digest"]), following["ledger_position"], recorded_at, payload_digest)
    assert link.hex() == following["chain_digest"]
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(f"/v1/events/{sent['event_id']}"), 404, "not-found")


async def test_an_event_is_taken_back_even_before_it_comes(county: County) -> None:
    cylinder_id = str(await county.cylinder())
    early, late = fill({"cylinder_id": cylinder_id}), fill({"cylinder_id": cylinder_id})
    reason = {"reason": "Typed twice."}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        await client.post("/v1/fills", json=early)
        problem_in(await client.post(f"/v1/events/{early['event_id']}/retractions", json=reason), 403, "not-permitted")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post(f"/v1/events/{early['event_id']}/retractions", json=reason)
        before = await client.post(f"/v1/events/{late['event_id']}/retractions", json=reason)
        malformed = await client.post(f"/v1/events/{late['event_id']}/retractions", json={"reason": ""})
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        arrived = await client.post("/v1/fills", json=late)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        cylinder = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()
        event = (await client.get(f"/v1/events/{late['event_id']}")).json()
        own = first.json()["event_id"]
        refused = await client.post(f"/v1/events/{own}/retractions", json=reason)
    assert (first.status_code, before.status_code, arrived.status_code) == (201, 201, 201)
    assert arrived.json()["finding_ids"] == []
    assert cylinder["fills_total"] == 0
    assert (event["retracted"], event["retracted_by_event_id"]) == (True, before.json()["event_id"])
    assert places(problem_in(malformed, 422, "invalid-body")) == {("/reason", "too-short")}
    assert refused.status_code in (409, 422), refused.text


async def test_the_receipt_of_a_retraction_says_where_nothing_is_known_by_the_id(county: County) -> None:
    cylinder_id = str(await county.cylinder())
    sent = fill({"cylinder_id": cylinder_id})
    path = f"/v1/events/{sent['event_id']}/retractions"
    entry = {"reason": "Typed twice.", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        unknown = await client.post(path, json=entry)
        repeated = await client.post(path, json=entry)
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        await client.post("/v1/fills", json=sent)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        arrived = await client.post(path, json=entry)
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        # The event is known to its own department only, and the neighbour is told no more than that.
        elsewhere = await client.post(path, json={"reason": "Typed twice."})
    assert [each.status_code for each in (unknown, repeated, arrived, elsewhere)] == [201, 200, 200, 201]
    assert [each.json().get("note") for each in (unknown, repeated, arrived, elsewhere)] == [
        NOTHING_KNOWN,
        NOTHING_KNOWN,
        None,
        NOTHING_KNOWN,
    ]
