"""Fill positions over HTTP: registered, used in a question, removed."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

WHIP: dict[str, Any] = {"label": "Whip 1", "regulator_psi": 2000, "hose_rating_psi": 6000}


def path_of(county: County) -> str:
    return f"/v1/stations/{county.own.station_id}/fill-positions"


async def test_a_fill_position_is_registered_once_and_shown(county: County) -> None:
    body = {**WHIP, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post(path_of(county), json=body)
        again = await client.post(path_of(county), json=body)
        shown = (await client.get(f"/v1/stations/{county.own.station_id}")).json()["fill_positions"]
    assert (first.status_code, again.status_code) == (201, 200), first.text
    assert [position["fill_position_id"] for position in shown] == [first.json()["subject_id"]]
    assert {key: shown[0][key] for key in WHIP} == WHIP
    assert shown[0]["ends_at"] is None


async def test_a_regulator_holds_the_fill_down_and_a_removed_position_permits_nothing(county: County) -> None:
    question = {"cylinder_id": str(await county.cylinder()), "member_id": str(county.own.member_id)}
    async with (
        county.client(county.own.keys[Role.CONTROLLER]) as station,
        county.client(county.own.keys[Role.OFFICER]) as officer,
    ):
        position_id = (await officer.post(path_of(county), json=WHIP)).json()["subject_id"]
        question["fill_position_id"] = position_id
        at_the_whip = (await station.get("/v1/eligibility", params=question)).json()
        removed = await officer.post(f"{path_of(county)}/{position_id}/removals", json={})
        gone = (await station.get("/v1/eligibility", params=question)).json()
        shown = (await officer.get(f"/v1/stations/{county.own.station_id}")).json()["fill_positions"]
    # The cylinder is marked 2216 psi, the regulator set to 2000.
    assert (at_the_whip["decision"], at_the_whip["fill_limit_psi"]) == ("permit", 2000)
    assert removed.status_code == 201
    assert gone["code"] == "fill-position-unknown"
    assert shown[0]["ends_at"] is not None


async def test_what_contradicts_the_station_is_refused(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        position_id = (await client.post(path_of(county), json=WHIP)).json()["subject_id"]
        same = await client.post(path_of(county), json={**WHIP, "label": "Other", "fill_position_id": position_id})
        label = await client.post(path_of(county), json={**WHIP, "label": "WHIP 1"})
        early = (datetime.now(UTC) - timedelta(days=1)).isoformat()
        before = await client.post(f"{path_of(county)}/{position_id}/removals", json={"occurred_at": early})
        unknown = await client.post(f"{path_of(county)}/{uuid.uuid4()}/removals", json={})
        await client.post(f"{path_of(county)}/{position_id}/removals", json={})
        twice = await client.post(f"{path_of(county)}/{position_id}/removals", json={})
        back = await client.post(path_of(county), json={**WHIP, "fill_position_id": position_id, "occurred_at": early})
        anew = await client.post(path_of(county), json={**WHIP, "fill_position_id": position_id})
    assert places(problem_in(same, 409, "conflict")) == {("/fill_position_id", "already-registered")}
    assert places(problem_in(label, 409, "conflict")) == {("/label", "label-taken")}
    assert places(problem_in(before, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert places(problem_in(unknown, 409, "conflict")) == {("/fill_position_id", "fill-position-unknown")}
    assert places(problem_in(twice, 409, "conflict")) == {("/fill_position_id", "fill-position-unknown")}
    assert places(problem_in(back, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert anew.status_code == 201


async def test_keys_and_faults(county: County) -> None:
    removal = f"{path_of(county)}/{uuid.uuid4()}/removals"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.post(path_of(county), json=WHIP), 404, "not-found")
        problem_in(await client.post(removal, json={}), 404, "not-found")
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        problem_in(await client.post(path_of(county), json=WHIP), 403, "not-permitted")
        problem_in(await client.post(removal, json={}), 403, "not-permitted")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        faulty = await client.post(path_of(county), json={"label": "", "regulator_psi": 0, "hose_rating_psi": 15_001})
        no_uuid = await client.post(f"{path_of(county)}/whip/removals", json={})
        filled = await client.post(removal, json={"label": "x"})
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/label",
        "/regulator_psi",
        "/hose_rating_psi",
    }
    problem_in(no_uuid, 404, "not-found")
    assert {place for place, _ in places(problem_in(filled, 422, "invalid-body"))} == {"/label"}
