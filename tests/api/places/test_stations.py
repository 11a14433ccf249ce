"""Stations over HTTP."""

import asyncio
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.trade.events import county as county_events
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.api.clients import places, problem_in
from tests.support.county import TIME_ZONE, County

NEW: dict[str, Any] = {"name": "Quarry Road", "code": "S9", "station_kind": "mobile"}
CLOSING = {"reason": "Compressor room is being rebuilt."}


async def register(client: httpx.AsyncClient, **fields: Any) -> str:
    response = await client.post("/v1/stations", json={**NEW, **fields})
    assert response.status_code == 201, response.text
    station_id: str = response.json()["subject_id"]
    return station_id


async def test_a_station_is_registered_once_and_listed(county: County) -> None:
    body = {**NEW, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post("/v1/stations", json=body)
        again = await client.post("/v1/stations", json=body)
        listed = await client.get("/v1/stations", params={"station_kind": "mobile"})
    assert first.status_code == 201, first.text
    assert again.status_code == 200
    assert again.json()["ledger_position"] == first.json()["ledger_position"]
    assert [station["code"] for station in listed.json()["items"]] == ["S9"]


async def test_keys_open_only_their_own_doors(county: County) -> None:
    path = f"/v1/stations/{county.own.station_id}/closures"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.post(path, json=CLOSING), 404, "not-found")
        problem_in(await client.get(f"/v1/stations/{county.own.station_id}"), 404, "not-found")
        problem_in(
            await client.post(f"/v1/stations/{county.own.station_id}/corrections", json={"name": "X"}),
            404,
            "not-found",
        )
        named = {**NEW, "department_id": str(county.own.department_id)}
        problem_in(await client.post("/v1/stations", json=named), 403, "not-permitted")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.post(path, json=CLOSING), 403, "not-permitted")
    async with county.client(None) as client:
        problem_in(await client.get("/v1/stations"), 401, "not-authenticated")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        assert (await client.post(path, json=CLOSING)).status_code == 201
        problem_in(await client.post(path, json=CLOSING), 409, "conflict")


async def test_without_a_zone_the_department_s_is_written_down_and_stays(county: County) -> None:
    body = {**NEW, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post("/v1/stations", json=body)
        moved = county_events.DepartmentDetailsCorrected(
            department_id=county.own.department_id, time_zone="America/Denver"
        )
        await county.record(moved, department_id=COUNTY_ID)
        again = await client.post("/v1/stations", json=body)
        shown = await client.get(f"/v1/stations/{first.json()['subject_id']}")
        other = await register(client, code="S10")
        newer = await client.get(f"/v1/stations/{other}")
    assert again.status_code == 200, again.text
    assert shown.json()["time_zone"] == TIME_ZONE
    assert newer.json()["time_zone"] == "America/Denver"


async def test_a_department_that_does_not_exist_has_no_stations(county: County) -> None:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        for zone in ({}, {"time_zone": "America/Chicago"}):
            refused = await client.post("/v1/stations", json={**NEW, "department_id": str(uuid.uuid4()), **zone})
            assert places(problem_in(refused, 422, "not-processable")) == {("/department_id", "department-unknown")}


async def test_a_code_belongs_to_one_station_until_it_is_given_up(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        station_id = await register(client)
        taken = await client.post("/v1/stations", json={**NEW, "time_zone": "Mars/Olympus"})
        second = await register(client, code="S10")
        clash = await client.post(f"/v1/stations/{second}/corrections", json={"code": "S9"})
        moved = await client.post(f"/v1/stations/{station_id}/corrections", json={"code": "S11"})
        again = await client.post(f"/v1/stations/{second}/corrections", json={"code": "S9"})
        listed = (await client.get("/v1/stations", params={"code": "S9"})).json()["items"]
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        await register(client)
    assert places(problem_in(taken, 409, "conflict")) == {("/code", "code-taken"), ("/time_zone", "no-such-time-zone")}
    assert places(problem_in(clash, 409, "conflict")) == {("/code", "code-taken")}
    assert (moved.status_code, again.status_code) == (201, 201)
    assert [station["station_id"] for station in listed] == [second]


async def test_of_stations_registered_at_once_one_gets_the_code(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        answers = await asyncio.gather(*(client.post("/v1/stations", json=NEW) for _ in range(4)))
    assert sorted(answer.status_code for answer in answers) == [201, 409, 409, 409]


async def test_a_registration_taken_back_gives_its_code_free(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post("/v1/stations", json=NEW)
        await county.record(
            EventRetracted(retracted_event_id=uuid.UUID(first.json()["event_id"]), reason="Entered twice.")
        )
        station_id = await register(client)
        gone = await client.get(f"/v1/stations/{first.json()['subject_id']}")
        listed = (await client.get("/v1/stations", params={"code": "S9"})).json()["items"]
    problem_in(gone, 404, "not-found")
    assert [station["station_id"] for station in listed] == [station_id]


async def test_details_are_corrected_and_the_version_moves(county: County) -> None:
    path = f"/v1/stations/{county.own.station_id}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        before = await client.get(path)
        unchanged = await client.get(path, headers={"if-none-match": before.headers["etag"]})
        body = {"name": "Renamed", "event_id": str(uuid.uuid4())}
        corrected = await client.post(f"{path}/corrections", json=body)
        repeated = await client.post(f"{path}/corrections", json=body)
        after = await client.get(path, headers={"if-none-match": before.headers["etag"]})
        nothing = await client.post(f"{path}/corrections", json={})
        early = await client.post(f"{path}/corrections", json={"name": "X", "occurred_at": "2001-01-01T00:00:00Z"})
        nowhere = await client.get(f"/v1/stations/{uuid.uuid4()}")
    assert unchanged.status_code == 304
    assert (corrected.status_code, repeated.status_code, after.status_code) == (201, 200, 200)
    assert (after.json()["name"], after.json()["code"]) == ("Renamed", "S1")
    problem_in(nothing, 422, "not-processable")
    assert places(problem_in(early, 422, "not-processable")) == {("/occurred_at", "too-early")}
    problem_in(nowhere, 404, "not-found")


async def test_closed_and_opened_again_with_reasons_for_those_who_may_read_them(county: County) -> None:
    path = f"/v1/stations/{county.own.station_id}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        problem_in(await client.post(f"{path}/openings", json={}), 409, "conflict")
        closed = await client.post(f"{path}/closures", json=CLOSING)
        standing = (await client.get("/v1/stations", params={"closed": "true"})).json()["items"]
        shown = (await client.get(path)).json()
        early = (datetime.now(UTC) - timedelta(days=1)).isoformat()
        before = await client.post(f"{path}/openings", json={"occurred_at": early})
        opened = await client.post(f"{path}/openings", json={"reason": "Finished."})
        reclosed = await client.post(f"{path}/closures", json={**CLOSING, "occurred_at": early})
        after = (await client.get(path)).json()
        open_ones = (await client.get("/v1/stations", params={"closed": "false"})).json()["items"]
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        sealed = (await client.get(path)).json()
    assert (closed.status_code, opened.status_code) == (201, 201)
    assert [station["station_id"] for station in standing] == [str(county.own.station_id)]
    assert shown["closed_since"] is not None
    assert shown["closures"][0]["reason"] == CLOSING["reason"]
    assert places(problem_in(before, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert places(problem_in(reclosed, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert after["closed_since"] is None
    assert after["closures"][0]["ends_at"] is not None
    assert [station["closed_since"] for station in open_ones] == [None]
    assert sealed["closures"][0]["reason"] is None
    assert sealed["closures"][0]["reason_erased"] is False


async def test_a_station_shows_its_air_sources_and_changes_with_them(county: County) -> None:
    path = f"/v1/stations/{county.own.station_id}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        before = await client.get(path)
        await client.post(f"/v1/air-sources/{county.own.air_source_id}/outages", json={"reason": "Oil smell."})
        after = await client.get(path, headers={"if-none-match": before.headers["etag"]})
    assert [source["label"] for source in before.json()["air_sources"]] == ["Compressor"]
    assert before.json()["air_sources"][0]["out_of_service_since"] is None
    assert after.status_code == 200
    assert after.json()["air_sources"][0]["out_of_service_since"] is not None


async def test_a_closed_station_permits_nothing_at_once(county: County) -> None:
    question = {"cylinder_id": str(await county.cylinder()), "member_id": str(county.own.member_id)}
    async with (
        county.client(county.own.keys[Role.CONTROLLER]) as station,
        county.client(county.own.keys[Role.OFFICER]) as officer,
    ):
        before = await station.get("/v1/eligibility", params=question)
        await officer.post(f"/v1/stations/{county.own.station_id}/closures", json=CLOSING)
        closed = await station.get("/v1/eligibility", params=question)
        await officer.post(f"/v1/stations/{county.own.station_id}/openings", json={})
        after = await station.get("/v1/eligibility", params=question)
    assert (before.json()["decision"], after.json()["decision"]) == ("permit", "permit"), before.text
    assert closed.json()["code"] == "station-closed"


async def test_pages_follow_each_other_by_department_and_code(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for code in ("S3", "S2", "S4"):
            await register(client, code=code)
    async with county.client(county.keys[Role.ANALYST]) as client:
        listed = (await client.get("/v1/stations")).json()["items"]
        found, url = [], "/v1/stations?limit=2"
        while url:
            page = await client.get(url)
            found += page.json()["items"]
            url = page.links["next"]["url"] if "next" in page.links else ""
    assert found == listed
    own = [station["code"] for station in found if station["department_id"] == str(county.own.department_id)]
    assert own == ["S1", "S2", "S3", "S4"]
    assert len(found) == 5


async def test_faults_are_told_together(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        faulty = await client.post("/v1/stations", json={"name": 7, "code": "s 9", "station_kind": "boat", "x": 1})
        empty = await client.post(f"/v1/stations/{county.own.station_id}/closures", json={"reason": ""})
        query = await client.get("/v1/stations", params={"closed": "maybe", "colour": "red"})
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/name",
        "/code",
        "/station_kind",
        "/x",
    }
    assert {place for place, _ in places(problem_in(empty, 422, "invalid-body"))} == {"/reason"}
    assert {place for place, _ in places(problem_in(query, 400, "invalid-query"))} == {"closed", "colour"}


async def test_a_controller_learns_what_is_at_its_own_station(county: County) -> None:
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        first = await client.get("/v1/own-station")
        again = await client.get("/v1/own-station", headers={"If-None-Match": first.headers["etag"]})
    station = first.json()
    assert station["station_id"] == str(county.own.station_id)
    assert [source["air_source_id"] for source in station["air_sources"]] == [str(county.own.air_source_id)]
    assert again.status_code == 304
