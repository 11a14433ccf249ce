"""What single facts and batches share: strict decoding for the reader of facts, and the answer for one fact."""

import uuid
from collections.abc import Sequence
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from fill_ledger.api import problem_types
from fill_ledger.api.decoding import AnyRequest, body_decoder
from fill_ledger.api.parts import parts_of
from fill_ledger.api.principals import Principal
from fill_ledger.api.problem_types import ProblemType
from fill_ledger.api.problems import MAX_FAULTS, Explanation, Fault, Problem, ProblemUri
from fill_ledger.api.value_types import LedgerPosition
from fill_ledger.intake.claims import Outcome, Recorded, Unit
from fill_ledger.intake.facts import FactFault, ReadFact, Sender, UnreadableTextError
from fill_ledger.ledger.chain import genesis_digest

MAXIMUM_CLAIMS_A_UNIT = 500
"""So many facts of one request are recorded in one transaction: enough to share a commit, few enough to be quick."""

MAXIMUM_FINDINGS_A_FACT = 100

FactOutcome = Literal["created", "exists", "conflict_kept", "quarantined"]
Digest = Annotated[str, Meta(min_length=64, max_length=64, pattern=r"^[0-9a-f]{64}\Z", description="SHA-256, hex.")]
FindingIds = Annotated[list[uuid.UUID], Meta(max_length=MAXIMUM_FINDINGS_A_FACT)]


class FactProblem(Struct, frozen=True, kw_only=True):
    """Why a fact was not simply taken: the problem's type and title, what happened, and every fault with its place."""

    type: ProblemUri
    title: Annotated[str, Meta(max_length=200)]
    detail: Explanation
    errors: Annotated[list[Fault], Meta(max_length=MAX_FAULTS)]


class FactResult(Struct, frozen=True, kw_only=True):
    """What became of one fact. `event_id` is the one the sender gave, null where it could not be read."""

    event_id: uuid.UUID | None
    outcome: FactOutcome
    ledger_position: LedgerPosition
    finding_ids: FindingIds
    problem: FactProblem | None


def decode_strictly(expected: Any, text: bytes) -> Any:
    """Decode a JSON text as a type, for the reader of facts (see `intake.facts.StrictDecode`)."""
    try:
        return body_decoder(expected).decode(text)
    except Problem as problem:
        faults = [
            FactFault(code=fault.code, detail=fault.detail, pointer=fault.pointer or "") for fault in problem.errors
        ]
        is_json = problem.kind is not problem_types.MALFORMED_JSON
        detail = problem.detail.replace("The body has", "The fact has") if is_json else problem.detail
        raise UnreadableTextError(detail, faults, is_json=is_json) from None


def sender_of(principal: Principal) -> Sender:
    """Return the principal as the sender of facts; what a controller sends comes from its station."""
    return Sender(recorded_by=principal.principal_id, station_id=principal.station_id)


def as_problem(read: ReadFact) -> Problem:
    """Return the problem that answers a fact which could not be read, where it is not kept."""
    return Problem(_kind(read), str(read.detail), errors=_errors(read))


def _kind(read: ReadFact) -> ProblemType:
    return problem_types.INVALID_BODY if read.is_json else problem_types.MALFORMED_JSON


def _errors(read: ReadFact) -> list[Fault]:
    return [Fault(code=fault.code, detail=fault.detail, pointer=fault.pointer) for fault in read.faults[:MAX_FAULTS]]


def result_of(read: ReadFact, outcome: Outcome) -> FactResult:
    """Return the answer for one fact from what became of it."""
    assert outcome.outcome != "refused"
    assert outcome.ledger_position is not None
    problem = None
    if not read.is_readable:
        kind = _kind(read)
        problem = FactProblem(type=kind.uri, title=kind.title, detail=str(read.detail), errors=_errors(read))
    elif outcome.outcome == "conflict_kept":
        kind = problem_types.CONFLICT
        detail = "Another fact with other content has this event_id. This one was kept beside it."
        errors = [Fault(code="event-id-taken", detail=detail, pointer="/event_id")]
        problem = FactProblem(type=kind.uri, title=kind.title, detail=detail, errors=errors)
    return FactResult(
        event_id=read.event_id if read.event_id is not None else _event_id(read),
        outcome=outcome.outcome,
        ledger_position=outcome.ledger_position,
        finding_ids=list(outcome.finding_ids[:MAXIMUM_FINDINGS_A_FACT]),
        problem=problem,
    )


def _event_id(read: ReadFact) -> uuid.UUID | None:
    """Return the id that a fact without one was given; None where it could not be read."""
    first = read.claims[0]
    return getattr(first, "event_id", None)


async def record_facts(
    request: AnyRequest, department_id: uuid.UUID, facts: Sequence[ReadFact]
) -> tuple[list[FactResult], Recorded | None]:
    """Record facts of one request, each on its own merits; return their results and the last head of the ledger."""
    results: list[FactResult] = []
    recorded: Recorded | None = None
    start = 0
    while start < len(facts):
        end, claims = start, 0
        while end < len(facts) and (end == start or claims + len(facts[end].claims) <= MAXIMUM_CLAIMS_A_UNIT):
            claims += len(facts[end].claims)
            end += 1
        chunk = facts[start:end]
        unit = Unit(department_id=department_id, claims=tuple(claim for read in chunk for claim in read.claims))
        recorded = await parts_of(request).lanes.record(unit)
        place = 0
        for read in chunk:
            results.append(result_of(read, recorded.outcomes[place]))
            place += len(read.claims)
        start = end
    return results, recorded


def digest_of(recorded: Recorded | None, department_id: uuid.UUID) -> str:
    """Return the chain digest after a recording; that of an empty ledger where nothing was recorded."""
    return (genesis_digest(department_id) if recorded is None else recorded.chain_digest).hex()
