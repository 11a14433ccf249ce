"""What HTTP promises of every operation alike, generated from the operations themselves.

Sources: RFC 9110 sections 9.3.2 (HEAD), 9.3.7 (OPTIONS), 15.5.5 (404), 15.5.6 (405 and Allow), 15.5.14 (413) and
15.5.16 (415 and Accept); RFC 6750 section 3 (401 and WWW-Authenticate). That an unknown query name is refused is a
habit of this interface.
"""

import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import msgspec

from fill_ledger.api.http.operations import Operation
from fill_ledger.api.http.rate_limits import RateLimiter, RatePolicy
from fill_ledger.api.http.service import operations_of
from fill_ledger.api.parts import PARTS_KEY
from fill_ledger.api.resources import HANDLERS
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.call_table import CALLS
from tests.support.calls import Call, Words, first_words, key_for, send
from tests.support.county import County

OPERATIONS: dict[str, Operation] = {
    stated.operation_id: stated for stated in operations_of(HANDLERS) if stated.in_document
}
WITH_BODY = [stated for stated in OPERATIONS.values() if stated.bodies]
CALL_OF: dict[str, Call] = {call.operation_id: call for call in CALLS}
ALL_METHODS = {"GET", "POST", "PUT", "PATCH", "DELETE"}
NOBODY = str(uuid.UUID(int=0))
TAKES_UNKNOWN_IDS = {"retract_event"}
"""A retraction may arrive before the event it takes back."""
TAKES_ANYTHING_FROM_CONTROLLERS = {"report_fill", "take_batch"}
"""What a controller sends is kept, whatever it is; only of others is a media type asked."""


@asynccontextmanager
async def client_for(county: County, stated: Operation) -> AsyncIterator[httpx.AsyncClient]:
    """Give a client that may call the operation."""
    async with county.client(key_for(county, CALL_OF[stated.operation_id].role)) as client:
        yield client


def address_of_nothing(stated: Operation) -> str:
    """Return the operation's path with ids that nothing has."""
    return str(Words({parameter.name: NOBODY for parameter in stated.path_parameters}).fill_in(stated.path))


def methods_by_path() -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for stated in OPERATIONS.values():
        found.setdefault(stated.path, set()).add(stated.method)
    return found


def allowed(methods: set[str]) -> set[str]:
    """Return what Allow must say where these methods are offered."""
    return methods | {"OPTIONS"} | ({"HEAD"} if "GET" in methods else set())


def body_headers(stated: Operation) -> dict[str, str]:
    return {"content-type": stated.bodies[0].media_type}


async def test_head_is_get_without_the_content(county: County) -> None:
    words = await first_words(county)
    for call in CALLS:
        stated = OPERATIONS[call.operation_id]
        response = await send(county, call, words, stated.method, stated.path)
        words.keep(call, response)
        if stated.method != "GET":
            continue
        head = await send(county, call, words, "HEAD", stated.path)
        assert (head.status_code, head.content) == (response.status_code, b""), call.operation_id
        for name in ("content-type", "content-length", "etag", "link"):
            # What a moment says of itself may differ in length from what the next one says.
            if name != "content-length" or call.operation_id not in ("ask_eligibility", "read_readiness"):
                assert head.headers.get(name) == response.headers.get(name), (call.operation_id, name)


async def test_options_and_405_tell_what_is_offered(county: County) -> None:
    async with county.client(None) as client:
        for path, methods in methods_by_path().items():
            address = Words({}).fill_in(path.replace("{", "").replace("}", ""))
            options = await client.options(address)
            assert options.status_code == 204, path
            assert set(options.headers["allow"].split(", ")) == allowed(methods), path
            for method in sorted(ALL_METHODS - methods):
                response = await client.request(method, address)
                problem_in(response, 405, "method-not-allowed")
                assert set(response.headers["allow"].split(", ")) == allowed(methods), path


async def test_what_nobody_has_is_not_found(county: County) -> None:
    for stated in OPERATIONS.values():
        async with client_for(county, stated) as client:
            nowhere = stated.path.split("{")[0] + "/no/such/path"
            problem_in(await client.request(stated.method, nowhere), 404, "not-found")
            if not stated.path_parameters or stated.operation_id in TAKES_UNKNOWN_IDS:
                continue
            call = CALL_OF[stated.operation_id]
            words = await first_words(county) if stated.bodies else Words({})
            body = _with_known_words(call.body, words)
            headers = {"if-match": '"v1"'} if "if-match" in call.headers else {}
            response = await client.request(stated.method, address_of_nothing(stated), json=body, headers=headers)
            problem_in(response, 404, "not-found")
            if stated.path_parameters[0].name.endswith("_id"):
                malformed = stated.path.replace("{", "").replace("}", "")
                faults = places(problem_in(await client.request(stated.method, malformed), 404, "not-found"))
                assert (stated.path_parameters[0].name, "wrong-format") in faults, stated.operation_id


def _with_known_words(body: Any, words: Words) -> Any:
    """Return the body of a call with ids that nothing has where it names what earlier calls would have made."""
    if isinstance(body, dict):
        return {name: _with_known_words(item, words) for name, item in body.items()}
    if isinstance(body, list):
        return [_with_known_words(item, words) for item in body]
    if isinstance(body, str) and body.startswith("{"):
        return words.known.get(body[1:-1], NOBODY)
    return body


async def test_a_key_is_asked_for_wherever_a_right_is(county: County) -> None:
    patient = RateLimiter(RatePolicy(name="failed-keys", quota=1_000, window_s=1))
    county.service.state[PARTS_KEY] = msgspec.structs.replace(county.parts, failure_limiter=patient)
    async with county.client(None) as client:
        for stated in OPERATIONS.values():
            response = await client.request(stated.method, address_of_nothing(stated))
            if stated.right is None:
                assert response.status_code in (200, 404), stated.operation_id
            else:
                problem_in(response, 401, "not-authenticated")
                assert response.headers["www-authenticate"].startswith("Bearer"), stated.operation_id


async def test_a_body_above_the_limit_is_refused(county: County) -> None:
    for stated in WITH_BODY:
        async with client_for(county, stated) as client:
            too_much = b" " * (stated.body_limit_bytes + 1)
            address = address_of_nothing(stated)
            problem_in(
                await client.request(stated.method, address, content=too_much, headers=_all_headers(stated)),
                413,
                "body-too-large",
            )


def _all_headers(stated: Operation) -> dict[str, str]:
    return {**body_headers(stated), **({"if-match": '"v1"'} if CALL_OF[stated.operation_id].headers else {})}


async def test_a_body_of_another_media_type_is_refused(county: County) -> None:
    for stated in WITH_BODY:
        takes_anything = stated.operation_id in TAKES_ANYTHING_FROM_CONTROLLERS
        role = Role.OFFICER if takes_anything else CALL_OF[stated.operation_id].role
        async with county.client(key_for(county, role)) as client:
            headers = {**_all_headers(stated), "content-type": "application/x-yaml"}
            response = await client.request(stated.method, address_of_nothing(stated), content=b"a: 1", headers=headers)
            problem_in(response, 415, "unsupported-media-type")
            taken = {part.strip() for part in response.headers["accept"].split(",")}
            assert taken >= {body.media_type for body in stated.bodies}, stated.operation_id


async def test_an_unknown_query_name_is_refused(county: County) -> None:
    for stated in OPERATIONS.values():
        async with client_for(county, stated) as client:
            response = await client.request(
                stated.method, address_of_nothing(stated), params={"no_such_name": "1"}, headers={"if-match": '"v1"'}
            )
            told = places(problem_in(response, 400, "invalid-query"))
            assert ("no_such_name", "unknown-parameter") in told, stated.operation_id
