"""Alarms over HTTP: reported by a device in whatever order, listed, and ended by a person where the device cannot."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.stations import AlarmEnded, AlarmRaised
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.questions import ask

REASON = {"reason": "Intake moved away from the bay; Avery Example read 0 ppm."}


def path_of(county: County) -> str:
    return f"/v1/stations/{county.own.station_id}/alarms"


def ago(minutes: int) -> datetime:
    return datetime.now(UTC) - timedelta(minutes=minutes)


async def raised_by_device(county: County, alarm_id: uuid.UUID, minutes_ago: int, **fields: Any) -> None:
    body = AlarmRaised(
        station_id=county.own.station_id, alarm_id=alarm_id, alarm_kind="carbon monoxide", reading="12 ppm", **fields
    )
    await county.record(body, station_id=county.own.station_id, occurred_at=ago(minutes_ago))


async def ended_by_device(county: County, alarm_id: uuid.UUID, minutes_ago: int) -> None:
    body = AlarmEnded(station_id=county.own.station_id, alarm_id=alarm_id)
    await county.record(body, station_id=county.own.station_id, occurred_at=ago(minutes_ago))


async def code(county: County, cylinder_id: uuid.UUID, **params: Any) -> str:
    answer: str = (await ask(county, cylinder_id=cylinder_id, **params))["code"]
    return answer


async def listed(client: httpx.AsyncClient, county: County, **query: str) -> list[dict[str, Any]]:
    response = await client.get(path_of(county), params=query)
    assert response.status_code == 200, response.text
    items: list[dict[str, Any]] = response.json()["items"]
    return items


async def test_an_open_alarm_denies_whichever_fact_comes_first(county: County) -> None:
    cylinder_id, alarm_id, other_id = await county.cylinder(), uuid.uuid4(), uuid.uuid4()
    await raised_by_device(county, alarm_id, 30, air_source_id=county.own.air_source_id)
    assert await code(county, cylinder_id) == "air-alarm-open"
    await ended_by_device(county, alarm_id, 20)
    assert await code(county, cylinder_id) == "ok"
    assert await code(county, cylinder_id, at=ago(25).isoformat()) == "air-alarm-open"
    await ended_by_device(county, other_id, 10)
    await raised_by_device(county, other_id, 15)
    assert await code(county, cylinder_id) == "ok"
    assert await code(county, cylinder_id, at=ago(12).isoformat()) == "air-alarm-open"


async def test_a_person_ends_the_alarm_of_a_dead_device_and_says_why(county: County) -> None:
    cylinder_id, alarm_id = await county.cylinder(), uuid.uuid4()
    await raised_by_device(county, alarm_id, 30)
    ending = {**REASON, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        assert [alarm["alarm_id"] for alarm in await listed(client, county, open="true")] == [str(alarm_id)]
        assert await listed(client, county, open="false") == []
        first = await client.post(f"{path_of(county)}/{alarm_id}/endings", json=ending)
        again = await client.post(f"{path_of(county)}/{alarm_id}/endings", json=ending)
        twice = await client.post(f"{path_of(county)}/{alarm_id}/endings", json=REASON)
        assert (first.status_code, again.status_code) == (201, 200), first.text
        assert places(problem_in(twice, 409, "conflict")) == {("/alarm_id", "alarm-ended")}
        assert await listed(client, county, open="true") == []
        (shown,) = await listed(client, county)
    assert (shown["alarm_kind"], shown["reading"], shown["reason"]) == ("carbon monoxide", "12 ppm", REASON["reason"])
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        assert (await listed(client, county))[0]["reason"] is None
    assert await code(county, cylinder_id) == "ok"


async def test_a_person_enters_an_alarm_that_no_device_reports(county: County) -> None:
    body = {"alarm_kind": "high temperature", "reading": "180 F", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post(path_of(county), json=body)
        again = await client.post(path_of(county), json=body)
        same = await client.post(
            path_of(county), json={**body, "event_id": None, "alarm_id": first.json()["subject_id"]}
        )
        nowhere = await client.post(
            path_of(county), json={**body, "event_id": None, "air_source_id": str(uuid.uuid4())}
        )
    assert (first.status_code, again.status_code) == (201, 200), first.text
    assert places(problem_in(same, 409, "conflict")) == {("/alarm_id", "alarm-known")}
    assert places(problem_in(nowhere, 422, "not-processable")) == {("/air_source_id", "air-source-unknown")}
    denied = await ask(county, cylinder_id=await county.cylinder())
    assert denied["display_text"].startswith("Do not fill. Alarm is open: high temperature")


async def test_an_alarm_about_something_else_than_the_air_is_advice(county: County) -> None:
    cylinder_id, alarm_id = await county.cylinder(), uuid.uuid4()
    await raised_by_device(county, alarm_id, 30, alarm_about="power")
    body = {"alarm_kind": "low bank pressure", "alarm_about": "pressure", "reading": "900 psi"}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        entered = await client.post(path_of(county), json=body)
        faulty = await client.post(path_of(county), json={**body, "alarm_about": "mood"})
        shown = await listed(client, county, open="true")
    assert entered.status_code == 201, entered.text
    assert places(problem_in(faulty, 422, "invalid-body")) == {("/alarm_about", "not-a-choice")}
    assert [alarm["alarm_about"] for alarm in shown] == ["pressure", "power"]
    permitted = await ask(county, cylinder_id=cylinder_id)
    assert permitted["decision"] == "permit"
    assert [advice["code"] for advice in permitted["advice"]] == ["alarm-open", "alarm-open"]
    await raised_by_device(county, alarm_id, 10, alarm_about="air")
    assert await code(county, cylinder_id) == "air-alarm-open"


async def test_what_cannot_be_is_refused(county: County) -> None:
    alarm_id = uuid.uuid4()
    await raised_by_device(county, alarm_id, 30)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        unknown = await client.post(f"{path_of(county)}/{uuid.uuid4()}/endings", json=REASON)
        early = await client.post(
            f"{path_of(county)}/{alarm_id}/endings", json={**REASON, "occurred_at": ago(40).isoformat()}
        )
        faulty = await client.post(path_of(county), json={"alarm_kind": "", "reading": 12, "loud": True})
        no_reason = await client.post(f"{path_of(county)}/{alarm_id}/endings", json={})
        nowhere = await client.get(f"/v1/stations/{uuid.uuid4()}/alarms")
    assert places(problem_in(unknown, 409, "conflict")) == {("/alarm_id", "alarm-unknown")}
    assert places(problem_in(early, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/alarm_kind",
        "/reading",
        "/loud",
    }
    assert {place for place, _ in places(problem_in(no_reason, 422, "invalid-body"))} == {"/reason"}
    problem_in(nowhere, 404, "not-found")


async def test_keys_open_only_their_own_doors(county: County) -> None:
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path_of(county)), 404, "not-found")
        problem_in(await client.post(path_of(county), json={"alarm_kind": "smoke"}), 404, "not-found")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        assert await listed(client, county) == []
        problem_in(await client.post(path_of(county), json={"alarm_kind": "smoke"}), 403, "not-permitted")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get(path_of(county)), 403, "not-permitted")
