"""The catalogue of rules over HTTP: as the release brings it, and as the county has amended it."""

from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.judgement import rules_catalogue, rules_version
from fill_ledger.trade.rulebook import SHIPPED
from fill_ledger.trade.rules import FIGURES
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.rules.finding_kinds import FINDING_KINDS
from tests.api.clients import places, problem_in
from tests.support.county import County

NOTICE = "notice of relief of 2026-11-20"


async def _amend(county: County, **body: Any) -> dict[str, Any]:
    async with county.client(county.keys[Role.OPERATOR]) as client:
        response = await client.post("/v1/rule-amendments", json={"reason": NOTICE, **body})
    assert response.status_code == 201, response.text
    receipt: dict[str, Any] = response.json()
    return receipt


async def test_anybody_may_read_every_code_with_its_source(county: County) -> None:
    async with county.client(None) as client:
        response = await client.get("/v1/rules")
        only = await client.get("/v1/rules", params={"effect": "obligation"})
        about = await client.get("/v1/rules", params={"concerns": "member", "effect": "deny"})
    assert response.status_code == 200
    document = response.json()
    version = rules_version(SHIPPED)
    assert document["rules_version"] == version
    codes = [entry.code for entry in rules_catalogue()]
    assert [item["code"] for item in document["items"]] == [
        *codes,
        *(kind.code for kind in FINDING_KINDS if kind.code not in codes),
    ]
    assert all(item["source"] and item["title"] and item["version"] == version for item in document["items"])
    assert {item["effect"] for item in only.json()["items"]} == {"obligation"}
    assert {(item["concerns"], item["effect"]) for item in about.json()["items"]} == {("member", "deny")}


async def test_what_is_only_found_about_a_fact_is_listed_with_how_grave_it_is(county: County) -> None:
    async with county.client(None) as client:
        every = (await client.get("/v1/rules")).json()["items"]
        found = (await client.get("/v1/rules", params={"effect": "finding"})).json()["items"]
        one = (await client.get("/v1/rules/over-fill-limit")).json()
        denial = (await client.get("/v1/rules/condemned")).json()
        obligation = (await client.get("/v1/rules/look-over")).json()
    # A code that a rule gives too stands with its rule, and says how grave a finding it is.
    own = {item["code"]: item for item in every}
    assert {kind.code: own[kind.code]["severity"] for kind in FINDING_KINDS} == {
        kind.code: kind.severity for kind in FINDING_KINDS
    }
    assert {item["code"] for item in found} == {kind.code for kind in FINDING_KINDS} - {
        entry.code for entry in rules_catalogue()
    }
    assert (one["effect"], one["severity"], one["rule"], one["concerns"]) == ("finding", "grave", "findings", "fill")
    # A fill of a condemned cylinder is a grave finding; what must be done as well is never one.
    assert (denial["severity"], obligation["severity"]) == ("grave", None)


async def test_one_code_tells_its_figures(county: County) -> None:
    async with county.client(None) as client:
        response = await client.get("/v1/rules/eddy-current-mark-missing")
        problem_in(await client.get("/v1/rules/no-such-code"), 404, "not-found")
        assert places(problem_in(await client.get("/v1/rules/No%20Code"), 404, "not-found")) == {
            ("code", "wrong-format")
        }
        problem_in(await client.get("/v1/rules/ok", params={"on": "2026-01-01"}), 400, "invalid-query")
    document = response.json()
    assert set(document) == {
        "code",
        "effect",
        "severity",
        "title",
        "source",
        "source_amended_by",
        "clears_by",
        "rule",
        "concerns",
        "figures",
        "effective_from",
        "effective_until",
        "version",
    }
    # The eddy current examination has been asked for since 1 January 2007 (49 CFR part 180, appendix C).
    assert (document["effective_from"], document["effective_until"]) == ("2007-01-01", None)
    figures = {figure["name"]: figure for figure in document["figures"]}
    assert figures["eddy_current_examined_since"]["value"].startswith("2007")
    assert figures["eddy_current_examined_since"]["amended_by"] is None


async def test_every_figure_is_shown_with_what_bounds_an_amendment(county: County) -> None:
    async with county.client(None) as client:
        items = (await client.get("/v1/rules")).json()["items"]
    shown = {figure["name"]: figure for item in items for figure in item["figures"]}
    assert set(shown) == set(FIGURES)
    for name, figure in FIGURES.items():
        bounds = (figure.lowest, figure.highest) if isinstance(figure, NumberFigure) else (None, None)
        assert (shown[name]["lowest"], shown[name]["highest"]) == bounds
        assert shown[name]["value"] == shown[name]["released_value"] == figure.value


async def test_an_amendment_shows_in_its_days_and_by_whose_authority(county: County) -> None:
    before = rules_version(SHIPPED)
    source = "49 CFR 180.205(c), as amended 2026-11-20"
    await _amend(
        county,
        figures=[{"figure": "requalification_grace_months", "value": 12}],
        sources=[{"code": "requalification-due", "source": source}],
        effective_from="2026-11-20",
        effective_until="2027-06-01",
    )

    async def shown(at: str, zone: str = "America/New_York") -> tuple[dict[str, Any], dict[str, Any]]:
        async with county.client(None) as client:
            document = (await client.get("/v1/rules/requalification-due", params={"at": at, "time_zone": zone})).json()
        figures = {figure["name"]: figure for figure in document["figures"]}
        return document, figures["requalification_grace_months"]

    held = {"reason": NOTICE, "effective_from": "2026-11-20", "effective_until": "2027-06-01"}
    for at in ("2026-11-20T00:00:00-05:00", "2027-05-31T23:59:59-04:00"):
        document, figure = await shown(at)
        assert (document["source"], document["source_amended_by"]) == (source, held)
        assert (figure["value"], figure["released_value"], figure["amended_by"]) == (12, 0, held)
        assert document["version"] != before
    for at in ("2026-11-19T23:59:59-05:00", "2027-06-01T00:00:00-04:00"):
        document, figure = await shown(at)
        assert document["source"] != source
        assert document["source_amended_by"] is None
        assert (figure["value"], figure["amended_by"]) == (0, None)
    # In London it is the next day already; and a zone that is none is said to be none.
    assert (await shown("2026-11-19T23:30:00-05:00", "Europe/London"))[1]["value"] == 12
    async with county.client(None) as client:
        wrong = await client.get("/v1/rules", params={"time_zone": "Europe/Nowhere"})
    assert places(problem_in(wrong, 400, "invalid-query")) == {("time_zone", "no-such-time-zone")}


async def test_of_two_amendments_in_effect_the_newest_holds(county: County) -> None:
    today = datetime.now(UTC).date()
    await _amend(county, figures=[{"figure": "requalification_grace_months", "value": 12}])
    until = (today + timedelta(days=30)).isoformat()
    await _amend(county, figures=[{"figure": "requalification_grace_months", "value": 3}], effective_until=until)
    async with county.client(None) as client:
        now = (await client.get("/v1/rules/requalification-due")).json()
        later = (await client.get("/v1/rules/requalification-due", params={"at": f"{until}T12:00:00Z"})).json()
    values = [
        next(figure["value"] for figure in document["figures"] if figure["name"] == "requalification_grace_months")
        for document in (now, later)
    ]
    assert values == [3, 12]


async def test_an_answer_already_known_is_not_sent_again(county: County) -> None:
    paths = ("/v1/rules", "/v1/rules?effect=deny", "/v1/rules?effect=deny&concerns=air", "/v1/rules/condemned")
    tags = []
    async with county.client(None) as client:
        for path in paths:
            first = await client.get(path)
            assert first.headers["cache-control"] == "public, max-age=60"
            again = await client.get(path, headers={"if-none-match": first.headers["etag"]})
            assert (again.status_code, again.content) == (304, b"")
            assert again.headers["etag"] == first.headers["etag"]
            tags.append(first.headers["etag"])
        assert len(set(tags)) == len(paths)
        # An entry of the county makes it another answer.
        await _amend(county, figures=[{"figure": "requalification_grace_months", "value": 1}])
        for path, etag in zip(paths, tags, strict=True):
            assert (await client.get(path, headers={"if-none-match": etag})).status_code == 200
