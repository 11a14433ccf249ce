"""Batches over HTTP: every outcome beside every other, in any order, compressed, by lines, and broken off."""

import gzip
import json
import random
import uuid
from typing import Any

import zstandard

from fill_ledger.trade.events.county import Role
from fill_ledger.views.findings import FINDING_TEXTS
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.facts import ago, fact, fill


def all_types(county: County, cylinder_id: uuid.UUID) -> list[dict[str, Any]]:
    """Return a fact of every type that a device may send."""
    cylinder, tag = {"cylinder_id": str(cylinder_id)}, {"tag": "E0 04 01 00 12 34 56 78"}
    station, source = {"station_id": str(county.own.station_id)}, {"air_source_id": str(county.own.air_source_id)}
    member = {"member_id": str(uuid.uuid4())}
    alarm = {**station, "alarm_id": str(uuid.uuid4())}
    return [
        fact("cylinder.fill_started", {**cylinder, "start_psi": 300}),
        fact("cylinder.filled", {**cylinder, "end_psi": 2200}),
        fact("cylinder.filled_by_hand", {**cylinder, "end_psi": 2200, "note": "Power cut."}),
        fact("cylinder.fill_denied", {**cylinder, "code": "requalification-due"}),
        fact("cylinder.fill_abandoned", {**cylinder, "note": "Hose leaked."}),
        fact("hose.filled", {"end_psi": 1200}),
        fact("tag.read", tag),
        fact("tag.paired", {**cylinder, **tag}),
        fact("tag.unpaired", {**cylinder, **tag}),
        fact("member.enrolled", {**member, "personal": '{"name":"Robin Example"}'}),
        fact(
            "credential.bound",
            {
                **member,
                "credential_id": str(uuid.uuid4()),
                "credential_kind": "card",
                "secret": "04A1B2C3D4E5F6",
            },
        ),
        fact("pressure.read", {**cylinder, "pressure_psi": 2150}),
        fact("storage_bottle.read", {**source, "bottle_id": str(uuid.uuid4()), "pressure_psi": 5000}),
        fact("storage.charged", {**source, "from_air_source_id": str(uuid.uuid4())}),
        fact("compressor.hours_read", {**source, "run_time_tenths_h": 12_345}),
        fact("filter.changed", {**source, "note": "Cartridge wet."}),
        fact("alarm.raised", {**alarm, "alarm_kind": "carbon monoxide"}),
        fact("alarm.ended", alarm),
        fact("clock.read", {**station, "ahead_ms": -1500}),
        fact("override.used", {**cylinder, "override": {"reason_code": "working fire"}}),
        fact("roster.applied", {**station, "roster_digest": "0" * 64}),
    ]


async def test_every_type_of_observation_is_taken(county: County) -> None:
    facts = all_types(county, await county.cylinder())
    batch = {"device_now": ago(), "device_software": "controller 2.4", "facts": facts}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answered = await client.post("/v1/intake", json=batch)
        again = await client.post("/v1/intake", json=batch)
    assert answered.status_code == 200, answered.text
    results = answered.json()["results"]
    assert [(result["outcome"], result["problem"]) for result in results] == [("created", None)] * len(facts)
    assert [result["event_id"] for result in results] == [sent["event_id"] for sent in facts]
    assert [result["index"] for result in results] == list(range(len(facts)))
    assert {result["outcome"] for result in again.json()["results"]} == {"exists"}
    assert again.json()["chain_digest"] == answered.json()["chain_digest"]


async def test_each_fact_is_taken_on_its_own_merits(county: County) -> None:
    good = fill({"cylinder_id": str(await county.cylinder()), "end_psi": 2200})
    facts = [
        good,
        {**good, "body": {**good["body"], "end_psi": 1}},
        {**fill({}), "type": "cylinder.condemned"},
        good,
        7,
        fact("tag.paired", {"cylinder_id": str(uuid.uuid4()), "tag": "00000000"}),
        fact("tag.read", {"tag": "00000000"}),
        fill({"tag": "7", "note": "a\u0000b"}),
        fact(
            "credential.bound",
            {
                "member_id": str(uuid.uuid4()),
                "credential_id": str(uuid.uuid4()),
                "credential_kind": "passcode",
                "secret": "1234",
            },
        ),
    ]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answered = await client.post("/v1/intake", json={"facts": facts})
    assert answered.status_code == 200, answered.text
    results = answered.json()["results"]
    assert [result["outcome"] for result in results] == [
        "created",
        "conflict_kept",
        "quarantined",
        "exists",
        "quarantined",
        "quarantined",
        "created",
        "quarantined",
        "quarantined",
    ]
    assert results[3]["ledger_position"] == results[0]["ledger_position"]
    assert places(results[2]["problem"]) == {("/type", "office-entry")}
    assert places(results[5]["problem"]) == {("/body/tag", "tag-blank")}
    assert places(results[7]["problem"]) == {("/body/note", "invalid-character")}
    assert places(results[8]["problem"]) == {("/body/secret", "credential-not-taken")}
    assert all(len(results[kept]["finding_ids"]) == 1 for kept in (1, 2, 4, 5, 7, 8))


async def test_facts_give_the_same_states_in_whatever_order_they_come(county: County) -> None:
    order = list(range(5))
    for round_number in range(4):
        own, other, tag = str(await county.cylinder()), str(await county.cylinder()), f"tag {round_number}"
        facts = [
            fact("tag.paired", {"cylinder_id": own, "tag": tag}, occurred_at=ago(hours=5)),
            fill({"tag": tag, "end_psi": 2200}, occurred_at=ago(hours=4)),
            fact("tag.paired", {"cylinder_id": other, "tag": tag}, occurred_at=ago(hours=3)),
            fill({"tag": tag, "end_psi": 2100}, occurred_at=ago(hours=2)),
            fill({"cylinder_id": own, "end_psi": 2000}, occurred_at=ago(hours=1)),
        ]
        random.Random(round_number).shuffle(order)
        sent = [facts[place] for place in order]
        batches = [sent] if round_number == 0 else [[one] for one in sent]
        async with county.client(county.own.keys[Role.CONTROLLER]) as client:
            for batch in batches:
                assert (await client.post("/v1/intake", json={"facts": batch})).status_code == 200
        async with county.client(county.own.keys[Role.OFFICER]) as client:
            of_own = (await client.get("/v1/fills", params={"cylinder_id": own})).json()["items"]
            of_other = (await client.get("/v1/fills", params={"cylinder_id": other})).json()["items"]
            states = [(await client.get(f"/v1/cylinders/{cylinder_id}")).json() for cylinder_id in (own, other)]
        assert [item["end_psi"] for item in of_own] == [2000, 2200], order
        assert [item["end_psi"] for item in of_other] == [2100], order
        assert [state["fills_total"] for state in states] == [2, 1], order


async def test_lines_and_compressed_batches_are_taken(county: County) -> None:
    def lines() -> bytes:
        sent = [json.dumps({"device_now": ago()}), *(json.dumps(fill({"end_psi": 2000})) for _ in range(3))]
        return "\n".join(sent).encode() + b"\n"

    def whole() -> bytes:
        return json.dumps({"facts": [fill({"end_psi": 2000}) for _ in range(3)]}).encode()

    named = {"content-type": "application/x-ndjson"}
    requests = [
        (lines(), named),
        (lines(), {"content-type": "application/json"}),
        (gzip.compress(lines()), {**named, "content-encoding": "gzip"}),
        (gzip.compress(whole()), {"content-encoding": "gzip"}),
        (zstandard.ZstdCompressor().compress(whole()), {"content-encoding": "zstd"}),
    ]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        for body, headers in requests:
            answered = await client.post("/v1/intake", content=body, headers=headers)
            assert [result["outcome"] for result in answered.json()["results"]] == ["created"] * 3, answered.text
            assert answered.json()["problem"] is None


async def test_a_batch_that_breaks_off_is_taken_as_far_as_it_goes(county: County) -> None:
    good = json.dumps(fill({"end_psi": 2000})).encode()
    cut = b'{"device_now":"2026-11-24T03:12:00","facts":[' + good + b',{"type":"cylinder.filled","eve'
    spoilt = b'{"facts":[' + good + b',{"type":"\xff"}]}'
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        first = await client.post("/v1/intake", content=cut)
        second = await client.post("/v1/intake", content=spoilt)
        third = await client.post("/v1/intake", content=b"nonsense")
        packed = await client.post("/v1/intake", content=b"nonsense", headers={"content-encoding": "gzip"})
        empty = await client.post("/v1/intake", content=b'{"facts":[]}')
    assert [result["outcome"] for result in first.json()["results"]] == ["created", "quarantined"]
    assert first.json()["problem"]["type"] == "/v1/problems/malformed-json"
    assert [result["outcome"] for result in second.json()["results"]] == ["exists", "quarantined"]
    assert second.json()["problem"] is None
    assert [result["outcome"] for result in third.json()["results"]] == ["quarantined"]
    assert packed.json()["problem"]["type"] == "/v1/problems/unsupported-content-encoding"
    assert empty.json()["results"] == []
    assert empty.json()["chain_digest"] == packed.json()["chain_digest"]


async def test_no_fact_is_lost_where_it_stands_in_the_wrong_place(county: County) -> None:
    """An answer of 200 lets the sender forget its facts, so each of them must be on record."""
    sent = [fill({"end_psi": 2000 + number}) for number in range(5)]
    lines = "\n".join(json.dumps(one) for one in sent[:2])
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        headerless = await client.post("/v1/intake", content=lines, headers={"content-type": "application/x-ndjson"})
        alone = await client.post("/v1/intake", json=sent[2])
        by_name = await client.post("/v1/intake", json={"facts": {"a": sent[3]}})
        misspelt = await client.post("/v1/intake", json={"records": [sent[4]]})
    assert [result["outcome"] for result in headerless.json()["results"]] == ["created", "created"]
    assert [result["outcome"] for result in alone.json()["results"]] == ["created"]
    for answered in (by_name, misspelt):
        assert [result["outcome"] for result in answered.json()["results"]] == ["quarantined"]
        assert {fault["code"] for fault in answered.json()["problem"]["errors"]} == {"unknown-field"}


async def test_numbers_that_never_came_are_named(county: County) -> None:
    stream, other = str(uuid.uuid4()), str(uuid.uuid4())

    def numbered(*numbers: int) -> dict[str, Any]:
        return {"facts": [fact("tag.read", {"tag": "0042"}, stream_id=stream, stream_number=n) for n in numbers]}

    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        first = await client.post("/v1/intake", json=numbered(2, 3, 7))
        wrong = {"type": "tag.read", "stream_id": stream, "stream_number": 5}
        second = await client.post("/v1/intake", json={"facts": [wrong]})
        third = await client.post("/v1/intake", json=numbered(1, 4, 6))
        elsewhere = fact("tag.read", {"tag": "0042"}, stream_id=other, stream_number=200_000)
        fourth = await client.post("/v1/intake", json={"facts": [elsewhere]})
    assert first.json()["missing"] == [
        {"stream_id": stream, "from": 1, "to": 1},
        {"stream_id": stream, "from": 4, "to": 6},
    ]
    assert [(gap["from"], gap["to"]) for gap in second.json()["missing"]] == [(1, 1), (4, 4), (6, 6)]
    assert third.json()["missing"] == []
    assert [(gap["from"], gap["to"]) for gap in fourth.json()["missing"]] == [(100_001, 199_999)]


async def test_a_slow_clock_is_corrected_by_what_the_device_says_it_is(county: County) -> None:
    clock = {"boot_id": str(uuid.uuid4()), "uptime_ms": 1000, "synced": False}
    sent = fill({"end_psi": 2000}, occurred_at=ago(days=3, minutes=10), clock=clock)
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        await client.post("/v1/intake", json={"device_now": ago(days=3), "facts": [sent]})
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        listed = await client.get("/v1/fills", params={"from": ago(minutes=12), "to": ago(minutes=8)})
    assert [item["event_id"] for item in listed.json()["items"]] == [sent["event_id"]]


async def test_a_person_is_told_what_is_wrong_with_a_batch(county: County) -> None:
    body = {"tag": "0042", "station_id": str(county.own.station_id)}
    async with county.client(county.own.keys[Role.INTEGRATOR]) as client:
        problem_in(await client.post("/v1/intake", json={"facts": [], "colour": "red"}), 422, "invalid-body")
        json_type = {"content-type": "application/json"}
        problem_in(await client.post("/v1/intake", content=b"{", headers=json_type), 400, "malformed-json")
        problem_in(await client.post("/v1/intake", content=b"a"), 415, "unsupported-media-type")
        packed = {**json_type, "content-encoding": "br"}
        problem_in(await client.post("/v1/intake", content=b"a", headers=packed), 415, "unsupported-content-encoding")
        taken = await client.post("/v1/intake", json={"facts": [fill(body), fill({"tag": "0042"})]})
    async with county.client(county.keys[Role.INTEGRATOR]) as client:
        problem_in(await client.post("/v1/intake", json={"facts": []}), 422, "not-processable")
        named = {"department_id": str(county.own.department_id)}
        assert (await client.post("/v1/intake", json={"facts": [fill(body)]}, params=named)).status_code == 200
    assert [result["outcome"] for result in taken.json()["results"]] == ["created", "quarantined"]
    assert places(taken.json()["results"][1]["problem"]) == {("/body/station_id", "missing-field")}


async def test_limits_refuse_a_batch_as_a_whole(county: County) -> None:
    bomb = gzip.compress(b" " * (17 * 1024 * 1024))
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        headers = {"content-encoding": "gzip"}
        problem_in(await client.post("/v1/intake", content=bomb, headers=headers), 413, "body-too-large")
        many = b'{"facts":[' + b"1," * 10_000 + b"1]}"
        problem_in(await client.post("/v1/intake", content=many), 413, "body-too-large")


async def test_long_garbage_is_kept_in_pieces(county: County) -> None:
    garbage = random.Random(1).randbytes(600_000)
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answered = await client.post("/v1/intake", content=garbage)
    assert [result["outcome"] for result in answered.json()["results"]] == ["quarantined"], answered.text


async def test_a_fact_that_names_another_station_is_kept_as_sent_with_a_finding(county: County) -> None:
    cylinder_id = str(await county.cylinder())
    sent = fill({"cylinder_id": cylinder_id, "end_psi": 2200, "station_id": str(uuid.uuid4())})
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answered = await client.post("/v1/intake", json={"facts": [sent]})
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        found = await client.get("/v1/findings", params={"code": "station-differs"})
        fills = await client.get("/v1/fills", params={"station_id": str(county.own.station_id)})
    result = answered.json()["results"][0]
    assert result["outcome"] == "created"
    assert [item["finding_id"] for item in found.json()["items"]] == [
        finding for finding in result["finding_ids"] if finding == found.json()["items"][0]["finding_id"]
    ]
    assert found.json()["items"][0]["text"] == FINDING_TEXTS["station-differs"]
    assert [item["event_id"] for item in fills.json()["items"]] == [sent["event_id"]]
