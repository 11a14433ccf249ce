"""Air samples over HTTP: entered, listed, and at once a reason to deny."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

LABORATORY = "Bench 2, Avery Example"


def day(days_ago: int) -> str:
    return (datetime.now(UTC) - timedelta(days=days_ago)).strftime("%Y-%m-%d")


def sample_of(county: County, **fields: Any) -> dict[str, Any]:
    return {
        "air_source_id": str(county.own.air_source_id),
        "taken_on": day(2),
        "verdict": "pass",
        "standard": "NFPA 1989 (2019)",
        "laboratory": LABORATORY,
        "results": [
            {"analyte": "carbon_monoxide", "unit": "ppm", "value": "0.5"},
            {"analyte": "odour", "unit": "none", "text": "none detected"},
        ],
        **fields,
    }


async def test_a_sample_is_entered_once_and_shown_with_its_source(county: County) -> None:
    body = sample_of(county, event_id=str(uuid.uuid4()))
    path = f"/v1/air-sources/{county.own.air_source_id}"
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post("/v1/air-samples", json=body)
        again = await client.post("/v1/air-samples", json=body)
        known = await client.post("/v1/air-samples", json=sample_of(county, sample_id=first.json()["subject_id"]))
        sealed = (await client.get(path)).json()["samples"][0]
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = (await client.get(path)).json()["samples"]
    assert (first.status_code, again.status_code) == (201, 200), first.text
    assert places(problem_in(known, 409, "conflict")) == {("/sample_id", "sample-known")}
    assert [sample["taken_on"] for sample in shown] == [day(2), day(10)]
    assert shown[0]["sample_id"] == first.json()["subject_id"]
    assert shown[0]["laboratory"] == LABORATORY
    assert [(result["analyte"], result["value"], result["text"]) for result in shown[0]["results"]] == [
        ("carbon_monoxide", "0.5", None),
        ("odour", None, "none detected"),
    ]
    assert (sealed["laboratory"], sealed["laboratory_erased"]) == (None, False)


async def test_a_failed_sample_denies_at_once_until_a_later_one_passes(county: County) -> None:
    question = {"cylinder_id": str(await county.cylinder()), "member_id": str(county.own.member_id)}
    async with (
        county.client(county.own.keys[Role.CONTROLLER]) as station,
        county.client(county.own.keys[Role.TECHNICIAN]) as technician,
    ):
        answers = [(await station.get("/v1/eligibility", params=question)).json()]
        for taken, verdict in ((3, "fail"), (3, "pass"), (2, "pass")):
            entered = await technician.post(
                "/v1/air-samples", json=sample_of(county, taken_on=day(taken), verdict=verdict)
            )
            token = entered.json()["ledger"]
            answers.append((await station.get("/v1/eligibility", params={**question, "min_ledger": token})).json())
    assert [answer["code"] for answer in answers] == ["ok", "air-sample-failed", "air-sample-failed", "ok"]


async def test_lists_are_filtered_newest_first_without_what_was_retracted(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        for taken, verdict in ((40, "pass"), (30, "fail"), (20, "pass")):
            entered = await client.post("/v1/air-samples", json=sample_of(county, taken_on=day(taken), verdict=verdict))
        await county.record(
            EventRetracted(retracted_event_id=uuid.UUID(entered.json()["event_id"]), reason="Wrong source.")
        )

        async def days(**query: Any) -> list[str]:
            answer = await client.get("/v1/air-samples", params=query)
            assert answer.status_code == 200, answer.text
            return [sample["taken_on"] for sample in answer.json()["items"]]

        assert await days() == [day(10), day(30), day(40)]
        assert await days(verdict="fail") == [day(30)]
        assert await days(taken_from=day(30), taken_to=day(30)) == [day(30)]
        assert await days(air_source_id=str(county.own.air_source_id), taken_to=day(35)) == [day(40)]
        assert await days(air_source_id=str(uuid.uuid4())) == []
        page = await client.get("/v1/air-samples", params={"limit": 2})
        rest = await client.get(page.links["next"]["url"])
        assert [item["taken_on"] for item in page.json()["items"] + rest.json()["items"]] == await days()
        no_day = await client.get("/v1/air-samples", params={"taken_from": "2026-02-30"})
        assert places(problem_in(no_day, 400, "invalid-query")) == {("taken_from", "no-such-day")}


async def test_what_cannot_be_is_refused_with_every_reason(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        future = await client.post(
            "/v1/air-samples",
            json=sample_of(county, taken_on=day(-3), results=[{"analyte": "oil", "unit": "mg_per_m3"}]),
        )
        no_day = await client.post("/v1/air-samples", json=sample_of(county, taken_on="2026-02-30"))
        nowhere = await client.post("/v1/air-samples", json=sample_of(county, air_source_id=str(uuid.uuid4())))
        faulty = await client.post(
            "/v1/air-samples",
            json=sample_of(
                county,
                verdict="good",
                taken_on="last week",
                results=[{"analyte": "argon", "unit": "ppm", "value": 0.5}],
            ),
        )
    assert places(problem_in(future, 422, "not-processable")) == {
        ("/taken_on", "sampled-in-future"),
        ("/results/0", "result-empty"),
    }
    assert places(problem_in(no_day, 422, "not-processable")) == {("/taken_on", "no-such-day")}
    assert places(problem_in(nowhere, 422, "not-processable")) == {("/air_source_id", "air-source-unknown")}
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/verdict",
        "/taken_on",
        "/results/0/analyte",
        "/results/0/value",
    }


@pytest.mark.parametrize(
    ("analyte", "unit", "value", "words"),
    [
        ("carbon_monoxide", "ppm", "-0.1", "less than none of carbon monoxide"),
        ("oil", "mg_per_m3", "-1", "less than none of oil"),
        ("oxygen", "percent", "100.1", "100.1 percent of oxygen is more than all of it"),
        ("oxygen", "percent", "209", "Read the laboratory's report again."),
        ("carbon_monoxide", "deg_f", "9", "A temperature does not say how much carbon monoxide"),
        ("dew_point", "deg_f", "-201", "within -200 to 212 F"),
        ("dew_point", "deg_f", "213", "within -200 to 212 F"),
        ("carbon_monoxide", "ppm", "0", None),
        ("oxygen", "percent", "100", None),
        ("oxygen", "ppm", "209000", None),
        ("dew_point", "deg_f", "-200", None),
        ("dew_point", "deg_f", "212", None),
        # In another unit than a limit has it is kept, and not compared.
        ("dew_point", "none", "-60", None),
    ],
)
async def test_what_no_laboratory_can_have_found_is_refused(
    county: County, analyte: str, unit: str, value: str, words: str | None
) -> None:
    """Shares of a whole and temperatures (inference); the bounds of a dew point are from memory."""
    results = [{"analyte": analyte, "unit": unit, "value": value}]
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        answer = await client.post("/v1/air-samples", json=sample_of(county, results=results))
    if words is None:
        assert answer.status_code == 201, answer.text
    else:
        document = problem_in(answer, 422, "not-processable")
        assert places(document) == {("/results/0", "result-impossible")}
        assert words in document["detail"]


async def test_keys_open_only_their_own_doors(county: County) -> None:
    async with county.client(county.neighbour.keys[Role.TECHNICIAN]) as client:
        refused = await client.post("/v1/air-samples", json=sample_of(county))
        assert places(problem_in(refused, 422, "not-processable")) == {("/air_source_id", "air-source-unknown")}
        listed = (await client.get("/v1/air-samples")).json()["items"]
    assert {sample["air_source_id"] for sample in listed} == {str(county.neighbour.air_source_id)}
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post("/v1/air-samples", json=sample_of(county)), 403, "not-permitted")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get("/v1/air-samples"), 403, "not-permitted")
