"""`/v1/air-sources`: compressors, storage banks and purchased air, and whether they are in service."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    Entry,
    Receipt,
    department_of,
    event_id_for,
    record_entry,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_NONE_MATCH
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Label
from fill_ledger.api.parts import parts_of
from fill_ledger.api.period_texts import texts_of
from fill_ledger.api.places.air_types import (
    LINE_EXAMPLE,
    MAXIMUM_BOTTLES,
    VIEW_EXAMPLE,
    AirSourceLine,
    AirSourceView,
    NewBottle,
    line_of,
    newest_samples,
    storage_bottle,
    view_of,
)
from fill_ledger.api.places.station_views import newest
from fill_ledger.api.states import read_state
from fill_ledger.api.trade_types import EXAMPLE_STATION_ID, Reason
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import air
from fill_ledger.trade.identifiers import Subject, SubjectKind, derived_id
from fill_ledger.trade.states.stations import AirSourceState


class NewAirSource(Entry, frozen=True, kw_only=True):
    """An air source to register at a station. Only a storage bank has bottles."""

    station_id: uuid.UUID
    air_source_kind: air.AirSourceKind
    label: Label
    oil_lubricated: bool | None = None
    bottles: Annotated[tuple[NewBottle, ...], Meta(max_length=MAXIMUM_BOTTLES)] = ()
    air_source_id: uuid.UUID | None = None


class Outage(Entry, frozen=True, kw_only=True):
    """Why nothing may be filled from the source."""

    reason: Reason


class Return(Entry, frozen=True, kw_only=True):
    """Why the source may be used again, where there is something to say."""

    reason: Reason | None = None


class AirSourceQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of air sources."""

    department_id: Annotated[uuid.UUID, Meta(description="Only air sources of this department.")] | None = None
    station_id: Annotated[uuid.UUID, Meta(description="Only air sources at this station.")] | None = None
    air_source_kind: Annotated[air.AirSourceKind, Meta(description="Only air sources of this kind.")] | None = None
    out_of_service: (
        Annotated[bool, Meta(description="Only those out of service now, or only those in service; both if left out.")]
        | None
    ) = None


BY_STATION = SortOrder(
    name="station",
    keys=(
        SortKey(column="air_source.department_id", kind="uuid"),
        SortKey(column="air_source.station_id", kind="uuid"),
        SortKey(column="air_source.air_source_id", kind="uuid"),
    ),
)
_COLUMNS = ", ".join(f"air_source.{name}" for name in AirSourceLine.__struct_fields__)


@get(
    "/v1/air-sources",
    right=rights.AIR_READ,
    tag="air-sources",
    summary="List air sources",
    answers=answer(
        Page[AirSourceLine], "One page of air sources.", example=Page(items=[LINE_EXAMPLE], next_cursor=None)
    ),
)
async def list_air_sources(
    request: AnyRequest, query: AirSourceQuery, principal: Principal
) -> Reply[Page[AirSourceLine]]:
    """Return air sources by department and station, each with its newest sample."""
    window = open_window(request, query, BY_STATION)
    after, arguments = window.after(5)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT {_COLUMNS} FROM views.air_source
            WHERE air_source.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND air_source.registered_at IS NOT NULL AND ($1::uuid IS NULL OR air_source.department_id = $1)
                AND ($2::uuid IS NULL OR air_source.station_id = $2)
                AND ($3::text IS NULL OR air_source.air_source_kind = $3)
                AND ($4::boolean IS NULL OR (air_source.out_of_service_since IS NOT NULL) = $4) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            query.department_id,
            query.station_id,
            query.air_source_kind,
            query.out_of_service,
            *arguments,
        )
    return window.page(rows, line_of)


@get(
    "/v1/air-sources/{air_source_id}",
    right=rights.AIR_READ,
    tag="air-sources",
    summary="One air source",
    answers=(
        answer(AirSourceView, "The air source.", example=VIEW_EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_air_source(
    request: AnyRequest, air_source_id: uuid.UUID, principal: Principal
) -> Reply[AirSourceView] | Reply[None]:
    """Return an air source: bottles over time with their newest readings, samples, filter changes and outages."""
    known = await read_state(request, principal, Subject(SubjectKind.AIR_SOURCE, air_source_id))
    etag = version_tag(known.version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    source: AirSourceState = known.state
    if source.registered_at is None:
        raise Problem(problem_types.NOT_FOUND, "No air source has this id.")
    outage_ids = [outage.event_id for outage in newest(source.outages)]
    sample_ids = [sample.event_id for sample in newest_samples(source)]
    reasons = await texts_of(request, principal, known.department_id, outage_ids, "reason")
    laboratories = await texts_of(request, principal, known.department_id, sample_ids, "laboratory")
    return Reply(view_of(source, reasons, laboratories), etag=etag)


async def department_of_named(request: AnyRequest, principal: Principal, subject: Subject, pointer: str) -> uuid.UUID:
    """Return the department of a subject that the body names.

    Raises:
        Problem: 422 not-processable, with the pointer, where none of the principal's departments knows it.
    """
    try:
        return await department_of(request, principal, subject)
    except Problem as problem:
        code = f"{subject.kind.value.replace('_', '-')}-unknown"
        fault = Fault(code=code, detail=problem.detail, pointer=pointer)
        raise Problem(problem_types.NOT_PROCESSABLE, problem.detail, errors=[fault]) from None


@post(
    "/v1/air-sources",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Register an air source",
    answers=ENTRY_ANSWERS,
    body_example=NewAirSource(
        station_id=EXAMPLE_STATION_ID,
        air_source_kind="storage_bank",
        label="Cascade",
        bottles=(NewBottle(label="Bottle 1", water_volume_ml=43_000, service_pressure_psi=6000),),
    ),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def register_air_source(request: AnyRequest, body: NewAirSource, principal: Principal) -> Reply[Receipt]:
    """Register a compressor, a storage bank or purchased air. Nothing is permitted from it before a passed sample."""
    station = Subject(SubjectKind.STATION, body.station_id)
    department_id = await department_of_named(request, principal, station, "/station_id")
    source = event_id_for(request, principal, body.event_id)
    air_source_id = body.air_source_id or derived_id("air-source", source.event_id)
    bottles = tuple(
        storage_bottle(bottle, derived_id("bottle", source.event_id, place))
        for place, bottle in enumerate(body.bottles)
    )
    event = air.AirSourceRegistered(
        air_source_id=air_source_id,
        station_id=body.station_id,
        air_source_kind=body.air_source_kind,
        label=body.label,
        oil_lubricated=body.oil_lubricated,
        bottles=bottles or None,
    )
    return await record_entry(request, principal, department_id, body, event, subject_id=air_source_id, source=source)


@post(
    "/v1/air-sources/{air_source_id}/outages",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Take an air source out of service",
    answers=ENTRY_ANSWERS,
    body_example=Outage(reason="Carbon monoxide alarm; cause not found yet."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def take_out_of_service(
    request: AnyRequest, air_source_id: uuid.UUID, body: Outage, principal: Principal
) -> Reply[Receipt]:
    """Take a source out of service: nothing is permitted from it until it is returned."""
    department_id = await department_of(request, principal, Subject(SubjectKind.AIR_SOURCE, air_source_id))
    event = air.AirSourceOutOfService(air_source_id=air_source_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=air_source_id)


@post(
    "/v1/air-sources/{air_source_id}/returns",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Return an air source to service",
    answers=ENTRY_ANSWERS,
    body_example=Return(reason="Intake moved away from the apparatus bay."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def return_to_service(
    request: AnyRequest, air_source_id: uuid.UUID, body: Return, principal: Principal
) -> Reply[Receipt]:
    """Return a source to service. A failed sample still stands against it until a later one passes."""
    department_id = await department_of(request, principal, Subject(SubjectKind.AIR_SOURCE, air_source_id))
    event = air.AirSourceReturnedToService(air_source_id=air_source_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=air_source_id)


HANDLERS: list[HTTPRouteHandler] = [
    list_air_sources,
    read_air_source,
    register_air_source,
    take_out_of_service,
    return_to_service,
]
