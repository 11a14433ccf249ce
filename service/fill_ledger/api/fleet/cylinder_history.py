"""Histories: every event about a cylinder, member, station or air source, in the order of the folds."""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import department_of
from fill_ledger.api.fleet.cylinder_records import read_cylinder
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerPosition, Moment
from fill_ledger.api.opened_texts import ShownBody, show_bodies
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject, SubjectKind

MAXIMUM_FIELDS = 100

EventType = Annotated[
    str, Meta(max_length=64, pattern=r"^[a-z_]+\.[a-z_]+\Z", description="cylinder.filled, and so on")
]
FieldName = Annotated[str, Meta(max_length=64)]
FieldNames = Annotated[tuple[FieldName, ...], Meta(max_length=MAXIMUM_FIELDS)]


class HistoryQuery(PageQuery, frozen=True, kw_only=True):
    """Which events of a history, and from which end."""

    order: Annotated[
        Literal["oldest_first", "newest_first"], Meta(description="Which end of the history comes first.")
    ] = "oldest_first"
    type: Annotated[EventType, Meta(description="Only events of this type, such as cylinder.filled.")] | None = None


class HistoryEntry(Struct, frozen=True, kw_only=True):
    """One event. `effective_at` orders the history; `retracted` events count for nothing and stay on record.

    Fields of the body named in `sealed` are kept from this caller and are null; those in `erased` are gone for good.
    """

    event_id: uuid.UUID
    type: EventType
    type_version: Annotated[int, Meta(ge=1, le=32_767)]
    occurred_at: Moment
    effective_at: Moment
    recorded_at: Moment
    ledger_position: LedgerPosition
    recorded_by: uuid.UUID
    station_id: uuid.UUID | None
    retracted: bool
    retracted_by_event_id: uuid.UUID | None
    body: Annotated[dict[FieldName, Any], Meta(max_length=MAXIMUM_FIELDS)]
    sealed: FieldNames
    erased: FieldNames


EXAMPLE_ENTRY = HistoryEntry(
    event_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    type="cylinder.filled",
    type_version=1,
    occurred_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    effective_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    recorded_at=datetime(2026, 11, 24, 8, 10, 23, tzinfo=UTC),
    ledger_position=60_211,
    recorded_by=uuid.UUID("8c6f4a50-1d36-4f0e-8f7b-0f5b1c1f9b77"),
    station_id=uuid.UUID("f3f3d3c8-7e9c-4a75-8a07-6f0a3f6f0b21"),
    retracted=False,
    retracted_by_event_id=None,
    body={"cylinder_id": "3c0b8a52-6f5e-4f0a-a5e1-0b7c5d1a9e44", "start_psi": 480, "end_psi": 2200},
    sealed=(),
    erased=(),
)
ANSWERS = answer(Page[HistoryEntry], "One page of the history.", example=Page(items=[EXAMPLE_ENTRY], next_cursor=None))
_ORDERS = {
    name: SortOrder(
        name=name,
        keys=(
            SortKey(column="entry.effective_at", kind="timestamp", descending=descending),
            SortKey(column="entry.event_id", kind="uuid", descending=descending),
        ),
    )
    for name, descending in (("oldest_first", False), ("newest_first", True))
}
# Where a subject stands in the ledger's own index.
_NAMED = """
    SELECT named.effective_at, named.event_id, named.ledger_position FROM ledger.event_subject AS named
    WHERE named.department_id = $1 AND named.subject_kind = $2 AND named.subject_id = $3
"""
# Fills that name only a tag belong to the cylinder that wore it, and to another one once a late pairing says so.
_OF_CYLINDER = f"""
    {_NAMED} AND NOT EXISTS (
        SELECT 1 FROM views.fill
        WHERE fill.department_id = $1 AND fill.event_id = named.event_id AND fill.cylinder_id IS DISTINCT FROM $3)
    UNION
    SELECT event.effective_at, event.event_id, event.ledger_position FROM views.fill
    JOIN ledger.event ON event.department_id = fill.department_id AND event.event_id = fill.event_id
    WHERE fill.department_id = $1 AND fill.cylinder_id = $3
"""


async def _history(
    request: AnyRequest, principal: Principal, query: HistoryQuery, department_id: uuid.UUID, subject: Subject
) -> Reply[Page[HistoryEntry]]:
    """Return one page of the events that name a subject in the ledger of a department found to be readable."""
    window = open_window(request, query, _ORDERS[query.order])
    after, arguments = window.after(5)
    source = _OF_CYLINDER if subject.kind is SubjectKind.CYLINDER else _NAMED
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            f"""
            SELECT entry.effective_at, entry.event_id, event.ledger_position, event.recorded_at, event.canonical,
                retraction.event_id AS retracted_by_event_id
            FROM ({source}) AS entry
            JOIN ledger.event ON event.department_id = $1 AND event.ledger_position = entry.ledger_position
            LEFT JOIN LATERAL (
                SELECT taken_back.event_id FROM ledger.event_subject AS taken_back
                WHERE taken_back.department_id = $1 AND taken_back.subject_kind = 'event'
                    AND taken_back.subject_id = entry.event_id AND taken_back.folds
                ORDER BY taken_back.effective_at, taken_back.event_id LIMIT 1
            ) AS retraction ON true
            WHERE ($4::text IS NULL OR event.event_type = $4) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            department_id,
            subject.kind.value,
            subject.subject_id,
            query.type,
            *arguments,
        )
    events = {row["event_id"]: read_event(row["canonical"]) for row in rows[: window.limit]}
    shown = await show_bodies(request, principal, list(events.values()))
    return window.page(rows, lambda row: _entry(row, events[row["event_id"]], shown))


def _entry(row: Any, event: Event, shown: Mapping[tuple[uuid.UUID, uuid.UUID], ShownBody]) -> HistoryEntry:
    body = shown[event.department_id, event.event_id]
    return HistoryEntry(
        event_id=event.event_id,
        type=event.body.event_type,
        type_version=event.body.type_version,
        occurred_at=event.occurred_at,
        effective_at=event.effective_at,
        recorded_at=row["recorded_at"],
        ledger_position=row["ledger_position"],
        recorded_by=event.recorded_by,
        station_id=event.station_id,
        retracted=row["retracted_by_event_id"] is not None,
        retracted_by_event_id=row["retracted_by_event_id"],
        body=body.values,
        sealed=body.sealed,
        erased=body.erased,
    )


@get(
    "/v1/cylinders/{cylinder_id}/history",
    right=rights.EVENTS_READ,
    tag="cylinders",
    summary="Read the history of a cylinder",
    answers=ANSWERS,
)
async def cylinder_history(
    request: AnyRequest, cylinder_id: uuid.UUID, query: HistoryQuery, principal: Principal
) -> Reply[Page[HistoryEntry]]:
    """Return every event about a cylinder, with the fills that are known only by the tag that was on it."""
    known = await read_cylinder(request, principal, cylinder_id)
    subject = Subject(SubjectKind.CYLINDER, cylinder_id)
    return await _history(request, principal, query, known.department_id, subject)


@get(
    "/v1/members/{member_id}/history",
    right=rights.EVENTS_READ,
    tag="members",
    summary="Read the history of a member",
    answers=ANSWERS,
)
async def member_history(
    request: AnyRequest, member_id: uuid.UUID, query: HistoryQuery, principal: Principal
) -> Reply[Page[HistoryEntry]]:
    """Return every event about a member, the fills by that member among them. Credentials are never shown."""
    subject = Subject(SubjectKind.MEMBER, member_id)
    return await _history(request, principal, query, await department_of(request, principal, subject), subject)


@get(
    "/v1/stations/{station_id}/history",
    right=rights.EVENTS_READ,
    tag="stations",
    summary="Read the history of a station",
    answers=ANSWERS,
)
async def station_history(
    request: AnyRequest, station_id: uuid.UUID, query: HistoryQuery, principal: Principal
) -> Reply[Page[HistoryEntry]]:
    """Return every event about a station and every fact its controller reported."""
    subject = Subject(SubjectKind.STATION, station_id)
    return await _history(request, principal, query, await department_of(request, principal, subject), subject)


@get(
    "/v1/air-sources/{air_source_id}/history",
    right=rights.EVENTS_READ,
    tag="air-sources",
    summary="Read the history of an air source",
    answers=ANSWERS,
)
async def air_source_history(
    request: AnyRequest, air_source_id: uuid.UUID, query: HistoryQuery, principal: Principal
) -> Reply[Page[HistoryEntry]]:
    """Return every event about a compressor, storage bank or purchased supply, and the fills from it."""
    subject = Subject(SubjectKind.AIR_SOURCE, air_source_id)
    return await _history(request, principal, query, await department_of(request, principal, subject), subject)


HANDLERS: list[HTTPRouteHandler] = [cylinder_history, member_history, station_history, air_source_history]
