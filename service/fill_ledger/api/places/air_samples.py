"""`/v1/air-samples`: what laboratories found in the air of each source."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, event_id_for, record_entry
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.query_days import real_day
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.api.places.air_sources import department_of_named
from fill_ledger.api.places.air_types import (
    MAXIMUM_RESULTS,
    AnalyteResult,
    DayText,
    LaboratoryName,
    StandardName,
    Verdict,
)
from fill_ledger.api.trade_types import EXAMPLE_AIR_SOURCE_ID, EXAMPLE_DEPARTMENT_ID
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events import air
from fill_ledger.trade.events.envelope import Day
from fill_ledger.trade.identifiers import Subject, SubjectKind, derived_id


class NewAirSample(Entry, frozen=True, kw_only=True):
    """A laboratory's result for air from a source. `verdict` is the laboratory's by the standard it names."""

    air_source_id: uuid.UUID
    taken_on: Day
    verdict: Verdict
    standard: StandardName
    laboratory: LaboratoryName | None = None
    results: Annotated[tuple[AnalyteResult, ...], Meta(max_length=MAXIMUM_RESULTS)] = ()
    sample_id: uuid.UUID | None = None


class AirSampleLine(Struct, frozen=True, kw_only=True):
    """One sample as the list shows it; its results stand with the air source."""

    sample_id: uuid.UUID
    event_id: uuid.UUID
    department_id: uuid.UUID
    air_source_id: uuid.UUID
    taken_on: DayText
    verdict: Verdict
    standard: StandardName
    reported_at: Moment


class AirSampleQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of air samples; `taken_from` and `taken_to` take their day in."""

    department_id: Annotated[uuid.UUID, Meta(description="Only samples of this department.")] | None = None
    air_source_id: Annotated[uuid.UUID, Meta(description="Only samples of this air source.")] | None = None
    verdict: Annotated[Verdict, Meta(description="Only samples with this verdict.")] | None = None
    taken_from: Day | None = None
    taken_to: Day | None = None


LINE_EXAMPLE = AirSampleLine(
    sample_id=uuid.UUID("4a0a2c4b-6d8f-4013-a5b7-c9d1e3f50710"),
    event_id=uuid.UUID("5b0a2c4b-6d8f-4013-a5b7-c9d1e3f50711"),
    department_id=EXAMPLE_DEPARTMENT_ID,
    air_source_id=EXAMPLE_AIR_SOURCE_ID,
    taken_on="2026-10-02",
    verdict="pass",
    standard="NFPA 1989 (2019)",
    reported_at=datetime(2026, 10, 9, 14, 0, tzinfo=UTC),
)
NEWEST_FIRST = SortOrder(
    name="taken_on",
    keys=(
        SortKey(column="air_sample.department_id", kind="uuid", descending=True),
        SortKey(column="air_sample.taken_on", kind="date", descending=True),
        SortKey(column="air_sample.event_id", kind="uuid", descending=True),
    ),
)
_COLUMNS = ", ".join(f"air_sample.{name}" for name in AirSampleLine.__struct_fields__)


def _line(row: Any) -> AirSampleLine:
    values = {name: row[name] for name in AirSampleLine.__struct_fields__}
    return AirSampleLine(**{**values, "taken_on": row["taken_on"].isoformat()})


@get(
    "/v1/air-samples",
    right=rights.AIR_READ,
    tag="air-sources",
    summary="List air samples",
    answers=answer(
        Page[AirSampleLine], "One page of air samples.", example=Page(items=[LINE_EXAMPLE], next_cursor=None)
    ),
)
async def list_air_samples(
    request: AnyRequest, query: AirSampleQuery, principal: Principal
) -> Reply[Page[AirSampleLine]]:
    """Return air samples department by department, the newest first; retracted ones are left out."""
    window = open_window(request, query, NEWEST_FIRST)
    taken_from, taken_to = real_day(query.taken_from, "taken_from"), real_day(query.taken_to, "taken_to")
    after, arguments = window.after(6)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT {_COLUMNS} FROM views.air_sample
            WHERE air_sample.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND NOT air_sample.retracted AND ($1::uuid IS NULL OR air_sample.department_id = $1)
                AND ($2::uuid IS NULL OR air_sample.air_source_id = $2)
                AND ($3::text IS NULL OR air_sample.verdict = $3)
                AND ($4::date IS NULL OR air_sample.taken_on >= $4)
                AND ($5::date IS NULL OR air_sample.taken_on <= $5) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            query.department_id,
            query.air_source_id,
            query.verdict,
            taken_from,
            taken_to,
            *arguments,
        )
    return window.page(rows, _line)


@post(
    "/v1/air-samples",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Enter an air sample",
    answers=ENTRY_ANSWERS,
    body_example=NewAirSample(
        air_source_id=EXAMPLE_AIR_SOURCE_ID,
        taken_on="2026-10-02",
        verdict="pass",
        standard="NFPA 1989 (2019)",
        results=(AnalyteResult(analyte="carbon_monoxide", unit="ppm", value="0.5"),),
    ),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enter_air_sample(request: AnyRequest, body: NewAirSample, principal: Principal) -> Reply[Receipt]:
    """Enter a laboratory's result. After a failed one nothing is permitted from the source until a later one passes."""
    subject = Subject(SubjectKind.AIR_SOURCE, body.air_source_id)
    department_id = await department_of_named(request, principal, subject, "/air_source_id")
    source = event_id_for(request, principal, body.event_id)
    sample_id = body.sample_id or derived_id("air-sample", source.event_id)
    results = tuple(
        air.AnalyteResult(analyte=result.analyte, unit=result.unit, value=result.value, text=result.text)
        for result in body.results
    )
    event = air.AirSourceSampled(
        air_source_id=body.air_source_id,
        sample_id=sample_id,
        taken_on=body.taken_on,
        verdict=body.verdict,
        standard=body.standard,
        laboratory=body.laboratory,
        results=results or None,
    )
    return await record_entry(request, principal, department_id, body, event, subject_id=sample_id, source=source)


HANDLERS: list[HTTPRouteHandler] = [list_air_samples, enter_air_sample]
