"""Times at the ends of the calendar, and offsets at the ends of the clock, are answered like any other.

RFC 3339 allows the years 0000 to 9999 and offsets to 23:59 either way. Python's `datetime` ends at the years 1 and 9999
in any offset, so that an instant there may have no value in UTC; PostgreSQL reads offsets to 15:59 (its documentation,
section 8.5: "Date/Time Types"). Neither may show.
"""

import uuid
from typing import Any

import httpx
from msgspec import inspect

from fill_ledger.api.http.operations import Operation
from fill_ledger.api.http.service import operations_of
from fill_ledger.api.resources import HANDLERS
from fill_ledger.trade.events.county import Role
from tests.support.call_table import CALLS
from tests.support.calls import Call, Words, first_words, key_for, send
from tests.support.county import County

OPERATIONS: dict[str, Operation] = {stated.operation_id: stated for stated in operations_of(HANDLERS)}
FAR_TIMES = (
    "0001-01-01T00:00:00+23:59",
    "0001-01-01T00:00:00-23:59",
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59.999999-23:59",
    "9999-12-31T23:59:59.999999+23:59",
    "9999-12-31T23:59:59.999999Z",
    "3964-08-10T02:57:52-16:24",
    "2026-11-20T08:15:00+23:59",
    "2026-11-20T08:15:00-23:59",
)
FACTS = (
    ("cylinder.filled", {"mode": "automatic", "start_psi": 480, "end_psi": 2200, "sources": []}),
    ("clock.read", {"ahead_ms": 20}),
)


def names_of_times(checked_type: Any) -> list[str]:
    """Return the names, as sent, of a request type's own fields that hold a time."""
    if checked_type is None:
        return []
    told = inspect.type_info(checked_type)
    structs = told.types if isinstance(told, inspect.UnionType) else (told,)
    return sorted(
        {
            field.encode_name
            for struct in structs
            if isinstance(struct, inspect.StructType)
            for field in struct.fields
            if _holds_time(field.type)
        }
    )


def _holds_time(kind: inspect.Type) -> bool:
    if isinstance(kind, inspect.Metadata):
        return _holds_time(kind.type)
    if isinstance(kind, inspect.UnionType):
        return any(_holds_time(member) for member in kind.types)
    return isinstance(kind, inspect.DateTimeType)


async def lived(county: County) -> Words:
    """Let every operation succeed once; return what there is."""
    words = await first_words(county)
    for call in CALLS:
        stated = OPERATIONS[call.operation_id]
        words.keep(call, await send(county, call, words, stated.method, stated.path))
    return words


async def far_requests(county: County, call: Call, words: Words) -> list[tuple[str, httpx.Response]]:
    """Send a call's request with each far time in each of its times; return what was sent and the answers."""
    stated = OPERATIONS[call.operation_id]
    body_type = stated.bodies[0].content_type if stated.bodies and isinstance(call.body, dict) else None
    answers: list[tuple[str, httpx.Response]] = []
    async with county.client(key_for(county, call.role)) as client:
        for place, names in (("body", names_of_times(body_type)), ("query", names_of_times(stated.query_type))):
            for name, far in ((name, far) for name in names for far in FAR_TIMES):
                query, body = words.fill_in(call.query), words.fill_in(call.body)
                (query if place == "query" else body).update({name: far})
                headers = words.fill_in(call.headers)
                address = words.address(call, stated.path)
                response = await client.request(stated.method, address, params=query, json=body, headers=headers)
                answers.append((f"{call.operation_id} {place} {name} {far}", response))
    return answers


async def test_a_far_time_in_an_entry_or_a_query_is_never_a_fault_of_the_service(county: County) -> None:
    words = await lived(county)
    answers = [each for call in CALLS for each in await far_requests(county, call, words)]
    asked = {told.split()[0] for told, _ in answers}
    assert {"register_controller", "ask_eligibility", "list_fills", "hold_cylinder"} <= asked
    wrong = [told for told, response in answers if response.status_code >= 500]
    assert wrong == []


async def test_a_far_time_in_a_fact_is_kept_like_any_other(county: County) -> None:
    wrong: list[tuple[str, str]] = []
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        for far in FAR_TIMES:
            for kind, body in FACTS:
                fact = {"type": kind, "type_version": 1, "event_id": str(uuid.uuid4()), "occurred_at": far}
                whole = {**fact, "body": {**body, "station_id": str(county.own.station_id)}}
                batch = {"device_now": far, "facts": [whole]}
                response = await client.post("/v1/intake", json=batch)
                if response.status_code != 200:
                    wrong.append((f"{kind} {far}", response.text))
    assert wrong == []


async def test_a_clock_that_jumped_by_millennia_does_not_keep_a_fact_out(county: County) -> None:
    clock = {"boot_id": str(uuid.uuid4()), "uptime_ms": 1, "synced": False}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        for happened, sent in (
            ("9990-01-01T00:00:00Z", "1950-01-01T00:00:00Z"),
            ("1950-01-01T00:00:00Z", "9990-01-01T00:00:00Z"),
        ):
            fact = {"type": "clock.read", "type_version": 1, "event_id": str(uuid.uuid4()), "occurred_at": happened}
            body = {"station_id": str(county.own.station_id), "ahead_ms": 20}
            batch = {"device_now": sent, "facts": [{**fact, "clock": clock, "body": body}]}
            response = await client.post("/v1/intake", json=batch)
            assert response.status_code == 200, response.text
            assert response.json()["results"][0]["outcome"] == "created", response.text
