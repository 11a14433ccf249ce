"""`/v1/stations`: fill stations, fixed and on trucks, and their fill positions."""

import uuid
from typing import Annotated, Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api import rights
from fill_ledger.api.decoding import AnyRequest
from fill_ledger.api.entries import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    Entry,
    Receipt,
    department_of,
    event_id_for,
    record_entry,
)
from fill_ledger.api.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.keysets import SortKey, SortOrder
from fill_ledger.api.operations import answer, get, post
from fill_ledger.api.paging import Page, PageQuery, open_window
from fill_ledger.api.parts import parts_of
from fill_ledger.api.principals import Principal
from fill_ledger.api.replies import Reply
from fill_ledger.api.value_types import Label, Moment
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import stations
from fill_ledger.trade.identifiers import Subject, SubjectKind, derived_id

Code = Annotated[str, Meta(pattern=r"^[A-Z0-9-]{1,16}\Z", min_length=1, max_length=16)]
ZoneName = Annotated[str, Meta(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_+/-]+\Z")]
Reason = Annotated[str, Meta(min_length=1, max_length=2000)]


class NewStation(Entry, frozen=True, kw_only=True):
    """A station to register."""

    name: Label
    code: Code
    station_kind: stations.StationKind
    time_zone: ZoneName | None = None
    station_id: uuid.UUID | None = None
    department_id: uuid.UUID | None = None


class StationView(Struct, frozen=True, kw_only=True):
    """One station as a list shows it."""

    station_id: uuid.UUID
    department_id: uuid.UUID
    name: Label
    code: Code
    station_kind: stations.StationKind
    time_zone: ZoneName | None
    closed_since: Moment | None


class StationQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of stations."""

    department_id: uuid.UUID | None = None
    station_kind: stations.StationKind | None = None


EXAMPLE = StationView(
    station_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    name="Quarry Road",
    code="S3",
    station_kind="fixed",
    time_zone="America/New_York",
    closed_since=None,
)
BY_CODE = SortOrder(
    name="code",
    keys=(SortKey(column="station.code", kind="text"), SortKey(column="station.station_id", kind="uuid")),
)


def _view(row: Any) -> StationView:
    return StationView(
        station_id=row["station_id"],
        department_id=row["department_id"],
        name=row["name"],
        code=row["code"],
        station_kind=row["station_kind"],
        time_zone=row["time_zone"],
        closed_since=row["closed_since"],
    )


@get(
    "/v1/stations",
    right=rights.STATIONS_READ,
    tag="stations",
    summary="List stations",
    answers=answer(Page[StationView], "One page of stations.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_stations(request: AnyRequest, query: StationQuery, principal: Principal) -> Reply[Page[StationView]]:
    """Return stations by code."""
    window = open_window(request, query, BY_CODE)
    after, arguments = window.after(3)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT * FROM views.station
            WHERE station.registered_at IS NOT NULL AND ($1::uuid IS NULL OR station.department_id = $1)
                AND ($2::text IS NULL OR station.station_kind = $2) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            query.department_id,
            query.station_kind,
            *arguments,
        )
    return window.page(rows, _view)


@post(
    "/v1/stations",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Register a station",
    answers=ENTRY_ANSWERS,
    body_example=NewStation(name="Quarry Road", code="S3", station_kind="fixed", time_zone="America/New_York"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def register_station(request: AnyRequest, body: NewStation, principal: Principal) -> Reply[Receipt]:
    """Register a fill station. Without `time_zone` it keeps the department's calendar."""
    department_id = principal.department(body.department_id)
    source = event_id_for(request, principal, body.event_id)
    station_id = body.station_id or derived_id("station", source.event_id)
    event = stations.StationRegistered(
        station_id=station_id,
        name=body.name,
        code=body.code,
        station_kind=body.station_kind,
        time_zone=body.time_zone,
    )
    return await record_entry(request, principal, department_id, body, event, subject_id=station_id, source=source)


class Closing(Entry, frozen=True, kw_only=True):
    """Why a station is closed."""

    reason: Reason


@post(
    "/v1/stations/{station_id}/closures",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Close a station",
    answers=ENTRY_ANSWERS,
    body_example=Closing(reason="Compressor room is being rebuilt."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def close_station(
    request: AnyRequest, station_id: uuid.UUID, body: Closing, principal: Principal
) -> Reply[Receipt]:
    """Take a station out of service: nothing is permitted there until it is opened again."""
    department_id = await department_of(request, principal, Subject(SubjectKind.STATION, station_id))
    event = stations.StationClosed(station_id=station_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=station_id)


HANDLERS: list[HTTPRouteHandler] = [list_stations, register_station, close_station]
