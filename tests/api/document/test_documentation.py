"""What the interface says about itself, over HTTP."""

import re
from html.parser import HTMLParser

import pytest

from fill_ledger.api.document.openapi_document import build_openapi, openapi_text
from fill_ledger.api.http.problem_types import CATALOGUE
from fill_ledger.api.http.service import operations_of
from tests.api.clients import client_of, problem_in
from tests.api.document.test_openapi_document import ALL_TAGS
from tests.api.sample_service import HANDLERS, make_service

PAGE_FILES = ["/docs", "/docs/page.css", "/docs/page.js", "/docs/calls.js", "/docs/schemas.js"]


async def test_the_document_is_served_as_it_is_built_and_with_an_etag() -> None:
    async with client_of(make_service(), authorization="") as client:
        response = await client.get("/v1/openapi.json")
        again = await client.get("/v1/openapi.json", headers={"if-none-match": response.headers["etag"]})
    assert response.text == openapi_text(build_openapi(operations_of(HANDLERS), ALL_TAGS))
    assert response.headers["cache-control"] == "no-cache"
    assert (again.status_code, again.content) == (304, b"")


async def test_every_problem_type_leads_to_its_explanation() -> None:
    async with client_of(make_service(), authorization="") as client:
        missing = problem_in(await client.get("/nowhere"), 404, "not-found")
        explained = (await client.get(missing["type"])).json()
        listed = (await client.get("/v1/problems")).json()["items"]
        problem_in(await client.get("/v1/problems/no-such-code"), 404, "not-found")
    assert explained["title"] == missing["title"]
    assert explained["what_to_change"]
    assert [kind["code"] for kind in listed] == sorted(CATALOGUE)


def test_codes_are_kebab_case_and_say_what_to_change() -> None:
    for code, kind in CATALOGUE.items():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
        assert 400 <= kind.status <= 599
        assert not kind.title.endswith(".")
        assert kind.what_to_change.endswith(".")
    assert len({kind.title for kind in CATALOGUE.values()}) == len(CATALOGUE)


class Sources(HTMLParser):
    """Collects what a page loads, and whatever a strict policy would refuse."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.refused: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        for name in ("src", "href"):
            if given.get(name):
                self.loaded.append(str(given[name]))
        if (tag == "script" and "src" not in given) or tag == "style":
            self.refused.append(tag)
        self.refused += [name for name in given if name == "style" or name.startswith("on")]


async def test_the_page_loads_only_from_the_service_and_runs_nothing_inline() -> None:
    async with client_of(make_service(), authorization="") as client:
        page = await client.get("/docs")
        sources = Sources()
        sources.feed(page.text)
        assert sources.refused == []
        assert sources.loaded
        for address in sources.loaded:
            assert address.startswith("/")
            assert (await client.get(address)).status_code == 200
        start = await client.get("/")
    assert (start.status_code, start.headers["location"]) == (307, "/docs")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy


@pytest.mark.parametrize("path", PAGE_FILES)
async def test_no_file_of_the_page_names_another_host_or_makes_markup_from_text(path: str) -> None:
    async with client_of(make_service(), authorization="") as client:
        response = await client.get(path)
        again = await client.get(path, headers={"if-none-match": response.headers["etag"]})
    assert response.status_code == 200
    assert "//" not in re.sub(r"^\s*//.*$", "", response.text, flags=re.M)
    for risky in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "localStorage"):
        assert risky not in response.text
    assert again.status_code == 304


async def test_only_the_files_of_the_page_are_served() -> None:
    async with client_of(make_service(), authorization="") as client:
        for path in ("/docs/other.js", "/docs/..%2f__init__.py", "/docs/%2e%2e/problems.py", "/docs/index.html%00"):
            problem_in(await client.get(path), 404, "not-found")
