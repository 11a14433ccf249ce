"""States of stations and of the air sources at them."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events import air, stations
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.states.alarms import Alarm, end_alarm, raise_alarm
from fill_ledger.trade.states.base import Fold, Period, State, end_open_periods

KEPT_FILTER_CHANGES = 50
KEPT_CALIBRATIONS = 50
KEPT_METER_READINGS = 20


class FillPosition(Period, kw_only=True, omit_defaults=True):
    """A connection at a station while it exists."""

    fill_position_id: uuid.UUID
    label: str
    regulator_psi: int | None = None
    hose_rating_psi: int | None = None


class StationState(State, kw_only=True, omit_defaults=True):
    """A fill station: its details, when it was closed, its connections over time, its alarms: see `states.alarms`."""

    name: str | None = None
    code: str | None = None
    station_kind: str | None = None
    time_zone: str | None = None
    registered_at: datetime | None = None
    closures: list[Period] = msgspec.field(default_factory=list)
    positions: list[FillPosition] = msgspec.field(default_factory=list)
    air_source_ids: list[uuid.UUID] = msgspec.field(default_factory=list)
    alarms: list[Alarm] = msgspec.field(default_factory=list)


class Bottle(Period, kw_only=True, omit_defaults=True):
    """A storage bottle while it belongs to the bank, with its latest gauge reading."""

    bottle_id: uuid.UUID
    label: str
    water_volume_ml: int
    service_pressure_psi: int


class BottleReading(msgspec.Struct, kw_only=True):
    """The newest gauge reading of one bottle."""

    bottle_id: uuid.UUID
    pressure_psi: int
    read_at: datetime
    event_id: uuid.UUID


class Sample(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One laboratory result, in the order of the days the samples were taken."""

    sample_id: uuid.UUID
    event_id: uuid.UUID
    taken_on: str
    verdict: str
    standard: str
    reported_at: datetime
    results: tuple[air.AnalyteResult, ...] | None = None


class Reading(msgspec.Struct, kw_only=True):
    """The newest value of a meter."""

    value: int
    read_at: datetime
    event_id: uuid.UUID


class FilterChange(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One change of the purification filter."""

    changed_at: datetime
    event_id: uuid.UUID
    run_time_tenths_h: int | None = None


class CoCalibration(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One calibration of the carbon monoxide monitor, in the order of the days."""

    event_id: uuid.UUID
    calibrated_on: str
    due_on: str | None = None


class AirSourceState(State, kw_only=True, omit_defaults=True):
    """A compressor, a storage bank or purchased air."""

    station_id: uuid.UUID | None = None
    air_source_kind: str | None = None
    label: str | None = None
    oil_lubricated: bool | None = None
    registered_at: datetime | None = None
    outages: list[Period] = msgspec.field(default_factory=list)
    bottles: list[Bottle] = msgspec.field(default_factory=list)
    bottle_readings: list[BottleReading] = msgspec.field(default_factory=list)
    samples: list[Sample] = msgspec.field(default_factory=list)
    run_time_tenths_h: Reading | None = None
    run_time_readings: list[Reading] = msgspec.field(default_factory=list)
    co_calibrations: list[CoCalibration] = msgspec.field(default_factory=list)
    filter_changes: list[FilterChange] = msgspec.field(default_factory=list)
    last_charged_at: datetime | None = None
    charges_total: int = 0


station_fold = Fold(StationState)
air_source_fold = Fold(AirSourceState)


@station_fold.on(stations.StationRegistered)
def _registered(state: StationState, body: stations.StationRegistered, event: Event) -> None:
    state.name, state.code, state.station_kind, state.time_zone = (
        body.name,
        body.code,
        body.station_kind,
        body.time_zone,
    )
    state.registered_at = event.effective_at


@station_fold.on(stations.StationDetailsCorrected)
def _corrected(state: StationState, body: stations.StationDetailsCorrected, event: Event) -> None:
    state.name = body.name or state.name
    state.code = body.code or state.code
    state.time_zone = body.time_zone or state.time_zone


@station_fold.on(stations.StationClosed)
def _closed(state: StationState, body: stations.StationClosed, event: Event) -> None:
    end_open_periods(state.closures, event.effective_at)
    state.closures.append(Period(event_id=event.event_id, starts_at=event.effective_at))


@station_fold.on(stations.StationOpened)
def _opened(state: StationState, body: stations.StationOpened, event: Event) -> None:
    end_open_periods(state.closures, event.effective_at)


@station_fold.on(stations.FillPositionRegistered)
def _position_registered(state: StationState, body: stations.FillPositionRegistered, event: Event) -> None:
    end_open_periods(
        [position for position in state.positions if position.fill_position_id == body.fill_position_id],
        event.effective_at,
    )
    state.positions.append(
        FillPosition(
            event_id=event.event_id,
            starts_at=event.effective_at,
            fill_position_id=body.fill_position_id,
            label=body.label,
            regulator_psi=body.regulator_psi,
            hose_rating_psi=body.hose_rating_psi,
        )
    )


@station_fold.on(stations.FillPositionRemoved)
def _position_removed(state: StationState, body: stations.FillPositionRemoved, event: Event) -> None:
    end_open_periods(
        [position for position in state.positions if position.fill_position_id == body.fill_position_id],
        event.effective_at,
    )


@station_fold.on(stations.AlarmRaised)
def _alarm_raised(state: StationState, body: stations.AlarmRaised, event: Event) -> None:
    state.alarms = raise_alarm(state.alarms, body, event)


@station_fold.on(stations.AlarmEnded)
def _alarm_ended(state: StationState, body: stations.AlarmEnded, event: Event) -> None:
    # A device of another station may raise an alarm here, which errs on the safe side, but never ends one.
    if event.station_id in (None, body.station_id):
        state.alarms = end_alarm(state.alarms, body, event)


@station_fold.on(air.AirSourceRegistered)
def _air_source_added(state: StationState, body: air.AirSourceRegistered, event: Event) -> None:
    if body.air_source_id not in state.air_source_ids:
        state.air_source_ids.append(body.air_source_id)


@air_source_fold.on(air.AirSourceRegistered)
def _source_registered(state: AirSourceState, body: air.AirSourceRegistered, event: Event) -> None:
    state.station_id, state.air_source_kind, state.label = body.station_id, body.air_source_kind, body.label
    state.oil_lubricated = body.oil_lubricated
    state.registered_at = event.effective_at
    for bottle in body.bottles or ():
        _add_bottle(state, bottle, event)


def _add_bottle(state: AirSourceState, bottle: air.StorageBottle, event: Event) -> None:
    state.bottles.append(
        Bottle(
            event_id=event.event_id,
            starts_at=event.effective_at,
            bottle_id=bottle.bottle_id,
            label=bottle.label,
            water_volume_ml=bottle.water_volume_ml,
            service_pressure_psi=bottle.service_pressure_psi,
        )
    )


@air_source_fold.on(air.AirSourceOutOfService)
def _out_of_service(state: AirSourceState, body: air.AirSourceOutOfService, event: Event) -> None:
    end_open_periods(state.outages, event.effective_at)
    state.outages.append(Period(event_id=event.event_id, starts_at=event.effective_at))


@air_source_fold.on(air.AirSourceReturnedToService)
def _returned(state: AirSourceState, body: air.AirSourceReturnedToService, event: Event) -> None:
    end_open_periods(state.outages, event.effective_at)


@air_source_fold.on(air.StorageBottleInstalled)
def _bottle_installed(state: AirSourceState, body: air.StorageBottleInstalled, event: Event) -> None:
    _add_bottle(state, body.bottle, event)


@air_source_fold.on(air.StorageBottleRemoved)
def _bottle_removed(state: AirSourceState, body: air.StorageBottleRemoved, event: Event) -> None:
    end_open_periods([bottle for bottle in state.bottles if bottle.bottle_id == body.bottle_id], event.effective_at)


@air_source_fold.on(air.AirSourceSampled)
def _sampled(state: AirSourceState, body: air.AirSourceSampled, event: Event) -> None:
    state.samples.append(
        Sample(
            sample_id=body.sample_id,
            event_id=event.event_id,
            taken_on=body.taken_on,
            verdict=body.verdict,
            standard=body.standard,
            reported_at=event.effective_at,
            results=body.results,
        )
    )
    state.samples.sort(key=lambda sample: (sample.taken_on, sample.reported_at, sample.event_id))


@air_source_fold.on(air.StorageCharged)
def _charged(state: AirSourceState, body: air.StorageCharged, event: Event) -> None:
    state.charges_total += 1
    if state.last_charged_at is None or state.last_charged_at < event.effective_at:
        state.last_charged_at = event.effective_at


@air_source_fold.on(air.StorageBottleRead)
def _bottle_read(state: AirSourceState, body: air.StorageBottleRead, event: Event) -> None:
    reading = BottleReading(
        bottle_id=body.bottle_id,
        pressure_psi=body.pressure_psi,
        read_at=event.effective_at,
        event_id=event.event_id,
    )
    others = [known for known in state.bottle_readings if known.bottle_id != body.bottle_id]
    same = [known for known in state.bottle_readings if known.bottle_id == body.bottle_id]
    newest = max([*same, reading], key=lambda known: (known.read_at, known.event_id))
    state.bottle_readings = sorted([*others, newest], key=lambda known: known.bottle_id)


@air_source_fold.on(air.CompressorHoursRead)
def _hours_read(state: AirSourceState, body: air.CompressorHoursRead, event: Event) -> None:
    reading = Reading(value=body.run_time_tenths_h, read_at=event.effective_at, event_id=event.event_id)
    readings = sorted([*state.run_time_readings, reading], key=lambda known: (known.read_at, known.event_id))
    state.run_time_readings = readings[-KEPT_METER_READINGS:]
    state.run_time_tenths_h = readings[-1]


@air_source_fold.on(air.CoMonitorCalibrated)
def _co_monitor_calibrated(state: AirSourceState, body: air.CoMonitorCalibrated, event: Event) -> None:
    state.co_calibrations.append(
        CoCalibration(event_id=event.event_id, calibrated_on=body.calibrated_on, due_on=body.due_on)
    )
    state.co_calibrations.sort(key=lambda calibration: (calibration.calibrated_on, calibration.event_id))
    del state.co_calibrations[:-KEPT_CALIBRATIONS]


@air_source_fold.on(air.FilterChanged)
def _filter_changed(state: AirSourceState, body: air.FilterChanged, event: Event) -> None:
    state.filter_changes.append(
        FilterChange(changed_at=event.effective_at, event_id=event.event_id, run_time_tenths_h=body.run_time_tenths_h)
    )
    state.filter_changes.sort(key=lambda change: (change.changed_at, change.event_id))
    del state.filter_changes[:-KEPT_FILTER_CHANGES]
