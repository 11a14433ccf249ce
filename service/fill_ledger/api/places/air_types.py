"""What requests and answers about air sources are made of."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Count, Label, Moment, StrictStruct
from fill_ledger.api.period_texts import NO_TEXT
from fill_ledger.api.places.station_views import PeriodView, newest, open_since, period_views
from fill_ledger.api.trade_types import (
    EXAMPLE_AIR_SOURCE_ID,
    EXAMPLE_DEPARTMENT_ID,
    EXAMPLE_STATION_ID,
    MAXIMUM_LISTED,
    SHOWN_PERIODS,
    PressurePsi,
    RatedPressurePsi,
    RunTimeTenths,
    SealedText,
)
from fill_ledger.trade.events import air
from fill_ledger.trade.events.envelope import ReportedPsi
from fill_ledger.trade.states.stations import AirSourceState, Sample

MAXIMUM_BOTTLES = 100
MAXIMUM_RESULTS = 40

WaterVolume = Annotated[
    int,
    Meta(ge=100, le=3_000_000, extra_json_schema={"format": "int32"}, description="Water volume in whole millilitres."),
]
DecimalNumber = Annotated[
    str,
    Meta(
        max_length=12,
        pattern=r"^-?[0-9]{1,6}(\.[0-9]{1,4})?\Z",
        description="A number exactly as reported, as decimal text.",
    ),
]
ResultText = Annotated[str, Meta(min_length=1, max_length=200)]
StandardName = Annotated[
    str, Meta(min_length=1, max_length=200, description="The standard the laboratory judged by, with its edition.")
]
LaboratoryName = Annotated[
    str, Meta(min_length=1, max_length=2000, description="Kept sealed, because it may name a person.")
]
Verdict = Literal["pass", "fail"]
Analyte = Literal[
    "oxygen", "nitrogen", "carbon_monoxide", "carbon_dioxide", "oil", "hydrocarbons", "water", "dew_point", "odour"
]
AnalyteUnit = Literal["percent", "ppm", "mg_per_m3", "deg_f", "none"]
DayText = Annotated[str, Meta(max_length=10, description="A calendar day, YYYY-MM-DD.")]


class NewBottle(StrictStruct, frozen=True, kw_only=True):
    """A bottle of a storage bank."""

    label: Label
    water_volume_ml: WaterVolume
    service_pressure_psi: RatedPressurePsi
    bottle_id: uuid.UUID | None = None


class AnalyteResult(StrictStruct, frozen=True, kw_only=True):
    """What the laboratory found for one analyte: a number, its own words ("none detected"), or both."""

    analyte: Analyte
    unit: AnalyteUnit
    value: DecimalNumber | None = None
    text: ResultText | None = None


class AirSourceLine(Struct, frozen=True, kw_only=True):
    """One air source as a list shows it."""

    air_source_id: uuid.UUID
    department_id: uuid.UUID
    station_id: uuid.UUID
    air_source_kind: air.AirSourceKind
    label: Label
    registered_at: Moment
    out_of_service_since: Moment | None
    last_sample_on: DayText | None
    last_sample_verdict: Verdict | None


class BottleView(Struct, frozen=True, kw_only=True):
    """A bottle while it belongs to the bank; `ends_at` null while it does. With its newest gauge reading."""

    bottle_id: uuid.UUID
    label: Label
    water_volume_ml: WaterVolume
    service_pressure_psi: PressurePsi
    starts_at: Moment
    ends_at: Moment | None
    pressure_psi: ReportedPsi | None
    pressure_read_at: Moment | None


class SampleView(Struct, frozen=True, kw_only=True):
    """A laboratory's result. `laboratory` is null for callers who may not read names, and where it was erased."""

    sample_id: uuid.UUID
    event_id: uuid.UUID
    taken_on: DayText
    verdict: Verdict
    standard: StandardName
    reported_at: Moment
    laboratory: Annotated[str, Meta(max_length=2000)] | None
    laboratory_erased: bool
    results: Annotated[list[AnalyteResult], Meta(max_length=MAXIMUM_RESULTS)]


class FilterChangeView(Struct, frozen=True, kw_only=True):
    """One change of the purification filter or cartridge."""

    event_id: uuid.UUID
    changed_at: Moment
    run_time_tenths_h: RunTimeTenths | None


class RunTimeView(Struct, frozen=True, kw_only=True):
    """The newest reading of the hour meter."""

    run_time_tenths_h: RunTimeTenths
    read_at: Moment


class CoCalibrationView(Struct, frozen=True, kw_only=True):
    """One calibration of the carbon monoxide monitor; `due_on` is what its label or certificate gives it."""

    event_id: uuid.UUID
    calibrated_on: DayText
    due_on: DayText | None


class AirSourceView(Struct, frozen=True, kw_only=True):
    """One air source with its history in short; its lists are of the newest, newest first."""

    air_source_id: uuid.UUID
    department_id: uuid.UUID
    station_id: uuid.UUID
    air_source_kind: air.AirSourceKind
    label: Label
    oil_lubricated: bool | None
    registered_at: Moment
    out_of_service_since: Moment | None
    outages: Annotated[list[PeriodView], Meta(max_length=SHOWN_PERIODS)]
    bottles: Annotated[list[BottleView], Meta(max_length=MAXIMUM_LISTED)]
    samples: Annotated[list[SampleView], Meta(max_length=SHOWN_PERIODS)]
    run_time: RunTimeView | None
    filter_changes: Annotated[list[FilterChangeView], Meta(max_length=SHOWN_PERIODS)]
    co_calibrations: Annotated[list[CoCalibrationView], Meta(max_length=SHOWN_PERIODS)]
    last_charged_at: Moment | None
    charges_total: Count


LINE_EXAMPLE = AirSourceLine(
    air_source_id=EXAMPLE_AIR_SOURCE_ID,
    department_id=EXAMPLE_DEPARTMENT_ID,
    station_id=EXAMPLE_STATION_ID,
    air_source_kind="compressor",
    label="Compressor",
    registered_at=datetime(2024, 11, 24, 8, 0, tzinfo=UTC),
    out_of_service_since=None,
    last_sample_on="2026-10-02",
    last_sample_verdict="pass",
)
VIEW_EXAMPLE = AirSourceView(
    air_source_id=EXAMPLE_AIR_SOURCE_ID,
    department_id=EXAMPLE_DEPARTMENT_ID,
    station_id=EXAMPLE_STATION_ID,
    air_source_kind="compressor",
    label="Compressor",
    oil_lubricated=True,
    registered_at=datetime(2024, 11, 24, 8, 0, tzinfo=UTC),
    out_of_service_since=None,
    outages=[],
    bottles=[],
    samples=[
        SampleView(
            sample_id=uuid.UUID("4a0a2c4b-6d8f-4013-a5b7-c9d1e3f50710"),
            event_id=uuid.UUID("5b0a2c4b-6d8f-4013-a5b7-c9d1e3f50711"),
            taken_on="2026-10-02",
            verdict="pass",
            standard="NFPA 1989 (2019)",
            reported_at=datetime(2026, 10, 9, 14, 0, tzinfo=UTC),
            laboratory=None,
            laboratory_erased=False,
            results=[AnalyteResult(analyte="carbon_monoxide", unit="ppm", value="0.5")],
        )
    ],
    run_time=RunTimeView(run_time_tenths_h=12_345, read_at=datetime(2026, 11, 2, 12, 0, tzinfo=UTC)),
    filter_changes=[],
    co_calibrations=[],
    last_charged_at=None,
    charges_total=0,
)


def storage_bottle(bottle: NewBottle, default_id: uuid.UUID) -> air.StorageBottle:
    """Return a bottle as its event has it."""
    return air.StorageBottle(
        bottle_id=bottle.bottle_id or default_id,
        label=bottle.label,
        water_volume_ml=bottle.water_volume_ml,
        service_pressure_psi=bottle.service_pressure_psi,
    )


def line_of(row: Any) -> AirSourceLine:
    """Return a row of the view as the list shows it."""
    values = {name: row[name] for name in AirSourceLine.__struct_fields__}
    day = values["last_sample_on"]
    return AirSourceLine(**{**values, "last_sample_on": None if day is None else day.isoformat()})


def _bottle_views(source: AirSourceState) -> list[BottleView]:
    readings = {reading.bottle_id: reading for reading in source.bottle_readings}
    views: list[BottleView] = []
    for bottle in source.bottles:
        reading = readings.get(bottle.bottle_id)
        if reading is not None and not bottle.covers(reading.read_at):
            reading = None
        views.append(
            BottleView(
                bottle_id=bottle.bottle_id,
                label=bottle.label,
                water_volume_ml=bottle.water_volume_ml,
                service_pressure_psi=bottle.service_pressure_psi,
                starts_at=bottle.starts_at,
                ends_at=bottle.ends_at,
                pressure_psi=None if reading is None else reading.pressure_psi,
                pressure_read_at=None if reading is None else reading.read_at,
            )
        )
    return views


def newest_samples(source: AirSourceState) -> list[Sample]:
    """Return the samples taken last, newest first, as many as one answer shows."""
    return list(reversed(source.samples))[:SHOWN_PERIODS]


def _sample_view(sample: Sample, text: SealedText) -> SampleView:
    verdict: Any = sample.verdict
    return SampleView(
        sample_id=sample.sample_id,
        event_id=sample.event_id,
        taken_on=sample.taken_on,
        verdict=verdict,
        standard=sample.standard,
        reported_at=sample.reported_at,
        laboratory=text.text,
        laboratory_erased=text.erased,
        results=[
            AnalyteResult(analyte=result.analyte, unit=result.unit, value=result.value, text=result.text)
            for result in sample.results or ()
        ],
    )


def view_of(
    source: AirSourceState,
    reasons: Mapping[uuid.UUID, SealedText],
    laboratories: Mapping[uuid.UUID, SealedText],
) -> AirSourceView:
    """Return one registered air source with what is known of it."""
    assert source.registered_at is not None
    assert source.station_id is not None
    kind: Any = source.air_source_kind
    meter = source.run_time_tenths_h
    changes: Sequence[Any] = list(reversed(source.filter_changes))[:SHOWN_PERIODS]
    return AirSourceView(
        air_source_id=source.subject_id,
        department_id=source.department_id,
        station_id=source.station_id,
        air_source_kind=kind,
        label=source.label or "",
        oil_lubricated=source.oil_lubricated,
        registered_at=source.registered_at,
        out_of_service_since=open_since(source.outages),
        outages=period_views(newest(source.outages), reasons),
        bottles=_bottle_views(source),
        samples=[_sample_view(sample, laboratories.get(sample.event_id, NO_TEXT)) for sample in newest_samples(source)],
        run_time=None if meter is None else RunTimeView(run_time_tenths_h=meter.value, read_at=meter.read_at),
        filter_changes=[
            FilterChangeView(
                event_id=change.event_id, changed_at=change.changed_at, run_time_tenths_h=change.run_time_tenths_h
            )
            for change in changes
        ],
        co_calibrations=[
            CoCalibrationView(event_id=known.event_id, calibrated_on=known.calibrated_on, due_on=known.due_on)
            for known in reversed(source.co_calibrations)
        ],
        last_charged_at=source.last_charged_at,
        charges_total=source.charges_total,
    )
