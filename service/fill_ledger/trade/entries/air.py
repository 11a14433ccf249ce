"""Checks of office entries about air sources and air samples."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, day_refusals, latest_local
from fill_ledger.trade.events import air
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.stations import AirSourceState


@check(air.AirSourceSampled)
def _sample_day_exists(body: air.AirSourceSampled, known: Known, moment: datetime) -> Iterable[Refusal]:
    return day_refusals(body.taken_on, "/taken_on")


@check(air.AirSourceRegistered)
def _source_is_new(body: air.AirSourceRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: AirSourceState = known.state(Subject(SubjectKind.AIR_SOURCE, body.air_source_id))
    if state.registered_at is not None:
        yield Refusal(
            code="already-registered", detail="This air source is registered already.", pointer="/air_source_id"
        )


@check(
    air.AirSourceOutOfService,
    air.AirSourceReturnedToService,
    air.StorageBottleInstalled,
    air.StorageBottleRemoved,
    air.AirSourceSampled,
)
def _source_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: AirSourceState = known.state(Subject(SubjectKind.AIR_SOURCE, body.air_source_id))
    if state.registered_at is None:
        yield Refusal(
            code="air-source-unknown", detail="This department has no such air source.", pointer="/air_source_id"
        )
    if isinstance(body, air.AirSourceSampled):
        if body.taken_on > f"{latest_local(moment):%Y-%m-%d}":
            yield Refusal(
                code="sampled-in-future",
                detail=f"The sample day {body.taken_on} lies in the future.",
                pointer="/taken_on",
                conflict=False,
            )
        if any(sample.sample_id == body.sample_id for sample in state.samples):
            yield Refusal(code="sample-known", detail="This sample is on record already.", pointer="/sample_id")
