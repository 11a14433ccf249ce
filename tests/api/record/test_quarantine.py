"""Facts kept beside: listed, counted, and opened for those who may."""

import base64
import json
import uuid

from fill_ledger.trade.events.county import Role
from tests.api.clients import problem_in
from tests.support.county import County
from tests.support.facts import fill


async def test_kept_facts_come_back_byte_for_byte(county: County) -> None:
    garbage = b'{"type": "cylinder.filled", "note": "\xff'
    first = fill({"end_psi": 2000})
    other = {**first, "body": {"end_psi": 1900}}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        await client.post("/v1/fills", content=garbage)
        await client.post("/v1/fills", json={**first, "body": {"end_psi": "high"}})
        for sent in (first, other):
            await client.post("/v1/fills", json=sent)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        listed = (await client.get("/v1/quarantine")).json()["items"]
        beside = (await client.get("/v1/quarantine", params={"outcome": "conflict_kept"})).json()["items"]
        counts = await client.get("/v1/quarantine/counts")
        opened = [(await client.get(f"/v1/quarantine/{kept['event_id']}")).json() for kept in (listed[1], beside[0])]
        problem_in(await client.get(f"/v1/quarantine/{first['event_id']}"), 404, "not-found")
    assert listed[0]["claimed_event_id"] == first["event_id"]
    assert listed[0]["claimed_type"] == "cylinder.filled"
    assert "/body/end_psi" in listed[0]["reason"]
    assert listed[0]["station_id"] == str(county.own.station_id)
    assert counts.json() == {"quarantined": 2, "conflict_kept": 1}
    assert base64.b64decode(opened[0]["content"]) == garbage
    assert json.loads(base64.b64decode(opened[1]["content"])) == {"end_psi": 1900}
    async with county.client(county.own.keys[Role.INTEGRATOR]) as client:
        closed = (await client.get(f"/v1/quarantine/{listed[1]['event_id']}")).json()
    assert (closed["content"], closed["withheld"]) == (None, "not-permitted")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.get("/v1/quarantine"), 403, "not-permitted")
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        assert (await client.get("/v1/quarantine")).json()["items"] == []
        problem_in(await client.get(f"/v1/quarantine/{listed[1]['event_id']}"), 404, "not-found")
        problem_in(await client.get(f"/v1/quarantine/{uuid.uuid4()}"), 404, "not-found")
