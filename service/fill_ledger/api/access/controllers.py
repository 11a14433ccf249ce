"""`/v1/controllers`: the devices at fill stations. Registering one gives its first key."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.key_issuing import KEY_ANSWERS, KeyReceipt, key_id_of, keyed, plainly, record_key
from fill_ledger.api.access.principal_entries import (
    Deactivation,
    PrincipalQuery,
    RightsEntry,
    deactivate,
    known_principal,
    page_of_principals,
    show,
)
from fill_ledger.api.access.principal_views import SUMMARY_EXAMPLE, VIEW_EXAMPLE, PrincipalSummary, PrincipalView
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Receipt, event_id_for
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_NONE_MATCH
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Label, Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.access_keys import make_access_key
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.county import KeyIssued, PrincipalRegistered, Role
from fill_ledger.trade.identifiers import derived_id


class ControllerQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of controllers."""

    station_id: Annotated[uuid.UUID, Meta(description="Only controllers of this station.")] | None = None
    department_id: Annotated[uuid.UUID, Meta(description="Only controllers of this department.")] | None = None
    active: (
        Annotated[bool, Meta(description="true: only those not deactivated; false: only those that were.")] | None
    ) = None


@get(
    "/v1/controllers",
    right=rights.PRINCIPALS_READ,
    tag="controllers",
    summary="List controllers",
    answers=answer(
        Page[PrincipalSummary], "One page of controllers.", example=Page(items=[SUMMARY_EXAMPLE], next_cursor=None)
    ),
)
async def list_controllers(
    request: AnyRequest, query: ControllerQuery, principal: Principal
) -> Reply[Page[PrincipalSummary]]:
    """Return the controllers, each with its station."""
    filters = PrincipalQuery(
        limit=query.limit, cursor=query.cursor, department_id=query.department_id, active=query.active
    )
    return await page_of_principals(request, filters, principal, Role.CONTROLLER, query.station_id)


@get(
    "/v1/controllers/{controller_id}",
    right=rights.PRINCIPALS_READ,
    tag="controllers",
    summary="One controller",
    answers=(
        answer(PrincipalView, "The controller.", example=VIEW_EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_controller(
    request: AnyRequest, controller_id: uuid.UUID, principal: Principal
) -> Reply[PrincipalView] | Reply[None]:
    """Return a controller with all its keys. When a key was used last is not recorded."""
    return show(request, await known_principal(request, principal, controller_id, what="controller"))


class NewController(RightsEntry, frozen=True, kw_only=True):
    """A station's device. Its department is the station's; its first key comes with the answer."""

    label: Label
    station_id: uuid.UUID
    controller_id: uuid.UUID | None = None
    key_expires_at: Moment | None = None


@post(
    "/v1/controllers",
    right=rights.PRINCIPALS_WRITE,
    tag="controllers",
    summary="Register a controller with its first key",
    answers=KEY_ANSWERS,
    body_example=NewController(label="Quarry Road panel", station_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11")),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def register_controller(request: AnyRequest, body: NewController, principal: Principal) -> Reply[KeyReceipt]:
    """Register a controller and issue its key, both or neither. The key opens that station and nothing else."""
    department_id = await _department_of_station(request, principal, body.station_id)
    source = event_id_for(request, principal, body.event_id)
    controller_id = body.controller_id or derived_id("principal", source.event_id)
    registered = PrincipalRegistered(
        principal_id=controller_id,
        role=Role.CONTROLLER,
        label=body.label,
        department_ids=(department_id,),
        station_id=body.station_id,
    )
    key = make_access_key()
    issued = KeyIssued(
        principal_id=controller_id,
        key_id=key_id_of(source),
        key_digest=key.digest.hex(),
        expires_at=body.key_expires_at,
    )
    entered = [plainly(source.event_id, registered), keyed(derived_id("first-key", source.event_id), issued)]
    pointers = {"/expires_at": "/key_expires_at", "/principal_id": "/controller_id"}
    return await record_key(request, principal, source, entered, key, issued, pointers=pointers)


async def _department_of_station(request: AnyRequest, operator: Principal, station_id: uuid.UUID) -> uuid.UUID:
    """Return the department whose station it is, among the operator's.

    Raises:
        Problem: 422 where none has such a station.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, operator.visible):
        department_id: uuid.UUID | None = await connection.fetchval(
            """
            SELECT department_id FROM views.station
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND station_id = $1 AND registered_at IS NOT NULL
            """,
            station_id,
        )
    if department_id is None:
        detail = "No department of yours has such a station. Register the station first."
        raise Problem(
            problem_types.NOT_PROCESSABLE,
            detail,
            errors=[Fault(code="station-unknown", detail=detail, pointer="/station_id")],
        )
    return department_id


@post(
    "/v1/controllers/{controller_id}/deactivations",
    right=rights.PRINCIPALS_WRITE,
    tag="controllers",
    summary="Deactivate a controller",
    answers=ENTRY_ANSWERS,
    body_example=Deactivation(reason="replaced"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def deactivate_controller(
    request: AnyRequest, controller_id: uuid.UUID, body: Deactivation, principal: Principal
) -> Reply[Receipt]:
    """Deactivate a controller for good: from the next request on none of its keys opens anything."""
    await known_principal(request, principal, controller_id, what="controller")
    return await deactivate(request, controller_id, body, principal)


HANDLERS: list[HTTPRouteHandler] = [list_controllers, read_controller, register_controller, deactivate_controller]
