"""`/v1/members`: who may fill. Names and badge numbers are shown only to those with the right to read them."""

import datetime
import uuid
from collections import defaultdict
from typing import Annotated, Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    Entry,
    Receipt,
    department_of,
    event_id_for,
    record_entry,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_NONE_MATCH
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Moment, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.api.people.identification import find_by_badge_number
from fill_ledger.api.people.member_names import NO_NAMES, Names, names_of_one, open_names
from fill_ledger.api.people.member_views import (
    SUMMARY_EXAMPLE,
    VIEW_EXAMPLE,
    MemberSummary,
    MemberView,
    Standing,
    summary_of,
    view_of,
)
from fill_ledger.api.states import read_state
from fill_ledger.ledger.personal import BadgeNumber, MemberName, MemberPersonal
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import members
from fill_ledger.trade.events.envelope import Day
from fill_ledger.trade.identifiers import Subject, SubjectKind, derived_id
from fill_ledger.views.folding import decode_state

# Two departments may give the same badge number, and a device may have enrolled one twice.
MAXIMUM_FOUND = 100


class MemberQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of members. `authorised_through_before` finds authorisations that end before a day."""

    department_id: Annotated[uuid.UUID, Meta(description="Only members of this department.")] | None = None
    standing: (
        Annotated[Standing, Meta(description="Only members who are now active, inactive or unenrolled.")] | None
    ) = None
    authorised_kind: (
        Annotated[
            members.FillKind,
            Meta(
                description="Only members whose latest authorisation names this kind, though its last day may be over."
            ),
        ]
        | None
    ) = None
    authorised_through_before: (
        Annotated[Day, Meta(description="Only members whose authorisation has a last day before this one.")] | None
    ) = None
    enrolled_from: Annotated[Moment, Meta(description="Only members enrolled at this time or later.")] | None = None
    enrolled_before: Annotated[Moment, Meta(description="Only members enrolled before this time.")] | None = None


BY_ID = SortOrder(
    name="member",
    keys=(SortKey(column="member.department_id", kind="uuid"), SortKey(column="member.member_id", kind="uuid")),
)
_LIST = """
SELECT member.department_id, member.member_id, known.state
FROM views.member
JOIN views.state AS known ON known.department_id = member.department_id AND known.subject_kind = 'member'
    AND known.subject_id = member.member_id
WHERE ($1::uuid IS NULL OR member.department_id = $1) AND ($2::text IS NULL OR member.standing = $2)
    AND ($3::text IS NULL OR $3 = ANY (member.authorised_kinds))
    AND ($4::text IS NULL OR member.authorised_through < $4::text::date)
    AND ($5::timestamptz IS NULL OR member.enrolled_at >= $5) AND ($6::timestamptz IS NULL OR member.enrolled_at < $6)
    AND {after}
ORDER BY {order_by} LIMIT {limit}
"""


@get(
    "/v1/members",
    right=rights.MEMBERS_READ,
    tag="members",
    summary="List members",
    answers=answer(
        Page[MemberSummary], "One page of members.", example=Page(items=[SUMMARY_EXAMPLE], next_cursor=None)
    ),
)
async def list_members(request: AnyRequest, query: MemberQuery, principal: Principal) -> Reply[Page[MemberSummary]]:
    """Return members by department and id; with names only for those who may read them.

    To find one member by badge number use the look-up, which keeps the number out of addresses and logs.
    """
    window = open_window(request, query, BY_ID)
    after, arguments = window.after(7)
    parts = parts_of(request)
    async with parts.database.lookups.acquire() as connection:
        async with seeing(connection, principal.visible):
            rows = await connection.fetch(
                _LIST.format(after=after, order_by=window.order_by, limit=window.fetch_limit),
                query.department_id,
                query.standing,
                query.authorised_kind,
                _real_day(query.authorised_through_before),
                query.enrolled_from,
                query.enrolled_before,
                *arguments,
            )
        states = {row["member_id"]: decode_state(SubjectKind.MEMBER, row["state"]) for row in rows}
        names: dict[uuid.UUID, Names] = {}
        if rights.MEMBERS_READ_NAMES in principal.rights:
            of_department: dict[uuid.UUID, dict[uuid.UUID, Any]] = defaultdict(dict)
            for state in states.values():
                of_department[state.department_id][state.subject_id] = state.personal
            for department_id, personal in of_department.items():
                names |= await open_names(parts.vault, connection, department_id, personal)
    return window.page(rows, lambda row: summary_of(states[row["member_id"]], names.get(row["member_id"], NO_NAMES)))


def _real_day(day: str | None) -> str | None:
    """Return the day; one that the calendar does not have (February 30) is a fault of the query."""
    if day is None:
        return None
    try:
        return datetime.date.fromisoformat(day).isoformat()
    except ValueError:
        detail = f"{day} is not in the calendar."
        fault = Fault(code="no-such-day", detail=detail, parameter="authorised_through_before")
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault]) from None


@get(
    "/v1/members/{member_id}",
    right=rights.MEMBERS_READ,
    tag="members",
    summary="One member",
    answers=(
        answer(MemberView, "The member.", example=VIEW_EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_member(
    request: AnyRequest, member_id: uuid.UUID, principal: Principal
) -> Reply[MemberView] | Reply[None]:
    """Return everything on record of a member: absences, authorisations and credentials, never a secret."""
    known = await read_state(request, principal, Subject(SubjectKind.MEMBER, member_id))
    etag = version_tag(known.version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    may_read_names = rights.MEMBERS_READ_NAMES in principal.rights
    names = await names_of_one(request, known.department_id, known.state) if may_read_names else NO_NAMES
    return Reply(view_of(known.state, names), etag=etag)


class MemberLookup(StrictStruct, frozen=True, kw_only=True):
    """Whom to look for. Compared without regard to case and spaces."""

    badge_number: BadgeNumber
    department_id: uuid.UUID | None = None


class FoundMembers(Struct, frozen=True, kw_only=True):
    """The members with this badge number; usually one."""

    items: Annotated[list[MemberSummary], Meta(max_length=MAXIMUM_FOUND)]


@post(
    "/v1/member-lookups",
    right=rights.MEMBERS_READ_NAMES,
    tag="members",
    summary="Find a member by badge number",
    answers=answer(FoundMembers, "Who has the number.", example=FoundMembers(items=[SUMMARY_EXAMPLE])),
    body_example=MemberLookup(badge_number="101"),
)
async def look_up_members(request: AnyRequest, body: MemberLookup, principal: Principal) -> FoundMembers:
    """Return the members who have this badge number now. Nothing is recorded; the number stands in no address."""
    departments = principal.visible if isinstance(principal.visible, str) else tuple(principal.visible)
    if body.department_id is not None:
        departments = (principal.department(body.department_id),)
    parts = parts_of(request)
    items: list[MemberSummary] = []
    async with parts.database.lookups.acquire() as connection:
        found = await find_by_badge_number(parts.vault, connection, departments, body.badge_number)
        for state in found[:MAXIMUM_FOUND]:
            personal = {state.subject_id: state.personal}
            names = await open_names(parts.vault, connection, state.department_id, personal)
            items.append(summary_of(state, names[state.subject_id]))
    return FoundMembers(items=items)


class NewMember(Entry, frozen=True, kw_only=True):
    """A member to enrol."""

    name: MemberName
    badge_number: BadgeNumber | None = None
    member_id: uuid.UUID | None = None
    department_id: uuid.UUID | None = None


@post(
    "/v1/members",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Enrol a member",
    answers=ENTRY_ANSWERS,
    body_example=NewMember(name="Avery Example", badge_number="101"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enrol_member(request: AnyRequest, body: NewMember, principal: Principal) -> Reply[Receipt]:
    """Enrol a member. Name and badge number are encrypted under the member's own key, never kept in plain.

    Enrolling gives no authorisation: say under `authorisations` what the member may fill.
    """
    department_id = principal.department(body.department_id)
    source = event_id_for(request, principal, body.event_id)
    member_id = body.member_id or derived_id("member", source.event_id)
    await _refuse_taken_badge(request, department_id, member_id, body.badge_number)
    personal = MemberPersonal(name=body.name, badge_number=body.badge_number)
    event = members.MemberEnrolled(member_id=member_id, personal=personal.encode())
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id, source=source)


class PersonalCorrection(Entry, frozen=True, kw_only=True):
    """The name and badge number as they are now, both: without a badge number the member has none."""

    name: MemberName
    badge_number: BadgeNumber | None = None


@post(
    "/v1/members/{member_id}/corrections",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Correct a member's name or badge number",
    answers=ENTRY_ANSWERS,
    body_example=PersonalCorrection(name="Avery Sample", badge_number="101"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def correct_member(
    request: AnyRequest, member_id: uuid.UUID, body: PersonalCorrection, principal: Principal
) -> Reply[Receipt]:
    """Replace name and badge number. What stood before stays sealed in the ledger until the member is erased."""
    department_id = await department_of(request, principal, Subject(SubjectKind.MEMBER, member_id))
    await _refuse_taken_badge(request, department_id, member_id, body.badge_number)
    personal = MemberPersonal(name=body.name, badge_number=body.badge_number)
    event = members.MemberPersonalCorrected(member_id=member_id, personal=personal.encode())
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id)


async def _refuse_taken_badge(
    request: AnyRequest, department_id: uuid.UUID, member_id: uuid.UUID, badge_number: str | None
) -> None:
    """Refuse a badge number another member of the department has: with it members name themselves at a station.

    Two entries at the same moment may still both pass; a number that two members have then identifies neither.

    Raises:
        Problem: 409 conflict.
    """
    if badge_number is None:
        return
    parts = parts_of(request)
    async with parts.database.lookups.acquire() as connection:
        holders = await find_by_badge_number(parts.vault, connection, (department_id,), badge_number)
    if any(holder.subject_id != member_id for holder in holders):
        detail = "Another member of the department has this badge number."
        fault = Fault(code="badge-number-taken", detail=detail, pointer="/badge_number")
        raise Problem(problem_types.CONFLICT, detail, errors=[fault])


HANDLERS: list[HTTPRouteHandler] = [list_members, read_member, look_up_members, enrol_member, correct_member]
