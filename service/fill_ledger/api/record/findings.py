"""`/v1/findings`: what a person should look at."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, field

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
from fill_ledger.ledger.read import seeing

Severity = Literal["grave", "notable"]
FindingStanding = Literal["open", "cleared"]


class FindingQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of findings; `from` is included, `to` is not."""

    department_id: OfDepartment | None = None
    code: Annotated[Code, Meta(description="Only findings of this code.")] | None = None
    severity: Annotated[Severity, Meta(description="Only findings of this severity.")] | None = None
    standing: Annotated[FindingStanding, Meta(description="Only findings that stand so now.")] | None = None
    station_id: AtStation | None = None
    cylinder_id: OfCylinder | None = None
    member_id: ByMember | None = None
    event_id: Annotated[uuid.UUID, Meta(description="Only findings about this event.")] | None = None
    from_: FromMoment | None = field(default=None, name="from")
    to: BeforeMoment | None = None


class FindingView(Struct, frozen=True, kw_only=True):
    """One finding: the event it is about, its code with a plain sentence, and whether it still stands.

    `found_at` is when the event took effect. A finding is cleared when its event is retracted.
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
    rules_version: Annotated[str, Meta(max_length=64)] | None


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
    standing="open",
    rules_version="2f6a3c1d9b40",
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
    for name in ("code", "severity", "standing", "station_id", "cylinder_id", "member_id", "event_id"):
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
        answer(FindingView, "The finding.", example=EXAMPLE),
        answer(None, "Not changed since the ETag was answered.", status=304),
    ),
    request_headers=(IF_NONE_MATCH,),
)
async def read_finding(
    request: AnyRequest, finding_id: uuid.UUID, principal: Principal
) -> Reply[FindingView] | Reply[None]:
    """Return one finding. Its id follows from event and code and stays the same for ever."""
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
    view = _view(row)
    etag = version_tag(version_of(view))
    return not_modified(etag) if is_not_modified(request, etag) else Reply(view, etag=etag)


HANDLERS: list[HTTPRouteHandler] = [list_findings, read_finding]
