"""Trainings of members."""

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
from fill_ledger.trade.events import members
from fill_ledger.trade.events.envelope import Day
from fill_ledger.trade.identifiers import Subject, SubjectKind


class NewTraining(Entry, frozen=True, kw_only=True):
    """The member was trained, or the training was refreshed."""

    trained_on: Annotated[Day, Meta(description="The day, in the station's calendar.")]
    course_code: members.CourseCode | None = None


@post(
    "/v1/members/{member_id}/trainings",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Enter a training",
    answers=ENTRY_ANSWERS,
    body_example=NewTraining(trained_on="2026-03-02", course_code="AIR-FILL-1"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enter_training(
    request: AnyRequest, member_id: uuid.UUID, body: NewTraining, principal: Principal
) -> Reply[Receipt]:
    """Enter a training. It is asked for where policy sets `training_interval_days`; it gives no authorisation."""
    department_id = await department_of(request, principal, Subject(SubjectKind.MEMBER, member_id))
    event = members.MemberTrained(member_id=member_id, trained_on=body.trained_on, course_code=body.course_code)
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id)


HANDLERS: list[HTTPRouteHandler] = [enter_training]
