"""What cannot be true of a cylinder is refused at the office door, with its place and what would be right.

Sources stand beside the cases. What a device reports is another matter: it has happened, so it is kept.
"""

from collections.abc import Iterator
from typing import Any

import httpx

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import CylinderRequalified, RequalificationStamp
from tests.api.clients import places
from tests.support.county import County
from tests.support.facts import fill

Case = tuple[dict[str, Any], str, str, str]
NEXT_CENTURY = "2150-01"

# Changed details; pointer below /details, code of the fault, and words that say what would be right.
DETAILS: tuple[Case, ...] = (
    (
        {"service_pressure": {"value": "45000", "unit": "psi"}},
        "/service_pressure",
        "pressure-too-high",
        "digit too many",
    ),
    ({"service_pressure": {"value": "4500", "unit": "bar"}}, "/service_pressure", "pressure-too-high", "in psi?"),
    ({"service_pressure": {"value": "31", "unit": "kpa"}}, "/service_pressure", "pressure-too-low", "the unit"),
    ({"service_pressure": {"value": "0", "unit": "psi"}}, "/service_pressure", "pressure-too-low", "as stamped"),
    # 450 bar is 6526 psi; no breathing-air cylinder is marked 450 psi (common practice, no source).
    (
        {"service_pressure": {"value": "450", "unit": "psi"}},
        "/service_pressure/unit",
        "pressure-unit-doubtful",
        "is it 450 bar?",
    ),
    ({"service_pressure": {"value": "4,500", "unit": "psi"}}, "/service_pressure/value", "wrong-format", "without"),
    ({"service_pressure": {"value": 4500, "unit": "psi"}}, "/service_pressure/value", "wrong-type", "put it in quotes"),
    ({"manufactured": NEXT_CENTURY}, "/manufactured", "made-in-future", "at the latest"),
    ({"manufactured": "2016-13"}, "/manufactured", "wrong-format", "from 01 to 12"),
    ({"manufactured": "2016-02-30"}, "/manufactured", "wrong-format", "a month as YYYY-MM"),
    ({"manufactured": "0016-05"}, "/manufactured", "wrong-format", "from 1900 to 2200"),
    ({"marked_life_ends": "2016-05"}, "/marked_life_ends", "life-ends-before-made", "2016-05. Compare both"),
    ({"marked_life_ends": "2015-12"}, "/marked_life_ends", "life-ends-before-made", "not lie after"),
    ({"water_volume_ml": 0}, "/water_volume_ml", "out-of-range", "at least 100"),
    ({"water_volume_ml": 3_000_000}, "/water_volume_ml", "water-volume-not-for-use", "6800 for 6.8 L"),
    ({"water_volume_ml": 3_000_001}, "/water_volume_ml", "out-of-range", "at most 3000000"),
    ({"water_volume_ml": 107}, "/water_volume_ml", "water-volume-not-for-use", "300 to 30000 ml"),
    # Titles of 49 CFR 178.37 and 178.46: 3AA is of steel, 3AL of aluminium.
    (
        {"specification": "DOT-3AL4500", "material": "steel"},
        "/material",
        "material-contradicts-specification",
        "aluminium",
    ),
)
# Specification of the cylinder, its manufacture, the stamp; pointer below the stamp, code, words.
STAMPS: tuple[tuple[str, dict[str, Any], str, str, str], ...] = (
    ("DOT-SP10915", {"month": "2016-04"}, "/month", "requalified-before-made", "Compare both with the stamps"),
    ("DOT-SP10915", {"month": NEXT_CENTURY}, "/month", "requalified-in-future", "at the latest"),
    ("DOT-SP10915", {"month": "2021-13"}, "/month", "wrong-format", "from 01 to 12"),
    ("DOT-SP10915", {"month": "2021-02-30"}, "/month", "wrong-format", "a month as YYYY-MM"),
    # 49 CFR 180.213(d): four characters in a square.
    ("DOT-SP10915", {"month": "2021-06", "requalifier": "A12"}, "/requalifier", "wrong-format", "such as A123"),
    ("DOT-SP10915", {"month": "2021-06", "requalifier": "A-12"}, "/requalifier", "wrong-format", "such as A123"),
    # 49 CFR 173.302a(b): plus on 3A, 3AX, 3AA, 3AAX and 3T only; 180.209(b): star on 3A and 3AA only.
    (
        "DOT-3AL4500",
        {"month": "2021-06", "marks": ["+"]},
        "/marks",
        "plus-not-for-specification",
        "only for 3A, 3AX, 3AA, 3AAX and 3T",
    ),
    ("DOT-3AL4500", {"month": "2021-06", "marks": ["star"]}, "/marks", "star-not-for-specification", "3A and 3AA"),
    ("DOT-3AA4500", {"month": "2021-06", "marks": ["plus"]}, "/marks/0", "not-a-choice", "one of"),
)


def details(**changed: Any) -> dict[str, Any]:
    """Return details of a composite cylinder made in May 2016."""
    return {
        "serial": "QX 40771",
        "specification": "DOT-SP10915",
        "service_pressure": {"value": "4500", "unit": "psi"},
        "use": "scba",
        "manufactured": "2016-05",
        "water_volume_ml": 6800,
        **changed,
    }


def missing_in(answer: httpx.Response, pointer: str, code: str, words: str) -> Iterator[str]:
    """Yield what an answer lacks of a refusal with this place, code and words."""
    document = answer.json()
    if answer.status_code != 422 or (pointer, code) not in places(document):
        yield f"{pointer} {code}: {answer.status_code} {document.get('errors', document)}"
    elif not any(fault["pointer"] == pointer and words in fault["detail"] for fault in document["errors"]):
        yield f"{pointer} {code}: {words!r} is not in {document['errors']}"


async def test_registering_nonsense_is_refused(county: County) -> None:
    missing: list[str] = []
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for changed, pointer, code, words in DETAILS:
            answer = await client.post("/v1/cylinders", json={"details": details(**changed)})
            missing += missing_in(answer, f"/details{pointer}", code, words)
        for specification, stamp, pointer, code, words in STAMPS:
            body = {"details": details(specification=specification), "requalifications": [{"outcome": "pass", **stamp}]}
            answer = await client.post("/v1/cylinders", json=body)
            missing += missing_in(answer, f"/requalifications/0{pointer}", code, words)
        listed = (await client.get("/v1/cylinders")).json()["items"]
        sound = await client.post("/v1/cylinders", json={"details": details()})
    assert missing == []
    assert listed == []
    assert sound.status_code == 201, sound.text


async def test_correcting_to_nonsense_is_refused(county: County) -> None:
    body = {"details": details(), "requalifications": [{"month": "2021-06", "outcome": "pass"}]}
    missing: list[str] = []
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        path = f"/v1/cylinders/{(await client.post('/v1/cylinders', json=body)).json()['subject_id']}"
        headers = {"if-match": (await client.get(path)).headers["etag"]}

        async def correct(**changed: Any) -> httpx.Response:
            correction = {"details": details(**changed), "reason": "As stamped."}
            return await client.post(f"{path}/corrections", json=correction, headers=headers)

        for changed, pointer, code, words in DETAILS:
            missing += missing_in(await correct(**changed), f"/details{pointer}", code, words)
        after_its_test = await correct(manufactured="2021-07")
        in_its_month = await correct(manufactured="2021-06")
    assert missing == []
    # A contradiction of the ledger, not of the entry in itself: either of the two months may be wrong.
    assert after_its_test.status_code == 409
    assert places(after_its_test.json()) == {("/details/manufactured", "made-after-test")}
    assert "take back the entry" in after_its_test.json()["detail"]
    assert in_its_month.status_code == 201, in_its_month.text


async def test_requalifying_with_nonsense_is_refused(county: County) -> None:
    missing: list[str] = []
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for number, (specification, stamp, pointer, code, words) in enumerate(STAMPS):
            body = {"details": details(specification=specification, serial=f"R{number}")}
            path = f"/v1/cylinders/{(await client.post('/v1/cylinders', json=body)).json()['subject_id']}"
            answer = await client.post(f"{path}/requalifications", json={"stamp": {"outcome": "pass", **stamp}})
            missing += missing_in(answer, f"/stamp{pointer}", code, words)
            assert (await client.get(path)).json()["requalifications"] == []
    assert missing == []


async def test_an_impossible_requalifier_is_refused_whichever_way_it_comes(county: County) -> None:
    """The interface knows the form already; the ledger's own check holds for entries from files and programs too."""
    cylinder_id = await county.cylinder()
    stamp = RequalificationStamp(month="2025-06", outcome="pass", requalifier="A12")
    recorded = await county.record(CylinderRequalified(cylinder_id=cylinder_id, stamp=stamp))
    (refusal,) = recorded.outcomes[0].refusals
    assert (refusal.pointer, refusal.code) == ("/stamp/requalifier", "requalifier-impossible")
    assert "such as A123" in refusal.detail


async def test_a_pressure_in_the_mark_settles_its_unit_and_storage_may_be_large(county: County) -> None:
    low = details(specification="DOT-4B240", service_pressure={"value": "240", "unit": "psi"})
    tube = details(serial="QX 2", use="storage", water_volume_ml=3_000_000)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        answers = [await client.post("/v1/cylinders", json={"details": each}) for each in (low, tube)]
    assert [answer.status_code for answer in answers] == [201, 201], [answer.text for answer in answers]


async def test_days_that_are_not_in_the_calendar_are_refused(county: County) -> None:
    sample = {"air_source_id": str(county.own.air_source_id), "verdict": "pass", "standard": "NFPA 1989"}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        february = await client.post("/v1/air-samples", json={**sample, "taken_on": "2026-02-30"})
        month_13 = await client.post("/v1/air-samples", json={**sample, "taken_on": "2026-13-01"})
        hold = {"hold_kind": "air", "reason": "x", "occurred_at": "2026-02-30T10:00:00Z"}
        moment = await client.post(f"/v1/cylinders/{await county.cylinder()}/holds", json=hold)
    assert places(february.json()) == {("/taken_on", "no-such-day")}
    assert places(month_13.json()) == {("/taken_on", "wrong-format")}
    assert places(moment.json()) == {("/occurred_at", "wrong-format")}
    assert [each.status_code for each in (february, month_13, moment)] == [422, 422, 422]


async def test_a_device_may_report_the_same_nonsense_and_it_is_kept(county: County) -> None:
    marked = {
        "serial": "QX 40771",
        "specification": "DOT-3AL4500",
        "service_pressure_value": "45000",
        "service_pressure_unit": "bar",
        "manufactured": "2026-13",
        "last_requalified": "2016-04",
    }
    body = {"cylinder_as_marked": marked, "end_psi": 15_000, "mode": "manual"}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        answer = await client.post("/v1/fills", json=fill(body))
    assert answer.status_code == 201, answer.text
    assert answer.json()["outcome"] == "created"
    assert answer.json()["finding_ids"]
