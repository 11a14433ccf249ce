"""Asking the question in tests: of the own station's controller, about an authorised member, unless told otherwise."""

from typing import Any

import httpx

from fill_ledger.intake.founding import NewPrincipal
from fill_ledger.trade.events.county import Role
from tests.support.county import County

PATH = "/v1/eligibility"


async def get_answer(county: County, key: NewPrincipal | str | None = None, **params: Any) -> httpx.Response:
    """Return the whole answer to a question in a query."""
    async with county.client(key or county.own.keys[Role.CONTROLLER]) as client:
        return await client.get(PATH, params={name: str(value) for name, value in params.items()})


async def post_answer(county: County, key: NewPrincipal | str | None = None, **body: Any) -> httpx.Response:
    """Return the whole answer to a question in a body."""
    async with county.client(key or county.own.keys[Role.CONTROLLER]) as client:
        return await client.post(PATH, json=body)


async def ask(county: County, key: NewPrincipal | str | None = None, **params: Any) -> dict[str, Any]:
    """Return the document of a question that was answered."""
    params.setdefault("member_id", county.own.member_id)
    response = await get_answer(county, key, **{name: value for name, value in params.items() if value is not None})
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    assert len(document["display_text"]) <= 80
    assert document["display_text"].isascii()
    assert (document["decision"] == "permit") == (document["code"] == "ok") == (not document["reasons"])
    return document


def codes(document: dict[str, Any]) -> set[str]:
    """Return the codes of all reasons of an answer."""
    return {reason["code"] for reason in document["reasons"]}
