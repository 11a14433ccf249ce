"""`/v1/stations`: fill stations, fixed and on trucks."""

import uuid
from typing import Annotated, Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, event_id_for, record_entry
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Label
from fill_ledger.api.parts import parts_of
from fill_ledger.api.period_texts import texts_of
from fill_ledger.api.places.departments import read_department_state
from fill_ledger.api.places.place_entries import post_entry, record_entry_at, station_subject
from fill_ledger.api.places.station_views import (
    LINE_EXAMPLE,
    VIEW_EXAMPLE,
    StationLine,
    StationView,
    line_of,
    newest,
    view_of,
)
from fill_ledger.api.recorded_entries import recorded_event
from fill_ledger.api.trade_types import Reason, StationCode, ZoneName
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import stations
from fill_ledger.trade.identifiers import SubjectKind, derived_id
from fill_ledger.trade.states.stations import AirSourceState, StationState
from fill_ledger.views.folding import decode_state


class NewStation(Entry, frozen=True, kw_only=True):
    """A station to register. Without `time_zone` it gets the department's as it is now."""

    name: Label
    code: StationCode
    station_kind: stations.StationKind
    time_zone: ZoneName | None = None
    station_id: uuid.UUID | None = None
    department_id: uuid.UUID | None = None


class StationCorrection(Entry, frozen=True, kw_only=True):
    """What is right. Fields left out stay as they are."""

    name: Label | None = None
    code: StationCode | None = None
    time_zone: ZoneName | None = None


class StationQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of stations."""

    department_id: Annotated[uuid.UUID, Meta(description="Only stations of this department.")] | None = None
    station_kind: Annotated[stations.StationKind, Meta(description="Only stations of this kind.")] | None = None
    code: StationCode | None = None
    closed: (
        Annotated[bool, Meta(description="Only stations closed now, or only those that are open; both if left out.")]
        | None
    ) = None


class Closing(Entry, frozen=True, kw_only=True):
    """Why a station is closed."""

    reason: Reason


class Opening(Entry, frozen=True, kw_only=True):
    """Why a station is open again, where there is something to say."""

    reason: Reason | None = None


BY_CODE = SortOrder(
    name="code",
    keys=(
        SortKey(column="station.department_id", kind="uuid"),
        SortKey(column="station.code", kind="text"),
        SortKey(column="station.station_id", kind="uuid"),
    ),
)
# The station and its air sources in one statement, so that one moment is shown and one version names it.
_READ_ONE = """
SELECT known.department_id, known.subject_kind, known.ledger_position, known.state
FROM views.state AS known
WHERE known.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
    AND known.subject_kind = 'station' AND known.subject_id = $1
UNION ALL
SELECT known.department_id, known.subject_kind, known.ledger_position, known.state
FROM views.air_source AS source
JOIN views.state AS known ON known.department_id = source.department_id
    AND known.subject_kind = 'air_source' AND known.subject_id = source.air_source_id
WHERE source.department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND source.station_id = $1
"""


class KnownStation(Struct, frozen=True, kw_only=True):
    """A station with its air sources, and the newest position that changed any of them."""

    version: int
    station: StationState
    sources: list[AirSourceState]


@get(
    "/v1/stations",
    right=rights.STATIONS_READ,
    tag="stations",
    summary="List stations",
    answers=answer(Page[StationLine], "One page of stations.", example=Page(items=[LINE_EXAMPLE], next_cursor=None)),
)
async def list_stations(request: AnyRequest, query: StationQuery, principal: Principal) -> Reply[Page[StationLine]]:
    """Return stations by department and code."""
    window = open_window(request, query, BY_CODE)
    after, arguments = window.after(5)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT department_id, station_id, name, code, station_kind, time_zone, closed_since FROM views.station
            WHERE station.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND station.registered_at IS NOT NULL AND ($1::uuid IS NULL OR station.department_id = $1)
                AND ($2::text IS NULL OR station.station_kind = $2) AND ($3::text IS NULL OR station.code = $3)
                AND ($4::boolean IS NULL OR (station.closed_since IS NOT NULL) = $4) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            query.department_id,
            query.station_kind,
            query.code,
            query.closed,
            *arguments,
        )
    return window.page(rows, line_of)


async def read_station_and_sources(request: AnyRequest, principal: Principal, station_id: uuid.UUID) -> KnownStation:
    """Return a station of the principal's departments with its air sources.

    Raises:
        Problem: 404 where none of them has it.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows: list[Any] = await connection.fetch(_READ_ONE, station_id)
    states: list[tuple[int, Any]] = [
        (row["ledger_position"], decode_state(SubjectKind(row["subject_kind"]), row["state"])) for row in rows
    ]
    found = [state for _, state in states if isinstance(state, StationState) and state.registered_at is not None]
    if not found:
        raise Problem(problem_types.NOT_FOUND, "No station has this id.")
    station = found[0]
    there = [(version, state) for version, state in states if state.department_id == station.department_id]
    sources = [state for _, state in there if isinstance(state, AirSourceState)]
    return KnownStation(
        version=max(version for version, _ in there),
        station=station,
        sources=sorted(sources, key=lambda source: (source.label or "", source.subject_id)),
    )


@get(
    "/v1/stations/{station_id}",
    right=rights.STATIONS_READ,
    tag="stations",
    summary="One station",
    answers=(
        answer(StationView, "The station.", example=VIEW_EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_station(
    request: AnyRequest, station_id: uuid.UUID, principal: Principal
) -> Reply[StationView] | Reply[None]:
    """Return a station with its fill positions over time, its newest closures and its air sources."""
    known = await read_station_and_sources(request, principal, station_id)
    etag = version_tag(known.version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    event_ids = [closure.event_id for closure in newest(known.station.closures)]
    texts = await texts_of(request, principal, known.station.department_id, event_ids, "reason")
    return Reply(view_of(known.station, known.sources, texts), etag=etag)


@post_entry(
    "/v1/stations",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Register a station",
    body_example=NewStation(name="Quarry Road", code="S3", station_kind="fixed", time_zone="America/New_York"),
)
async def register_station(request: AnyRequest, body: NewStation, principal: Principal) -> Reply[Receipt]:
    """Register a fill station. Without `time_zone` the department's is written into the entry and stays."""
    department_id = principal.department(body.department_id)
    source = event_id_for(request, principal, body.event_id)
    station_id = body.station_id or derived_id("station", source.event_id)
    department_zone = await _zone_for(request, department_id, source.event_id)
    event = stations.StationRegistered(
        station_id=station_id,
        name=body.name,
        code=body.code,
        station_kind=body.station_kind,
        time_zone=body.time_zone or department_zone,
    )
    return await record_entry(request, principal, department_id, body, event, subject_id=station_id, source=source)


async def _zone_for(request: AnyRequest, department_id: uuid.UUID, event_id: uuid.UUID) -> str | None:
    """Return the department's time zone; for a repeated entry the one it was recorded with, so that it is the same.

    Raises:
        Problem: 422 not-processable where the county has no such department.
    """
    recorded = await recorded_event(request, department_id, event_id)
    if recorded is not None and isinstance(recorded.event.body, stations.StationRegistered):
        return recorded.event.body.time_zone
    try:
        _, department = await read_department_state(request, department_id)
    except Problem as problem:
        fault = Fault(code="department-unknown", detail=problem.detail, pointer="/department_id")
        raise Problem(problem_types.NOT_PROCESSABLE, problem.detail, errors=[fault]) from None
    return department.time_zone


@post_entry(
    "/v1/stations/{station_id}/corrections",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Correct details of a station",
    body_example=StationCorrection(name="Quarry Road North"),
)
async def correct_station(
    request: AnyRequest, station_id: uuid.UUID, body: StationCorrection, principal: Principal
) -> Reply[Receipt]:
    """Correct name, code or time zone. A code that is given up may be given to another station."""
    event = stations.StationDetailsCorrected(
        station_id=station_id, name=body.name, code=body.code, time_zone=body.time_zone
    )
    return await record_entry_at(request, principal, station_subject(station_id), body, event)


@post_entry(
    "/v1/stations/{station_id}/closures",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Close a station",
    body_example=Closing(reason="Compressor room is being rebuilt."),
)
async def close_station(
    request: AnyRequest, station_id: uuid.UUID, body: Closing, principal: Principal
) -> Reply[Receipt]:
    """Take a station out of service: nothing is permitted there until it is opened again."""
    event = stations.StationClosed(station_id=station_id, reason=body.reason)
    return await record_entry_at(request, principal, station_subject(station_id), body, event)


@post_entry(
    "/v1/stations/{station_id}/openings",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Open a closed station",
    body_example=Opening(reason="Compressor room is finished."),
)
async def open_station(
    request: AnyRequest, station_id: uuid.UUID, body: Opening, principal: Principal
) -> Reply[Receipt]:
    """Put a closed station back into service."""
    event = stations.StationOpened(station_id=station_id, reason=body.reason)
    return await record_entry_at(request, principal, station_subject(station_id), body, event)


HANDLERS: list[HTTPRouteHandler] = [
    list_stations,
    read_station,
    register_station,
    correct_station,
    close_station,
    open_station,
]
