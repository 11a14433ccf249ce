"""The document and the service, held against each other with generated requests.

Generator and checks: schemathesis, for OpenAPI 3.1 and JSON Schema 2020-12. Each operation is called with what the
document allows and with what it forbids, over a county in which every operation has succeeded once. The seed is printed
and fixed. A longer and systematic run: FILL_LEDGER_CONTRACT_EXAMPLES=200; another one: FILL_LEDGER_CONTRACT_SEED=7.
"""

import itertools
import os
import re
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from schemathesis.config import SchemathesisConfig
from schemathesis.core import NOT_SET
from schemathesis.generation.case import Case
from schemathesis.specs.openapi.checks import negative_data_rejection

from fill_ledger.api.document.openapi_document import build_openapi
from fill_ledger.api.http.operations import Operation
from fill_ledger.api.http.service import operations_of
from fill_ledger.api.resources import HANDLERS, TAGS
from fill_ledger.trade.events.county import Role
from tests.support.call_table import CALLS
from tests.support.calls import Call, Words, first_words, key_for, send
from tests.support.databases import Databases
from tests.support.threaded_county import ThreadedCounty, open_threaded_county

EXAMPLES_NAME = "FILL_LEDGER_CONTRACT_EXAMPLES"
SEED_NAME = "FILL_LEDGER_CONTRACT_SEED"
DEFAULT_EXAMPLES = 3
DEFAULT_SEED = 20_261_124
IS_LONG = EXAMPLES_NAME in os.environ
SEED = int(os.environ.get(SEED_NAME, DEFAULT_SEED))

OPERATIONS: dict[str, Operation] = {
    stated.operation_id: stated for stated in operations_of(HANDLERS) if stated.in_document
}
CALL_OF: dict[str, Call] = {call.operation_id: call for call in CALLS}

CONFIG = SchemathesisConfig.from_dict(
    {
        "seed": SEED,
        "cache": {"enabled": False},
        "generation": {
            "max-examples": int(os.environ.get(EXAMPLES_NAME, DEFAULT_EXAMPLES)),
            # Keys are chosen below; what happens without one is checked by ignored_auth.
            "with-security-parameters": False,
            "database": "none",
        },
        # Goes through every keyword of every schema, thousands of requests: in the longer run only.
        "phases": {"coverage": {"enabled": IS_LONG}},
        "checks": {
            # FORM_PROBLEMS takes its place: a well-formed entry may still contradict the ledger (409, 422) or start
            # from an old version (412), and there the code of the problem says more than its status.
            "positive_data_acceptance": {"enabled": False},
            # 428 is the answer to a missing If-Match (RFC 6585 section 3).
            "missing_required_header": {"expected-statuses": ["400", "401", "403", "406", "415", "422", "428"]},
        },
    }
)


class Application:
    """What the generated requests are sent to (ASGI). It has to stand before there is a county."""

    county: ThreadedCounty

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        await self.county.application(scope, receive, send)


APPLICATION = Application()
SCHEMA = schemathesis.openapi.from_dict(build_openapi(operations_of(HANDLERS), TAGS), config=CONFIG)
SCHEMA.app = APPLICATION

FORM_PROBLEMS = {
    "bad-request",
    "malformed-json",
    "invalid-body",
    "invalid-query",
    "invalid-header",
    "unsupported-media-type",
    "unsupported-content-encoding",
    "body-too-large",
    "method-not-allowed",
}
"""Problems that say the request is not formed as the document says. Nothing that the document allows may end so."""

ZONES_BEYOND_THE_SCHEMA = "a time zone is one of the IANA database, which no pattern can say"
RULES_BEYOND_THE_SCHEMA: dict[str, str] = {
    "ask_eligibility": "exactly one of four query parameters, which OpenAPI cannot say",
    "ask_eligibility_with_body": "exactly one of the ways to name a cylinder",
    "list_tags": "a tag is read as readers show it, which no pattern can say",
    "list_cylinders": "a specification is read as the trade writes it, which no pattern can say",
    "list_rules": ZONES_BEYOND_THE_SCHEMA,
    "read_rule": ZONES_BEYOND_THE_SCHEMA,
    "list_specifications": ZONES_BEYOND_THE_SCHEMA,
    "read_specification": ZONES_BEYOND_THE_SCHEMA,
    "list_air_standards": ZONES_BEYOND_THE_SCHEMA,
    "read_air_standard": ZONES_BEYOND_THE_SCHEMA,
    "list_rule_amendments": ZONES_BEYOND_THE_SCHEMA,
    "list_events": "subject_kind and subject_id only together, which OpenAPI cannot say",
    "list_attempts": "from before to, which OpenAPI cannot say",
    "open_member_session": "either a card, or a passcode with who it is",
    "look_up_members": "exactly one of the ways to name a member",
    "list_due": "a code of the catalogue, which grows with the rules",
    "read_workload": "a code of the catalogue, which grows with the rules",
    "list_fleet_judgements": "a code of the catalogue, which grows with the rules",
    "make_fill_plan": "exactly one way to give a cylinder and a supply, and a member session of the station",
    "make_storage_forecast": "bottles by numbers or by air source, but some",
    "read_gauge_reading": "a limit or a service pressure, not both",
    "report_fill": "body.station_id is required unless the key is a controller's, and the year is one of the trade's",
}
"""Operations with a rule on their form that stands in words only. Each has tests of its own."""


class World:
    """A county where every operation has succeeded once, and what that has made, by word."""

    def __init__(self, threaded: ThreadedCounty) -> None:
        self.county = threaded.county
        self.words = threaded.run(self._live())
        self.numbers = itertools.count()

    async def _live(self) -> Words:
        words = await first_words(self.county)
        for call in CALLS:
            stated = OPERATIONS[call.operation_id]
            words.keep(call, await send(self.county, call, words, stated.method, stated.path))
        return words


@pytest.fixture(scope="module")
def world(databases: Databases) -> Iterator[World]:
    with open_threaded_county(databases) as threaded:
        APPLICATION.county = threaded
        yield World(threaded)


@schemathesis.serializer("application/x-ndjson", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
def send_as_it_is(context: Any, value: Any) -> bytes:
    """Send a body of which the document says only that it is a file."""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


def use_known_ids(value: Any, known: dict[str, str]) -> Any:
    """Return a generated value in which named ids are those of things that exist, so that it gets further."""
    if isinstance(value, dict):
        return {
            name: known[name]
            if name in known and name.endswith("_id") and name != "event_id" and isinstance(item, str)
            else use_known_ids(item, known)
            for name, item in value.items()
        }
    return [use_known_ids(item, known) for item in value] if isinstance(value, list) else value


def make_it_go_further(case: Case[Any], operation_id: str, world: World) -> bool:
    """Put what exists in place of what was made up, wherever the case is meant to be well-formed.

    Returns whether the whole case is meant to be well-formed.
    """
    assert case.meta is not None
    is_formed = {place.value: told.mode.is_positive for place, told in case.meta.components.items()}
    known, path_words = world.words.known, CALL_OF[operation_id].path
    if is_formed.get("path", True):
        for name in case.path_parameters or {}:
            case.path_parameters[name] = known[path_words.get(name, name)]
    if not all(is_formed.values()) or not case.meta.generation.mode.is_positive:
        return False
    # A cursor is opaque: only the service makes them, and another is refused with 400.
    if isinstance(case.query, dict):
        case.query.pop("cursor", None)
    if case.headers and "Idempotency-Key" in case.headers:
        case.headers["Idempotency-Key"] = f"key-{next(world.numbers)}"
    if case.body is not NOT_SET:
        case.body = use_known_ids(case.body, known)
    return True


def headers_fit(case: Case[Any], stated: Operation) -> bool:
    """Return whether the headers are as the document says: the generator makes texts that its patterns refuse."""
    given = {name.lower(): str(value) for name, value in (case.headers or {}).items()}
    return all(
        re.search(header.pattern, given[header.name.lower()])
        for header in stated.request_headers
        if header.name.lower() in given
    )


def role_for(operation_id: str) -> Role | None:
    """Return whose key is used. A controller's fact is taken whatever it is, so here an officer sends it."""
    return Role.OFFICER if operation_id == "report_fill" else CALL_OF[operation_id].role


def excluded_checks(operation_id: str) -> list[Any]:
    """Return the checks that cannot hold for an operation.

    A batch is not refused for what stands in it: each fact is answered on its own, inside a 200 (test_intake.py).
    """
    return [negative_data_rejection] if operation_id == "take_batch" else []


@SCHEMA.parametrize()
def test_the_service_does_what_the_document_says(case: Case[Any], world: World) -> None:
    operation_id = case.operation.definition.raw["operationId"]
    stated = OPERATIONS[operation_id]
    is_formed = make_it_go_further(case, operation_id, world)
    key = key_for(world.county, role_for(operation_id))
    headers = {} if key is None else {"authorization": f"Bearer {key.plain_key}"}
    try:
        response = case.call(headers=headers)
        case.validate_response(response, headers=headers, excluded_checks=excluded_checks(operation_id))
        if is_formed and response.status_code >= 400 and headers_fit(case, stated):
            code = response.json()["type"].rpartition("/")[2]
            assert code not in FORM_PROBLEMS or operation_id in RULES_BEYOND_THE_SCHEMA, (
                f"the document allows what was answered with {response.text}: {case.as_curl_command()}"
            )
    except BaseException as failure:
        failure.add_note(f"Repeat with {SEED_NAME}={SEED}")
        raise
