"""Requalifications over HTTP: one at a cylinder, and the requalifier's list."""

import uuid
from typing import Any

from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

PATH = "/v1/requalification-results"


def result(**given: Any) -> dict[str, Any]:
    """Return one result as the requalifier lists it."""
    return {"month": "2026-10", "outcome": "pass", "requalifier": "A123", **given}


async def test_sixty_results_go_in_at_once_and_two_cylinders_are_barred(county: County) -> None:
    made = [await county.cylinder(serial=f"H{number:03}") for number in range(60)]
    results = [
        result(serial=f"h-{number:03}", outcome="condemned" if number in (7, 41) else "pass") for number in range(60)
    ]
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post(PATH, json={"results": results})
        again = await client.post(PATH, json={"results": results})
        condemned = (await client.get("/v1/cylinders", params={"standing": "condemned"})).json()["items"]
        tested = await client.get("/v1/cylinders", params={"last_requalified_after": "2026-09", "limit": "100"})
        later = await client.post(PATH, json={"results": [result(serial="H007", month="2026-11")]})
    assert first.status_code == 200, first.text
    assert {name: first.json()[name] for name in ("created", "exists", "asked", "refused")} == {
        "created": 60,
        "exists": 0,
        "asked": 0,
        "refused": 0,
    }
    assert [line["index"] for line in first.json()["results"]] == list(range(60))
    assert (again.json()["created"], again.json()["exists"]) == (0, 60)
    assert {each["cylinder_id"] for each in condemned} == {str(made[7]), str(made[41])}
    assert len(tested.json()["items"]) == 60
    # 49 CFR 180.205(i): no procedure brings a condemned cylinder back.
    assert later.json()["results"][0]["outcome"] == "refused"
    assert later.json()["results"][0]["errors"][0]["code"] == "cylinder-condemned"


async def test_what_is_not_clear_is_asked_and_the_rest_goes_in(county: County) -> None:
    twins = [await county.cylinder(serial="AB 1", specification=mark) for mark in ("DOT-3AA2216", "3AA2216")]
    tested = await county.cylinder(serial="AB 2", manufactured="2010-01")
    plain = await county.cylinder(serial="AB 3", tag="label:R-3")
    results = [
        result(serial="AB1"),
        result(serial="AB 2", month="2012-05"),
        result(serial="AB 2", month="2009-05"),
        result(serial="AB 9"),
        result(tag="label:R-3", marks=["+"]),
        result(serial="AB 3", inventory_number="3"),
        result(cylinder_id=str(plain), month="2031-01"),
        result(serial="AB3", month="2026-09", outcome="rejected"),
    ]
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        answer = (await client.post(PATH, json={"results": results})).json()
        lines = answer["results"]
        chosen = [
            result(cylinder_id=lines[0]["choices"][0]["cylinder_id"]),
            result(serial="AB 2", month="2012-05", earlier_than_last_test=True),
        ]
        settled = (await client.post(PATH, json={"results": chosen})).json()
        stamps = (await client.get(f"/v1/cylinders/{tested}")).json()["requalifications"]
    assert [line["outcome"] for line in lines] == [
        "asked",
        "asked",
        "asked",
        "refused",
        "created",
        "refused",
        "refused",
        "asked",
    ]
    assert {choice["cylinder_id"] for choice in lines[0]["choices"]} == {str(twin) for twin in twins}
    told = [(line["errors"][0]["pointer"], line["errors"][0]["code"]) for line in lines if line["errors"]]
    assert told == [
        ("/results/0/serial", "ambiguous-cylinder"),
        ("/results/1/month", "earlier-than-last-test"),
        ("/results/2/month", "requalified-before-made"),
        ("/results/3/serial", "cylinder-unknown"),
        ("/results/5", "one-way-to-name"),
        ("/results/6/month", "requalified-in-future"),
        ("/results/7/month", "earlier-than-last-test"),
    ]
    assert lines[4]["cylinder_id"] == str(plain)
    assert [line["outcome"] for line in settled["results"]] == ["created", "created"]
    assert "2012-05" in [stamp["month"] for stamp in stamps]


async def test_who_may_not_end_a_cylinder_cannot_condemn_by_a_list(county: County) -> None:
    cylinder_id = await county.cylinder(serial="AB 1")
    async with county.client(county.own.keys[Role.INTEGRATOR]) as client:
        answer = (await client.post(PATH, json={"results": [result(serial="AB1", outcome="condemned")]})).json()
        single = await client.post(
            f"/v1/cylinders/{cylinder_id}/requalifications",
            json={"stamp": {"month": "2026-10", "outcome": "condemned"}},
        )
        problem_in(single, 403, "not-permitted")
        shown = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()
    assert answer["results"][0]["errors"][0]["code"] == "not-permitted"
    assert shown["standing"] == "in_service"
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post(PATH, json={"results": [result(serial="AB1")]}), 403, "not-permitted")
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        foreign = (await client.post(PATH, json={"results": [result(cylinder_id=str(cylinder_id))]})).json()
    assert foreign["results"][0]["errors"][0]["code"] == "cylinder-unknown"


async def test_a_result_that_was_taken_back_is_not_told_to_exist(county: County) -> None:
    cylinder_id = await county.cylinder(serial="AB 1")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = (await client.post(PATH, json={"results": [result(serial="AB1")]})).json()
        event_id = uuid.UUID(first["results"][0]["event_id"])
        await county.record(EventRetracted(retracted_event_id=event_id, reason="Wrong cylinder."))
        again = (await client.post(PATH, json={"results": [result(serial="AB1")]})).json()
        anew = {"results": [result(serial="AB1", event_id=str(uuid.uuid4()))]}
        entered = (await client.post(PATH, json=anew)).json()
        shown = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()
    assert again["results"][0]["errors"][0]["code"] == "taken-back-before"
    assert entered["results"][0]["outcome"] == "created"
    assert [stamp["month"] for stamp in shown["requalifications"]][-1] == "2026-10"


async def test_one_requalification_at_a_cylinder(county: County) -> None:
    cylinder_id = await county.cylinder()
    path = f"/v1/cylinders/{cylinder_id}/requalifications"
    early = {"stamp": {"month": "2025-01", "outcome": "pass"}, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        entered = await client.post(path, json={"stamp": {"month": "2026-10", "outcome": "rejected"}})
        asked = await client.post(path, json=early)
        assert ("/stamp/month", "earlier-than-last-test") in places(problem_in(asked, 409, "conflict"))
        told = await client.post(path, json=early | {"earlier_than_last_test": True})
        repeated = await client.post(path, json=early)
        bad = await client.post(path, json={"stamp": {"month": "2026-13", "outcome": "good", "requalifier": "a1"}})
        condemned = await client.post(path, json={"stamp": {"month": "2026-11", "outcome": "condemned"}})
        shown = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()
    assert [each.status_code for each in (entered, told, repeated, condemned)] == [201, 201, 200, 201]
    assert {place for place, _ in places(problem_in(bad, 422, "invalid-body"))} == {
        "/stamp/month",
        "/stamp/outcome",
        "/stamp/requalifier",
    }
    assert shown["standing"] == "condemned"
    assert shown["condemned_at"] is not None
