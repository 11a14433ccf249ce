"""Checks of office entries about stations and their fill positions."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, nothing_to_correct, too_early, zone_refusals
from fill_ledger.trade.events import air, stations
from fill_ledger.trade.identifiers import Subject, SubjectKind, codes_subject
from fill_ledger.trade.states.codes import CodesState
from fill_ledger.trade.states.stations import StationState


def _station(known: Known, station_id: Any) -> StationState:
    state: StationState = known.state(Subject(SubjectKind.STATION, station_id))
    return state


@check(stations.StationRegistered)
def _station_is_new(body: stations.StationRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _station(known, body.station_id).registered_at is not None:
        yield Refusal(code="already-registered", detail="This station is registered already.", pointer="/station_id")


def _code_refusals(known: Known, station_id: Any, code: str) -> Iterable[Refusal]:
    codes: CodesState = known.state(codes_subject())
    if codes.holder_of(code) not in (None, station_id):
        yield Refusal(
            code="code-taken", detail=f"Another station of this department has the code {code}.", pointer="/code"
        )


@check(stations.StationRegistered)
def _registration_makes_sense(body: stations.StationRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    yield from _code_refusals(known, body.station_id, body.code)
    yield from zone_refusals(body.time_zone)


@check(stations.StationDetailsCorrected)
def _correction_makes_sense(
    body: stations.StationDetailsCorrected, known: Known, moment: datetime
) -> Iterable[Refusal]:
    yield from nothing_to_correct(body.name, body.code, body.time_zone)
    if body.code is not None:
        yield from _code_refusals(known, body.station_id, body.code)
    yield from zone_refusals(body.time_zone)
    registered_at = _station(known, body.station_id).registered_at
    if registered_at is not None and moment < registered_at:
        yield too_early("The station was registered", registered_at)


@check(
    stations.StationDetailsCorrected,
    stations.StationClosed,
    stations.StationOpened,
    stations.FillPositionRegistered,
    stations.FillPositionRemoved,
    air.AirSourceRegistered,
)
def _station_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _station(known, body.station_id).registered_at is None:
        yield Refusal(code="station-unknown", detail="This department has no such station.", pointer="/station_id")


@check(stations.StationClosed)
def _station_is_open(body: stations.StationClosed, known: Known, moment: datetime) -> Iterable[Refusal]:
    closures = _station(known, body.station_id).closures
    opened = max((closure.ends_at for closure in closures if closure.ends_at is not None), default=None)
    if any(closure.ends_at is None for closure in closures):
        yield Refusal(code="station-closed", detail="The station is closed already.")
    elif opened is not None and moment < opened:
        yield too_early("The station was opened again", opened)


@check(stations.StationOpened)
def _station_is_closed(body: stations.StationOpened, known: Known, moment: datetime) -> Iterable[Refusal]:
    standing = next((each for each in _station(known, body.station_id).closures if each.ends_at is None), None)
    if standing is None:
        yield Refusal(code="station-open", detail="The station is not closed.")
    elif moment < standing.starts_at:
        yield too_early("The station was closed", standing.starts_at)


@check(stations.FillPositionRegistered)
def _position_is_new(body: stations.FillPositionRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    positions = _station(known, body.station_id).positions
    standing = [position for position in positions if position.ends_at is None]
    earlier = [position for position in positions if position.fill_position_id == body.fill_position_id]
    removed = max((position.ends_at for position in earlier if position.ends_at is not None), default=None)
    if any(position.fill_position_id == body.fill_position_id for position in standing):
        yield Refusal(
            code="already-registered",
            detail="This fill position is registered already.",
            pointer="/fill_position_id",
        )
    elif any(position.label.casefold() == body.label.casefold() for position in standing):
        yield Refusal(
            code="label-taken",
            detail=f"The station has a fill position {body.label} already; nobody could tell the two apart.",
            pointer="/label",
        )
    elif removed is not None and moment < removed:
        yield too_early("The fill position was removed", removed)


@check(stations.FillPositionRemoved)
def _position_is_known(body: stations.FillPositionRemoved, known: Known, moment: datetime) -> Iterable[Refusal]:
    standing = next(
        (
            position
            for position in _station(known, body.station_id).positions
            if position.fill_position_id == body.fill_position_id and position.ends_at is None
        ),
        None,
    )
    if standing is None:
        yield Refusal(
            code="fill-position-unknown",
            detail="The station has no such fill position, or it was removed already.",
            pointer="/fill_position_id",
        )
    elif moment < standing.starts_at:
        yield too_early("The fill position was registered", standing.starts_at)
