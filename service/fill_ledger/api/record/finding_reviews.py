"""`/v1/findings/{finding_id}/reviews` and `/reopenings`: what a person makes of a finding."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, record_entry
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import post
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.record.findings import read_row
from fill_ledger.api.trade_types import Reason
from fill_ledger.trade.events import findings
from fill_ledger.trade.events.findings import ReviewCause


class NewReview(Entry, frozen=True, kw_only=True):
    """What was behind a finding. With the cause `other`, the note says what it was."""

    cause: Annotated[ReviewCause, Meta(description="What was behind it; `other` needs a note.")]
    note: Reason | None = None


class Reopening(Entry, frozen=True, kw_only=True):
    """Why the review does not hold any more."""

    reason: Reason


@post(
    "/v1/findings/{finding_id}/reviews",
    right=rights.FINDINGS_REVIEW,
    tag="findings",
    summary="Review a finding",
    answers=ENTRY_ANSWERS,
    body_example=NewReview(cause="training", note="Shown at the next drill how the limit is read from the label."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def review_finding(
    request: AnyRequest, finding_id: uuid.UUID, body: NewReview, principal: Principal
) -> Reply[Receipt]:
    """Say that a person looked at a finding, and what was behind it. The finding stays on record as reviewed.

    A finding reviewed already is refused with 409 until it is opened again. One whose event was taken back stays
    cleared, whatever is reviewed.
    """
    row = await read_row(request, principal, finding_id)
    event = findings.FindingReviewed(
        finding_id=finding_id, about_event_id=row["event_id"], cause=body.cause, note=body.note
    )
    return await record_entry(request, principal, row["department_id"], body, event, subject_id=finding_id)


@post(
    "/v1/findings/{finding_id}/reopenings",
    right=rights.FINDINGS_REVIEW,
    tag="findings",
    summary="Open a reviewed finding again",
    answers=ENTRY_ANSWERS,
    body_example=Reopening(reason="It happened again the week after."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def reopen_finding(
    request: AnyRequest, finding_id: uuid.UUID, body: Reopening, principal: Principal
) -> Reply[Receipt]:
    """Open a finding again whose review does not hold any more. The review stays on record."""
    row = await read_row(request, principal, finding_id)
    event = findings.FindingReopened(finding_id=finding_id, about_event_id=row["event_id"], reason=body.reason)
    return await record_entry(request, principal, row["department_id"], body, event, subject_id=finding_id)


HANDLERS: list[HTTPRouteHandler] = [review_finding, reopen_finding]
