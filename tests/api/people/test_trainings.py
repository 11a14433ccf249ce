"""Trainings of members over HTTP."""

import uuid
from datetime import UTC, datetime, timedelta

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County


def day(days_ago: int) -> str:
    return (datetime.now(UTC) - timedelta(days=days_ago)).strftime("%Y-%m-%d")


async def test_a_training_is_entered_once_and_shown(county: County) -> None:
    member = f"/v1/members/{county.own.member_id}"
    body = {"trained_on": day(20), "course_code": "AIR-FILL-1", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post(f"{member}/trainings", json=body)
        again = await client.post(f"{member}/trainings", json=body)
        same = await client.post(f"{member}/trainings", json={**body, "event_id": str(uuid.uuid4())})
        older = await client.post(f"{member}/trainings", json={"trained_on": day(400)})
        mistaken = await client.post(f"/v1/events/{older.json()['event_id']}/retractions", json={"reason": "Another."})
        shown = (await client.get(member)).json()["trainings"]
    assert (first.status_code, again.status_code, older.status_code) == (201, 200, 201), first.text
    assert mistaken.status_code == 201, mistaken.text
    assert places(problem_in(same, 409, "conflict")) == {("", "training-known")}
    assert [(each["trained_on"], each["course_code"]) for each in shown] == [(day(20), "AIR-FILL-1")]


async def test_what_cannot_be_is_refused(county: County) -> None:
    trainings = f"/v1/members/{county.own.member_id}/trainings"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        future = await client.post(trainings, json={"trained_on": day(-3)})
        no_day = await client.post(trainings, json={"trained_on": "2026-02-30"})
        faulty = await client.post(trainings, json={"trained_on": 5, "course_code": "", "by": "me"})
        nowhere = await client.post(f"/v1/members/{uuid.uuid4()}/trainings", json={"trained_on": day(3)})
    assert places(problem_in(future, 422, "not-processable")) == {("/trained_on", "trained-in-future")}
    assert places(problem_in(no_day, 422, "not-processable")) == {("/trained_on", "no-such-day")}
    faults = places(problem_in(faulty, 422, "invalid-body"))
    assert {place for place, _ in faults} == {"/trained_on", "/course_code", "/by"}
    problem_in(nowhere, 404, "not-found")


async def test_keys_open_only_their_own_doors(county: County) -> None:
    trainings = f"/v1/members/{county.own.member_id}/trainings"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.post(trainings, json={"trained_on": day(3)}), 404, "not-found")
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        problem_in(await client.post(trainings, json={"trained_on": day(3)}), 403, "not-permitted")
