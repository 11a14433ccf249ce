"""Office entries over HTTP: from a decoded body to one event, and from its outcome to the answer."""

import uuid
from collections.abc import Sequence
from typing import Annotated

from msgspec import Meta, Struct

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerPosition, LedgerToken, Moment, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.claims import Claim, Outcome, Recorded, Unit
from fill_ledger.ledger.ledger_token import encode_ledger_token
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.entries import Refusal
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import Subject, derived_id

IDEMPOTENCY_HEADER = "idempotency-key"
MAXIMUM_IDEMPOTENCY_KEY = 128


class Entry(StrictStruct, frozen=True, kw_only=True):
    """What every office entry may carry: its own id, which makes repeats harmless, and when it took effect."""

    event_id: uuid.UUID | None = None
    occurred_at: Moment | None = None


class Receipt(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What became of an entry. `ledger` is the token that `min_ledger` takes; keep `chain_digest` to be a witness."""

    event_id: uuid.UUID
    subject_id: uuid.UUID
    outcome: Annotated[str, Meta(max_length=16, description="created, or exists where the same entry was here")]
    ledger_position: LedgerPosition
    ledger: LedgerToken
    chain_digest: Annotated[str, Meta(min_length=64, max_length=64, pattern=r"^[0-9a-f]{64}\Z")]
    inventory_number: Annotated[str, Meta(max_length=24)] | None = None


RECEIPT_EXAMPLE = Receipt(
    event_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    subject_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    outcome="created",
    ledger_position=60_211,
    ledger="AWoflw8OPVxMVppZCw1vWnwx6zM",
    chain_digest="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
)

ENTRY_PROBLEMS = (
    problem_types.CONFLICT,
    problem_types.NOT_PROCESSABLE,
    problem_types.IDEMPOTENCY_KEY_REUSED,
    problem_types.INVALID_HEADER,
)
ENTRY_ANSWERS = (
    answer(Receipt, "The entry is on record.", status=201, example=RECEIPT_EXAMPLE),
    answer(Receipt, "The same entry was on record already.", status=200, example=RECEIPT_EXAMPLE),
)


class EventIdSource(Struct, frozen=True, kw_only=True):
    """The id of an entry, and whether it was made from an Idempotency-Key."""

    event_id: uuid.UUID
    from_key: bool = False


def event_id_for(request: AnyRequest, principal: Principal, given: uuid.UUID | None) -> EventIdSource:
    """Return the id of an entry: the one given, else one that follows from the Idempotency-Key, else a new one.

    The key is scoped to the principal, not to its key, so that a repeat after a rotation is still a repeat.

    Raises:
        Problem: 400 invalid-header where the key is malformed.
    """
    header = request.headers.get(IDEMPOTENCY_HEADER)
    if header is not None:
        key = header.strip()
        if key.startswith('"'):
            # A quoted string that does not end is no key.
            key = key[1:-1] if key.endswith('"') else ""
        if not key or len(key) > MAXIMUM_IDEMPOTENCY_KEY or not all(33 <= ord(mark) <= 126 for mark in key):
            detail = f"Idempotency-Key must be 1 to {MAXIMUM_IDEMPOTENCY_KEY} visible ASCII characters, quoted or not."
            raise Problem(
                problem_types.INVALID_HEADER,
                detail,
                errors=[Fault(code="wrong-format", detail=detail, header="Idempotency-Key")],
            )
        if given is None:
            return EventIdSource(event_id=derived_id("idempotency-key", principal.principal_id, key), from_key=True)
    return EventIdSource(event_id=given or uuid.uuid4())


async def record(
    request: AnyRequest, department_id: uuid.UUID, claims: Sequence[Claim], *, atomic: bool = False
) -> Recorded:
    """Record claims of one request for a department that its principal was found to act for."""
    return await parts_of(request).lanes.record(Unit(department_id=department_id, claims=tuple(claims), atomic=atomic))


async def record_entry(
    request: AnyRequest,
    principal: Principal,
    department_id: uuid.UUID,
    entry: Entry,
    body: Body,
    *,
    subject_id: uuid.UUID,
    source: EventIdSource | None = None,
) -> Reply[Receipt]:
    """Record one office entry and return its receipt: 201 where it is new, 200 where the same entry was here.

    Raises:
        Problem: 409 or 422 where the ledger contradicts it, with every reason.
    """
    source = source or event_id_for(request, principal, entry.event_id)
    claim = Claim(
        event_id=source.event_id,
        body=body,
        recorded_by=principal.principal_id,
        occurred_at=entry.occurred_at,
        entered=True,
    )
    recorded = await record(request, department_id, (claim,))
    outcome = recorded.outcomes[0]
    if outcome.outcome == "refused":
        raise refusal_problem(outcome.refusals, from_key=source.from_key)
    return Reply(
        receipt(recorded, outcome, subject_id),
        status=201 if outcome.outcome == "created" else 200,
        headers={"Idempotency-Hit": "true"} if outcome.outcome == "exists" else {},
    )


def receipt(recorded: Recorded, outcome: Outcome, subject_id: uuid.UUID) -> Receipt:
    """Return the receipt of one outcome that was not refused."""
    assert outcome.event_id is not None
    assert outcome.ledger_position is not None
    return Receipt(
        event_id=outcome.event_id,
        subject_id=subject_id,
        outcome=outcome.outcome,
        ledger_position=outcome.ledger_position,
        ledger=encode_ledger_token(recorded.department_id, recorded.ledger_position),
        chain_digest=recorded.chain_digest.hex(),
        inventory_number=outcome.inventory_number,
    )


def refusal_problem(refusals: Sequence[Refusal], *, from_key: bool = False) -> Problem:
    """Return the problem that tells every reason why an entry was refused."""
    if from_key and any(refusal.code == "event-id-taken" for refusal in refusals):
        return Problem(problem_types.IDEMPOTENCY_KEY_REUSED, "This Idempotency-Key was used for another entry before.")
    kind = problem_types.CONFLICT if any(refusal.conflict for refusal in refusals) else problem_types.NOT_PROCESSABLE
    return Problem(
        kind,
        " ".join(dict.fromkeys(refusal.detail for refusal in refusals)),
        errors=[Fault(code=refusal.code, detail=refusal.detail, pointer=refusal.pointer) for refusal in refusals],
    )


async def department_of(request: AnyRequest, principal: Principal, subject: Subject) -> uuid.UUID:
    """Return the department, among the principal's, whose ledger knows a subject.

    A device may name an air source of another department by mistake, and its own ledger then has something
    under that id too: where the subject was registered comes first.

    Raises:
        Problem: 404 where none does.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        department_id: uuid.UUID | None = await connection.fetchval(
            """
            SELECT department_id FROM views.state
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND subject_kind = $1 AND subject_id = $2
            ORDER BY coalesce(state ->> 'registered_at', state ->> 'enrolled_at') IS NULL, department_id LIMIT 1
            """,
            subject.kind.value,
            subject.subject_id,
        )
    if department_id is None:
        what = subject.kind.value.replace("_", " ")
        raise Problem(problem_types.NOT_FOUND, f"No {what} has this id.")
    return department_id
