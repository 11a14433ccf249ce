"""`/v1/principals`: the persons and integrations that hold keys. Controllers have a resource of their own."""

import datetime
import uuid
from typing import Annotated, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principal_views import (
    SUMMARY_EXAMPLE,
    VIEW_EXAMPLE,
    DepartmentIds,
    PrincipalSummary,
    PrincipalView,
    may_manage,
    require_may_manage,
    summary_of_row,
    view_of,
)
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, event_id_for, record_entry
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_NONE_MATCH
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Label, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.county import PrincipalDeactivated, PrincipalRegistered, Role
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind, derived_id
from fill_ledger.trade.states.county import PrincipalState
from fill_ledger.views.folding import decode_state

NonControllerRole = Literal["officer", "technician", "integrator", "analyst", "operator"]
# One word, because free text might name a person and stands in the ledger for ever.
EndReason = Literal["replaced", "lost", "left", "misused", "other"]
BY_ID = SortOrder(name="principal", keys=(SortKey(column="principal.principal_id", kind="uuid"),))


class KnownPrincipal(Struct, frozen=True):
    """A principal's state, its version for the ETag, and the moment by the database's clock."""

    state: PrincipalState
    version: int
    now: datetime.datetime


class RightsEntry(StrictStruct, frozen=True, kw_only=True):
    """What an entry about rights may carry. It takes effect when it is recorded: rights are given for no time past."""

    event_id: uuid.UUID | None = None

    def as_entry(self) -> Entry:
        """Return it as the entry that is recorded."""
        return Entry(event_id=self.event_id)


class PrincipalQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of principals. `department_id` finds those who may act for it, among others or for all."""

    role: Annotated[Role, Meta(description="Only principals of this role.")] | None = None
    department_id: (
        Annotated[
            uuid.UUID, Meta(description="Only principals who may act for this department, among others or for all.")
        ]
        | None
    ) = None
    active: (
        Annotated[bool, Meta(description="true: only those not deactivated; false: only those that were.")] | None
    ) = None


async def known_principal(
    request: AnyRequest, operator: Principal, principal_id: uuid.UUID, *, what: str = "principal"
) -> KnownPrincipal:
    """Return a registered principal that an operator may manage; with what "controller" only a controller.

    Raises:
        Problem: 404 where there is none, or it reaches beyond the operator's departments.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        row = await connection.fetchrow(
            """
            SELECT ledger_position, state, clock_timestamp() AS now FROM views.state
            WHERE department_id = $1 AND subject_kind = $2 AND subject_id = $3
            """,
            COUNTY_ID,
            SubjectKind.PRINCIPAL.value,
            principal_id,
        )
    state: PrincipalState | None = None if row is None else decode_state(SubjectKind.PRINCIPAL, row["state"])
    is_shown = (
        state is not None
        and state.registered_at is not None
        and may_manage(operator, state.department_ids)
        and (what != "controller" or state.role is Role.CONTROLLER)
    )
    if row is None or state is None or not is_shown:
        raise Problem(problem_types.NOT_FOUND, f"No {what} has this id.")
    return KnownPrincipal(state, row["ledger_position"], row["now"])


@get(
    "/v1/principals",
    right=rights.PRINCIPALS_READ,
    tag="principals",
    summary="List principals",
    answers=answer(
        Page[PrincipalSummary], "One page of principals.", example=Page(items=[SUMMARY_EXAMPLE], next_cursor=None)
    ),
)
async def list_principals(
    request: AnyRequest, query: PrincipalQuery, principal: Principal
) -> Reply[Page[PrincipalSummary]]:
    """Return the holders of keys, controllers among them; to a limited operator only those within its departments."""
    return await page_of_principals(request, query, principal, query.role, None)


async def page_of_principals(
    request: AnyRequest,
    query: PrincipalQuery,
    operator: Principal,
    role: Role | None,
    station_id: uuid.UUID | None,
) -> Reply[Page[PrincipalSummary]]:
    """Return one page of principals with these filters."""
    window = open_window(request, query, BY_ID)
    after, arguments = window.after(7)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        rows = await connection.fetch(
            f"""
            SELECT * FROM views.principal
            WHERE principal.department_id = $1 AND principal.registered_at IS NOT NULL
                AND ($2::uuid[] IS NULL OR principal.department_ids <@ $2)
                AND ($3::text IS NULL OR principal.role = $3)
                AND ($4::uuid IS NULL OR principal.department_ids IS NULL OR $4 = ANY (principal.department_ids))
                AND ($5::boolean IS NULL OR (principal.deactivated_at IS NULL) = $5)
                AND ($6::uuid IS NULL OR principal.station_id = $6) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            COUNTY_ID,
            operator.department_ids,
            role,
            query.department_id,
            query.active,
            station_id,
            *arguments,
        )
    return window.page(rows, summary_of_row)


@get(
    "/v1/principals/{principal_id}",
    right=rights.PRINCIPALS_READ,
    tag="principals",
    summary="One principal",
    answers=(
        answer(PrincipalView, "The principal.", example=VIEW_EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_principal(
    request: AnyRequest, principal_id: uuid.UUID, principal: Principal
) -> Reply[PrincipalView] | Reply[None]:
    """Return a principal with all its keys. The ETag tells entries, not the passing of a key's last day."""
    return show(request, await known_principal(request, principal, principal_id))


def show(request: AnyRequest, known: KnownPrincipal) -> Reply[PrincipalView] | Reply[None]:
    """Return one principal, or that nothing has changed."""
    etag = version_tag(known.version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    return Reply(view_of(known.state, known.now), etag=etag)


class NewPrincipal(RightsEntry, frozen=True, kw_only=True):
    """A person or an integration. `label` stands in the ledger for ever: name the post, not the person."""

    role: NonControllerRole
    label: Label
    department_ids: DepartmentIds | None = None
    principal_id: uuid.UUID | None = None


@post(
    "/v1/principals",
    right=rights.PRINCIPALS_WRITE,
    tag="principals",
    summary="Register a person or an integration",
    answers=ENTRY_ANSWERS,
    body_example=NewPrincipal(
        role="officer",
        label="Air officer, B shift",
        department_ids=(uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),),
    ),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def register_principal(request: AnyRequest, body: NewPrincipal, principal: Principal) -> Reply[Receipt]:
    """Register a holder of keys; then issue a key. An operator gives nothing beyond its own departments."""
    require_may_manage(principal, body.department_ids)
    source = event_id_for(request, principal, body.event_id)
    principal_id = body.principal_id or derived_id("principal", source.event_id)
    event = PrincipalRegistered(
        principal_id=principal_id,
        role=Role(body.role),
        label=body.label,
        department_ids=None if body.department_ids is None else tuple(dict.fromkeys(body.department_ids)),
    )
    return await record_entry(
        request, principal, COUNTY_ID, body.as_entry(), event, subject_id=principal_id, source=source
    )


class Deactivation(RightsEntry, frozen=True, kw_only=True):
    """Why, in one word."""

    reason: Annotated[EndReason, Meta(description="Free text might name a person, and stands for ever.")] = "other"


@post(
    "/v1/principals/{principal_id}/deactivations",
    right=rights.PRINCIPALS_WRITE,
    tag="principals",
    summary="Deactivate a principal",
    answers=ENTRY_ANSWERS,
    body_example=Deactivation(reason="left"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def deactivate_principal(
    request: AnyRequest, principal_id: uuid.UUID, body: Deactivation, principal: Principal
) -> Reply[Receipt]:
    """Deactivate a principal for good: from the next request on none of its keys opens anything."""
    await known_principal(request, principal, principal_id)
    return await deactivate(request, principal_id, body, principal)


async def deactivate(
    request: AnyRequest, principal_id: uuid.UUID, body: Deactivation, operator: Principal
) -> Reply[Receipt]:
    """Record the deactivation of a principal that the operator may manage.

    Raises:
        Problem: 409 where it is the operator itself, or it was deactivated before.
    """
    if principal_id == operator.principal_id:
        # The last operator would lock everybody out; another operator, or the command line, can do it.
        detail = "A principal does not deactivate itself; another operator must."
        raise Problem(problem_types.CONFLICT, detail, errors=[Fault(code="own-principal", detail=detail, pointer="")])
    event = PrincipalDeactivated(principal_id=principal_id, reason=body.reason)
    return await record_entry(request, operator, COUNTY_ID, body.as_entry(), event, subject_id=principal_id)


HANDLERS: list[HTTPRouteHandler] = [list_principals, read_principal, register_principal, deactivate_principal]
