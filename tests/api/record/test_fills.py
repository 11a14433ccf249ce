"""Fills over HTTP: every outcome of a reported fill, from a controller and from a person, and the list of fills."""

import json
import uuid
from typing import Any

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.facts import ago, fill


def good_body(county: County, cylinder_id: uuid.UUID) -> dict[str, Any]:
    """Return the body of a fill with nothing wrong about it, from a station that asked its roster."""
    return {
        "cylinder_id": str(cylinder_id),
        "member_id": str(county.own.member_id),
        "mode": "automatic",
        "sources": [{"air_source_id": str(county.own.air_source_id)}],
        "start_psi": 300,
        "end_psi": 2200,
        "gas_temperature_f": 70,
        "look_over": "passed",
        "roster_position": 1,
    }


async def test_a_fill_is_taken_once_and_kept_beside_when_its_id_comes_with_other_content(county: County) -> None:
    sent = fill(good_body(county, await county.cylinder()))
    other = {**sent, "body": {**sent["body"], "end_psi": 2100}}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        created = await client.post("/v1/fills", json=sent)
        exists = await client.post("/v1/fills", json=sent)
        beside = await client.post("/v1/fills", json=other)
        beside_again = await client.post("/v1/fills", json=other)
    assert created.status_code == 201, created.text
    first = created.json()
    assert first["outcome"] == "created"
    assert first["event_id"] == sent["event_id"]
    assert first["finding_ids"] == []
    assert first["problem"] is None
    assert (exists.status_code, exists.json()["outcome"]) == (200, "exists")
    assert exists.json()["ledger_position"] == first["ledger_position"]
    assert exists.json()["chain_digest"] == first["chain_digest"]
    assert (beside.status_code, beside.json()["outcome"]) == (200, "conflict_kept")
    assert beside.json()["event_id"] == sent["event_id"]
    assert beside.json()["ledger_position"] == first["ledger_position"] + 1
    assert beside.json()["chain_digest"] != first["chain_digest"]
    assert beside_again.json()["ledger_position"] == beside.json()["ledger_position"]


async def test_a_cylinder_filled_in_spite_of_two_holds_of_a_kind_has_one_finding_for_them(county: County) -> None:
    cylinder_id = await county.cylinder()
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for reason in ("Dropped.", "Dropped again."):
            hold = {"hold_kind": "damage", "reason": reason}
            held = await client.post(f"/v1/cylinders/{cylinder_id}/holds", json=hold)
            assert held.status_code == 201, held.text
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        created = await client.post("/v1/fills", json=fill(good_body(county, cylinder_id), occurred_at=ago(minutes=0)))
    assert created.status_code == 201, created.text
    found = created.json()["finding_ids"]
    assert len(found) == len(set(found)) == 1


UNREADABLE = {
    "empty": b"",
    "cut": b'{"type": "cylinder.filled", "body": {',
    "not utf-8": b'{"type": "\xff"}',
    "array": b"[]",
    "nothing": b"{}",
    "nul": b'{"type":"cylinder.filled","note":"\\u0000"}',
    "deep": b"[" * 5_000,
    "constant": b"NaN",
}


async def test_whatever_bytes_a_controller_sends_are_kept(county: County) -> None:
    positions = set()
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        for name, raw in UNREADABLE.items():
            first = await client.post("/v1/fills", content=raw)
            again = await client.post("/v1/fills", content=raw, headers={"content-type": "text/plain"})
            assert (first.status_code, first.json()["outcome"]) == (202, "quarantined"), name
            assert first.json()["problem"]["detail"], name
            assert again.json()["ledger_position"] == first.json()["ledger_position"], name
            positions.add(first.json()["ledger_position"])
    assert len(positions) == len(UNREADABLE)


async def test_a_quarantined_fill_is_told_every_fault(county: County) -> None:
    wrong = fill({"start_psi": "300", "end_psi": 2**53, "note": {"record_id": 1}, "colour": "red", "tag": "a\ud800"})
    wrong["occurred_at"] = "2026-11-24T03:10:22"
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answered = await client.post("/v1/fills", content=json.dumps(wrong).encode())
    assert answered.status_code == 202, answered.text
    assert answered.json()["event_id"] == wrong["event_id"]
    assert places(answered.json()["problem"]) >= {
        ("/occurred_at", "needs-offset"),
        ("/body/start_psi", "wrong-type"),
        ("/body/end_psi", "out-of-range"),
        ("/body/note", "wrong-type"),
        ("/body/colour", "unknown-field"),
        ("/body/tag", "invalid-character"),
    }


NOT_TAKEN: list[tuple[dict[str, Any], str, str]] = [
    ({"type": "cylinder.retired"}, "/type", "office-entry"),
    ({"type": "cylinder.filled_elsewhere"}, "/type", "ledger-entry"),
    ({"type": "cylinder.polished"}, "/type", "not-a-choice"),
    ({"type": "tag.read", "body": {"tag": "0042"}}, "/type", "not-a-choice"),
    ({"type_version": 2}, "/type_version", "not-a-choice"),
    ({"event_id": None}, "/event_id", "missing-field"),
    ({"stream_number": 7}, "/stream_id", "missing-field"),
    ({"occurred_at": "0001-01-01T00:00:00+14:00"}, "/occurred_at", "out-of-range"),
]


async def test_a_controller_is_told_why_a_fact_is_not_taken(county: County) -> None:
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        for change, pointer, code in NOT_TAKEN:
            answered = await client.post("/v1/fills", json={**fill({}), **change})
            assert answered.status_code == 202, answered.text
            assert places(answered.json()["problem"]) == {(pointer, code)}, change


async def test_a_person_reports_a_fill_from_paper(county: County) -> None:
    body = good_body(county, await county.cylinder())
    sent = fill({**body, "station_id": str(county.own.station_id), "note": "From the paper log."})
    del sent["event_id"]
    sent["type"] = "cylinder.filled_by_hand"
    headers = {"Idempotency-Key": "paper-log-17"}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        created = await client.post("/v1/fills", json=sent, headers=headers)
        exists = await client.post("/v1/fills", json=sent, headers=headers)
        problem_in(
            await client.post("/v1/fills", content=b"{", headers={"content-type": "text/plain"}),
            415,
            "unsupported-media-type",
        )
        problem_in(
            await client.post("/v1/fills", content=b"{", headers={"content-type": "application/json"}),
            400,
            "malformed-json",
        )
        malformed = await client.post("/v1/fills", json={**sent, "body": {"end_psi": "-1", "tag": 7}})
        slips: dict[str, Any] = {"end_psi": -1, "gas_temperature_f": 720, "duration_s": 86_401}
        slips |= {"sources": [{"air_source_id": str(county.own.air_source_id), "start_psi": 45_000}]}
        slipped = await client.post("/v1/fills", json={**sent, "body": {**sent["body"], **slips}})
        nowhere = await client.post("/v1/fills", json=fill(body))
        elsewhere = await client.post("/v1/fills", json=fill({**body, "station_id": str(county.neighbour.station_id)}))
    assert created.status_code == 201, created.text
    assert (exists.status_code, exists.json()["outcome"]) == (200, "exists")
    assert exists.json()["event_id"] == created.json()["event_id"]
    assert places(problem_in(malformed, 422, "invalid-body")) == {
        ("/body/end_psi", "wrong-type"),
        ("/body/tag", "wrong-type"),
    }
    assert places(problem_in(slipped, 422, "invalid-body")) == {
        (f"/body/{name}", "out-of-range")
        for name in ("end_psi", "gas_temperature_f", "duration_s", "sources/0/start_psi")
    }
    assert places(problem_in(nowhere, 422, "invalid-body")) == {("/body/station_id", "missing-field")}
    assert places(problem_in(elsewhere, 422, "not-processable")) == {("/body/station_id", "unknown-station")}


async def test_only_those_who_may_report_fills_do(county: County) -> None:
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post("/v1/fills", json=fill({})), 403, "not-permitted")
    async with county.client(None) as client:
        problem_in(await client.post("/v1/fills", json=fill({})), 401, "not-authenticated")


async def test_a_body_beyond_the_limit_is_refused_as_a_whole(county: County) -> None:
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.post("/v1/fills", content=b"x" * 70_000), 413, "body-too-large")
