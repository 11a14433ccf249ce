"""`/v1/departments`: the departments of the county. Their entries stand in the county ledger."""

import uuid
from datetime import UTC, datetime
from typing import Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, event_id_for, record_entry
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_NONE_MATCH
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Label, Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.api.trade_types import EXAMPLE_DEPARTMENT_ID, DepartmentCode, ZoneName
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import county
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind, derived_id
from fill_ledger.trade.states.county import DepartmentState
from fill_ledger.views.folding import decode_state


class NewDepartment(Entry, frozen=True, kw_only=True):
    """A department to register."""

    name: Label
    code: DepartmentCode
    time_zone: ZoneName
    department_id: uuid.UUID | None = None


class DepartmentCorrection(Entry, frozen=True, kw_only=True):
    """What is right. Fields left out stay as they are; the code stays for ever."""

    name: Label | None = None
    time_zone: ZoneName | None = None


class DepartmentView(Struct, frozen=True, kw_only=True):
    """One department of the county."""

    department_id: uuid.UUID
    name: Label
    code: DepartmentCode
    time_zone: ZoneName
    registered_at: Moment


class DepartmentQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of departments."""

    code: DepartmentCode | None = None


EXAMPLE = DepartmentView(
    department_id=EXAMPLE_DEPARTMENT_ID,
    name="Quarry Fire Department",
    code="QFD",
    time_zone="America/New_York",
    registered_at=datetime(2024, 11, 24, 8, 0, tzinfo=UTC),
)
BY_CODE = SortOrder(
    name="code",
    keys=(SortKey(column="department.code", kind="text"), SortKey(column="department.registered_id", kind="uuid")),
)


def _line(row: Any) -> DepartmentView:
    return DepartmentView(
        department_id=row["registered_id"],
        name=row["name"],
        code=row["code"],
        time_zone=row["time_zone"],
        registered_at=row["registered_at"],
    )


@get(
    "/v1/departments",
    right=rights.DEPARTMENTS_READ,
    tag="departments",
    summary="List departments",
    answers=answer(Page[DepartmentView], "One page of departments.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_departments(
    request: AnyRequest, query: DepartmentQuery, principal: Principal
) -> Reply[Page[DepartmentView]]:
    """Return every department of the county by code: a mutual-aid partner or a new owner is named from this list."""
    window = open_window(request, query, BY_CODE)
    after, arguments = window.after(3)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        rows = await connection.fetch(
            f"""
            SELECT registered_id, name, code, time_zone, registered_at FROM views.department
            WHERE department.department_id = $1 AND department.registered_at IS NOT NULL
                AND ($2::text IS NULL OR department.code = $2) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            COUNTY_ID,
            query.code,
            *arguments,
        )
    return window.page(rows, _line)


async def read_department_state(request: AnyRequest, department_id: uuid.UUID) -> tuple[int, DepartmentState]:
    """Return the version and the state of a department, whoever asks.

    Raises:
        Problem: 404 where the county has no such department.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        row = await connection.fetchrow(
            """
            SELECT ledger_position, state FROM views.state
            WHERE department_id = $1 AND subject_kind = 'department' AND subject_id = $2
            """,
            COUNTY_ID,
            department_id,
        )
    if row is None:
        raise no_such_department()
    return row["ledger_position"], decode_state(SubjectKind.DEPARTMENT, row["state"])


def no_such_department() -> Problem:
    """Return the problem of a department that is not there, or not the caller's."""
    return Problem(problem_types.NOT_FOUND, "No department has this id.")


@get(
    "/v1/departments/{department_id}",
    right=rights.DEPARTMENTS_READ,
    tag="departments",
    summary="One department",
    answers=(
        answer(DepartmentView, "The department.", example=EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_department(
    request: AnyRequest, department_id: uuid.UUID, principal: Principal
) -> Reply[DepartmentView] | Reply[None]:
    """Return a department of the county, the caller's own or a neighbour."""
    version, state = await read_department_state(request, department_id)
    etag = version_tag(version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    if state.name is None or state.code is None or state.time_zone is None or state.registered_at is None:
        raise no_such_department()
    view = DepartmentView(
        department_id=department_id,
        name=state.name,
        code=state.code,
        time_zone=state.time_zone,
        registered_at=state.registered_at,
    )
    return Reply(view, etag=etag)


@post(
    "/v1/departments",
    right=rights.DEPARTMENTS_WRITE,
    tag="departments",
    summary="Register a department",
    answers=ENTRY_ANSWERS,
    body_example=NewDepartment(name="Quarry Fire Department", code="QFD", time_zone="America/New_York"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def register_department(request: AnyRequest, body: NewDepartment, principal: Principal) -> Reply[Receipt]:
    """Register a department. It has a ledger of its own from now on, and the default policy until it sets one.

    No policy is recorded for it: no request writes to two ledgers, and the defaults hold without an entry.
    """
    source = event_id_for(request, principal, body.event_id)
    department_id = body.department_id or derived_id("department", source.event_id)
    event = county.DepartmentRegistered(
        department_id=department_id, name=body.name, code=body.code, time_zone=body.time_zone
    )
    return await record_entry(request, principal, COUNTY_ID, body, event, subject_id=department_id, source=source)


@post(
    "/v1/departments/{department_id}/corrections",
    right=rights.DEPARTMENTS_WRITE,
    tag="departments",
    summary="Correct details of a department",
    answers=ENTRY_ANSWERS,
    body_example=DepartmentCorrection(name="Quarry Fire and Rescue"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def correct_department(
    request: AnyRequest, department_id: uuid.UUID, body: DepartmentCorrection, principal: Principal
) -> Reply[Receipt]:
    """Correct the name or the time zone. The zones of its stations, once registered, stay as they are."""
    if not principal.may_act_for(department_id):
        raise no_such_department()
    await read_department_state(request, department_id)
    event = county.DepartmentDetailsCorrected(department_id=department_id, name=body.name, time_zone=body.time_zone)
    return await record_entry(request, principal, COUNTY_ID, body, event, subject_id=department_id)


HANDLERS: list[HTTPRouteHandler] = [list_departments, read_department, register_department, correct_department]
