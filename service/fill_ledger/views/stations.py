"""Rows for stations, air sources and air samples."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events.air import AirSourceSampled
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.states.stations import AirSourceState, StationState


class StationRow(msgspec.Struct, kw_only=True):
    """One station; `closed_since` is null while it is in service."""

    department_id: uuid.UUID
    station_id: uuid.UUID
    name: str | None
    code: str | None
    station_kind: str | None
    time_zone: str | None
    registered_at: datetime | None
    closed_since: datetime | None


class AirSourceRow(msgspec.Struct, kw_only=True):
    """One air source with its newest sample."""

    department_id: uuid.UUID
    air_source_id: uuid.UUID
    station_id: uuid.UUID | None
    air_source_kind: str | None
    label: str | None
    registered_at: datetime | None
    out_of_service_since: datetime | None
    last_sample_on: str | None
    last_sample_verdict: str | None


class AirSampleRow(msgspec.Struct, kw_only=True):
    """One laboratory result."""

    department_id: uuid.UUID
    event_id: uuid.UUID
    sample_id: uuid.UUID
    air_source_id: uuid.UUID
    taken_on: str
    verdict: str
    standard: str
    reported_at: datetime
    retracted: bool


def station_rows(state: StationState) -> list[StationRow]:
    """Return the row of a station."""
    open_closures = [closure.starts_at for closure in state.closures if closure.ends_at is None]
    return [
        StationRow(
            department_id=state.department_id,
            station_id=state.subject_id,
            name=state.name,
            code=state.code,
            station_kind=state.station_kind,
            time_zone=state.time_zone,
            registered_at=state.registered_at,
            closed_since=min(open_closures, default=None),
        )
    ]


def air_source_rows(state: AirSourceState) -> list[AirSourceRow]:
    """Return the row of an air source."""
    open_outages = [outage.starts_at for outage in state.outages if outage.ends_at is None]
    newest = state.samples[-1] if state.samples else None
    return [
        AirSourceRow(
            department_id=state.department_id,
            air_source_id=state.subject_id,
            station_id=state.station_id,
            air_source_kind=state.air_source_kind,
            label=state.label,
            registered_at=state.registered_at,
            out_of_service_since=min(open_outages, default=None),
            last_sample_on=None if newest is None else newest.taken_on,
            last_sample_verdict=None if newest is None else newest.verdict,
        )
    ]


def air_sample_rows(event: Event, *, retracted: bool, cylinder_id: uuid.UUID | None = None) -> list[AirSampleRow]:
    """Return the row of an air sample, none for other events."""
    body = event.body
    if not isinstance(body, AirSourceSampled):
        return []
    return [
        AirSampleRow(
            department_id=event.department_id,
            event_id=event.event_id,
            sample_id=body.sample_id,
            air_source_id=body.air_source_id,
            taken_on=body.taken_on,
            verdict=body.verdict,
            standard=body.standard,
            reported_at=event.effective_at,
            retracted=retracted,
        )
    ]
