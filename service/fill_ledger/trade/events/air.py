"""Events about air sources: compressors, storage banks with their bottles, charging, filters and air samples."""

import uuid
from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.envelope import Body, Count, Day, Nature, Psi, ReportedPsi, SealedText, ShortText, event
from fill_ledger.trade.identifiers import Subject, SubjectKind

AirSourceKind = Literal["compressor", "storage_bank", "purchased"]
Analyte = Literal[
    "oxygen", "nitrogen", "carbon_monoxide", "carbon_dioxide", "oil", "hydrocarbons", "water", "dew_point", "odour"
]
AnalyteUnit = Literal["percent", "ppm", "mg_per_m3", "deg_f", "none"]
WaterVolume = Annotated[int, Meta(ge=100, le=3_000_000, description="water volume in millilitres")]
DecimalText = Annotated[
    str, Meta(pattern=r"^-?[0-9]{1,6}(\.[0-9]{1,4})?\Z", max_length=12, description="decimal number as text")
]


class AirSourceBody(Body, frozen=True, kw_only=True):
    """Base of events that change an air source."""

    air_source_id: uuid.UUID

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.AIR_SOURCE, self.air_source_id),)


class StorageBottle(Body, frozen=True, kw_only=True):
    """One bottle of a storage bank."""

    bottle_id: uuid.UUID
    label: ShortText
    water_volume_ml: WaterVolume
    service_pressure_psi: Psi


class AnalyteResult(Body, frozen=True, kw_only=True):
    """What the laboratory found for one analyte, as reported; numbers are decimal text, never floating point."""

    analyte: Analyte
    value: DecimalText | None = None
    unit: AnalyteUnit
    text: ShortText | None = None


@event("air_source.registered", Nature.OFFICE)
class AirSourceRegistered(AirSourceBody, frozen=True, kw_only=True):
    """A compressor, a storage bank or purchased air at a station."""

    station_id: uuid.UUID
    air_source_kind: AirSourceKind
    label: ShortText
    oil_lubricated: bool | None = None
    bottles: Annotated[tuple[StorageBottle, ...], Meta(max_length=100)] | None = None

    def folds_into(self) -> Iterable[Subject]:
        yield Subject(SubjectKind.AIR_SOURCE, self.air_source_id)
        yield Subject(SubjectKind.STATION, self.station_id)


@event("air_source.out_of_service", Nature.OFFICE, sealed=("reason",))
class AirSourceOutOfService(AirSourceBody, frozen=True, kw_only=True):
    """Nothing may be filled from this source until it is returned to service."""

    reason: SealedText


@event("air_source.returned_to_service", Nature.OFFICE, sealed=("reason",))
class AirSourceReturnedToService(AirSourceBody, frozen=True, kw_only=True):
    """The source may be used again, as far as its air sample allows."""

    reason: SealedText | None = None


@event("storage_bottle.installed", Nature.OFFICE)
class StorageBottleInstalled(AirSourceBody, frozen=True, kw_only=True):
    """A bottle was added to a bank."""

    bottle: StorageBottle


@event("storage_bottle.removed", Nature.OFFICE)
class StorageBottleRemoved(AirSourceBody, frozen=True, kw_only=True):
    """A bottle was taken out of a bank."""

    bottle_id: uuid.UUID


@event("air_source.sampled", Nature.OFFICE, sealed=("laboratory",))
class AirSourceSampled(AirSourceBody, frozen=True, kw_only=True):
    """A laboratory's result for air from this source.

    `verdict` is the laboratory's; the results are kept so that another standard can judge them again. An interval is
    counted from the day the sample was taken.
    """

    sample_id: uuid.UUID
    taken_on: Day
    verdict: Literal["pass", "fail"]
    standard: ShortText
    laboratory: SealedText | None = None
    results: Annotated[tuple[AnalyteResult, ...], Meta(max_length=40)] | None = None


@event("co_monitor.calibrated", Nature.OFFICE, sealed=("note",))
class CoMonitorCalibrated(AirSourceBody, frozen=True, kw_only=True):
    """The carbon monoxide monitor of this source was calibrated; `due_on` is the last day its label gives it."""

    calibrated_on: Day
    due_on: Day | None = None
    note: SealedText | None = None


@event("storage.charged", Nature.OBSERVATION, order_free=True)
class StorageCharged(AirSourceBody, frozen=True, kw_only=True):
    """A storage bank was charged from another source of the station."""

    from_air_source_id: uuid.UUID
    bottle_ids: Annotated[tuple[uuid.UUID, ...], Meta(max_length=100)] | None = None
    start_psi: ReportedPsi | None = None
    end_psi: ReportedPsi | None = None

    def mentions(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.AIR_SOURCE, self.from_air_source_id),)


@event("storage_bottle.read", Nature.OBSERVATION, order_free=True)
class StorageBottleRead(AirSourceBody, frozen=True, kw_only=True):
    """A storage bottle's gauge was read."""

    bottle_id: uuid.UUID
    pressure_psi: ReportedPsi


@event("compressor.hours_read", Nature.OBSERVATION, order_free=True)
class CompressorHoursRead(AirSourceBody, frozen=True, kw_only=True):
    """The compressor's hour meter was read, in tenths of an hour."""

    run_time_tenths_h: Count


@event("filter.changed", Nature.OBSERVATION, order_free=True, sealed=("note",))
class FilterChanged(AirSourceBody, frozen=True, kw_only=True):
    """The purification cartridge or filter was replaced."""

    run_time_tenths_h: Count | None = None
    cartridge: ShortText | None = None
    note: SealedText | None = None
