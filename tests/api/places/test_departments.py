"""Departments over HTTP: registered once by the operator, listed for all, corrected; codes are unique in the county."""

import uuid

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

QUARRY = {"name": "Quarry Fire Department", "code": "QFD", "time_zone": "America/Chicago"}


async def test_a_department_is_registered_once_and_shown(county: County) -> None:
    body = {**QUARRY, "event_id": str(uuid.uuid4())}
    async with county.client(county.keys[Role.OPERATOR]) as client:
        first = await client.post("/v1/departments", json=body)
        again = await client.post("/v1/departments", json=body)
        other = await client.post("/v1/departments", json={**body, "name": "Another"})
        department_id = first.json()["subject_id"]
        shown = await client.get(f"/v1/departments/{department_id}")
        unchanged = await client.get(
            f"/v1/departments/{department_id}", headers={"if-none-match": shown.headers["etag"]}
        )
    assert (first.status_code, again.status_code) == (201, 200), first.text
    assert again.json()["ledger_position"] == first.json()["ledger_position"]
    assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}
    document = shown.json()
    assert {key: document[key] for key in QUARRY} == QUARRY
    assert document["department_id"] == department_id
    assert unchanged.status_code == 304


async def test_the_list_names_the_whole_county_and_can_be_asked_by_code(county: County) -> None:
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        listed = (await client.get("/v1/departments")).json()["items"]
        page = await client.get("/v1/departments", params={"limit": 1})
        rest = await client.get(page.links["next"]["url"])
        found = (await client.get("/v1/departments", params={"code": "NEIGH"})).json()["items"]
        neighbour = await client.get(f"/v1/departments/{county.neighbour.department_id}")
    assert [department["code"] for department in listed] == ["NEIGH", "OWN"]
    assert page.json()["items"] + rest.json()["items"] == listed
    assert [department["department_id"] for department in found] == [str(county.neighbour.department_id)]
    assert neighbour.json() == found[0]


async def test_a_new_department_can_begin_its_ledger_under_the_default_policy(county: County) -> None:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        department_id = (await client.post("/v1/departments", json=QUARRY)).json()["subject_id"]
        policy = await client.get(f"/v1/departments/{department_id}/policy")
        station = {"name": "One", "code": "S1", "station_kind": "fixed", "department_id": department_id}
        registered = await client.post("/v1/stations", json=station)
        shown = await client.get(f"/v1/stations/{registered.json()['subject_id']}")
    assert policy.json()["starts_at"] is None
    assert registered.json()["ledger_position"] == 1
    assert shown.json()["time_zone"] == QUARRY["time_zone"]


async def test_what_contradicts_the_county_is_refused_with_every_reason(county: County) -> None:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        taken = await client.post(
            "/v1/departments", json={"name": "Second", "code": "OWN", "time_zone": "America/Nowhere"}
        )
        again = await client.post("/v1/departments", json={**QUARRY, "department_id": str(county.own.department_id)})
    assert places(problem_in(taken, 409, "conflict")) == {("/code", "code-taken"), ("/time_zone", "no-such-time-zone")}
    assert places(problem_in(again, 409, "conflict")) == {("/department_id", "already-registered")}


async def test_zones_of_this_machine_alone_are_no_time_zones(county: County) -> None:
    path = f"/v1/departments/{county.own.department_id}/corrections"
    async with county.client(county.keys[Role.OPERATOR]) as client:
        for zone in ("localtime", "America", "america/new_york", "EST5EDT/", "../UTC"):
            refused = await client.post(path, json={"time_zone": zone})
            assert refused.status_code == 422, zone
        linked = await client.post(path, json={"time_zone": "US/Eastern"})
    assert linked.status_code == 201, linked.text


async def test_details_are_corrected(county: County) -> None:
    path = f"/v1/departments/{county.own.department_id}"
    async with county.client(county.keys[Role.OPERATOR]) as client:
        before = await client.get(path)
        corrected = await client.post(f"{path}/corrections", json={"name": "Renamed"})
        after = await client.get(path)
        nothing = await client.post(f"{path}/corrections", json={})
        nobody = await client.post(f"/v1/departments/{uuid.uuid4()}/corrections", json={"name": "X"})
        early = await client.post(f"{path}/corrections", json={"name": "X", "occurred_at": "2001-01-01T00:00:00Z"})
    assert corrected.status_code == 201
    assert (after.json()["name"], after.json()["code"]) == ("Renamed", "OWN")
    assert after.headers["etag"] != before.headers["etag"]
    problem_in(nothing, 422, "not-processable")
    problem_in(nobody, 404, "not-found")
    assert places(problem_in(early, 422, "not-processable")) == {("/occurred_at", "too-early")}


async def test_only_the_operator_registers_and_faults_are_told_together(county: County) -> None:
    for role in (Role.OFFICER, Role.TECHNICIAN, Role.INTEGRATOR, Role.ANALYST, Role.CONTROLLER):
        async with county.client(county.own.keys[role]) as client:
            problem_in(await client.post("/v1/departments", json=QUARRY), 403, "not-permitted")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get("/v1/departments"), 403, "not-permitted")
    async with county.client(county.keys[Role.OPERATOR]) as client:
        faulty = await client.post("/v1/departments", json={"name": "", "code": "q f d", "colour": "red"})
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/name",
        "/code",
        "/time_zone",
        "/colour",
    }
