"""What members may fill, and whether they are there: authorisations, deactivations, reactivations."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, department_of, record_entry
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import post
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.people.member_views import MAXIMUM_STATIONS
from fill_ledger.trade.events import members
from fill_ledger.trade.events.envelope import Day, LongText
from fill_ledger.trade.identifiers import Subject, SubjectKind

ALL_KINDS: tuple[members.FillKind, ...] = ("scba", "scuba", "storage")


class NewAuthorisation(Entry, frozen=True, kw_only=True):
    """What the member may fill from now on. No kinds: nothing. `station_ids` left out: at every station."""

    kinds: Annotated[tuple[members.FillKind, ...], Meta(max_length=len(ALL_KINDS))]
    through: Annotated[Day, Meta(description="The last day, in the station's calendar.")] | None = None
    station_ids: Annotated[tuple[uuid.UUID, ...], Meta(min_length=1, max_length=MAXIMUM_STATIONS)] | None = None


@post(
    "/v1/members/{member_id}/authorisations",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Say what a member may fill",
    answers=ENTRY_ANSWERS,
    body_example=NewAuthorisation(kinds=("scba", "storage"), through="2027-03-01"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def authorise_member(
    request: AnyRequest, member_id: uuid.UUID, body: NewAuthorisation, principal: Principal
) -> Reply[Receipt]:
    """Authorise a member. It replaces the authorisation before it; an empty list of kinds ends it."""
    department_id = await department_of(request, principal, Subject(SubjectKind.MEMBER, member_id))
    event = members.MemberAuthorised(
        member_id=member_id,
        kinds=tuple(kind for kind in ALL_KINDS if kind in body.kinds),
        through=body.through,
        station_ids=body.station_ids,
    )
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id)


class StandingChange(Entry, frozen=True, kw_only=True):
    """Why; kept encrypted under the member's own key."""

    reason: LongText | None = None


@post(
    "/v1/members/{member_id}/deactivations",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Deactivate a member",
    answers=ENTRY_ANSWERS,
    body_example=StandingChange(reason="Left the department."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def deactivate_member(
    request: AnyRequest, member_id: uuid.UUID, body: StandingChange, principal: Principal
) -> Reply[Receipt]:
    """Deactivate a member who left or is suspended: no fills and no sessions from then on. The history stays."""
    department_id = await department_of(request, principal, Subject(SubjectKind.MEMBER, member_id))
    event = members.MemberDeactivated(member_id=member_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id)


@post(
    "/v1/members/{member_id}/reactivations",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Reactivate a member",
    answers=ENTRY_ANSWERS,
    body_example=StandingChange(reason="Back from leave."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def reactivate_member(
    request: AnyRequest, member_id: uuid.UUID, body: StandingChange, principal: Principal
) -> Reply[Receipt]:
    """Take a member back. Authorisation and credentials are as they were left."""
    department_id = await department_of(request, principal, Subject(SubjectKind.MEMBER, member_id))
    event = members.MemberReactivated(member_id=member_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id)


HANDLERS: list[HTTPRouteHandler] = [authorise_member, deactivate_member, reactivate_member]
