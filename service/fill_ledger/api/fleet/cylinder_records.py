"""What the operations on cylinders share: finding a cylinder, and recording several entries of one request together."""

import uuid
from collections.abc import Sequence
from datetime import datetime

from msgspec import Struct

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import (
    RECEIPT_EXAMPLE,
    EventIdSource,
    Receipt,
    receipt,
    record,
    refusal_problem,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer
from fill_ledger.api.http.problem_types import CONFLICT, IDEMPOTENCY_KEY_REUSED, INVALID_HEADER, NOT_PROCESSABLE
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.claims import Claim
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.cylinders import CylinderState, TagState
from fill_ledger.views.folding import decode_state
from fill_ledger.views.source import DatabaseSource

ENTRY_PROBLEMS = (CONFLICT, NOT_PROCESSABLE, IDEMPOTENCY_KEY_REUSED, INVALID_HEADER)
ENTRY_ANSWERS = (
    answer(Receipt, "The entry is on record.", status=201, example=RECEIPT_EXAMPLE),
    answer(Receipt, "The same entry was on record already.", status=200, example=RECEIPT_EXAMPLE),
)
# Refusals that only say that another entry of the same request was refused; the other one says why.
_COMPANION = "not-taken-alone"


class KnownCylinder(Struct, frozen=True, kw_only=True):
    """A cylinder as one department knows it, with the position of the event that last changed it."""

    department_id: uuid.UUID
    version: int
    state: CylinderState


async def read_cylinder(request: AnyRequest, principal: Principal, cylinder_id: uuid.UUID) -> KnownCylinder:
    """Return a cylinder as its owner among the principal's departments knows it.

    Departments that filled a neighbour's cylinder, or gave it away, know it too; the owner's record comes first.

    Raises:
        Problem: 404 where none of the principal's departments knows it.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            """
            SELECT department_id, ledger_position, state FROM views.state
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND subject_kind = 'cylinder' AND subject_id = $1
            """,
            cylinder_id,
        )
    known = [
        KnownCylinder(
            department_id=row["department_id"],
            version=row["ledger_position"],
            state=decode_state(SubjectKind.CYLINDER, row["state"]),
        )
        for row in rows
    ]
    if not known:
        raise Problem(problem_types.NOT_FOUND, "No cylinder has this id.")
    return min(known, key=lambda each: (each.state.registered_at is None, each.state.transferred_at is not None))


class Worn(Struct, frozen=True, kw_only=True):
    """The tags that were ever on a cylinder, and the version of the newest change to one of them."""

    version: int
    tags: tuple[TagState, ...]


async def read_tags_of(request: AnyRequest, department_id: uuid.UUID, cylinder_id: uuid.UUID) -> Worn:
    """Return the states of the tags that were ever paired with a cylinder, for a department found to be readable."""
    async with parts_of(request).database.lookups.acquire() as connection:
        source = DatabaseSource(connection, department_id)
        subjects = await source.tags_of(Subject(SubjectKind.CYLINDER, cylinder_id))
        stored = await source.states(subjects) if subjects else {}
    return Worn(
        version=max((known.ledger_position for known in stored.values()), default=0),
        tags=tuple(decode_state(SubjectKind.TAG, known.state) for known in stored.values()),
    )


def shown_version(known: KnownCylinder, worn: Worn) -> int:
    """Return the version of a cylinder as it is shown: a change of a tag on it is a change of what is shown."""
    return max(known.version, worn.version)


async def known_event(request: AnyRequest, department_id: uuid.UUID, event_id: uuid.UUID) -> Event | None:
    """Return the event a department has under an id, or None."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        canonical = await connection.fetchval(
            "SELECT canonical FROM ledger.event WHERE department_id = $1 AND event_id = $2", department_id, event_id
        )
    return None if canonical is None else read_event(canonical)


async def refuse_other_use_of_id(
    request: AnyRequest, department_id: uuid.UUID, event_id: uuid.UUID, body: Body
) -> None:
    """Refuse an observation entered by a person whose id another event has; the ledger would keep it beside.

    Raises:
        Problem: 409 conflict.
    """
    known = await known_event(request, department_id, event_id)
    if known is not None and known.body != body:
        detail = "Another event has this event_id."
        raise Problem(
            problem_types.CONFLICT,
            detail,
            errors=[Fault(code="event-id-taken", detail=detail, pointer="/event_id")],
        )


async def record_together(
    request: AnyRequest,
    principal: Principal,
    department_id: uuid.UUID,
    bodies: Sequence[tuple[uuid.UUID, Body]],
    *,
    occurred_at: datetime | None,
    subject_id: uuid.UUID,
    source: EventIdSource,
) -> Reply[Receipt]:
    """Record several entries of one request, all or none, and return the receipt of the first.

    Raises:
        Problem: 409 or 422 with every reason why one of them was refused.
    """
    claims = [
        Claim(event_id=event_id, body=body, recorded_by=principal.principal_id, occurred_at=occurred_at)
        for event_id, body in bodies
    ]
    recorded = await record(request, department_id, claims, atomic=len(claims) > 1)
    refused = [refusal for outcome in recorded.outcomes for refusal in outcome.refusals]
    if refused:
        told = [refusal for refusal in refused if refusal.code != _COMPANION]
        raise refusal_problem(told or refused, from_key=source.from_key)
    first = recorded.outcomes[0]
    is_new = any(outcome.outcome == "created" for outcome in recorded.outcomes)
    return Reply(
        receipt(recorded, first, subject_id),
        status=201 if is_new else 200,
        headers={} if is_new else {"Idempotency-Hit": "true"},
    )
