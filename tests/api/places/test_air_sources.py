"""Air sources over HTTP: registered, listed, shown, taken out of service and returned."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

BOTTLE: dict[str, Any] = {"label": "Bottle 1", "water_volume_ml": 43_000, "service_pressure_psi": 6000}
OUTAGE = {"reason": "Carbon monoxide alarm; cause not found yet."}


def bank_at(station_id: uuid.UUID, **fields: Any) -> dict[str, Any]:
    return {
        "station_id": str(station_id),
        "air_source_kind": "storage_bank",
        "label": "Cascade",
        "bottles": [BOTTLE, {**BOTTLE, "label": "Bottle 2"}],
        **fields,
    }


async def register(client: httpx.AsyncClient, body: dict[str, Any]) -> str:
    response = await client.post("/v1/air-sources", json=body)
    assert response.status_code == 201, response.text
    air_source_id: str = response.json()["subject_id"]
    return air_source_id


async def test_a_bank_is_registered_once_with_its_bottles_and_shown(county: County) -> None:
    body = bank_at(county.own.station_id, event_id=str(uuid.uuid4()))
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post("/v1/air-sources", json=body)
        again = await client.post("/v1/air-sources", json=body)
        path = f"/v1/air-sources/{first.json()['subject_id']}"
        shown = await client.get(path)
        unchanged = await client.get(path, headers={"if-none-match": shown.headers["etag"]})
        station = (await client.get(f"/v1/stations/{county.own.station_id}")).json()
    assert (first.status_code, again.status_code) == (201, 200), first.text
    document = shown.json()
    assert (document["air_source_kind"], document["label"]) == ("storage_bank", "Cascade")
    assert [bottle["label"] for bottle in document["bottles"]] == ["Bottle 1", "Bottle 2"]
    assert len({bottle["bottle_id"] for bottle in document["bottles"]}) == 2
    assert {bottle["pressure_psi"] for bottle in document["bottles"]} == {None}
    assert unchanged.status_code == 304
    assert [source["label"] for source in station["air_sources"]] == ["Cascade", "Compressor"]


async def test_lists_are_filtered_and_paged(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        bank = await register(client, bank_at(county.own.station_id))
        await client.post(f"/v1/air-sources/{bank}/outages", json=OUTAGE)
        by_kind = (await client.get("/v1/air-sources", params={"air_source_kind": "storage_bank"})).json()["items"]
        out = (await client.get("/v1/air-sources", params={"out_of_service": "true"})).json()["items"]
        running = (await client.get("/v1/air-sources", params={"out_of_service": "false"})).json()["items"]
        elsewhere = (await client.get("/v1/air-sources", params={"station_id": str(uuid.uuid4())})).json()["items"]
    async with county.client(county.keys[Role.ANALYST]) as client:
        listed = (await client.get("/v1/air-sources")).json()["items"]
        found, url = [], "/v1/air-sources?limit=1"
        while url:
            page = await client.get(url)
            found += page.json()["items"]
            url = page.links["next"]["url"] if "next" in page.links else ""
        narrowed = (
            await client.get("/v1/air-sources", params={"department_id": str(county.neighbour.department_id)})
        ).json()["items"]
    assert [source["air_source_id"] for source in by_kind] == [bank] == [source["air_source_id"] for source in out]
    assert [source["air_source_id"] for source in running] == [str(county.own.air_source_id)]
    assert running[0]["last_sample_verdict"] == "pass"
    assert elsewhere == []
    assert found == listed
    assert len(listed) == 3
    assert [source["air_source_id"] for source in narrowed] == [str(county.neighbour.air_source_id)]


async def test_what_contradicts_the_station_is_refused_with_every_reason(county: County) -> None:
    bottle_id = str(uuid.uuid4())
    twice = [{**BOTTLE, "bottle_id": bottle_id}, {**BOTTLE, "bottle_id": bottle_id}]
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        nowhere = await client.post("/v1/air-sources", json=bank_at(uuid.uuid4()))
        compressor = await client.post(
            "/v1/air-sources",
            json=bank_at(
                county.own.station_id,
                air_source_kind="compressor",
                bottles=twice,
                air_source_id=str(county.own.air_source_id),
            ),
        )
    assert places(problem_in(nowhere, 422, "not-processable")) == {("/station_id", "station-unknown")}
    assert places(problem_in(compressor, 409, "conflict")) == {
        ("/air_source_id", "already-registered"),
        ("/bottles", "not-a-storage-bank"),
        ("/bottles/1/bottle_id", "named-twice"),
    }


async def test_out_of_service_and_returned(county: County) -> None:
    path = f"/v1/air-sources/{county.own.air_source_id}"
    question = {"cylinder_id": str(await county.cylinder()), "member_id": str(county.own.member_id)}
    early = (datetime.now(UTC) - timedelta(days=1)).isoformat()
    async with (
        county.client(county.own.keys[Role.CONTROLLER]) as station,
        county.client(county.own.keys[Role.OFFICER]) as officer,
    ):
        problem_in(await officer.post(f"{path}/returns", json={}), 409, "conflict")
        body = {**OUTAGE, "event_id": str(uuid.uuid4())}
        out = await officer.post(f"{path}/outages", json=body)
        again = await officer.post(f"{path}/outages", json=body)
        twice = await officer.post(f"{path}/outages", json=OUTAGE)
        denied = (await station.get("/v1/eligibility", params=question)).json()
        before = await officer.post(f"{path}/returns", json={"occurred_at": early})
        back = await officer.post(f"{path}/returns", json={"reason": "Intake moved away from the apparatus bay."})
        permitted = (await station.get("/v1/eligibility", params=question)).json()
        shown = (await officer.get(path)).json()
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        sealed = (await client.get(path)).json()
    assert (out.status_code, again.status_code, back.status_code) == (201, 200, 201)
    assert places(problem_in(before, 422, "not-processable")) == {("/occurred_at", "too-early")}
    problem_in(twice, 409, "conflict")
    assert denied["code"] == "air-source-out-of-service"
    assert permitted["decision"] == "permit"
    assert shown["out_of_service_since"] is None
    assert shown["outages"][0]["reason"] == OUTAGE["reason"]
    assert sealed["outages"][0]["reason"] is None


async def test_keys_and_faults(county: County) -> None:
    path = f"/v1/air-sources/{county.own.air_source_id}"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path), 404, "not-found")
        problem_in(await client.post(f"{path}/outages", json=OUTAGE), 404, "not-found")
        problem_in(await client.post(f"{path}/returns", json={}), 404, "not-found")
        other = await client.post("/v1/air-sources", json=bank_at(county.own.station_id))
        assert places(problem_in(other, 422, "not-processable")) == {("/station_id", "station-unknown")}
        listed = (await client.get("/v1/air-sources")).json()["items"]
    assert [source["air_source_id"] for source in listed] == [str(county.neighbour.air_source_id)]
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post("/v1/air-sources", json=bank_at(county.own.station_id)), 403, "not-permitted")
        problem_in(await client.post(f"{path}/outages", json=OUTAGE), 403, "not-permitted")
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        faulty = await client.post(
            "/v1/air-sources",
            json={
                "station_id": "S1",
                "air_source_kind": "pump",
                "bottles": [{**BOTTLE, "service_pressure_psi": 20_000, "water_volume_ml": 9.5}],
            },
        )
        problem_in(await client.get(f"/v1/air-sources/{uuid.uuid4()}"), 404, "not-found")
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/station_id",
        "/air_source_kind",
        "/label",
        "/bottles/0/service_pressure_psi",
        "/bottles/0/water_volume_ml",
    }
