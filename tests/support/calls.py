"""One successful call of every operation, in an order that works: a small working life of a department over HTTP.

A call names what it needs by words in braces ("{cylinder_id}") and keeps what later calls need. What a county has from
the start is told by `first_words`.
"""

import re
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import msgspec

from fill_ledger.trade.events.county import Role
from tests.support.county import County

_WORD = re.compile(r"\{([a-z][a-z0-9_]*)\}")


class Call(msgspec.Struct, frozen=True, kw_only=True):
    """One call: whose key, what is sent, the status it must end with, and what to keep from its answer.

    `path` gives the words for the path's parameters where they differ from the parameters' names. `keep` maps a new
    word to a place in the answer ("items.0.event_id"), or to "etag" for that header.
    """

    operation_id: str
    role: Role | None = Role.OFFICER
    status: int = 200
    path: Mapping[str, str] = {}
    query: Mapping[str, str] = {}
    headers: Mapping[str, str] = {}
    body: Any = None
    content: bytes | None = None
    keep: Mapping[str, str] = {}


class Words:
    """What is known so far, by word."""

    def __init__(self, known: Mapping[str, str]) -> None:
        self.known = dict(known)

    def fill_in(self, value: Any) -> Any:
        """Return the value with every word in braces replaced by what it stands for."""
        if isinstance(value, str):
            return _WORD.sub(lambda found: self.known[found[1]], value)
        if isinstance(value, Mapping):
            return {name: self.fill_in(item) for name, item in value.items()}
        if isinstance(value, list | tuple):
            return [self.fill_in(item) for item in value]
        return value

    def address(self, call: Call, path: str) -> str:
        """Return the path of an operation with the call's words in it."""
        return _WORD.sub(lambda found: self.known[call.path.get(found[1], found[1])], path)

    def keep(self, call: Call, response: httpx.Response) -> None:
        """Keep what the call says from its answer."""
        for word, place in call.keep.items():
            if place == "etag":
                self.known[word] = response.headers["etag"]
                continue
            found: Any = response.json()
            for step in place.split("."):
                found = found[int(step)] if step.isdigit() else found[step]
            self.known[word] = found


async def first_words(county: County) -> Words:
    """Return what the county has, with cylinders to end in different ways."""
    own, neighbour = county.own, county.neighbour
    ends = {name: str(await county.cylinder()) for name in ("condemned_id", "retired_id", "transferred_id")}
    now = datetime.now(UTC)
    known = {
        **ends,
        "problem_code": "not-found",
        "rule_code": "requalification-due",
        "specification_key": "SP10915",
        "standard_key": "County rule 2026",
        "department_id": str(own.department_id),
        "neighbour_id": str(neighbour.department_id),
        "station_id": str(own.station_id),
        "air_source_id": str(own.air_source_id),
        "first_member_id": str(own.member_id),
        "today": now.strftime("%Y-%m-%d"),
        "this_month": now.strftime("%Y-%m"),
        "last_year": (now - timedelta(days=365)).strftime("%Y-%m"),
        "two_years_ago": (now - timedelta(days=730)).strftime("%Y-%m"),
    }
    return Words(known | {f"new_id_{number}": str(uuid.uuid4()) for number in range(6)})


def key_for(county: County, role: Role | None) -> Any:
    """Return the key a call is made with: the department's own, the county's for the operator, none for anybody."""
    if role is None:
        return None
    return county.own.keys.get(role) or county.keys[role]


async def send(county: County, call: Call, words: Words, method: str, path: str) -> httpx.Response:
    """Make the call and return its answer."""
    words.known["now"] = datetime.now(UTC).isoformat()
    async with county.client(key_for(county, call.role)) as client:
        return await client.request(
            method,
            words.address(call, path),
            params=words.fill_in(call.query),
            headers=words.fill_in(call.headers),
            json=words.fill_in(call.body),
            content=call.content,
        )
