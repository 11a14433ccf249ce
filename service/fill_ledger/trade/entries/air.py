"""Checks of office entries about air sources and air samples, and of what a person enters in place of a device."""

import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, day_refusals, latest_local, too_early
from fill_ledger.trade.events import air
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.stations import AirSourceState, Bottle

STORAGE_BANK = "storage_bank"
# The share of a whole by volume cannot be more than all of it.
WHOLE: dict[air.AnalyteUnit, Decimal] = {"percent": Decimal(100), "ppm": Decimal(1_000_000)}
# Dry ice makes a dew point of about -110 F (from memory) and boiling water one of 212 F: no sample lies far beyond.
DEW_POINT_MIN_F, DEW_POINT_MAX_F = Decimal(-200), Decimal(212)


def _source(known: Known, air_source_id: uuid.UUID) -> AirSourceState:
    state: AirSourceState = known.state(Subject(SubjectKind.AIR_SOURCE, air_source_id))
    return state


def _bottle_in_bank(source: AirSourceState, bottle_id: uuid.UUID) -> Bottle | None:
    bottles = (bottle for bottle in source.bottles if bottle.bottle_id == bottle_id and bottle.ends_at is None)
    return next(bottles, None)


@check(air.AirSourceRegistered)
def _source_is_new(body: air.AirSourceRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _source(known, body.air_source_id).registered_at is not None:
        yield Refusal(
            code="already-registered", detail="This air source is registered already.", pointer="/air_source_id"
        )
    if body.bottles and body.air_source_kind != STORAGE_BANK:
        yield Refusal(
            code="not-a-storage-bank", detail="Only a storage bank has bottles.", pointer="/bottles", conflict=False
        )
    seen: set[uuid.UUID] = set()
    for place, bottle in enumerate(body.bottles or ()):
        if bottle.bottle_id in seen:
            yield Refusal(
                code="named-twice",
                detail="This bottle is named twice.",
                pointer=f"/bottles/{place}/bottle_id",
                conflict=False,
            )
        seen.add(bottle.bottle_id)


@check(
    air.AirSourceOutOfService,
    air.AirSourceReturnedToService,
    air.StorageBottleInstalled,
    air.StorageBottleRemoved,
    air.AirSourceSampled,
    air.CoMonitorCalibrated,
    air.StorageCharged,
    air.StorageBottleRead,
    air.CompressorHoursRead,
    air.FilterChanged,
)
def _source_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _source(known, body.air_source_id).registered_at is None:
        yield Refusal(
            code="air-source-unknown", detail="This department has no such air source.", pointer="/air_source_id"
        )


@check(air.AirSourceSampled)
def _sample_makes_sense(body: air.AirSourceSampled, known: Known, moment: datetime) -> Iterable[Refusal]:
    yield from day_refusals(body.taken_on, "/taken_on")
    if body.taken_on > f"{latest_local(moment):%Y-%m-%d}":
        yield Refusal(
            code="sampled-in-future",
            detail=f"The sample day {body.taken_on} lies in the future.",
            pointer="/taken_on",
            conflict=False,
        )
    if any(sample.sample_id == body.sample_id for sample in _source(known, body.air_source_id).samples):
        yield Refusal(code="sample-known", detail="This sample is on record already.", pointer="/sample_id")
    for place, result in enumerate(body.results or ()):
        if result.value is None and result.text is None:
            yield Refusal(
                code="result-empty",
                detail="Give the value found, or the laboratory's words for it.",
                pointer=f"/results/{place}",
                conflict=False,
            )
        if (fault := _result_fault(result)) is not None:
            yield Refusal(
                code="result-impossible",
                detail=f"{fault} Read the laboratory's report again.",
                pointer=f"/results/{place}",
                conflict=False,
            )


def _result_fault(result: air.AnalyteResult) -> str | None:
    """Say why no laboratory can have found this, or None."""
    analyte = result.analyte.replace("_", " ")
    if result.unit == "deg_f" and result.analyte != "dew_point":
        return f"A temperature does not say how much {analyte} there is."
    if result.value is None:
        return None
    value = Decimal(result.value)
    if result.analyte == "dew_point":
        if result.unit != "deg_f" or DEW_POINT_MIN_F <= value <= DEW_POINT_MAX_F:
            return None
        return f"A dew point of {value} F cannot be: it lies within {DEW_POINT_MIN_F} to {DEW_POINT_MAX_F} F."
    if value < 0:
        return f"There cannot be less than none of {analyte}."
    whole = WHOLE.get(result.unit)
    return None if whole is None or value <= whole else f"{value} {result.unit} of {analyte} is more than all of it."


@check(air.CoMonitorCalibrated)
def _calibration_makes_sense(body: air.CoMonitorCalibrated, known: Known, moment: datetime) -> Iterable[Refusal]:
    source = _source(known, body.air_source_id)
    yield from day_refusals(body.calibrated_on, "/calibrated_on")
    if body.calibrated_on > f"{latest_local(moment):%Y-%m-%d}":
        yield Refusal(
            code="calibrated-in-future",
            detail=f"The day of the calibration, {body.calibrated_on}, lies in the future.",
            pointer="/calibrated_on",
            conflict=False,
        )
    if body.due_on is not None:
        yield from day_refusals(body.due_on, "/due_on")
        if body.due_on < body.calibrated_on:
            yield Refusal(
                code="due-before-calibrated",
                detail=f"The calibration of {body.calibrated_on} cannot have been due {body.due_on}, before it.",
                pointer="/due_on",
                conflict=False,
            )
    for calibration in source.co_calibrations:
        if (calibration.calibrated_on, calibration.due_on) == (body.calibrated_on, body.due_on):
            yield Refusal(code="calibration-known", detail="This very calibration is on record already.")
            return


@check(air.AirSourceOutOfService)
def _source_is_in_service(body: air.AirSourceOutOfService, known: Known, moment: datetime) -> Iterable[Refusal]:
    outages = _source(known, body.air_source_id).outages
    returned = max((outage.ends_at for outage in outages if outage.ends_at is not None), default=None)
    if any(outage.ends_at is None for outage in outages):
        yield Refusal(code="air-source-out-of-service", detail="The air source is out of service already.")
    elif returned is not None and moment < returned:
        yield too_early("The air source was returned to service", returned)


@check(air.AirSourceReturnedToService)
def _source_is_out(body: air.AirSourceReturnedToService, known: Known, moment: datetime) -> Iterable[Refusal]:
    standing = next((each for each in _source(known, body.air_source_id).outages if each.ends_at is None), None)
    if standing is None:
        yield Refusal(code="air-source-in-service", detail="The air source is in service already.")
    elif moment < standing.starts_at:
        yield too_early("The air source was taken out of service", standing.starts_at)


def _bank_refusals(source: AirSourceState, pointer: str) -> Iterable[Refusal]:
    if source.registered_at is not None and source.air_source_kind != STORAGE_BANK:
        yield Refusal(
            code="not-a-storage-bank", detail="This air source is no storage bank.", pointer=pointer, conflict=False
        )


@check(air.StorageBottleInstalled)
def _bottle_is_new(body: air.StorageBottleInstalled, known: Known, moment: datetime) -> Iterable[Refusal]:
    source = _source(known, body.air_source_id)
    yield from _bank_refusals(source, "/air_source_id")
    if _bottle_in_bank(source, body.bottle.bottle_id) is not None:
        yield Refusal(code="bottle-known", detail="This bottle is in the bank already.", pointer="/bottle_id")
        return
    earlier = [bottle for bottle in source.bottles if bottle.bottle_id == body.bottle.bottle_id]
    removed = max((bottle.ends_at for bottle in earlier if bottle.ends_at is not None), default=None)
    if removed is not None and moment < removed:
        yield too_early("The bottle was taken out", removed)


@check(air.StorageBottleRemoved)
def _bottle_leaves(body: air.StorageBottleRemoved, known: Known, moment: datetime) -> Iterable[Refusal]:
    bottle = _bottle_in_bank(_source(known, body.air_source_id), body.bottle_id)
    if bottle is None:
        yield _bottle_unknown("/bottle_id")
    elif moment < bottle.starts_at:
        yield too_early("The bottle was added", bottle.starts_at)


def _bottle_unknown(pointer: str) -> Refusal:
    return Refusal(code="bottle-unknown", detail="The bank has no such bottle.", pointer=pointer)


def _bottles_at(source: AirSourceState, moment: datetime) -> set[uuid.UUID]:
    return {bottle.bottle_id for bottle in source.bottles if bottle.covers(moment)}


@check(air.StorageBottleRead)
def _read_bottle_is_there(body: air.StorageBottleRead, known: Known, moment: datetime) -> Iterable[Refusal]:
    source = _source(known, body.air_source_id)
    yield from _bank_refusals(source, "/air_source_id")
    if body.bottle_id not in _bottles_at(source, moment):
        yield _bottle_unknown("/bottle_id")


@check(air.StorageCharged)
def _charge_makes_sense(body: air.StorageCharged, known: Known, moment: datetime) -> Iterable[Refusal]:
    bank, supply = _source(known, body.air_source_id), _source(known, body.from_air_source_id)
    yield from _bank_refusals(bank, "/air_source_id")
    if body.from_air_source_id == body.air_source_id:
        yield Refusal(
            code="charged-from-itself",
            detail="A bank is charged from another air source.",
            pointer="/from_air_source_id",
            conflict=False,
        )
    elif supply.registered_at is None:
        yield Refusal(
            code="air-source-unknown",
            detail="This department has no such air source.",
            pointer="/from_air_source_id",
            conflict=False,
        )
    elif bank.station_id is not None and supply.station_id != bank.station_id:
        yield Refusal(
            code="another-station",
            detail="The air source stands at another station.",
            pointer="/from_air_source_id",
            conflict=False,
        )
    if body.start_psi is not None and body.end_psi is not None and body.end_psi < body.start_psi:
        yield Refusal(
            code="pressure-fell",
            detail=f"A charge from {body.start_psi} to {body.end_psi} psi would have emptied the bank.",
            pointer="/end_psi",
            conflict=False,
        )
    yield from _charged_bottles(_bottles_at(bank, moment), body.bottle_ids or ())


def _charged_bottles(there: set[uuid.UUID], bottle_ids: Sequence[uuid.UUID]) -> Iterable[Refusal]:
    for place, bottle_id in enumerate(bottle_ids):
        if bottle_id not in there:
            yield _bottle_unknown(f"/bottle_ids/{place}")


@check(air.CompressorHoursRead)
def _has_hour_meter(body: air.CompressorHoursRead, known: Known, moment: datetime) -> Iterable[Refusal]:
    source = _source(known, body.air_source_id)
    if source.registered_at is not None and source.air_source_kind != "compressor":
        yield Refusal(
            code="not-a-compressor",
            detail="Only a compressor has an hour meter.",
            pointer="/air_source_id",
            conflict=False,
        )
