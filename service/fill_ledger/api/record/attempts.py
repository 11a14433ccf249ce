"""`/v1/attempts`: fills that were started, denied or abandoned."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, field

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.filters import AtStation, BeforeMoment, ByMember, FromMoment, IsRetracted, OfCylinder, OfDepartment
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.newest_first import Conditions, fetch_window, newest_first
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment

MAXIMUM_CODE = 200  # a device's own words are kept as they are

AttemptType = Literal["cylinder.fill_started", "cylinder.fill_denied", "cylinder.fill_abandoned"]
AttemptCode = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_CODE)]


class AttemptQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of attempts; `from` is included, `to` is not."""

    department_id: OfDepartment | None = None
    station_id: AtStation | None = None
    cylinder_id: OfCylinder | None = None
    member_id: ByMember | None = None
    attempt_id: Annotated[uuid.UUID, Meta(description="Only what belongs to this attempt.")] | None = None
    event_type: Annotated[AttemptType, Meta(description="Only attempts of this type.")] | None = None
    code: Annotated[AttemptCode, Meta(description="Only attempts that ended for this reason.")] | None = None
    from_: FromMoment | None = field(default=None, name="from")
    to: BeforeMoment | None = None
    retracted: IsRetracted | None = None


class AttemptView(Struct, frozen=True, kw_only=True):
    """One attempt. `attempt_id` ties a start to what ended it; `code` is why it was denied or abandoned."""

    event_id: uuid.UUID
    department_id: uuid.UUID
    event_type: AttemptType
    attempted_at: Moment
    station_id: uuid.UUID | None
    cylinder_id: uuid.UUID | None
    tag: Annotated[str, Meta(max_length=128)] | None
    member_id: uuid.UUID | None
    code: AttemptCode | None
    attempt_id: uuid.UUID | None
    retracted: bool


EXAMPLE = AttemptView(
    event_id=uuid.UUID("0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01"),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    event_type="cylinder.fill_denied",
    attempted_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    station_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    cylinder_id=uuid.UUID("7d1f3b5a-9c2e-4a68-b0d4-1e3f5a7c9b05"),
    tag=None,
    member_id=uuid.UUID("2b4d6f81-a3c5-4e70-92b4-d6f8a1c3e506"),
    code="requalification-due",
    attempt_id=None,
    retracted=False,
)
ORDER = newest_first("attempt.attempted_at", "attempt.event_id")


@get(
    "/v1/attempts",
    right=rights.FILLS_READ,
    tag="fills",
    summary="List attempts",
    answers=answer(Page[AttemptView], "One page of attempts.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_attempts(request: AnyRequest, query: AttemptQuery, principal: Principal) -> Reply[Page[AttemptView]]:
    """Return fills that were started, denied or abandoned, the newest first; the whole of one is its event."""
    conditions = Conditions("attempt")
    for name in ("station_id", "cylinder_id", "member_id", "attempt_id", "event_type", "code", "retracted"):
        conditions.equal(name, getattr(query, name))
    conditions.at_least("attempted_at", query.from_)
    conditions.below("attempted_at", query.to)
    window = open_window(request, query, ORDER)
    rows = await fetch_window(request, principal, window, "attempt", conditions, query.department_id)
    return window.page(rows, lambda row: AttemptView(**{name: row[name] for name in AttemptView.__struct_fields__}))


HANDLERS: list[HTTPRouteHandler] = [list_attempts]
