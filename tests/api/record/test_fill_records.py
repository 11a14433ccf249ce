"""Fills, attempts and findings on record: filters, pages, one of each, and who sees what."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.stations import PolicySet
from tests.api.clients import problem_in
from tests.support.county import County
from tests.support.facts import ago, fact, fill


async def send(county: County, *facts: dict[str, Any]) -> list[dict[str, Any]]:
    """Send facts as the own station's controller and return their results."""
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answered = await client.post("/v1/intake", json={"facts": facts})
    assert answered.status_code == 200, answered.text
    results: list[dict[str, Any]] = answered.json()["results"]
    assert {result["outcome"] for result in results} == {"created"}
    return results


async def test_fills_are_filtered_and_paged(county: County) -> None:
    cylinder_id, source_id = str(await county.cylinder()), str(county.own.air_source_id)
    good = {
        "cylinder_id": cylinder_id,
        "member_id": str(county.own.member_id),
        "sources": [{"air_source_id": source_id}],
        "end_psi": 2200,
    }
    facts = [
        fill(good, occurred_at=ago(days=3)),
        fill({**good, "override": {"reason_code": "working fire"}}, occurred_at=ago(days=2)),
        fact("cylinder.filled_by_hand", good, occurred_at=ago(days=1)),
        fill({"tag": "4711"}, occurred_at=ago(hours=1)),
    ]
    ids = [sent["event_id"] for sent in facts]
    await send(county, *facts)
    expected: list[tuple[dict[str, str], list[str]]] = [
        ({}, ids[::-1]),
        ({"cylinder_id": cylinder_id}, ids[2::-1]),
        ({"station_id": str(county.own.station_id), "decision": "deny"}, [ids[3]]),
        ({"code": "cylinder-unknown"}, [ids[3]]),
        ({"member_id": str(county.own.member_id), "overridden": "true"}, [ids[1]]),
        ({"air_source_id": source_id, "overridden": "false"}, [ids[2], ids[0]]),
        ({"event_type": "cylinder.filled_by_hand"}, [ids[2]]),
        ({"from": ago(days=2, hours=1), "to": ago(hours=2)}, [ids[2], ids[1]]),
        ({"owner_department_id": str(county.own.department_id)}, ids[2::-1]),
        ({"retracted": "true"}, []),
        ({"department_id": str(county.neighbour.department_id)}, []),
    ]
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        for parameters, wanted in expected:
            listed = await client.get("/v1/fills", params=parameters)
            assert [item["event_id"] for item in listed.json()["items"]] == wanted, parameters
        first = await client.get("/v1/fills", params={"limit": 3})
        second = await client.get(first.links["next"]["url"])
        problem_in(await client.get("/v1/fills", params={"end_psi": "1"}), 400, "invalid-query")
    assert [item["event_id"] for page in (first, second) for item in page.json()["items"]] == ids[::-1]
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        assert (await client.get("/v1/fills")).json()["items"] == []
    async with county.client(county.keys[Role.ANALYST]) as client:
        assert len((await client.get("/v1/fills")).json()["items"]) == 4


async def test_one_fill_shows_its_remark_to_those_who_may_read_names(county: County) -> None:
    sent = fill({"tag": "4711", "note": "Filled by A. Example."})
    results = await send(county, sent)
    path = f"/v1/fills/{sent['event_id']}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = await client.get(path)
        unchanged = await client.get(path, headers={"if-none-match": shown.headers["etag"]})
        problem_in(await client.get(f"/v1/fills/{uuid.uuid4()}"), 404, "not-found")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        hidden = await client.get(path)
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path), 404, "not-found")
    assert shown.json()["body"]["note"] == "Filled by A. Example."
    assert shown.json()["finding_ids"] == results[0]["finding_ids"]
    assert shown.json()["reasons"][0] == shown.json()["code"] == "cylinder-unknown"
    assert shown.json()["ledger_position"] == results[0]["ledger_position"]
    assert unchanged.status_code == 304
    assert (hidden.json()["body"]["note"], hidden.json()["sealed"]) == (None, ["note"])


async def test_attempts_are_listed(county: County) -> None:
    attempt_id = str(uuid.uuid4())
    started = fact("cylinder.fill_started", {"tag": "4711", "attempt_id": attempt_id}, occurred_at=ago(minutes=9))
    ended = fact("cylinder.fill_abandoned", {"tag": "4711", "attempt_id": attempt_id}, occurred_at=ago(minutes=5))
    denied = fact("cylinder.fill_denied", {"tag": "4711", "code": "Tank out of date"}, occurred_at=ago(minutes=1))
    await send(county, started, ended, denied)
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        everything = await client.get("/v1/attempts")
        of_one = await client.get("/v1/attempts", params={"attempt_id": attempt_id})
        by_code = await client.get("/v1/attempts", params={"code": "Tank out of date"})
    assert len(everything.json()["items"]) == 3
    assert [item["event_id"] for item in of_one.json()["items"]] == [ended["event_id"], started["event_id"]]
    assert [item["event_id"] for item in by_code.json()["items"]] == [denied["event_id"]]


async def test_findings_are_plain_sentences_and_are_cleared_by_a_retraction(county: County) -> None:
    cylinder_id = await county.cylinder()
    sent = fill(
        {
            "cylinder_id": str(cylinder_id),
            "member_id": str(county.own.member_id),
            "sources": [{"air_source_id": str(county.own.air_source_id)}],
            "end_psi": 4000,
            "roster_position": 1,
        }
    )
    results = await send(county, sent)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        listed = await client.get("/v1/findings", params={"cylinder_id": str(cylinder_id), "standing": "open"})
        finding = listed.json()["items"][0]
        path = f"/v1/findings/{finding['finding_id']}"
        before = await client.get(path)
        taken_back = await client.post(f"/v1/events/{sent['event_id']}/retractions", json={"reason": "Wrong gauge."})
        after = await client.get(path, headers={"if-none-match": before.headers["etag"]})
        retracted = await client.get("/v1/fills", params={"retracted": "true"})
        problem_in(await client.get(f"/v1/findings/{uuid.uuid4()}"), 404, "not-found")
    assert [item["finding_id"] for item in listed.json()["items"]] == results[0]["finding_ids"]
    assert (finding["code"], finding["severity"]) == ("over-fill-limit", "grave")
    assert finding["text"] == "The pressure at the end of the fill, settled at 70 F, is above the cylinder's own limit."
    assert taken_back.status_code == 201, taken_back.text
    assert (before.json()["standing"], after.json()["standing"]) == ("open", "cleared")
    assert [item["event_id"] for item in retracted.json()["items"]] == [sent["event_id"]]
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path), 404, "not-found")


async def test_what_was_left_undone_at_the_fill_is_a_finding(county: County) -> None:
    good = {
        "cylinder_id": str(await county.cylinder()),
        "member_id": str(county.own.member_id),
        "sources": [{"air_source_id": str(county.own.air_source_id)}],
        "end_psi": 2200,
        "roster_position": 1,
    }
    cases: list[tuple[dict[str, Any], set[tuple[str, str]]]] = [
        ({"look_over": "passed"}, set()),
        ({}, set()),
        ({"look_over": "failed"}, {("look-over-failed", "grave")}),  # 49 CFR 173.301(a)(2)
        ({"look_over": "not_done"}, {("look-over-not-done", "notable")}),
        ({"override": {"reason_code": "working fire"}}, {("override-used", "notable")}),
    ]
    for case, expected in cases:
        result = (await send(county, fill({**good, **case})))[0]
        assert await _findings(county, result) == expected, case


async def test_consent_that_was_not_reported_is_a_finding(county: County) -> None:
    """49 CFR 173.301(e): filled with the owner's consent alone."""
    policy = PolicySet(
        department_id=county.own.department_id,
        mutual_aid_department_ids=(county.neighbour.department_id,),
        owner_consent_required=True,
    )
    await county.record(policy, occurred_at=datetime.now(UTC) - timedelta(days=300))
    theirs = str(await county.cylinder(department_id=county.neighbour.department_id))
    good = {
        "cylinder_id": theirs,
        "member_id": str(county.own.member_id),
        "sources": [{"air_source_id": str(county.own.air_source_id)}],
        "end_psi": 2200,
        "roster_position": 1,
    }
    silent, given = await send(county, fill(good), fill({**good, "owner_consent": True}))
    assert await _findings(county, silent) == {("owner-consent-not-reported", "notable")}
    assert await _findings(county, given) == set()


async def _findings(county: County, result: dict[str, Any]) -> set[tuple[str, str]]:
    found = set()
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for finding_id in result["finding_ids"]:
            finding = (await client.get(f"/v1/findings/{finding_id}")).json()
            found.add((finding["code"], finding["severity"]))
    return found
