"""What single facts and batches share: strict decoding for the reader of facts, and the answer for one fact."""

import uuid
from collections.abc import Sequence
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest, body_decoder
from fill_ledger.api.http.problem_types import ProblemType
from fill_ledger.api.http.problems import MAX_FAULTS, Explanation, Fault, Problem, ProblemUri
from fill_ledger.api.http.value_types import LedgerPosition
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.claims import Outcome, Recorded, Unit
from fill_ledger.intake.facts import FactFault, ReadFact, Sender, UnreadableTextError

MAXIMUM_CLAIMS_A_UNIT = 500
"""So many facts of one request are recorded in one transaction: enough to share a commit, few enough to be quick."""

MAXIMUM_FINDINGS_A_FACT = 100

FactOutcome = Literal["created", "exists", "conflict_kept", "quarantined"]
Digest = Annotated[str, Meta(min_length=64, max_length=64, pattern=r"^[0-9a-f]{64}\Z", description="SHA-256, hex.")]
FindingIds = Annotated[list[uuid.UUID], Meta(max_length=MAXIMUM_FINDINGS_A_FACT)]


EXAMPLE_FACT: dict[str, Any] = {
    "type": "cylinder.filled",
    "type_version": 1,
    "event_id": "0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01",
    "stream_id": "4e2a7b90-3f6c-4d8e-9b1a-7c5d2e8f6a03",
    "stream_number": 1234,
    "occurred_at": "2026-11-24T03:10:22-05:00",
    "clock": {"boot_id": "9a7c5e31-2b4d-4f60-8e1c-3d5b7a9f1c04", "uptime_ms": 51234567, "synced": False},
    "body": {
        "cylinder_id": "7d1f3b5a-9c2e-4a68-b0d4-1e3f5a7c9b05",
        "member_id": "2b4d6f81-a3c5-4e70-92b4-d6f8a1c3e506",
        "station_id": "5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11",
        "mode": "automatic",
        "sources": [{"air_source_id": "8e0a2c4b-6d8f-4013-a5b7-c9d1e3f50708"}],
        "start_psi": 480,
        "end_psi": 4510,
        "gas_temperature_f": 96,
        "duration_s": 380,
        "look_over": "passed",
    },
}


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


def sender_of(principal: Principal, *, is_person: bool = False) -> Sender:
    """Return the principal as the sender of facts; what a controller sends comes from its station."""
    return Sender(
        recorded_by=principal.principal_id,
        station_id=principal.station_id,
        is_person=is_person,
    )


def kind_of(*, is_json: bool) -> ProblemType:
    """Return the problem type of something unreadable."""
    return problem_types.INVALID_BODY if is_json else problem_types.MALFORMED_JSON


def errors_of(faults: Sequence[FactFault]) -> list[Fault]:
    """Return faults of facts as the faults of a problem."""
    return [Fault(code=fault.code, detail=fault.detail, pointer=fault.pointer) for fault in faults[:MAX_FAULTS]]


def problem_of_faults(kind: ProblemType, detail: str, faults: Sequence[FactFault]) -> FactProblem:
    """Return a problem as a part of an answer that is itself no problem."""
    return FactProblem(type=kind.uri, title=kind.title, detail=detail, errors=errors_of(faults))


def result_of(read: ReadFact, outcome: Outcome) -> FactResult:
    """Return the answer for one fact from what became of it."""
    assert outcome.outcome != "refused"
    assert outcome.ledger_position is not None
    problem = None
    if not read.is_readable:
        problem = problem_of_faults(kind_of(is_json=read.is_json), str(read.detail), read.faults)
    elif outcome.outcome == "conflict_kept":
        detail = "Another fact with other content has this event_id. This one was kept beside it."
        fault = FactFault(code="event-id-taken", detail=detail, pointer="/event_id")
        problem = problem_of_faults(problem_types.CONFLICT, detail, (fault,))
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
) -> tuple[list[FactResult], Recorded]:
    """Record some facts of one request, each on its own merits; return their results and the head of the ledger."""
    unit = Unit(department_id=department_id, claims=tuple(claim for read in facts for claim in read.claims))
    recorded = await parts_of(request).lanes.record(unit)
    results: list[FactResult] = []
    place = 0
    for read in facts:
        results.append(result_of(read, recorded.outcomes[place]))
        place += len(read.claims)  # unreadable bytes that are long are kept in several pieces
    return results, recorded
