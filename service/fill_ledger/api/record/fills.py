"""`/v1/fills`: one fill reported, and the fills on record."""

import uuid
from typing import Any

import msgspec
from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import department_of, event_id_for
from fill_ledger.api.http.decoding import DEFAULT_BODY_LIMIT_BYTES, AnyRequest, read_body, require_json
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import BodyDescription, answer, post
from fill_ledger.api.http.problem_types import INVALID_BODY, INVALID_HEADER, NOT_PROCESSABLE
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerToken
from fill_ledger.api.record.facts import (
    EXAMPLE_FACT,
    Digest,
    FactProblem,
    FactResult,
    decode_strictly,
    errors_of,
    kind_of,
    record_facts,
    sender_of,
)
from fill_ledger.intake.claims import Claim
from fill_ledger.intake.facts import FactReader, ReadFact, facts_of
from fill_ledger.ledger.ledger_token import encode_ledger_token
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.identifiers import Subject, SubjectKind

FILL_TYPES = ("cylinder.filled", "cylinder.filled_by_hand")
ANY_FILL: Any = facts_of(*FILL_TYPES)
STATUS = {"created": 201, "exists": 200, "conflict_kept": 200, "quarantined": 202}

FILL_READER = FactReader(ANY_FILL, decode_strictly)


class FillReceipt(FactResult, frozen=True, kw_only=True):
    """What became of a fill. `ledger` is the token that `min_ledger` takes; keep `chain_digest` to be a witness."""

    ledger: LedgerToken
    chain_digest: Digest


EXAMPLE_RECEIPT = FillReceipt(
    event_id=uuid.UUID("0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01"),
    outcome="created",
    ledger_position=60_211,
    finding_ids=[],
    problem=None,
    ledger="AWoflw8OPVxMVppZCw1vWnwx6zM",
    chain_digest="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
)


@post(
    "/v1/fills",
    right=rights.FACTS_RECORD,
    tag="fills",
    summary="Report a fill",
    answers=(
        answer(FillReceipt, "The fill is on record.", status=201, example=EXAMPLE_RECEIPT),
        answer(
            FillReceipt,
            "The same fill was on record already, or another fact had its id and this one was kept beside.",
            status=200,
            example=msgspec.structs.replace(EXAMPLE_RECEIPT, outcome="exists"),
        ),
        answer(
            FillReceipt,
            "From a controller: it could not be read; its bytes are kept, the reason is given. Do not send it again.",
            status=202,
            example=msgspec.structs.replace(
                EXAMPLE_RECEIPT,
                outcome="quarantined",
                problem=FactProblem(
                    type=INVALID_BODY.uri,
                    title=INVALID_BODY.title,
                    detail="The fact has 1 fault.",
                    errors=[
                        Fault(
                            code="wrong-type",
                            detail="Expected an integer from -2147483648 to 2147483647 or null.",
                            pointer="/body/start_psi",
                        )
                    ],
                ),
            ),
        ),
    ),
    bodies=(
        BodyDescription(
            media_type="application/json",
            description="One fact.",
            content_type=ANY_FILL,
            example=EXAMPLE_FACT,
        ),
    ),
    problems=(NOT_PROCESSABLE, INVALID_HEADER),
    request_headers=(IDEMPOTENCY_KEY,),
)
async def report_fill(request: AnyRequest, principal: Principal) -> Reply[FillReceipt]:
    """Put one fill on record.

    A fill has already happened, so it is never refused because of what it says: it is judged, and what is wrong with it
    becomes findings. From a controller any body within size is kept and answered with 200, 201 or 202; its station is
    the controller's, and `event_id` is required. A person or an integration names `body.station_id`, may leave
    `event_id` out (with or without an Idempotency-Key), and is told of a malformed body by a problem.
    """
    if principal.station_id is None:
        department_id, read = await _read_from_person(request, principal)
    else:
        raw = await read_body(request, limit_bytes=DEFAULT_BODY_LIMIT_BYTES)
        department_id, read = principal.department(None), FILL_READER.read(raw, sender_of(principal))
    results, recorded = await record_facts(request, department_id, [read])
    result = results[0]
    return Reply(
        FillReceipt(
            **msgspec.structs.asdict(result),
            ledger=encode_ledger_token(department_id, recorded.ledger_position),
            chain_digest=recorded.chain_digest.hex(),
        ),
        status=STATUS[result.outcome],
        headers={"Idempotency-Hit": "true"} if result.outcome == "exists" else {},
    )


async def _read_from_person(request: AnyRequest, principal: Principal) -> tuple[uuid.UUID, ReadFact]:
    """Read a fill that a person or an integration reports, and find the department by its station.

    Raises:
        Problem: 400, 415 or 422 where it cannot be read; 422 where its station is not known.
    """
    require_json(request)
    raw = await read_body(request, limit_bytes=DEFAULT_BODY_LIMIT_BYTES)
    read = FILL_READER.read(raw, sender_of(principal, is_person=True))
    if not read.is_readable:
        raise Problem(kind_of(is_json=read.is_json), str(read.detail), errors=errors_of(read.faults))
    claim = read.claims[0]
    assert isinstance(claim, Claim)
    assert isinstance(claim.body, Filled)
    assert claim.body.station_id is not None
    department_id = await _department_of_station(request, principal, claim.body.station_id)
    source = event_id_for(request, principal, read.event_id)
    return department_id, msgspec.structs.replace(
        read, claims=(msgspec.structs.replace(claim, event_id=source.event_id),)
    )


async def _department_of_station(request: AnyRequest, principal: Principal, station_id: uuid.UUID) -> uuid.UUID:
    try:
        return await department_of(request, principal, Subject(SubjectKind.STATION, station_id))
    except Problem:
        detail = "No station that this key may act for has this id."
        fault = Fault(code="unknown-station", detail=detail, pointer="/body/station_id")
        raise Problem(NOT_PROCESSABLE, detail, errors=[fault]) from None


HANDLERS: list[HTTPRouteHandler] = [report_fill]
