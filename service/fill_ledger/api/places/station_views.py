"""Stations as lists and single answers show them."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Annotated, Any

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Label, Moment
from fill_ledger.api.period_texts import NO_TEXT
from fill_ledger.api.trade_types import (
    EXAMPLE_AIR_SOURCE_ID,
    EXAMPLE_DEPARTMENT_ID,
    EXAMPLE_STATION_ID,
    MAXIMUM_LISTED,
    SHOWN_PERIODS,
    PressurePsi,
    SealedText,
    ShownReason,
    StationCode,
    ZoneName,
)
from fill_ledger.trade.events.air import AirSourceKind
from fill_ledger.trade.events.stations import StationKind
from fill_ledger.trade.states.base import Period
from fill_ledger.trade.states.stations import AirSourceState, FillPosition, StationState


class StationLine(Struct, frozen=True, kw_only=True):
    """One station as a list shows it. `time_zone` null: the department's."""

    station_id: uuid.UUID
    department_id: uuid.UUID
    name: Label
    code: StationCode
    station_kind: StationKind
    time_zone: ZoneName | None
    closed_since: Moment | None


class FillPositionView(Struct, frozen=True, kw_only=True):
    """A connection at the station; `ends_at` null while it is there."""

    fill_position_id: uuid.UUID
    label: Label
    regulator_psi: PressurePsi | None
    hose_rating_psi: PressurePsi | None
    starts_at: Moment
    ends_at: Moment | None


class PeriodView(Struct, frozen=True, kw_only=True):
    """A closure or an outage; `ends_at` null while it lasts. `reason` is null also where it was erased."""

    event_id: uuid.UUID
    starts_at: Moment
    ends_at: Moment | None
    reason: ShownReason | None
    reason_erased: bool


class SourceAtStation(Struct, frozen=True, kw_only=True):
    """An air source at the station, with its newest sample."""

    air_source_id: uuid.UUID
    air_source_kind: AirSourceKind
    label: Label
    out_of_service_since: Moment | None
    last_sample_on: Annotated[str, Meta(max_length=10)] | None
    last_sample_verdict: Annotated[str, Meta(max_length=4)] | None


class StationView(Struct, frozen=True, kw_only=True):
    """One station with everything at it. `closures` shows the newest ones, newest first."""

    station_id: uuid.UUID
    department_id: uuid.UUID
    name: Label
    code: StationCode
    station_kind: StationKind
    time_zone: ZoneName | None
    registered_at: Moment
    closed_since: Moment | None
    fill_positions: Annotated[list[FillPositionView], Meta(max_length=MAXIMUM_LISTED)]
    closures: Annotated[list[PeriodView], Meta(max_length=SHOWN_PERIODS)]
    air_sources: Annotated[list[SourceAtStation], Meta(max_length=MAXIMUM_LISTED)]


LINE_EXAMPLE = StationLine(
    station_id=EXAMPLE_STATION_ID,
    department_id=EXAMPLE_DEPARTMENT_ID,
    name="Quarry Road",
    code="S3",
    station_kind="fixed",
    time_zone="America/New_York",
    closed_since=None,
)
VIEW_EXAMPLE = StationView(
    station_id=EXAMPLE_STATION_ID,
    department_id=EXAMPLE_DEPARTMENT_ID,
    name="Quarry Road",
    code="S3",
    station_kind="fixed",
    time_zone="America/New_York",
    registered_at=datetime(2024, 11, 24, 8, 0, tzinfo=UTC),
    closed_since=None,
    fill_positions=[
        FillPositionView(
            fill_position_id=uuid.UUID("1f0a2c4b-6d8f-4013-a5b7-c9d1e3f50709"),
            label="Whip 1",
            regulator_psi=4500,
            hose_rating_psi=6000,
            starts_at=datetime(2024, 11, 24, 8, 0, tzinfo=UTC),
            ends_at=None,
        )
    ],
    closures=[],
    air_sources=[
        SourceAtStation(
            air_source_id=EXAMPLE_AIR_SOURCE_ID,
            air_source_kind="compressor",
            label="Compressor",
            out_of_service_since=None,
            last_sample_on="2026-10-02",
            last_sample_verdict="pass",
        )
    ],
)


def line_of(row: Any) -> StationLine:
    """Return a row of the view as the list shows it."""
    return StationLine(**{name: row[name] for name in StationLine.__struct_fields__})


def newest(periods: Sequence[Period]) -> list[Period]:
    """Return the newest periods, newest first, as many as one answer shows."""
    return list(reversed(periods))[:SHOWN_PERIODS]


def open_since(periods: Sequence[Period]) -> datetime | None:
    """Return since when a closure or outage lasts, or None."""
    return min((period.starts_at for period in periods if period.ends_at is None), default=None)


def period_views(periods: Sequence[Period], texts: Mapping[uuid.UUID, SealedText]) -> list[PeriodView]:
    """Return closures or outages with their reasons, as far as the caller may read them."""
    return [
        PeriodView(
            event_id=period.event_id,
            starts_at=period.starts_at,
            ends_at=period.ends_at,
            reason=texts.get(period.event_id, NO_TEXT).text,
            reason_erased=texts.get(period.event_id, NO_TEXT).erased,
        )
        for period in periods
    ]


def _position_view(position: FillPosition) -> FillPositionView:
    return FillPositionView(
        fill_position_id=position.fill_position_id,
        label=position.label,
        regulator_psi=position.regulator_psi,
        hose_rating_psi=position.hose_rating_psi,
        starts_at=position.starts_at,
        ends_at=position.ends_at,
    )


def _source_at_station(source: AirSourceState) -> SourceAtStation:
    latest = source.samples[-1] if source.samples else None
    kind: Any = source.air_source_kind
    return SourceAtStation(
        air_source_id=source.subject_id,
        air_source_kind=kind,
        label=source.label or "",
        out_of_service_since=open_since(source.outages),
        last_sample_on=None if latest is None else latest.taken_on,
        last_sample_verdict=None if latest is None else latest.verdict,
    )


def view_of(
    station: StationState, sources: Sequence[AirSourceState], texts: Mapping[uuid.UUID, SealedText]
) -> StationView:
    """Return one registered station with what is at it."""
    assert station.registered_at is not None
    kind: Any = station.station_kind
    return StationView(
        station_id=station.subject_id,
        department_id=station.department_id,
        name=station.name or "",
        code=station.code or "",
        station_kind=kind,
        time_zone=station.time_zone,
        registered_at=station.registered_at,
        closed_since=open_since(station.closures),
        fill_positions=[_position_view(position) for position in station.positions],
        closures=period_views(newest(station.closures), texts),
        air_sources=[_source_at_station(source) for source in sources if source.registered_at is not None],
    )
