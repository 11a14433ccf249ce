"""The catalogue of rules over HTTP."""

from fill_ledger.trade.judgement import rules_catalogue, rules_version
from fill_ledger.trade.rulebook import SHIPPED
from tests.api.clients import places, problem_in
from tests.support.county import County


async def test_anybody_may_read_every_code_with_its_source(county: County) -> None:
    async with county.client(None) as client:
        response = await client.get("/v1/rules")
        only = await client.get("/v1/rules", params={"effect": "obligation"})
    assert response.status_code == 200
    document = response.json()
    assert document["rules_version"] == rules_version(SHIPPED)
    assert [item["code"] for item in document["items"]] == [entry.code for entry in rules_catalogue()]
    assert all(
        item["source"] and item["title"] and item["version"] == rules_version(SHIPPED) for item in document["items"]
    )
    assert {item["effect"] for item in only.json()["items"]} == {"obligation"}


async def test_one_code_tells_its_figures(county: County) -> None:
    async with county.client(None) as client:
        response = await client.get("/v1/rules/eddy-current-mark-missing")
        problem_in(await client.get("/v1/rules/no-such-code"), 404, "not-found")
        assert places(problem_in(await client.get("/v1/rules/No%20Code"), 404, "not-found")) == {
            ("code", "wrong-format")
        }
    document = response.json()
    assert set(document) == {
        "code",
        "effect",
        "title",
        "source",
        "clears_by",
        "rule",
        "parameters",
        "effective_from",
        "version",
    }
    # The eddy current examination has been asked for since 1 January 2007 (49 CFR part 180, appendix C).
    assert document["effective_from"] == "2007-01-01"
    assert document["parameters"]["eddy_current_examined_since"].startswith("2007")


async def test_an_answer_already_known_is_not_sent_again(county: County) -> None:
    async with county.client(None) as client:
        for path in ("/v1/rules", "/v1/rules?effect=deny", "/v1/rules/condemned"):
            first = await client.get(path)
            assert first.headers["cache-control"] == "public, max-age=300"
            again = await client.get(path, headers={"if-none-match": first.headers["etag"]})
            assert (again.status_code, again.content) == (304, b"")
            assert again.headers["etag"] == first.headers["etag"]
        other = await client.get("/v1/rules/retired", headers={"if-none-match": first.headers["etag"]})
        assert other.status_code == 200
