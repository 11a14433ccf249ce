"""`/v1/tags`: which tag is on which cylinder, now and before."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, event_id_for
from fill_ledger.api.fleet.cylinder_records import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    KnownCylinder,
    known_event,
    read_cylinder,
    record_together,
    refuse_other_use_of_id,
)
from fill_ledger.api.fleet.cylinder_types import EXAMPLE_CYLINDER_ID, TagAsRead
from fill_ledger.api.fleet.tag_reading import cylinder_wearing, refuse_tag_elsewhere, tag_read
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import cylinders


class NewPairing(Entry, frozen=True, kw_only=True):
    """The tag that is on the cylinder from now on; `tag_moves` says that it came off another cylinder."""

    tag: TagAsRead
    tag_moves: bool = False


class TagRemoval(Entry, frozen=True, kw_only=True):
    """The tag that is no longer on the cylinder."""

    tag: TagAsRead


class TagLine(Struct, frozen=True, kw_only=True):
    """One tag and the cylinder it is on now, if any."""

    department_id: uuid.UUID
    tag: Annotated[str, Meta(max_length=128)]
    cylinder_id: uuid.UUID | None
    paired_at: Moment | None


class TagQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of tags; `tag` is taken as a reader or a label gives it."""

    department_id: Annotated[uuid.UUID, Meta(description="Only tags of this department.")] | None = None
    cylinder_id: Annotated[uuid.UUID, Meta(description="Only tags that are on this cylinder now.")] | None = None
    tag: Annotated[TagAsRead, Meta(description="Only this tag, as a reader or a label gives it.")] | None = None


EXAMPLE_TAG = "iso15693:E004010012345678"
EXAMPLE_LINE = TagLine(
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    tag=EXAMPLE_TAG,
    cylinder_id=EXAMPLE_CYLINDER_ID,
    paired_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
)
BY_ID = SortOrder(
    name="tag_id",
    keys=(SortKey(column="tag.department_id", kind="uuid"), SortKey(column="tag.tag_id", kind="uuid")),
)


@get(
    "/v1/tags",
    right=rights.CYLINDERS_READ,
    tag="tags",
    summary="List tags",
    answers=answer(Page[TagLine], "One page of tags.", example=Page(items=[EXAMPLE_LINE], next_cursor=None)),
)
async def list_tags(request: AnyRequest, query: TagQuery, principal: Principal) -> Reply[Page[TagLine]]:
    """Return the tags that are or were on a cylinder. What was on a cylinder before stands with the cylinder."""
    window = open_window(request, query, BY_ID)
    tag = None if query.tag is None else tag_read(query.tag, "")
    if isinstance(tag, Fault):
        fault = Fault(code=tag.code, detail=tag.detail, parameter="tag")
        raise Problem(problem_types.INVALID_QUERY, tag.detail, errors=[fault])
    after, arguments = window.after(4)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT tag.department_id, tag.tag_id, tag.tag, tag.cylinder_id, tag.paired_at FROM views.tag
            WHERE tag.tag IS NOT NULL AND ($1::uuid IS NULL OR tag.department_id = $1)
                AND ($2::uuid IS NULL OR tag.cylinder_id = $2) AND ($3::text IS NULL OR tag.tag = $3) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            query.department_id,
            query.cylinder_id,
            tag,
            *arguments,
        )
    return window.page(rows, _line)


def _line(row: Any) -> TagLine:
    return TagLine(
        department_id=row["department_id"], tag=row["tag"], cylinder_id=row["cylinder_id"], paired_at=row["paired_at"]
    )


def _read(text: str) -> str:
    tag = tag_read(text, "/tag")
    if isinstance(tag, Fault):
        raise Problem(problem_types.NOT_PROCESSABLE, tag.detail, errors=[tag])
    return tag


def _require_ours(known: KnownCylinder) -> None:
    """Refuse to pair with what the department does not have: an observation at a station would be kept, not this."""
    if known.state.registered_at is None:
        raise Problem(problem_types.CONFLICT, "The cylinder is not registered.")
    if known.state.transferred_at is not None:
        raise Problem(problem_types.CONFLICT, "The cylinder belongs to another department since it was transferred.")


@post(
    "/v1/cylinders/{cylinder_id}/tags",
    right=rights.CYLINDERS_WRITE,
    tag="tags",
    summary="Pair a tag with a cylinder",
    answers=ENTRY_ANSWERS,
    body_example=NewPairing(tag=EXAMPLE_TAG),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def pair_tag(
    request: AnyRequest, cylinder_id: uuid.UUID, body: NewPairing, principal: Principal
) -> Reply[Receipt]:
    """Put a tag on record for a cylinder. A tag on another cylinder is asked about; past pairings stay."""
    tag = _read(body.tag)
    known = await read_cylinder(request, principal, cylinder_id)
    source = event_id_for(request, principal, body.event_id)
    event = cylinders.TagPaired(cylinder_id=cylinder_id, tag=tag)
    await refuse_other_use_of_id(request, known.department_id, source.event_id, event)
    if await known_event(request, known.department_id, source.event_id) is None:
        _require_ours(known)
        if not body.tag_moves:
            await refuse_tag_elsewhere(request, known.department_id, tag, cylinder_id, "/tag")
    return await record_together(
        request,
        principal,
        known.department_id,
        [(source.event_id, event)],
        occurred_at=body.occurred_at,
        subject_id=cylinder_id,
        source=source,
    )


@post(
    "/v1/cylinders/{cylinder_id}/tag-removals",
    right=rights.CYLINDERS_WRITE,
    tag="tags",
    summary="Take a tag off a cylinder",
    answers=ENTRY_ANSWERS,
    body_example=TagRemoval(tag=EXAMPLE_TAG),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def remove_tag(
    request: AnyRequest, cylinder_id: uuid.UUID, body: TagRemoval, principal: Principal
) -> Reply[Receipt]:
    """Put on record that a tag is no longer on the cylinder."""
    tag = _read(body.tag)
    known = await read_cylinder(request, principal, cylinder_id)
    source = event_id_for(request, principal, body.event_id)
    event = cylinders.TagUnpaired(cylinder_id=cylinder_id, tag=tag)
    await refuse_other_use_of_id(request, known.department_id, source.event_id, event)
    if await known_event(request, known.department_id, source.event_id) is None:
        wearer = await cylinder_wearing(request, known.department_id, tag)
        if wearer != cylinder_id:
            detail = "The tag is not on this cylinder."
            fault = Fault(code="tag-not-on-cylinder", detail=detail, pointer="/tag")
            raise Problem(problem_types.CONFLICT, detail, errors=[fault])
    return await record_together(
        request,
        principal,
        known.department_id,
        [(source.event_id, event)],
        occurred_at=body.occurred_at,
        subject_id=cylinder_id,
        source=source,
    )


HANDLERS: list[HTTPRouteHandler] = [list_tags, pair_tag, remove_tag]
