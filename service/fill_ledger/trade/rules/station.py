"""Is the station known and open, and the connection one of its own?"""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.rules.calendar import day_text
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.base import period_at
from fill_ledger.trade.states.stations import FillPosition

_RECORD = "department record"

UNKNOWN = ReasonKind(
    code="station-unknown",
    effect="deny",
    title="The station is not on record",
    source=_RECORD,
    clears_by="registration of the station",
)
CLOSED = ReasonKind(
    code="station-closed",
    effect="deny",
    title="The station is closed",
    source=_RECORD,
    clears_by="opening the station",
)
POSITION_UNKNOWN = ReasonKind(
    code="fill-position-unknown",
    effect="deny",
    title="The fill position is not one of the station's",
    source=_RECORD,
    clears_by="registration of the fill position, or naming another",
)


def fill_position(case: Case) -> FillPosition | None:
    """Return the connection asked for, as it is at the case's moment, or None."""
    station, wanted = case.question.station, case.question.fill_position_id
    if station is None or wanted is None:
        return None
    for position in reversed(station.positions):
        if position.fill_position_id == wanted and position.covers(case.at):
            return position
    return None


def _reasons(case: Case) -> tuple[Reason, ...]:
    station = case.question.station
    if station is None or station.registered_at is None:
        return (
            UNKNOWN.reason(
                "The station is not on record. Register it before filling there.",
                "Do not fill. This station is not on record.",
            ),
        )
    found: list[Reason] = []
    if station.closures and (closure := period_at(station.closures, case.at)) is not None:
        day = day_text(closure.starts_at, case.zone)
        found.append(
            CLOSED.reason(
                f"Station {plain(station.code or '')} has been closed since {day}.",
                f"Do not fill. Station closed since {day}: use another one.",
                clears_at=closure.ends_at,
            )
        )
    if case.question.fill_position_id is not None and fill_position(case) is None:
        found.append(
            POSITION_UNKNOWN.reason(
                "The fill position given is not one of this station's. Name one that is.",
                "Do not fill here. Fill position not on record.",
            )
        )
    return tuple(found)


def _instants(case: Case) -> Iterable[datetime]:
    station = case.question.station
    if station is None:
        return
    for closure in station.closures:
        yield closure.starts_at
        if closure.ends_at is not None:
            yield closure.ends_at
    if case.question.fill_position_id is None:
        return
    for position in station.positions:
        if position.fill_position_id == case.question.fill_position_id:
            yield position.starts_at
            if position.ends_at is not None:
                yield position.ends_at


def _facts(case: Case) -> Facts:
    station, position = case.question.station, fill_position(case)
    return {
        "station": None if station is None else station.code,
        "registered": station is not None and station.registered_at is not None,
        "closed": station is not None and period_at(station.closures, case.at) is not None,
        "fill_position_named": case.question.fill_position_id is not None,
        "fill_position": None if position is None else position.label,
    }


RULE = Rule(
    name="station",
    concerns="station",
    kinds=(UNKNOWN, CLOSED, POSITION_UNKNOWN),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
