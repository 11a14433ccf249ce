"""Checks of office entries about stations and their fill positions."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check
from fill_ledger.trade.events import air, stations
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.stations import StationState


def _station(known: Known, station_id: Any) -> StationState:
    state: StationState = known.state(Subject(SubjectKind.STATION, station_id))
    return state


@check(stations.StationRegistered)
def _station_is_new(body: stations.StationRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _station(known, body.station_id).registered_at is not None:
        yield Refusal(code="already-registered", detail="This station is registered already.", pointer="/station_id")


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
    if any(closure.ends_at is None for closure in _station(known, body.station_id).closures):
        yield Refusal(code="station-closed", detail="The station is closed already.")


@check(stations.StationOpened)
def _station_is_closed(body: stations.StationOpened, known: Known, moment: datetime) -> Iterable[Refusal]:
    if all(closure.ends_at is not None for closure in _station(known, body.station_id).closures):
        yield Refusal(code="station-open", detail="The station is not closed.")


@check(stations.FillPositionRegistered)
def _position_is_new(body: stations.FillPositionRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    positions = _station(known, body.station_id).positions
    if any(position.fill_position_id == body.fill_position_id and position.ends_at is None for position in positions):
        yield Refusal(
            code="already-registered",
            detail="This fill position is registered already.",
            pointer="/fill_position_id",
        )


@check(stations.FillPositionRemoved)
def _position_is_known(body: stations.FillPositionRemoved, known: Known, moment: datetime) -> Iterable[Refusal]:
    positions = _station(known, body.station_id).positions
    if not any(
        position.fill_position_id == body.fill_position_id and position.ends_at is None for position in positions
    ):
        yield Refusal(
            code="fill-position-unknown", detail="The station has no such fill position.", pointer="/fill_position_id"
        )
