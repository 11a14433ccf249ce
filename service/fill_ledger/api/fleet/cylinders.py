"""`/v1/cylinders`: the department's cylinders, what is on record about each, and the entries that change it."""

import uuid
from typing import Annotated, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, EventIdSource, Receipt, event_id_for, record_entry
from fill_ledger.api.fleet.cylinder_listing import list_cylinders
from fill_ledger.api.fleet.cylinder_records import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    known_event,
    read_cylinder,
    read_tags_of,
    record_together,
    refuse_other_use_of_id,
    shown_version,
)
from fill_ledger.api.fleet.cylinder_types import (
    EXAMPLE_CYLINDER_ID,
    EXAMPLE_DETAILS,
    EXAMPLE_OTHER_DEPARTMENT_ID,
    EXAMPLE_STAMP,
    MAXIMUM_STAMPS,
    CylinderView,
    Details,
    InventoryNumber,
    Reason,
    Stamp,
    TagAsRead,
    cylinder_view,
    details_body,
    stamp_body,
)
from fill_ledger.api.fleet.tag_reading import refuse_tag_elsewhere, tag_read
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import expected_version, is_not_modified, require_version, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_MATCH, IF_NONE_MATCH
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import COUNTY_ID, derived_id, normal_serial
from fill_ledger.trade.states.cylinders import CylinderState

EXAMPLE_VIEW = cylinder_view(
    CylinderState(
        department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
        subject_id=EXAMPLE_CYLINDER_ID,
        inventory_number="214",
        details=details_body(EXAMPLE_DETAILS),  # type: ignore[arg-type]
    ),
    (),
)
MAXIMUM_CHOICES = 20


class NewCylinder(Entry, frozen=True, kw_only=True):
    """A cylinder to register. Without `inventory_number` the ledger gives the next free one.

    A serial that the department has already is asked about; `same_serial_is_another_cylinder` is the answer that these
    are two cylinders.
    """

    details: Details
    inventory_number: InventoryNumber | None = None
    requalifications: Annotated[tuple[Stamp, ...], Meta(max_length=MAXIMUM_STAMPS)] = ()
    tag: TagAsRead | None = None
    tag_moves: bool = False
    remark: Reason | None = None
    same_serial_is_another_cylinder: bool = False
    cylinder_id: uuid.UUID | None = None
    department_id: uuid.UUID | None = None


class Correction(Entry, frozen=True, kw_only=True):
    """The details as they really are, whole, and why the record was wrong."""

    details: Details
    reason: Reason


class Inspection(Entry, frozen=True, kw_only=True):
    """A visual or monthly inspection; 29 CFR 1910.134(h)(3)(iv) asks for date, inspector, findings and action."""

    inspection_kind: Literal["monthly", "visual_external", "visual_internal"]
    outcome: Literal["pass", "fail"]
    inspector: Reason | None = None
    note: Reason | None = None


class Ending(Entry, frozen=True, kw_only=True):
    """Why a cylinder is condemned or retired."""

    reason: Reason


class Transfer(Entry, frozen=True, kw_only=True):
    """The department that the cylinder belongs to from now on."""

    to_department_id: uuid.UUID
    note: Reason | None = None


@get(
    "/v1/cylinders/{cylinder_id}",
    right=rights.CYLINDERS_READ,
    tag="cylinders",
    summary="Read a cylinder",
    answers=(
        answer(CylinderView, "The cylinder.", example=EXAMPLE_VIEW, headers={"ETag": "Version of what is shown."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_one(
    request: AnyRequest, cylinder_id: uuid.UUID, principal: Principal
) -> Reply[CylinderView] | Reply[None]:
    """Return everything on record about a cylinder: marks as stamped, tests, holds, tags over time, fills."""
    known = await read_cylinder(request, principal, cylinder_id)
    worn = await read_tags_of(request, known.department_id, cylinder_id)
    etag = version_tag(shown_version(known, worn))
    if is_not_modified(request, etag):
        return not_modified(etag)
    return Reply(cylinder_view(known.state, worn.tags), etag=etag)


@post(
    "/v1/cylinders",
    right=rights.CYLINDERS_WRITE,
    tag="cylinders",
    summary="Register a cylinder",
    answers=ENTRY_ANSWERS,
    body_example=NewCylinder(details=EXAMPLE_DETAILS, requalifications=(EXAMPLE_STAMP,), tag="E0:04:01:00:12:34:56:78"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def register_cylinder(request: AnyRequest, body: NewCylinder, principal: Principal) -> Reply[Receipt]:
    """Register a cylinder with its tests and, in the same step, the tag on it."""
    department_id = principal.department(body.department_id)
    source = event_id_for(request, principal, body.event_id)
    cylinder_id = body.cylinder_id or derived_id("cylinder", source.event_id)
    details, tag = details_body(body.details), None if body.tag is None else tag_read(body.tag, "/tag")
    faults = [fault for fault in (details, tag) if isinstance(fault, Fault)]
    if isinstance(details, Fault) or isinstance(tag, Fault):
        raise _not_processable(faults)
    registered = cylinders.CylinderRegistered(
        cylinder_id=cylinder_id,
        details=details,
        inventory_number=body.inventory_number,
        requalifications=tuple(stamp_body(stamp) for stamp in body.requalifications) or None,
        remark=body.remark,
    )
    bodies: list[tuple[uuid.UUID, Body]] = [(source.event_id, registered)]
    if tag is not None:
        paired = cylinders.TagPaired(cylinder_id=cylinder_id, tag=tag)
        pairing_id = derived_id("tag-of-registration", source.event_id)
        await refuse_other_use_of_id(request, department_id, pairing_id, paired)
        bodies.append((pairing_id, paired))
    if await known_event(request, department_id, source.event_id) is None:
        if not body.same_serial_is_another_cylinder:
            await _ask_about_serial(request, department_id, details.serial, cylinder_id)
        if tag is not None and not body.tag_moves:
            await refuse_tag_elsewhere(request, department_id, tag, cylinder_id, "/tag")
    return await record_together(
        request,
        principal,
        department_id,
        bodies,
        occurred_at=body.occurred_at,
        subject_id=cylinder_id,
        source=source,
    )


def _not_processable(faults: list[Fault]) -> Problem:
    return Problem(problem_types.NOT_PROCESSABLE, " ".join(fault.detail for fault in faults), errors=faults)


async def _ask_about_serial(request: AnyRequest, department_id: uuid.UUID, serial: str, cylinder_id: uuid.UUID) -> None:
    """Ask, with the cylinders it may be, where the department has this serial already.

    Raises:
        Problem: 409 conflict.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            """
            SELECT cylinder_id, inventory_number, serial, specification, standing FROM views.cylinder
            WHERE department_id = $1 AND serial_key = $2 AND cylinder_id <> $3 AND registered_at IS NOT NULL
                AND standing <> 'transferred'
            ORDER BY cylinder_id LIMIT $4
            """,
            department_id,
            normal_serial(serial),
            cylinder_id,
            MAXIMUM_CHOICES,
        )
    if not rows:
        return
    known = "; ".join(f"number {row['inventory_number']}, {row['specification']}, {row['standing']}" for row in rows)
    detail = (
        f"The department has a cylinder with this serial: {known}. If this is another one, say so with "
        "same_serial_is_another_cylinder: true."
    )
    raise Problem(
        problem_types.CONFLICT,
        detail,
        errors=[Fault(code="serial-known", detail=detail, pointer="/details/serial")],
        extensions={"choices": [{**dict(row), "cylinder_id": str(row["cylinder_id"])} for row in rows]},
    )


@post(
    "/v1/cylinders/{cylinder_id}/corrections",
    right=rights.CYLINDERS_WRITE,
    tag="cylinders",
    summary="Correct a cylinder's details",
    answers=ENTRY_ANSWERS,
    body_example=Correction(details=EXAMPLE_DETAILS, reason="The serial was misread."),
    problems=(*ENTRY_PROBLEMS, problem_types.PRECONDITION_REQUIRED, problem_types.PRECONDITION_FAILED),
    request_headers=(IF_MATCH, IDEMPOTENCY_KEY),
)
async def correct_cylinder(
    request: AnyRequest, cylinder_id: uuid.UUID, body: Correction, principal: Principal
) -> Reply[Receipt]:
    """Put the details right, whole, starting from the version named in If-Match."""
    known = await read_cylinder(request, principal, cylinder_id)
    source = event_id_for(request, principal, body.event_id)
    expected_version(request)
    if await known_event(request, known.department_id, source.event_id) is None:
        worn = await read_tags_of(request, known.department_id, cylinder_id)
        require_version(request, shown_version(known, worn))
    details = details_body(body.details)
    if isinstance(details, Fault):
        raise _not_processable([details])
    event = cylinders.CylinderDetailsCorrected(cylinder_id=cylinder_id, details=details, reason=body.reason)
    return await record_entry(
        request, principal, known.department_id, body, event, subject_id=cylinder_id, source=source
    )


async def _enter(
    request: AnyRequest,
    principal: Principal,
    entry: Entry,
    event: cylinders.CylinderBody,
    source: EventIdSource | None = None,
) -> Reply[Receipt]:
    """Record one entry about a cylinder in the ledger of the department that has it."""
    known = await read_cylinder(request, principal, event.cylinder_id)
    return await record_entry(
        request, principal, known.department_id, entry, event, subject_id=event.cylinder_id, source=source
    )


@post(
    "/v1/cylinders/{cylinder_id}/inspections",
    right=rights.CYLINDERS_WRITE,
    tag="cylinders",
    summary="Enter an inspection",
    answers=ENTRY_ANSWERS,
    body_example=Inspection(inspection_kind="visual_internal", outcome="pass"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enter_inspection(
    request: AnyRequest, cylinder_id: uuid.UUID, body: Inspection, principal: Principal
) -> Reply[Receipt]:
    """Enter what a monthly, external or internal inspection found. `occurred_at` is when it was made."""
    event = cylinders.CylinderInspected(
        cylinder_id=cylinder_id,
        inspection_kind=body.inspection_kind,
        outcome=body.outcome,
        inspector=body.inspector,
        note=body.note,
    )
    return await _enter(request, principal, body, event)


@post(
    "/v1/cylinders/{cylinder_id}/condemnation",
    right=rights.CYLINDERS_END,
    tag="cylinders",
    summary="Condemn a cylinder",
    answers=ENTRY_ANSWERS,
    body_example=Ending(reason="Crack found in the neck threads."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def condemn_cylinder(
    request: AnyRequest, cylinder_id: uuid.UUID, body: Ending, principal: Principal
) -> Reply[Receipt]:
    """Bar a cylinder for good: nothing makes it fillable again (49 CFR 180.205(i))."""
    event = cylinders.CylinderCondemned(cylinder_id=cylinder_id, reason=body.reason)
    return await _enter(request, principal, body, event)


@post(
    "/v1/cylinders/{cylinder_id}/retirement",
    right=rights.CYLINDERS_END,
    tag="cylinders",
    summary="Retire a cylinder",
    answers=ENTRY_ANSWERS,
    body_example=Ending(reason="Replaced by a lighter one."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def retire_cylinder(
    request: AnyRequest, cylinder_id: uuid.UUID, body: Ending, principal: Principal
) -> Reply[Receipt]:
    """Take a cylinder out of use. Its record stays, and its number is never given again."""
    event = cylinders.CylinderRetired(cylinder_id=cylinder_id, reason=body.reason)
    return await _enter(request, principal, body, event)


@post(
    "/v1/cylinders/{cylinder_id}/transfers",
    right=rights.CYLINDERS_END,
    tag="cylinders",
    summary="Transfer a cylinder to another department",
    answers=ENTRY_ANSWERS,
    body_example=Transfer(to_department_id=EXAMPLE_OTHER_DEPARTMENT_ID),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def transfer_cylinder(
    request: AnyRequest, cylinder_id: uuid.UUID, body: Transfer, principal: Principal
) -> Reply[Receipt]:
    """Give a cylinder to another department, whose ledger takes it over with its tests and holds."""
    known = await read_cylinder(request, principal, cylinder_id)
    async with parts_of(request).database.lookups.acquire() as connection:
        found = await connection.fetchval(
            "SELECT count(*) FROM lookup.states($1, ARRAY['department'], $2)", [COUNTY_ID], [body.to_department_id]
        )
    if not found:
        detail = "There is no such department."
        raise _not_processable([Fault(code="department-unknown", detail=detail, pointer="/to_department_id")])
    event = cylinders.CylinderTransferredOut(
        cylinder_id=cylinder_id, to_department_id=body.to_department_id, note=body.note
    )
    return await record_entry(request, principal, known.department_id, body, event, subject_id=cylinder_id)


HANDLERS: list[HTTPRouteHandler] = [
    list_cylinders,
    register_cylinder,
    read_one,
    correct_cylinder,
    enter_inspection,
    condemn_cylinder,
    retire_cylinder,
    transfer_cylinder,
]
