"""`/v1/findings`: what a person should look at."""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, field, structs

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.filters import AtStation, BeforeMoment, ByMember, FromMoment, OfCylinder, OfDepartment
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.newest_first import Conditions, fetch_window, newest_first, version_of
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problem_types import NOT_FOUND
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Code, Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.api.period_texts import NO_TEXT, texts_of
from fill_ledger.api.trade_types import SealedText, ShownReason
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.findings import ReviewCause
from fill_ledger.trade.identifiers import finding_subject
from fill_ledger.trade.states.findings import KEPT_REVIEWS, FindingState, Review
from fill_ledger.views.folding import decode_state

Severity = Literal["grave", "notable"]
FindingStanding = Literal["open", "reviewed", "cleared"]


class FindingQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of findings; `from` is included, `to` is not."""

    department_id: OfDepartment | None = None
    code: Annotated[Code, Meta(description="Only findings of this code.")] | None = None
    severity: Annotated[Severity, Meta(description="Only findings of this severity.")] | None = None
    standing: Annotated[FindingStanding, Meta(description="Only findings that stand so now.")] | None = None
    cause: Annotated[ReviewCause, Meta(description="Only findings whose review in force names this cause.")] | None = (
        None
    )
    station_id: AtStation | None = None
    cylinder_id: OfCylinder | None = None
    member_id: ByMember | None = None
    event_id: Annotated[uuid.UUID, Meta(description="Only findings about this event.")] | None = None
    from_: FromMoment | None = field(default=None, name="from")
    to: BeforeMoment | None = None


class FindingView(Struct, frozen=True, kw_only=True):
    """One finding: the event it is about, its code with a plain sentence, and whether it still stands.

    `found_at` is when the event took effect. A finding is reviewed once a person looked at it, open again when it was
    opened again, and cleared when its event is retracted, whatever was reviewed. `reviewed_at` and `cause` are those of
    the review in force.
    """

    finding_id: uuid.UUID
    department_id: uuid.UUID
    event_id: uuid.UUID
    code: Code
    severity: Severity
    found_at: Moment
    station_id: uuid.UUID | None
    cylinder_id: uuid.UUID | None
    member_id: uuid.UUID | None
    text: Annotated[str, Meta(max_length=500)]
    standing: FindingStanding
    reviewed_at: Moment | None
    cause: ReviewCause | None
    rules_version: Annotated[str, Meta(max_length=64)] | None


class ReviewView(Struct, frozen=True, kw_only=True):
    """One review: who, when, what was behind it; and who opened the finding again, where somebody did.

    `reviewed_by` and `reopened_by` are principals. `note` and `reopening_reason` are null for callers who may not read
    names, where none was given, and where they were erased.
    """

    event_id: uuid.UUID
    reviewed_at: Moment
    reviewed_by: uuid.UUID
    cause: ReviewCause
    note: ShownReason | None
    note_erased: bool
    reopened_at: Moment | None
    reopened_by: uuid.UUID | None
    reopening_reason: ShownReason | None
    reopening_reason_erased: bool


class FindingWithReviews(FindingView, frozen=True, kw_only=True):
    """One finding with its newest reviews, newest first."""

    reviews: Annotated[list[ReviewView], Meta(max_length=KEPT_REVIEWS)]


EXAMPLE = FindingView(
    finding_id=uuid.UUID("5b0f4d7e-6a2c-5c1b-9e3d-2f4a6c8e0b12"),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    event_id=uuid.UUID("0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01"),
    code="requalification-due",
    severity="notable",
    found_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    station_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    cylinder_id=uuid.UUID("7d1f3b5a-9c2e-4a68-b0d4-1e3f5a7c9b05"),
    member_id=uuid.UUID("2b4d6f81-a3c5-4e70-92b4-d6f8a1c3e506"),
    text="A cylinder due for requalification is not filled or topped off.",
    standing="reviewed",
    reviewed_at=datetime(2026, 11, 25, 14, 0, tzinfo=UTC),
    cause="training",
    rules_version="2f6a3c1d9b40",
)
EXAMPLE_WITH_REVIEWS = FindingWithReviews(
    **structs.asdict(EXAMPLE),
    reviews=[
        ReviewView(
            event_id=uuid.UUID("9d1f3b5a-7c2e-4a68-b0d4-1e3f5a7c9b31"),
            reviewed_at=datetime(2026, 11, 25, 14, 0, tzinfo=UTC),
            reviewed_by=uuid.UUID("4c6e8a02-b4d6-4f81-a3c5-e7092b4d6f83"),
            cause="training",
            note="Shown at the next drill how the date is read from the label.",
            note_erased=False,
            reopened_at=None,
            reopened_by=None,
            reopening_reason=None,
            reopening_reason_erased=False,
        )
    ],
)
ORDER = newest_first("finding.found_at", "finding.finding_id")


def _view(row: Any) -> FindingView:
    return FindingView(**{name: row[name] for name in FindingView.__struct_fields__})


@get(
    "/v1/findings",
    right=rights.FINDINGS_READ,
    tag="findings",
    summary="List findings",
    answers=answer(Page[FindingView], "One page of findings.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_findings(request: AnyRequest, query: FindingQuery, principal: Principal) -> Reply[Page[FindingView]]:
    """Return findings, the newest first."""
    conditions = Conditions("finding")
    for name in ("code", "severity", "standing", "cause", "station_id", "cylinder_id", "member_id", "event_id"):
        conditions.equal(name, getattr(query, name))
    conditions.at_least("found_at", query.from_)
    conditions.below("found_at", query.to)
    window = open_window(request, query, ORDER)
    rows = await fetch_window(request, principal, window, "finding", conditions, query.department_id)
    return window.page(rows, _view)


@get(
    "/v1/findings/{finding_id}",
    right=rights.FINDINGS_READ,
    tag="findings",
    summary="One finding",
    answers=(
        answer(FindingWithReviews, "The finding.", example=EXAMPLE_WITH_REVIEWS),
        answer(None, "Not changed since the ETag was answered.", status=304),
    ),
    request_headers=(IF_NONE_MATCH,),
)
async def read_finding(
    request: AnyRequest, finding_id: uuid.UUID, principal: Principal
) -> Reply[FindingWithReviews] | Reply[None]:
    """Return one finding with its reviews. Its id follows from event and code and stays the same for ever."""
    row = await read_row(request, principal, finding_id)
    view = FindingWithReviews(
        **structs.asdict(_view(row)), reviews=await _reviews(request, principal, row["department_id"], finding_id)
    )
    etag = version_tag(version_of(view))
    return not_modified(etag) if is_not_modified(request, etag) else Reply(view, etag=etag)


async def read_row(request: AnyRequest, principal: Principal, finding_id: uuid.UUID) -> Any:
    """Return the row of a finding in one of the principal's departments.

    Raises:
        Problem: 404 where none of them has it.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            """
            SELECT * FROM views.finding
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND finding_id = $1
            ORDER BY department_id LIMIT 1
            """,
            finding_id,
        )
    if row is None:
        raise Problem(NOT_FOUND, "No finding has this id.")
    return row


async def _reviews(
    request: AnyRequest, principal: Principal, department_id: uuid.UUID, finding_id: uuid.UUID
) -> list[ReviewView]:
    subject = finding_subject(finding_id)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        stored = await connection.fetchval(
            "SELECT state FROM views.state WHERE department_id = $1 AND subject_kind = $2 AND subject_id = $3",
            department_id,
            subject.kind.value,
            subject.subject_id,
        )
    if stored is None:
        return []
    state: FindingState = decode_state(subject.kind, stored)
    reviewed = [review.event_id for review in state.reviews]
    # One reopening may have ended several reviews.
    reopened = {review.reopened_by_event_id for review in state.reviews if review.reopened_by_event_id is not None}
    notes = await texts_of(request, principal, department_id, reviewed, "note")
    reasons = await texts_of(request, principal, department_id, sorted(reopened), "reason")
    return [_review_view(review, notes, reasons) for review in reversed(state.reviews)]


def _review_view(
    review: Review, notes: Mapping[uuid.UUID, SealedText], reasons: Mapping[uuid.UUID, SealedText]
) -> ReviewView:
    note = notes.get(review.event_id, NO_TEXT)
    reopening = review.reopened_by_event_id
    reason = NO_TEXT if reopening is None else reasons.get(reopening, NO_TEXT)
    return ReviewView(
        event_id=review.event_id,
        reviewed_at=review.reviewed_at,
        reviewed_by=review.reviewed_by,
        cause=review.cause,
        note=note.text,
        note_erased=note.erased,
        reopened_at=review.reopened_at,
        reopened_by=review.reopened_by,
        reopening_reason=reason.text,
        reopening_reason_erased=reason.erased,
    )


HANDLERS: list[HTTPRouteHandler] = [list_findings, read_finding]
