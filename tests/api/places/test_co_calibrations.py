"""Calibrations of the carbon monoxide monitor over HTTP."""

import uuid
from datetime import UTC, datetime, timedelta

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County


def day(days_ago: int) -> str:
    return (datetime.now(UTC) - timedelta(days=days_ago)).strftime("%Y-%m-%d")


async def test_a_calibration_is_entered_once_and_shown(county: County) -> None:
    source = f"/v1/air-sources/{county.own.air_source_id}"
    body = {"calibrated_on": day(3), "due_on": day(-180), "event_id": str(uuid.uuid4()), "note": "By Avery Example."}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post(f"{source}/co-calibrations", json=body)
        again = await client.post(f"{source}/co-calibrations", json=body)
        same = await client.post(f"{source}/co-calibrations", json={**body, "event_id": str(uuid.uuid4())})
        older = await client.post(f"{source}/co-calibrations", json={"calibrated_on": day(200)})
        shown = (await client.get(source)).json()["co_calibrations"]
    assert (first.status_code, again.status_code, older.status_code) == (201, 200, 201), first.text
    assert places(problem_in(same, 409, "conflict")) == {("", "calibration-known")}
    assert [(each["calibrated_on"], each["due_on"]) for each in shown] == [(day(3), day(-180)), (day(200), None)]


async def test_what_cannot_be_is_refused_with_every_reason(county: County) -> None:
    source = f"/v1/air-sources/{county.own.air_source_id}/co-calibrations"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        future = await client.post(source, json={"calibrated_on": day(-3), "due_on": day(5)})
        no_day = await client.post(source, json={"calibrated_on": "2026-02-30", "due_on": "2026-06-31"})
        faulty = await client.post(source, json={"calibrated_on": "today", "due_on": 5})
        nowhere = await client.post(f"/v1/air-sources/{uuid.uuid4()}/co-calibrations", json={"calibrated_on": day(3)})
    assert places(problem_in(future, 422, "not-processable")) == {
        ("/calibrated_on", "calibrated-in-future"),
        ("/due_on", "due-before-calibrated"),
    }
    assert places(problem_in(no_day, 422, "not-processable")) == {
        ("/calibrated_on", "no-such-day"),
        ("/due_on", "no-such-day"),
    }
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {"/calibrated_on", "/due_on"}
    problem_in(nowhere, 404, "not-found")


async def test_keys_open_only_their_own_doors(county: County) -> None:
    source = f"/v1/air-sources/{county.own.air_source_id}/co-calibrations"
    async with county.client(county.neighbour.keys[Role.TECHNICIAN]) as client:
        problem_in(await client.post(source, json={"calibrated_on": day(3)}), 404, "not-found")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post(source, json={"calibrated_on": day(3)}), 403, "not-permitted")
