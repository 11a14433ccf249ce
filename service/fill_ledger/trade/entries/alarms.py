"""Checks of an alarm that a person enters or ends in place of a device."""

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, consults, too_early
from fill_ledger.trade.events import stations
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.alarms import Alarm
from fill_ledger.trade.states.stations import AirSourceState, StationState


def _station(known: Known, station_id: uuid.UUID) -> StationState:
    state: StationState = known.state(Subject(SubjectKind.STATION, station_id))
    return state


def _alarms(known: Known, body: stations.AlarmRaised | stations.AlarmEnded) -> list[Alarm]:
    return [alarm for alarm in _station(known, body.station_id).alarms if alarm.alarm_id == body.alarm_id]


@check(stations.AlarmRaised, stations.AlarmEnded)
def _station_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _station(known, body.station_id).registered_at is None:
        yield Refusal(code="station-unknown", detail="This department has no such station.", pointer="/station_id")


@consults(stations.AlarmRaised)
def _named_source(body: stations.AlarmRaised) -> Iterable[Subject]:
    if body.air_source_id is not None:
        yield Subject(SubjectKind.AIR_SOURCE, body.air_source_id)


@check(stations.AlarmRaised)
def _alarm_makes_sense(body: stations.AlarmRaised, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _alarms(known, body):
        yield Refusal(code="alarm-known", detail="This alarm is on record already.", pointer="/alarm_id")
    if body.air_source_id is None:
        return
    source: AirSourceState = known.state(Subject(SubjectKind.AIR_SOURCE, body.air_source_id))
    if source.registered_at is None or source.station_id != body.station_id:
        yield Refusal(
            code="air-source-unknown",
            detail="The air source is not one of this station's. Name one that is, or none for the whole station.",
            pointer="/air_source_id",
            conflict=False,
        )


@check(stations.AlarmEnded)
def _alarm_is_open(body: stations.AlarmEnded, known: Known, moment: datetime) -> Iterable[Refusal]:
    raised = [alarm for alarm in _alarms(known, body) if alarm.raised_at is not None]
    newest = raised[-1] if raised else None
    if newest is None or newest.raised_at is None:
        yield Refusal(code="alarm-unknown", detail="No such alarm of this station is on record.", pointer="/alarm_id")
    elif newest.ended_at is not None:
        yield Refusal(
            code="alarm-ended", detail=f"This alarm ended {newest.ended_at.isoformat()}.", pointer="/alarm_id"
        )
    elif moment < newest.raised_at:
        yield too_early("The alarm was raised", newest.raised_at)
