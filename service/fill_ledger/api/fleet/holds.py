"""`/v1/holds`: cylinders that must not be filled until a person says so."""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

import asyncpg
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, EventIdSource, Receipt, event_id_for, record_entry
from fill_ledger.api.fleet.cylinder_records import ENTRY_ANSWERS, ENTRY_PROBLEMS, read_cylinder
from fill_ledger.api.fleet.cylinder_types import EXAMPLE_CYLINDER_ID, Reason, ShortText, ShownText
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.opened_texts import ShownBody, show_bodies
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.events.envelope import Event

HoldKind = Literal["air", "damage", "recall", "lost", "inspection", "other"]
Key = tuple[uuid.UUID, uuid.UUID]


class NewHold(Entry, frozen=True, kw_only=True):
    """Why the cylinder must not be filled, and what would clear it. The hold gets the id of its entry."""

    hold_kind: HoldKind
    reason: Reason
    clears_by: ShortText | None = None


class HoldLine(Struct, frozen=True, kw_only=True):
    """One standing hold. `reason` is null for callers who may not read names, and where it was erased."""

    hold_id: uuid.UUID
    department_id: uuid.UUID
    cylinder_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    serial: Annotated[str, Meta(max_length=64)] | None
    hold_kind: HoldKind
    reason: ShownText | None
    reason_erased: bool
    clears_by: Annotated[str, Meta(max_length=200)] | None
    starts_at: Moment


class HoldQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of standing holds."""

    department_id: Annotated[uuid.UUID, Meta(description="Only holds of this department.")] | None = None
    cylinder_id: Annotated[uuid.UUID, Meta(description="Only holds of this cylinder.")] | None = None
    hold_kind: Annotated[HoldKind, Meta(description="Only holds of this kind.")] | None = None


class Release(Entry, frozen=True, kw_only=True):
    """Why the hold ends."""

    reason: Reason


EXAMPLE_LINE = HoldLine(
    hold_id=uuid.UUID("c2f0bb0e-55d1-4c5c-9d55-8b1c0b6e7a10"),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    cylinder_id=EXAMPLE_CYLINDER_ID,
    inventory_number="214",
    serial="AX 40771",
    hold_kind="damage",
    reason="Dropped from the rear step; dent below the shoulder.",
    reason_erased=False,
    clears_by="inspection by the requalifier",
    starts_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
)
OLDEST_FIRST = SortOrder(
    name="starts_at",
    keys=(
        SortKey(column="hold.starts_at", kind="timestamp"),
        SortKey(column="hold.hold_id", kind="uuid"),
        SortKey(column="cylinder.cylinder_id", kind="uuid"),
    ),
)
_STANDING = """
    views.cylinder
    JOIN views.state AS known ON known.department_id = cylinder.department_id AND known.subject_kind = 'cylinder'
        AND known.subject_id = cylinder.cylinder_id
    CROSS JOIN LATERAL json_to_recordset(known.state -> 'holds') AS hold (
        event_id uuid, hold_id uuid, hold_kind text, clears_by text, starts_at timestamptz, ends_at timestamptz)
    WHERE cylinder.holds_open > 0 AND hold.ends_at IS NULL AND cylinder.standing <> 'transferred'
        AND cylinder.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
"""


@post(
    "/v1/cylinders/{cylinder_id}/holds",
    right=rights.HOLDS_WRITE,
    tag="holds",
    summary="Put a cylinder on hold",
    answers=ENTRY_ANSWERS,
    body_example=NewHold(hold_kind="damage", reason="Dropped from the rear step.", clears_by="inspection"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def hold_cylinder(
    request: AnyRequest, cylinder_id: uuid.UUID, body: NewHold, principal: Principal
) -> Reply[Receipt]:
    """Bar a cylinder from filling until this hold is released. `subject_id` of the answer is the hold's id."""
    known = await read_cylinder(request, principal, cylinder_id)
    source = event_id_for(request, principal, body.event_id)
    event = cylinders.CylinderHeld(
        cylinder_id=cylinder_id,
        hold_id=source.event_id,
        hold_kind=body.hold_kind,
        reason=body.reason,
        clears_by=body.clears_by,
    )
    return await record_entry(
        request, principal, known.department_id, body, event, subject_id=source.event_id, source=source
    )


@get(
    "/v1/holds",
    right=rights.CYLINDERS_READ,
    tag="holds",
    summary="List standing holds",
    answers=answer(Page[HoldLine], "One page of holds.", example=Page(items=[EXAMPLE_LINE], next_cursor=None)),
)
async def list_holds(request: AnyRequest, query: HoldQuery, principal: Principal) -> Reply[Page[HoldLine]]:
    """Return the holds that stand now, the oldest first, each with its cylinder and, for those who may, its reason."""
    window = open_window(request, query, OLDEST_FIRST)
    after, arguments = window.after(4)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT cylinder.department_id, cylinder.cylinder_id, cylinder.inventory_number, cylinder.serial,
                hold.event_id, hold.hold_id, hold.hold_kind, hold.clears_by, hold.starts_at
            FROM {_STANDING}
                AND ($1::uuid IS NULL OR cylinder.department_id = $1)
                AND ($2::uuid IS NULL OR cylinder.cylinder_id = $2)
                AND ($3::text IS NULL OR hold.hold_kind = $3) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            query.department_id,
            query.cylinder_id,
            query.hold_kind,
            *arguments,
        )
        events = await _held_events(connection, rows)
    shown = await show_bodies(request, principal, events)
    return window.page(rows, lambda row: _line(row, shown))


async def _held_events(connection: Any, rows: list[asyncpg.Record]) -> list[Event]:
    found = await connection.fetch(
        """
        SELECT event.canonical FROM unnest($1::uuid[], $2::uuid[]) AS asked (department_id, event_id)
        JOIN ledger.event ON event.department_id = asked.department_id AND event.event_id = asked.event_id
        """,
        [row["department_id"] for row in rows],
        [row["event_id"] for row in rows],
    )
    return [read_event(row["canonical"]) for row in found]


def _line(row: Any, shown: Mapping[Key, ShownBody]) -> HoldLine:
    # A hold that came with a transfer points at the transfer, which has no reason of its own.
    body = shown.get((row["department_id"], row["event_id"]), ShownBody(values={}))
    return HoldLine(
        hold_id=row["hold_id"],
        department_id=row["department_id"],
        cylinder_id=row["cylinder_id"],
        inventory_number=row["inventory_number"],
        serial=row["serial"],
        hold_kind=row["hold_kind"],
        reason=body.values.get("reason"),
        reason_erased="reason" in body.erased,
        clears_by=row["clears_by"],
        starts_at=row["starts_at"],
    )


@post(
    "/v1/holds/{hold_id}/releases",
    right=rights.HOLDS_WRITE,
    tag="holds",
    summary="Release a hold",
    answers=ENTRY_ANSWERS,
    body_example=Release(reason="Requalifier found no damage."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def release_hold(request: AnyRequest, hold_id: uuid.UUID, body: Release, principal: Principal) -> Reply[Receipt]:
    """End one hold, with the reason. Other holds of the cylinder go on."""
    source = event_id_for(request, principal, body.event_id)
    department_id, cylinder_id = await _cylinder_of(request, principal, hold_id, source)
    event = cylinders.CylinderHoldReleased(cylinder_id=cylinder_id, hold_id=hold_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=hold_id, source=source)


async def _cylinder_of(
    request: AnyRequest, principal: Principal, hold_id: uuid.UUID, source: EventIdSource
) -> tuple[uuid.UUID, uuid.UUID]:
    """Return department and cylinder of a hold: one that stands, one entered here, or one this entry has released.

    Raises:
        Problem: 404 where none of the principal's departments knows it.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            f"SELECT cylinder.department_id, cylinder.cylinder_id FROM {_STANDING} AND hold.hold_id = $1 LIMIT 1",
            hold_id,
        )
        if row is not None:
            return row["department_id"], row["cylinder_id"]
        # A hold entered here has the id of its entry; a repeated release is known by its own.
        events = [
            read_event(found["canonical"])
            for found in await connection.fetch(
                """
                SELECT canonical FROM ledger.event
                WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND event_id = ANY ($1)
                """,
                [hold_id, source.event_id],
            )
        ]
    for event in events:
        held = event.body
        if isinstance(held, cylinders.CylinderHeld | cylinders.CylinderHoldReleased) and held.hold_id == hold_id:
            return event.department_id, held.cylinder_id
    raise Problem(problem_types.NOT_FOUND, "No hold has this id.")


HANDLERS: list[HTTPRouteHandler] = [hold_cylinder, list_holds, release_hold]
