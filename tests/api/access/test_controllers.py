"""Controllers over HTTP: registered with their first key, which opens that station and nothing else."""

import uuid

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

PATH = "/v1/controllers"


async def test_a_controller_comes_with_its_first_key_shown_once(county: County) -> None:
    body = {"label": "Second panel", "station_id": str(county.own.station_id), "event_id": str(uuid.uuid4())}
    async with county.client(county.keys[Role.OPERATOR]) as client:
        first = await client.post(PATH, json=body)
        again = await client.post(PATH, json=body)
        other = await client.post(PATH, json={**body, "label": "Third panel"})
        shown = await client.get(f"{PATH}/{first.json()['subject_id']}")
    assert (first.status_code, again.status_code) == (201, 200), again.text
    assert first.json()["plain_key"].startswith("flk_")
    assert again.json()["plain_key"] is None
    assert "cannot be shown again" in again.json()["note"]
    for name in ("subject_id", "key_id", "event_id", "ledger_position"):
        assert again.json()[name] == first.json()[name]
    assert ("/event_id", "event-id-taken") in places(problem_in(other, 409, "conflict"))
    document = shown.json()
    assert (document["station_id"], document["role"]) == (str(county.own.station_id), "controller")
    assert document["department_ids"] == [str(county.own.department_id)]
    assert [key["standing"] for key in document["keys"]] == ["current"]
    async with county.client(first.json()["plain_key"]) as controller:
        problem_in(await controller.get("/v1/stations"), 403, "not-permitted")
        unknown = await controller.post("/v1/member-sessions", json={"card_value": "0042"})
        problem_in(unknown, 422, "member-not-identified")


async def test_fourteen_controllers_are_keyed_one_after_the_other(county: County) -> None:
    keys: set[str] = set()
    async with county.client(county.keys[Role.OPERATOR]) as client:
        for number in range(14):
            station = county.own.station_id if number % 2 else county.neighbour.station_id
            answered = await client.post(PATH, json={"label": f"Panel {number}", "station_id": str(station)})
            assert answered.status_code == 201, answered.text
            keys.add(answered.json()["plain_key"])
        own = await client.get(PATH, params={"station_id": str(county.own.station_id), "limit": 500})
        department = await client.get(PATH, params={"department_id": str(county.own.department_id), "limit": 500})
    assert len(keys) == 14
    assert len(own.json()["items"]) == 8  # seven new ones and the county's own
    assert own.json()["items"] == department.json()["items"]


async def test_what_is_no_station_or_no_controller_is_refused(county: County) -> None:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        unknown = await client.post(PATH, json={"label": "Panel", "station_id": str(uuid.uuid4())})
        past = await client.post(
            PATH,
            json={
                "label": "Panel",
                "station_id": str(county.own.station_id),
                "key_expires_at": "2020-01-01T00:00:00Z",
            },
        )
        malformed = await client.post(PATH, json={"station_id": 7, "department_id": "x"})
        officer = county.own.keys[Role.OFFICER].principal_id
        problem_in(await client.get(f"{PATH}/{officer}"), 404, "not-found")
        problem_in(await client.post(f"{PATH}/{officer}/deactivations", json={}), 404, "not-found")
        listed = await client.get(PATH, params={"limit": 500})
    assert places(problem_in(unknown, 422, "not-processable")) == {("/station_id", "station-unknown")}
    assert ("/key_expires_at", "expiry-past") in places(problem_in(past, 422, "not-processable"))
    assert {place for place, _ in places(problem_in(malformed, 422, "invalid-body"))} == {
        "/station_id",
        "/department_id",
        "/label",
    }
    # The one whose key would have expired was taken neither as a controller nor as a key.
    assert {item["label"] for item in listed.json()["items"]} == {"OWN controller", "NEIGH controller"}


async def test_a_deactivated_controller_is_locked_out_at_once(county: County) -> None:
    key = county.own.keys[Role.CONTROLLER]
    async with county.client(key) as controller, county.client(county.keys[Role.OPERATOR]) as operator:
        path = f"{PATH}/{key.principal_id}/deactivations"
        assert (await operator.post(path, json={"reason": "replaced"})).status_code == 201
        refused = await controller.post("/v1/member-sessions", json={"card_value": "0042"})
        active = await operator.get(PATH, params={"active": "true"})
    assert "deactivated" in problem_in(refused, 401, "not-authenticated")["detail"]
    assert [item["label"] for item in active.json()["items"]] == ["NEIGH controller"]
