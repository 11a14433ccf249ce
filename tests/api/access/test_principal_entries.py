"""Principals over HTTP: registered, listed, deactivated; an operator gives nothing beyond its own departments."""

import uuid

from fill_ledger.intake.founding import NewPrincipal, register_principal
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.api.clients import places, problem_in
from tests.support.county import County

PATH = "/v1/principals"


async def limited_operator(county: County) -> NewPrincipal:
    return await register_principal(
        county.parts.lanes, Role.OPERATOR, "own operator", department_ids=(county.own.department_id,)
    )


async def test_a_principal_is_registered_once_and_shown(county: County) -> None:
    body = {
        "role": "analyst",
        "label": "Reports",
        "department_ids": [str(county.own.department_id)],
        "event_id": str(uuid.uuid4()),
    }
    async with county.client(county.keys[Role.OPERATOR]) as client:
        first = await client.post(PATH, json=body)
        again = await client.post(PATH, json=body)
        other = await client.post(PATH, json={**body, "label": "Other reports"})
        path = f"{PATH}/{first.json()['subject_id']}"
        shown = await client.get(path)
        unchanged = await client.get(path, headers={"if-none-match": shown.headers["etag"]})
    assert (first.status_code, again.status_code) == (201, 200), again.text
    assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}
    assert (shown.json()["role"], shown.json()["label"], shown.json()["keys"]) == ("analyst", "Reports", [])
    assert unchanged.status_code == 304


async def test_every_fault_is_told(county: County) -> None:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        malformed = await client.post(PATH, json={"role": "chief", "department_ids": [], "occurred_at": "now"})
        controller = await client.post(PATH, json={"role": "controller", "label": "A panel"})
        unknown = await client.post(
            PATH,
            json={
                "role": "analyst",
                "label": "Reports",
                "department_ids": [str(county.own.department_id), str(uuid.uuid4()), str(COUNTY_ID)],
            },
        )
    found = {place for place, _ in places(problem_in(malformed, 422, "invalid-body"))}
    assert found == {"/role", "/label", "/department_ids", "/occurred_at"}
    assert {place for place, _ in places(problem_in(controller, 422, "invalid-body"))} == {"/role"}
    assert places(problem_in(unknown, 422, "not-processable")) == {
        ("/department_ids/1", "department-unknown"),
        ("/department_ids/2", "department-unknown"),
    }


async def test_the_list_is_filtered(county: County) -> None:
    async with county.client(county.keys[Role.OPERATOR]) as client:

        async def labels(**filters: str) -> set[str]:
            items = (await client.get(PATH, params={"limit": 500, **filters})).json()["items"]
            return {item["label"] for item in items}

        everyone = await labels()
        assert await labels(role="officer") == {"OWN officer", "NEIGH officer"}
        of_own = await labels(department_id=str(county.own.department_id))
        assert of_own == {label for label in everyone if not label.startswith("NEIGH")}
        deactivated = county.own.keys[Role.ANALYST].principal_id
        assert (await client.post(f"{PATH}/{deactivated}/deactivations", json={"reason": "left"})).status_code == 201
        assert await labels(active="false") == {"OWN analyst"}
        assert await labels(active="true") == everyone - {"OWN analyst"}
        page = await client.get(PATH, params={"limit": 4})
        rest = await client.get(PATH, params={"limit": 500, "cursor": page.json()["next_cursor"]})
    assert {item["label"] for item in page.json()["items"] + rest.json()["items"]} == everyone


async def test_a_deactivated_principal_opens_nothing_with_its_next_request(county: County) -> None:
    key = county.own.keys[Role.OFFICER]
    async with county.client(key) as officer, county.client(county.keys[Role.OPERATOR]) as operator:
        assert (await officer.get("/v1/stations")).status_code == 200
        path = f"{PATH}/{key.principal_id}/deactivations"
        assert (await operator.post(path, json={"reason": "left"})).status_code == 201
        refused = problem_in(await officer.get("/v1/stations"), 401, "not-authenticated")
        twice = await operator.post(path, json={})
        issue = await operator.post(f"{PATH}/{key.principal_id}/keys", json={})
        own = await operator.post(f"{PATH}/{county.keys[Role.OPERATOR].principal_id}/deactivations", json={})
    assert "deactivated" in refused["detail"]
    assert places(problem_in(twice, 409, "conflict")) == {("/principal_id", "principal-deactivated")}
    assert places(problem_in(issue, 409, "conflict")) == {("/principal_id", "principal-deactivated")}
    assert places(problem_in(own, 409, "conflict")) == {("", "own-principal")}


async def test_a_limited_operator_gives_nothing_beyond_its_departments(county: County) -> None:
    own, neighbour = str(county.own.department_id), str(county.neighbour.department_id)
    everywhere = county.keys[Role.ANALYST]
    foreign = county.neighbour.keys[Role.OFFICER]
    async with county.client(await limited_operator(county)) as client:
        taken = await client.post(PATH, json={"role": "officer", "label": "Ours", "department_ids": [own]})
        for department_ids in (None, [neighbour], [own, neighbour]):
            body = {"role": "operator", "label": "Beyond", "department_ids": department_ids}
            problem_in(await client.post(PATH, json=body), 403, "not-permitted")
        controller = await client.post(
            "/v1/controllers", json={"label": "Panel", "station_id": str(county.neighbour.station_id)}
        )
        listed = (await client.get(PATH, params={"limit": 500})).json()["items"]
        keys = (await client.get("/v1/keys", params={"limit": 500})).json()["items"]
        for principal in (everywhere, foreign):
            path = f"{PATH}/{principal.principal_id}"
            problem_in(await client.get(path), 404, "not-found")
            problem_in(await client.post(f"{path}/keys", json={}), 404, "not-found")
            problem_in(await client.post(f"{path}/deactivations", json={}), 404, "not-found")
            key_path = f"/v1/keys/{principal.key_id}"
            problem_in(await client.get(key_path), 404, "not-found")
            problem_in(await client.post(f"{key_path}/rotations", json={}), 404, "not-found")
            problem_in(await client.post(f"{key_path}/revocations", json={}), 404, "not-found")
    assert taken.status_code == 201, taken.text
    assert places(problem_in(controller, 422, "not-processable")) == {("/station_id", "station-unknown")}
    assert {tuple(item["department_ids"]) for item in listed} == {(own,)}
    assert {tuple(item["department_ids"]) for item in keys} == {(own,)}


async def test_only_operators_manage_principals(county: County) -> None:
    keys = [*county.own.keys.values(), county.keys[Role.INTEGRATOR], county.keys[Role.ANALYST]]
    for key in keys:
        async with county.client(key) as client:
            problem_in(await client.get(PATH), 403, "not-permitted")
            problem_in(await client.get("/v1/keys"), 403, "not-permitted")
            problem_in(await client.get("/v1/controllers"), 403, "not-permitted")
            body = {"role": "operator", "label": "Myself"}
            problem_in(await client.post(PATH, json=body), 403, "not-permitted")
