"""What the county enters is what the next answer goes by, in every process, and what a fill is judged by."""

import os
import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx

from fill_ledger.api.access.principals import KeyDoorkeeper
from fill_ledger.api.http.service import create_service
from fill_ledger.api.parts import PARTS_KEY
from fill_ledger.api.resources import HANDLERS, TAGS
from fill_ledger.app import close_parts, make_parts
from fill_ledger.database import open_database
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import ServicePressure
from fill_ledger.trade.judgement import rules_version
from fill_ledger.trade.months import add_months
from fill_ledger.trade.rulebook import SHIPPED
from tests.api.clients import places, problem_in
from tests.support.county import TIME_ZONE, County
from tests.support.facts import fill
from tests.support.questions import PATH, ask, codes, get_answer

PERMIT = {
    "key": "SP99999",
    "uses": ["scba"],
    "interval_years": 5,
    "life_years": 15,
    "source": "the permit's own text",
    "confidence": "read",
}
ROUNDS = 5


async def enter(county: County, path: str, body: dict[str, Any]) -> dict[str, Any]:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        response = await client.post(path, json=body)
    assert response.status_code == 201, response.text
    receipt: dict[str, Any] = response.json()
    return receipt


async def under_permit(county: County) -> uuid.UUID:
    """Register a cylinder of a permit that no release knows."""
    pressure = ServicePressure(value="4500", unit="psi")
    return await county.cylinder(specification="DOT-SP99999-4500", service_pressure=pressure)


@asynccontextmanager
async def another_process(county: County, service_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """Give a client of the own station's controller at a second service that shares nothing but the database."""
    key_ring = KeyRing(os.urandom(32))
    parts = make_parts(await open_database(service_url), key_ring)
    service = create_service(
        HANDLERS, doorkeeper=KeyDoorkeeper(), cursor_key=key_ring.cursor_keys[0], tags=TAGS, state={PARTS_KEY: parts}
    )
    transport = httpx.ASGITransport(app=service, raise_app_exceptions=False)
    headers = {"authorization": f"Bearer {county.own.keys[Role.CONTROLLER].plain_key}"}
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=headers) as client:
        yield client
    await close_parts(parts)


async def test_an_unknown_permit_says_what_to_enter_and_permits_once_it_is(county: County) -> None:
    cylinder_id = await under_permit(county)
    denied = await ask(county, cylinder_id=cylinder_id)
    (reason,) = denied["reasons"]
    assert (denied["code"], denied["rules_version"]) == ("permit-unknown", rules_version(SHIPPED))
    assert "Enter SP99999 for the county" in reason["text"]
    assert "/v1/" not in reason["text"]
    assert "requalification interval and service life" in reason["text"]
    assert "POST /v1/specifications" in reason["clears_by"]
    assert not reason["text"].endswith("...")
    await enter(county, "/v1/specifications", {"entry": PERMIT})
    permitted = await ask(county, cylinder_id=cylinder_id)
    assert (permitted["code"], permitted["fill_limit_psi"]) == ("ok", 4500)
    assert permitted["rules_version"] != denied["rules_version"]


async def test_a_mistake_taken_back_denies_again(county: County) -> None:
    cylinder_id = await under_permit(county)
    receipt = await enter(county, "/v1/specifications", {"entry": PERMIT})
    assert (await ask(county, cylinder_id=cylinder_id))["code"] == "ok"
    await enter(county, f"/v1/rulebook-entries/{receipt['subject_id']}/retractions", {"reason": "Another permit."})
    again = await ask(county, cylinder_id=cylinder_id)
    assert (again["code"], again["rules_version"]) == ("permit-unknown", rules_version(SHIPPED))


async def test_every_process_goes_by_an_entry_from_the_next_question_on(county: County, service_url: str) -> None:
    cylinder_id = await under_permit(county)
    async with another_process(county, service_url) as client:
        params = {"cylinder_id": str(cylinder_id), "member_id": str(county.own.member_id)}

        async def there(**more: str) -> str:
            response = await client.get(PATH, params={**params, **more})
            assert response.status_code == 200, response.text
            code: str = response.json()["code"]
            return code

        for _ in range(ROUNDS):
            assert await there() == "permit-unknown"
            receipt = await enter(county, "/v1/specifications", {"entry": PERMIT})
            assert await there() == "ok"
            assert await there(min_ledger=receipt["ledger"]) == "ok"
            path = f"/v1/rulebook-entries/{receipt['subject_id']}/retractions"
            receipt = await enter(county, path, {"reason": "Another permit."})
            assert await there(min_ledger=receipt["ledger"]) == "permit-unknown"
        # The catalogue there follows too.
        assert (await client.get("/v1/rules")).json()["rules_version"] == rules_version(SHIPPED)
        await enter(county, "/v1/specifications", {"entry": PERMIT})
        assert (await client.get("/v1/rules")).json()["rules_version"] != rules_version(SHIPPED)


async def test_a_token_of_the_county_may_be_asked_for_anywhere_and_a_neighbours_not(county: County) -> None:
    cylinder_id = await under_permit(county)
    receipt = await enter(county, "/v1/specifications", {"entry": PERMIT})
    assert (await ask(county, cylinder_id=cylinder_id, min_ledger=receipt["ledger"]))["code"] == "ok"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        elsewhere = await client.post("/v1/stations", json={"name": "Elsewhere", "code": "X1", "station_kind": "fixed"})
    refused = await get_answer(county, cylinder_id=cylinder_id, min_ledger=elsewhere.json()["ledger"])
    assert places(problem_in(refused, 400, "invalid-query")) == {("min_ledger", "elsewhere")}


async def test_a_fill_is_judged_by_what_was_entered_before_it(county: County, service_url: str) -> None:
    cylinder_id = await under_permit(county)
    body = {
        "cylinder_id": str(cylinder_id),
        "member_id": str(county.own.member_id),
        "mode": "automatic",
        "sources": [{"air_source_id": str(county.own.air_source_id)}],
        "end_psi": 4400,
        "look_over": "passed",
    }
    before, after, there = fill(body), fill(body), fill(body)
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        assert (await client.post("/v1/fills", json=before)).status_code == 201
        await enter(county, "/v1/specifications", {"entry": PERMIT})
        version = (await ask(county, cylinder_id=cylinder_id))["rules_version"]
        assert (await client.post("/v1/fills", json=after)).status_code == 201
        async with another_process(county, service_url) as other:
            assert (await other.post("/v1/fills", json=there)).status_code == 201
    judged = {}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for name, sent in (("before", before), ("after", after), ("there", there)):
            document = (await client.get(f"/v1/fills/{sent['event_id']}")).json()
            judged[name] = (document["decision"], document["code"], document["rules_version"])
    assert judged == {
        "before": ("deny", "permit-unknown", rules_version(SHIPPED)),
        "after": ("permit", "ok", version),
        "there": ("permit", "ok", version),
    }


def _local_day(days: int) -> str:
    return (datetime.now(ZoneInfo(TIME_ZONE)) + timedelta(days=days)).date().isoformat()


def _midnight(day: str) -> datetime:
    return datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(TIME_ZONE))


async def test_an_entry_for_a_coming_day_ends_the_answers_of_today(county: County) -> None:
    cylinder_id = await under_permit(county)
    begins = _local_day(10)
    await enter(county, "/v1/specifications", {"entry": {**PERMIT, "effective_from": begins}})
    waiting = await ask(county, cylinder_id=cylinder_id)
    assert codes(waiting) == {"specification-not-fillable"}
    assert datetime.fromisoformat(waiting["valid_until"]) == _midnight(begins)
    assert datetime.fromisoformat(waiting["reasons"][0]["clears_at"]) == _midnight(begins)
    assert begins in waiting["display_text"]
    last = (_midnight(begins) - timedelta(seconds=1)).isoformat()
    assert (await ask(county, cylinder_id=cylinder_id, at=last))["decision"] == "deny"
    assert (await ask(county, cylinder_id=cylinder_id, at=_midnight(begins).isoformat()))["code"] == "ok"


async def test_a_specification_that_will_be_refused_says_until_when_it_is_filled(county: County) -> None:
    cylinder_id = await county.cylinder()
    before = await ask(county, cylinder_id=cylinder_id)
    ends = _local_day(20)
    refusal = {"key": "3AA", "uses": [], "refusal": "is withdrawn", "source": "county rule", "confidence": "read"}
    await enter(county, "/v1/specifications", {"entry": {**refusal, "effective_from": ends}})
    after = await ask(county, cylinder_id=cylinder_id)
    assert (before["code"], after["code"]) == ("ok", "ok")
    assert before["valid_until"] != after["valid_until"]
    assert datetime.fromisoformat(after["valid_until"]) == _midnight(ends)
    then = await ask(county, cylinder_id=cylinder_id, at=_midnight(ends).isoformat())
    assert codes(then) == {"specification-not-fillable"}


async def test_relief_from_the_due_month_holds_for_its_days_and_no_longer(county: County) -> None:
    """As in 2020, when the regulator let cylinders be filled up to twelve months overdue (secondary source)."""
    now = datetime.now(ZoneInfo(TIME_ZONE))
    # Tested so that it has been due for five months: 3AA, every five years (49 CFR 180.209(a), table 1).
    tested = add_months(f"{now.year}-{now.month:02d}", -60 - 5)
    overdue = await _overdue(county, tested)
    assert codes(await ask(county, cylinder_id=overdue)) == {"requalification-due"}
    begins, ends = _local_day(-30), _local_day(40)
    await enter(
        county,
        "/v1/rule-amendments",
        {
            "figures": [{"figure": "requalification_grace_months", "value": 12}],
            "sources": [{"code": "requalification-due", "source": "49 CFR 180.205(c) under the notice of relief"}],
            "reason": "notice of relief",
            "effective_from": begins,
            "effective_until": ends,
        },
    )
    within = await ask(county, cylinder_id=overdue)
    assert within["code"] == "ok"
    assert datetime.fromisoformat(within["valid_until"]) == _midnight(ends)
    # What else stood against a fill a month ago, such as an older sample of the air, is not asked about here.
    for at, is_due in (
        (_midnight(begins) - timedelta(seconds=1), True),
        (_midnight(begins), False),
        (_midnight(ends) - timedelta(seconds=1), False),
        (_midnight(ends), True),
    ):
        answered = await ask(county, cylinder_id=overdue, at=at.astimezone(UTC).isoformat())
        due = [reason for reason in answered["reasons"] if reason["code"] == "requalification-due"]
        assert len(due) == is_due, at
        # The source that the amendment gives holds as long as the amendment.
        assert not any("relief" in reason["source"] for reason in due)


async def _overdue(county: County, tested: str) -> uuid.UUID:
    """Register a steel cylinder whose only test was in a month."""
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        response = await client.post(
            "/v1/cylinders",
            json={
                "details": {
                    "serial": "OVERDUE 1",
                    "specification": "DOT-3AA2216",
                    "use": "scba",
                    "service_pressure": {"value": "2216", "unit": "psi"},
                    "manufactured": "2001-01",
                },
                "requalifications": [{"month": tested, "outcome": "pass"}],
                "occurred_at": (datetime.now(UTC) - timedelta(days=300)).isoformat(),
            },
        )
    assert response.status_code == 201, response.text
    return uuid.UUID(response.json()["subject_id"])
