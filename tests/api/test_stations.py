"""Stations over HTTP."""

import uuid

from fill_ledger.trade.events.county import Role
from tests.api.clients import problem_in
from tests.support.county import County


async def test_a_station_is_registered_once_and_listed(county: County) -> None:
    body = {"name": "Quarry Road", "code": "S9", "station_kind": "mobile", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post("/v1/stations", json=body)
        again = await client.post("/v1/stations", json=body)
        listed = await client.get("/v1/stations", params={"station_kind": "mobile"})
    assert first.status_code == 201, first.text
    assert again.status_code == 200
    assert again.json()["ledger_position"] == first.json()["ledger_position"]
    assert [station["code"] for station in listed.json()["items"]] == ["S9"]


async def test_keys_open_only_their_own_doors(county: County) -> None:
    closing = {"reason": "Compressor room is being rebuilt."}
    path = f"/v1/stations/{county.own.station_id}/closures"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.post(path, json=closing), 404, "not-found")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.post(path, json=closing), 403, "not-permitted")
    async with county.client(None) as client:
        problem_in(await client.get("/v1/stations"), 401, "not-authenticated")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        assert (await client.post(path, json=closing)).status_code == 201
        problem_in(await client.post(path, json=closing), 409, "conflict")
