"""Entering, listing and taking back what the rules go by, over HTTP."""

import uuid
from typing import Any

import httpx
import pytest

from fill_ledger.intake.founding import NewPrincipal, register_principal
from fill_ledger.intake.installing import install_rulebook
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.rulebook.air_standards import AIR_STANDARDS
from fill_ledger.trade.rulebook.specifications import PERMITS, SPECIFICATIONS
from tests.api.clients import places, problem_in
from tests.support.county import County

PERMIT: dict[str, Any] = {
    "key": "SP99999",
    "uses": ["scba"],
    "interval_years": 5,
    "life_years": 15,
    "source": "the permit's own text",
    "confidence": "read",
}
STANDARD: dict[str, Any] = {
    "key": "County rule 2026",
    "title": "Air of the county",
    "limits": [{"analyte": "carbon_monoxide", "unit": "ppm", "maximum": "5"}],
    "source": "county rule, section 4",
    "confidence": "read",
}
AMENDMENT: dict[str, Any] = {
    "figures": [{"figure": "requalification_grace_months", "value": 12}],
    "sources": [{"code": "requalification-due", "source": "notice of 2026-11-20"}],
    "reason": "notice of relief",
    "effective_from": "2026-11-20",
    "effective_until": "2027-06-01",
}
BODIES: list[tuple[str, dict[str, Any]]] = [
    ("/v1/specifications", {"entry": PERMIT}),
    ("/v1/air-standards", {"standard": STANDARD}),
    ("/v1/rule-amendments", AMENDMENT),
]


async def send(county: County, path: str, body: dict[str, Any], **headers: str) -> httpx.Response:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        return await client.post(path, json=body, headers=headers)


async def entered(county: County, path: str, body: dict[str, Any]) -> str:
    """Enter something and return the id of the entry."""
    response = await send(county, path, body)
    assert response.status_code == 201, response.text
    entry_id: str = response.json()["subject_id"]
    assert entry_id == response.json()["event_id"]
    return entry_id


async def shown(county: County, path: str, **params: str) -> Any:
    async with county.client(None) as client:
        response = await client.get(path, params=params)
    assert response.status_code == 200, response.text
    return response.json()


@pytest.mark.parametrize(("path", "body"), BODIES)
async def test_an_entry_is_taken_once(county: County, path: str, body: dict[str, Any]) -> None:
    event_id = str(uuid.uuid4())
    first = await send(county, path, {**body, "event_id": event_id})
    again = await send(county, path, {**body, "event_id": event_id})
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["ledger_position"] == again.json()["ledger_position"]
    keyed = [await send(county, path, body, **{"idempotency-key": '"once"'}) for _ in range(2)]
    assert [response.status_code for response in keyed] == [201, 200]
    assert keyed[1].headers["idempotency-hit"] == "true"


@pytest.mark.parametrize(("path", "body"), BODIES)
async def test_only_who_acts_for_the_whole_county_enters(county: County, path: str, body: dict[str, Any]) -> None:
    lanes = county.parts.lanes
    county_officer = await register_principal(lanes, Role.OFFICER, "air officer of the county", department_ids=None)
    bound_operator = await register_principal(
        lanes, Role.OPERATOR, "operator of one", department_ids=(county.own.department_id,)
    )
    answers: list[tuple[NewPrincipal, int]] = [
        (county_officer, 201),
        (county.keys[Role.OPERATOR], 201),
        (bound_operator, 403),
        (county.own.keys[Role.OFFICER], 403),
        (county.keys[Role.ANALYST], 403),
        (county.own.keys[Role.TECHNICIAN], 403),
        (county.own.keys[Role.CONTROLLER], 403),
    ]
    for key, status in answers:
        async with county.client(key) as client:
            response = await client.post(path, json=body)
        assert response.status_code == status, response.text
        if key in (bound_operator, county.own.keys[Role.OFFICER]):
            # Who has the right, but for some departments, is told why it does not do.
            assert "every department of the county" in problem_in(response, 403, "not-permitted")["detail"]


async def test_what_is_malformed_or_contradicts_itself_is_told_all_at_once(county: County) -> None:
    malformed = await send(county, "/v1/specifications", {"entry": {"key": "", "uses": ["cooking"], "interval": 5}})
    assert {pointer for pointer, _ in places(problem_in(malformed, 422, "invalid-body"))} >= {
        "/entry/key",
        "/entry/uses/0",
        "/entry/interval",
        "/entry/source",
        "/entry/confidence",
    }
    wrong = {**PERMIT, "key": "DOT-SP99999-4500", "interval_years": None, "effective_from": "2026-02-30"}
    assert places(problem_in(await send(county, "/v1/specifications", {"entry": wrong}), 422, "not-processable")) == {
        ("/entry/key", "no-such-key"),
        ("/entry/interval_years", "interval-missing"),
        ("/entry/effective_from", "no-such-day"),
    }
    doubled = {**STANDARD, "key": "a/b", "limits": [*STANDARD["limits"], *STANDARD["limits"]]}
    assert places(
        problem_in(await send(county, "/v1/air-standards", {"standard": doubled}), 422, "not-processable")
    ) == {("/standard/key", "wrong-format"), ("/standard/limits/1", "named-twice")}
    beyond = {**AMENDMENT, "figures": [{"figure": "requalification_grace_months", "value": 99}], "sources": []}
    assert places(problem_in(await send(county, "/v1/rule-amendments", beyond), 422, "not-processable")) == {
        ("/figures/0/value", "out-of-range")
    }
    assert await shown(county, "/v1/rule-amendments") == {"items": [], "next_cursor": None}


async def test_what_the_release_brings_is_listed_whether_installed_or_not(county: County) -> None:
    before = await shown(county, "/v1/specifications", limit="500")
    assert [item["key"] for item in before["items"]] == sorted({entry.key for entry in SPECIFICATIONS})
    assert {line["origin"] for item in before["items"] for line in item["entries"]} == {"release"}
    standards = await shown(county, "/v1/air-standards", limit="500")
    assert [item["key"] for item in standards["items"]] == sorted({brought.key for brought in AIR_STANDARDS})
    await install_rulebook(county.parts.lanes)
    assert await shown(county, "/v1/specifications", limit="500") == before
    assert await shown(county, "/v1/air-standards", limit="500") == standards


async def test_specifications_are_filtered_and_paged(county: County) -> None:
    await entered(
        county, "/v1/specifications", {"entry": {**PERMIT, "uses": ["scuba"], "effective_from": "2030-01-01"}}
    )

    async def keys(**params: str) -> list[str]:
        return [item["key"] for item in (await shown(county, "/v1/specifications", limit="500", **params))["items"]]

    fillable, refused = await keys(fillable="true"), await keys(fillable="false")
    assert set(fillable) | set(refused) == {entry.key for entry in SPECIFICATIONS} | {"SP99999"}
    assert set(fillable) & set(refused) == set()
    assert {"3AA", "SP10915", "3AX"} <= set(fillable)
    assert {"3HT", "39", "SP99999"} <= set(refused)
    assert "3AX" not in await keys(use="scba")
    assert "3AX" in await keys(use="storage")
    assert await keys(key="SP99999", fillable="true", at="2029-12-31T23:59:59Z") == []
    assert await keys(key="SP99999", fillable="true", at="2030-01-01T00:00:00Z") == ["SP99999"]
    # Where the day begins later it has not come yet.
    midnight = {"at": "2030-01-01T00:00:00Z", "time_zone": "America/New_York"}
    assert await keys(key="SP99999", fillable="true", **midnight) == []
    assert await keys(key="SP99999", use="scuba", at="2030-06-01T00:00:00Z") == ["SP99999"]
    everything = await keys()
    collected: list[str] = []
    async with county.client(None) as client:
        page = await client.get("/v1/specifications", params={"limit": 7})
        while True:
            collected += [item["key"] for item in page.json()["items"]]
            if "next" not in page.links:
                break
            page = await client.get(page.links["next"]["url"])
        problem_in(await client.get("/v1/specifications", params={"family": "3AA"}), 400, "invalid-query")
        problem_in(await client.get("/v1/specifications", params={"time_zone": "Mars/Base"}), 400, "invalid-query")
    assert collected == everything == sorted(everything)


async def test_one_specification_shows_all_its_entries_and_which_one_holds(county: County) -> None:
    key = PERMITS[0].key
    later = {**PERMIT, "key": key, "life_years": 30, "effective_from": "2030-01-01", "source": "revision of 2029"}
    later_id = await entered(county, "/v1/specifications", {"entry": later})
    sooner = {**PERMIT, "key": key, "life_years": 20, "effective_from": "2026-01-01", "effective_until": "2028-01-01"}
    sooner_id = await entered(county, "/v1/specifications", {"entry": sooner})

    async def holding(at: str) -> tuple[str, str | None, int]:
        view = await shown(county, f"/v1/specifications/{key}", at=at)
        assert [line["entry_id"] for line in view["entries"]] == [sooner_id, later_id, None]
        (line,) = [line for line in view["entries"] if line["holds"]]
        assert view["fillable"]
        return line["origin"], line["entry_id"], line["life_years"]

    assert await holding("2025-12-31T12:00:00Z") == ("release", None, 15)
    assert await holding("2026-01-01T12:00:00Z") == ("county", sooner_id, 20)
    assert await holding("2028-01-01T12:00:00Z") == ("release", None, 15)
    assert await holding("2030-01-01T12:00:00Z") == ("county", later_id, 30)


async def test_an_answer_about_one_is_not_sent_twice_and_a_missing_one_tells_what_to_do(county: County) -> None:
    await entered(county, "/v1/air-standards", {"standard": STANDARD})
    async with county.client(None) as client:
        for path in ("/v1/specifications/UN%20steel", "/v1/air-standards/County%20rule%202026"):
            first = await client.get(path)
            assert first.status_code == 200, first.text
            again = await client.get(path, headers={"if-none-match": first.headers["etag"]})
            assert (again.status_code, again.content) == (304, b"")
        for key, told in (
            ("SP99999", "POST /v1/specifications enters it"),
            ("DOT-SP10915-4500", "read as SP10915"),
            ("3ZZ", "No specification has this key"),
        ):
            missing = await client.get(f"/v1/specifications/{key}")
            assert told in problem_in(missing, 404, "not-found")["detail"]
        problem_in(await client.get("/v1/air-standards/Grade%20X"), 404, "not-found")


async def test_standards_are_filtered(county: County) -> None:
    own = {**STANDARD, "effective_from": "2030-01-01"}
    await entered(county, "/v1/air-standards", {"standard": own})
    at = {"at": "2030-01-01T12:00:00Z", "key": STANDARD["key"]}
    (item,) = (await shown(county, "/v1/air-standards", in_effect="true", analyte="carbon_monoxide", **at))["items"]
    assert item["entries"][0]["limits"][0] == {
        "analyte": "carbon_monoxide",
        "unit": "ppm",
        "minimum": None,
        "maximum": "5",
        "over_psi": None,
        "through_psi": None,
        "air_source_kind": None,
        "source": None,
    }
    assert (await shown(county, "/v1/air-standards", analyte="oil", **at))["items"] == []
    assert (await shown(county, "/v1/air-standards", in_effect="true", key=STANDARD["key"]))["items"] == []


async def test_amendments_are_listed_newest_first_with_their_days(county: County) -> None:
    first = await entered(county, "/v1/rule-amendments", AMENDMENT)
    other = {"sources": [{"code": "on-hold", "source": "county rule"}], "reason": "county rule"}
    second = await entered(county, "/v1/rule-amendments", other)
    assert [item["entry_id"] for item in (await shown(county, "/v1/rule-amendments"))["items"]] == [second, first]
    for params, wanted in (
        ({"figure": "requalification_grace_months"}, [first]),
        ({"code": "on-hold"}, [second]),
        ({"in_effect": "true", "at": "2026-11-20T12:00:00Z"}, [second, first]),
        ({"in_effect": "true", "at": "2027-06-01T12:00:00Z"}, [second]),
        ({"in_effect": "false", "at": "2026-11-19T12:00:00Z"}, [first]),
        ({"code": "retired"}, []),
    ):
        listed = await shown(county, "/v1/rule-amendments", **params)
        assert [item["entry_id"] for item in listed["items"]] == wanted, params
    async with county.client(None) as client:
        page = await client.get("/v1/rule-amendments", params={"limit": 1})
        following = await client.get(page.links["next"]["url"])
    assert [response.json()["items"][0]["entry_id"] for response in (page, following)] == [second, first]
    one = page.json()["items"][0]
    assert (one["figures"], one["sources"], one["in_effect"]) == ([], other["sources"], True)


@pytest.mark.parametrize(("path", "body"), BODIES)
async def test_a_mistaken_entry_is_taken_back(county: County, path: str, body: dict[str, Any]) -> None:
    before = await shown(county, path, limit="500")
    entry_id = await entered(county, path, body)
    assert await shown(county, path, limit="500") != before
    taken_back = await send(county, f"/v1/rulebook-entries/{entry_id}/retractions", {"reason": "It was misread."})
    assert taken_back.status_code == 201, taken_back.text
    assert await shown(county, path, limit="500") == before


async def test_only_entries_of_the_rulebook_are_taken_back_there(county: County) -> None:
    await install_rulebook(county.parts.lanes)
    async with county.parts.database.lookups.acquire() as connection, connection.transaction():
        await connection.execute("SELECT set_config('fill_ledger.departments', '*', true)")
        rows = await connection.fetch("SELECT DISTINCT ON (event_type) event_type, event_id FROM ledger.event")
    assert {"rulebook.installed", "principal.registered", "station.registered"} <= {row["event_type"] for row in rows}
    for event_id in (*(row["event_id"] for row in rows), uuid.uuid4()):
        response = await send(county, f"/v1/rulebook-entries/{event_id}/retractions", {"reason": "no"})
        problem_in(response, 404, "not-found")
    # An officer of the whole county may take back anything a person entered, and not what a release installed.
    officer = await register_principal(county.parts.lanes, Role.OFFICER, "county officer", department_ids=None)
    (installed,) = [row["event_id"] for row in rows if row["event_type"] == "rulebook.installed"]
    entry_id = await entered(county, "/v1/specifications", {"entry": PERMIT})
    async with county.client(officer) as client:
        refused = await client.post(f"/v1/events/{installed}/retractions", json={"reason": "no"})
        taken = await client.post(f"/v1/events/{entry_id}/retractions", json={"reason": "misread"})
    assert places(problem_in(refused, 409, "conflict")) == {("/retracted_event_id", "not-retractable")}
    assert taken.status_code == 201, taken.text
    assert (await shown(county, "/v1/specifications", key="SP99999"))["items"] == []
