"""A requalifier's list: which cylinder each result is about, what has to be asked, and recording the rest."""

import asyncio
import uuid
from collections.abc import Sequence
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import RECEIPT_EXAMPLE, Entry
from fill_ledger.api.fleet.cylinder_types import (
    EXAMPLE_CYLINDER_ID,
    InventoryNumber,
    Outcome,
    Reason,
    RequalifierNumber,
    SerialAsStamped,
    ShortText,
    Signs,
    Stamp,
    TagAsRead,
    stamp_body,
)
from fill_ledger.api.fleet.tag_reading import tag_read
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.problems import Fault
from fill_ledger.api.http.value_types import Count, LedgerPosition, LedgerToken
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.claims import Claim, Recorded, Unit
from fill_ledger.intake.claims import Outcome as RecordedOutcome
from fill_ledger.ledger.ledger_token import encode_ledger_token
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.identifiers import SubjectKind, derived_id, normal_serial
from fill_ledger.trade.months import StampMonth
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.views.cylinders import (
    ENTRY_CYLINDER_ID,
    ENTRY_INVENTORY_NUMBER,
    ENTRY_SERIAL,
    ENTRY_TAG,
    standing,
)
from fill_ledger.views.folding import decode_state

MAXIMUM_RESULTS = 1_000
MAXIMUM_CHOICES = 20
_WAYS = ("cylinder_id", "inventory_number", "serial", "tag")


class Result(Entry, frozen=True, kw_only=True):
    """One result, about the cylinder named by exactly one of `cylinder_id`, `inventory_number`, `serial`, `tag`."""

    month: StampMonth
    outcome: Outcome
    cylinder_id: uuid.UUID | None = None
    inventory_number: InventoryNumber | None = None
    serial: SerialAsStamped | None = None
    tag: TagAsRead | None = None
    requalifier: RequalifierNumber | None = None
    method: ShortText | None = None
    marks: Signs | None = None
    note: Reason | None = None
    earlier_than_last_test: bool = False


class Choice(Struct, frozen=True, kw_only=True):
    """One cylinder that an ambiguous result may be about."""

    cylinder_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    serial: Annotated[str, Meta(max_length=64)]
    specification: Annotated[str, Meta(max_length=120)]
    manufactured: StampMonth | None
    last_requalified: StampMonth | None
    standing: Annotated[str, Meta(max_length=16)]


class ResultLine(Struct, frozen=True, kw_only=True):
    """What became of one result.

    `created` and `exists` are on record. `asked`: send it again with what `errors` asks for, such as one of `choices`
    as cylinder_id. `refused`: it contradicts the ledger or the law; `errors` say how, with pointers into the request.
    """

    index: Count
    outcome: Literal["created", "exists", "asked", "refused"]
    cylinder_id: uuid.UUID | None = None
    inventory_number: Annotated[str, Meta(max_length=24)] | None = None
    serial: Annotated[str, Meta(max_length=64)] | None = None
    event_id: uuid.UUID | None = None
    ledger_position: LedgerPosition | None = None
    condemned: bool = False
    errors: Annotated[tuple[Fault, ...], Meta(max_length=100)] = ()
    choices: Annotated[tuple[Choice, ...], Meta(max_length=MAXIMUM_CHOICES)] = ()


class ResultsReport(Struct, frozen=True, kw_only=True):
    """Every result in the order sent, how many ended how, and the head of the ledger after them."""

    created: Count
    exists: Count
    asked: Count
    refused: Count
    results: Annotated[tuple[ResultLine, ...], Meta(max_length=MAXIMUM_RESULTS)]
    ledger: LedgerToken | None
    chain_digest: Annotated[str, Meta(min_length=64, max_length=64, pattern=r"^[0-9a-f]{64}\Z")] | None


class _Planned(Struct, frozen=True, kw_only=True):
    """A result that can be recorded, and the cylinder it is about."""

    index: int
    state: CylinderState
    claims: tuple[Claim, ...]


EXAMPLE_RESULT = Result(serial="AX 40771", month="2026-11", outcome="pass", requalifier="A123")
EXAMPLE_REPORT = ResultsReport(
    created=1,
    exists=0,
    asked=0,
    refused=0,
    results=(
        ResultLine(
            index=0,
            outcome="created",
            cylinder_id=EXAMPLE_CYLINDER_ID,
            inventory_number="214",
            serial="AX 40771",
            event_id=RECEIPT_EXAMPLE.event_id,
            ledger_position=60_211,
        ),
    ),
    ledger=RECEIPT_EXAMPLE.ledger,
    chain_digest=RECEIPT_EXAMPLE.chain_digest,
)


async def record_results(
    request: AnyRequest, principal: Principal, department_id: uuid.UUID, results: Sequence[Result]
) -> ResultsReport:
    """Record what is clear and ask about the rest. Nothing that is asked or refused keeps another result out."""
    keys = [_key(place, result) for place, result in enumerate(results)]
    found = await _find(request, department_id, [key for key in keys if not isinstance(key, Fault)])
    lines: dict[int, ResultLine] = {}
    planned: list[_Planned] = []
    latest: dict[uuid.UUID, str] = {}
    for place, (result, key) in enumerate(zip(results, keys, strict=True)):
        line = (
            _line("refused", place, errors=(key,))
            if isinstance(key, Fault)
            else _plan(place, result, found.get(key, []), principal, latest)
        )
        if isinstance(line, ResultLine):
            lines[place] = line
        else:
            planned.append(line)
    recorded = await _record(request, department_id, planned)
    new_ids = {each.event_id for _, outcomes in recorded for each in outcomes if each.outcome == "created"}
    for plan, (_, outcomes) in zip(planned, recorded, strict=True):
        was_taken_back = outcomes[0].outcome == "exists" and outcomes[0].event_id not in new_ids
        lines[plan.index] = (
            _taken_back_line(plan)
            if was_taken_back and results[plan.index].event_id is None
            else _recorded_line(plan, outcomes)
        )
    ordered = tuple(lines[place] for place in range(len(results)))
    counts = {name: sum(line.outcome == name for line in ordered) for name in ("created", "exists", "asked", "refused")}
    head = max((each for each, _ in recorded), key=lambda each: each.ledger_position, default=None)
    return ResultsReport(
        **counts,
        results=ordered,
        ledger=None if head is None else encode_ledger_token(department_id, head.ledger_position),
        chain_digest=None if head is None else head.chain_digest.hex(),
    )


def _key(place: int, result: Result) -> tuple[str, str] | Fault:
    """Return how the directory finds the cylinder a result is about."""
    given = [name for name in _WAYS if getattr(result, name) is not None]
    if len(given) != 1:
        detail = f"Name the cylinder by exactly one of {', '.join(_WAYS)}; {len(given)} are given."
        return Fault(code="one-way-to-name", detail=detail, pointer=f"/results/{place}")
    if result.cylinder_id is not None:
        return ENTRY_CYLINDER_ID, str(result.cylinder_id)
    if result.inventory_number is not None:
        return ENTRY_INVENTORY_NUMBER, result.inventory_number
    if result.serial is not None:
        return ENTRY_SERIAL, normal_serial(result.serial)
    assert result.tag is not None
    tag = tag_read(result.tag, f"/results/{place}/tag")
    return tag if isinstance(tag, Fault) else (ENTRY_TAG, tag)


async def _find(
    request: AnyRequest, department_id: uuid.UUID, keys: Sequence[tuple[str, str]]
) -> dict[tuple[str, str], list[CylinderState]]:
    """Return the department's cylinders for each way of naming one; what was given away is left out."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            """
            SELECT DISTINCT entry.entry_kind, entry.value, entry.cylinder_id, known.state::text AS state
            FROM unnest($2::text[], $3::text[]) AS asked (entry_kind, value)
            JOIN views.directory AS entry ON entry.department_id = $1 AND entry.entry_kind = asked.entry_kind
                AND entry.value = asked.value
            JOIN views.state AS known ON known.department_id = $1 AND known.subject_kind = 'cylinder'
                AND known.subject_id = entry.cylinder_id
            """,
            department_id,
            [kind for kind, _ in keys],
            [value for _, value in keys],
        )
    found: dict[tuple[str, str], list[CylinderState]] = {}
    for row in rows:
        state: CylinderState = decode_state(SubjectKind.CYLINDER, row["state"])
        if state.details is not None and state.registered_at is not None:
            found.setdefault((row["entry_kind"], row["value"]), []).append(state)
    return found


def _plan(
    place: int, result: Result, found: Sequence[CylinderState], principal: Principal, latest: dict[uuid.UUID, str]
) -> _Planned | ResultLine:
    """Return what to record for a result, or the line that asks or refuses. `latest` is kept as the list goes on."""
    pointer = f"/results/{place}"
    named = next(name for name in _WAYS if getattr(result, name) is not None)
    if not found:
        detail = "The department has no such cylinder. Register it first, or correct what names it."
        return _line(
            "refused", place, errors=(Fault(code="cylinder-unknown", detail=detail, pointer=f"{pointer}/{named}"),)
        )
    if len(found) > 1:
        detail = (
            f"{len(found)} cylinders have this {named}: send the result with the cylinder_id of one of the choices."
        )
        fault = Fault(code="ambiguous-cylinder", detail=detail, pointer=f"{pointer}/{named}")
        return _line("asked", place, errors=(fault,), choices=_choices(found))
    state = found[0]
    stamp = stamp_body(
        Stamp(
            month=result.month,
            outcome=result.outcome,
            requalifier=result.requalifier,
            method=result.method,
            marks=result.marks,
        )
    )
    same = next((known for known in state.requalifications if known.stamp == stamp), None)
    if same is not None:
        # Condemned stamps come on record with the entry that bars the cylinder, or from a registration without it.
        if stamp.outcome != "condemned" or state.condemned_at is not None:
            return _line("exists", place, state=state, event_id=same.event_id)
        return _Planned(index=place, state=state, claims=(_condemning(result, state, stamp, principal),))
    question = _question(pointer, result, state, latest)
    if question is not None:
        return _line("asked", place, state=state, errors=(question,))
    if stamp.outcome == "condemned" and rights.CYLINDERS_END not in principal.rights:
        detail = f"This needs the right {rights.CYLINDERS_END}: a condemned cylinder is barred for good."
        fault = Fault(code="not-permitted", detail=detail, pointer=f"{pointer}/outcome")
        return _line("refused", place, state=state, errors=(fault,))
    latest[state.subject_id] = max(result.month, latest.get(state.subject_id, ""))
    body = cylinders.CylinderRequalified(cylinder_id=state.subject_id, stamp=stamp, note=result.note)
    claims = [
        Claim(
            event_id=result.event_id or _result_id(state, stamp),
            body=body,
            recorded_by=principal.principal_id,
            occurred_at=result.occurred_at,
        )
    ]
    if stamp.outcome == "condemned" and state.condemned_at is None:
        claims.append(_condemning(result, state, stamp, principal))
    return _Planned(index=place, state=state, claims=tuple(claims))


def _question(pointer: str, result: Result, state: CylinderState, latest: dict[uuid.UUID, str]) -> Fault | None:
    """Return what must be asked about the month: it lies before the last test, or before the cylinder was made."""
    made = None if state.details is None else state.details.manufactured
    if made is not None and result.month < made:
        detail = f"The cylinder was made in {made}, after {result.month}: correct the month, or the record first."
        return Fault(code="requalified-before-made", detail=detail, pointer=f"{pointer}/month")
    recorded = state.requalifications[-1].stamp.month if state.requalifications else ""
    last = max(recorded, latest.get(state.subject_id, ""))
    if result.month < last and not result.earlier_than_last_test:
        detail = f"The last test on record is of {last}. If {result.month} is right, say earlier_than_last_test: true."
        return Fault(code="earlier-than-last-test", detail=detail, pointer=f"{pointer}/month")
    return None


def _result_id(state: CylinderState, stamp: cylinders.RequalificationStamp) -> uuid.UUID:
    """Return the id that follows from cylinder and stamp, so that the list sent again is the same list."""
    signs = " ".join(sorted(stamp.marks or ()))
    parts = (stamp.month, stamp.outcome, stamp.requalifier, stamp.method, signs)
    return derived_id("requalification-result", state.department_id, state.subject_id, *parts)


def condemned_by(cylinder_id: uuid.UUID, stamp: cylinders.RequalificationStamp) -> cylinders.CylinderCondemned:
    """Return the entry that bars a cylinder whose requalification ended so."""
    reason = f"Condemned at the requalification of {stamp.month}."
    return cylinders.CylinderCondemned(cylinder_id=cylinder_id, reason=reason)


def _condemning(
    result: Result, state: CylinderState, stamp: cylinders.RequalificationStamp, principal: Principal
) -> Claim:
    return Claim(
        event_id=derived_id("condemned-at-requalification", result.event_id or _result_id(state, stamp)),
        body=condemned_by(state.subject_id, stamp),
        recorded_by=principal.principal_id,
        occurred_at=result.occurred_at,
    )


async def _record(
    request: AnyRequest, department_id: uuid.UUID, planned: Sequence[_Planned]
) -> list[tuple[Recorded, tuple[RecordedOutcome, ...]]]:
    """Record each result by itself, all in one passage of the lane; both entries of a condemned one, or neither."""
    lanes = parts_of(request).lanes
    single = [plan for plan in planned if len(plan.claims) == 1]
    double = [plan for plan in planned if len(plan.claims) > 1]
    units = [
        *([Unit(department_id=department_id, claims=tuple(plan.claims[0] for plan in single))] if single else []),
        *(Unit(department_id=department_id, claims=plan.claims, atomic=True) for plan in double),
    ]
    recorded = await asyncio.gather(*(lanes.record(unit) for unit in units))
    by_index: dict[int, tuple[Recorded, tuple[RecordedOutcome, ...]]] = {}
    if single:
        for plan, outcome in zip(single, recorded[0].outcomes, strict=True):
            by_index[plan.index] = recorded[0], (outcome,)
    for plan, of_unit in zip(double, recorded[1 if single else 0 :], strict=True):
        by_index[plan.index] = of_unit, of_unit.outcomes
    return [by_index[plan.index] for plan in planned]


def _taken_back_line(plan: _Planned) -> ResultLine:
    """Ask about a result whose entry is in the ledger and counts for nothing: it was retracted before."""
    detail = "This very result was entered before and taken back. To enter it again, give it an event_id of its own."
    fault = Fault(code="taken-back-before", detail=detail, pointer=f"/results/{plan.index}")
    return _line("asked", plan.index, state=plan.state, errors=(fault,))


def _recorded_line(plan: _Planned, outcomes: Sequence[RecordedOutcome]) -> ResultLine:
    refusals = [refusal for outcome in outcomes for refusal in outcome.refusals if refusal.code != "not-taken-alone"]
    if refusals:
        errors = tuple(
            Fault(
                code=refusal.code,
                detail=refusal.detail,
                pointer=f"/results/{plan.index}{refusal.pointer.removeprefix('/stamp')}",
            )
            for refusal in refusals
        )
        return _line("refused", plan.index, state=plan.state, errors=errors)
    first = outcomes[0]
    is_new = any(outcome.outcome == "created" for outcome in outcomes)
    condemned = any(isinstance(claim.body, cylinders.CylinderCondemned) for claim in plan.claims)
    return _line(
        "created" if is_new else "exists",
        plan.index,
        state=plan.state,
        event_id=first.event_id,
        ledger_position=first.ledger_position,
        condemned=condemned or plan.state.condemned_at is not None,
    )


def _line(outcome: Any, place: int, *, state: CylinderState | None = None, **fields: Any) -> ResultLine:
    if state is not None and state.details is not None:
        fields = {
            "cylinder_id": state.subject_id,
            "inventory_number": state.inventory_number,
            "serial": state.details.serial,
            "condemned": state.condemned_at is not None,
        } | fields
    return ResultLine(index=place, outcome=outcome, **fields)


def _choices(found: Sequence[CylinderState]) -> tuple[Choice, ...]:
    return tuple(
        Choice(
            cylinder_id=state.subject_id,
            inventory_number=state.inventory_number,
            serial=state.details.serial,
            specification=state.details.specification,
            manufactured=state.details.manufactured,
            last_requalified=state.requalifications[-1].stamp.month if state.requalifications else None,
            standing=standing(state),
        )
        for state in sorted(found, key=lambda each: (each.inventory_number or "", each.subject_id))[:MAXIMUM_CHOICES]
        if state.details is not None
    )
