"""The registry of checks that office entries go through, and what a check may look at and say."""

from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any, Protocol, TypeVar

import msgspec

from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.time_zones import is_time_zone

# Clocks on Earth run up to fourteen hours ahead of UTC (IANA time zone database, Pacific/Kiritimati).
LATEST_ZONE = timedelta(hours=14)


class Refusal(msgspec.Struct, frozen=True, kw_only=True):
    """Why an office entry is not taken: `pointer` is a JSON pointer into its body; `conflict` tells 409 from 422."""

    code: str
    detail: str
    pointer: str = ""
    conflict: bool = True


class Known(Protocol):
    """What a check may look at."""

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject the entry names."""

    def named_event(self) -> Event | None:
        """Return the event that a retraction, or an entry about a finding, names, where it is known."""


Check = Callable[[Any, Known, datetime], Iterable[Refusal]]
Consults = Callable[[Any], Iterable[Subject]]
CheckType = TypeVar("CheckType", bound=Check)
ConsultsType = TypeVar("ConsultsType", bound=Consults)
_checks: dict[type[Body], list[Check]] = {}
_consulted: dict[type[Body], list[Consults]] = {}


def check(*body_classes: type[Body]) -> Callable[[CheckType], CheckType]:
    """Register a check of these body classes: it yields a refusal for everything that speaks against the entry."""

    def register(function: CheckType) -> CheckType:
        for body_class in body_classes:
            _checks.setdefault(body_class, []).append(function)
        return function

    return register


def consults(*body_classes: type[Body]) -> Callable[[ConsultsType], ConsultsType]:
    """Register a function that names subjects the checks look at, beyond those the body folds into or mentions."""

    def register(function: ConsultsType) -> ConsultsType:
        for body_class in body_classes:
            _consulted.setdefault(body_class, []).append(function)
        return function

    return register


def refusals(body: Body, known: Known, moment: datetime) -> list[Refusal]:
    """Return everything that speaks against an office entry effective at a moment; an empty list lets it in."""
    return [refusal for function in _checks.get(type(body), ()) for refusal in function(body, known, moment)]


def consulted(body: Body) -> tuple[Subject, ...]:
    """Name the subjects a check of this body looks at, beyond those it folds into."""
    named = [subject for subject in body.mentions() if subject.kind is not SubjectKind.EVENT]
    for function in _consulted.get(type(body), ()):
        named.extend(function(body))
    return tuple(named)


def latest_local(moment: datetime) -> datetime:
    """Return the local time of the zone where it is latest: what has not begun even there lies in the future."""
    return moment.astimezone(UTC) + LATEST_ZONE


def day_refusals(day: str, pointer: str) -> Iterable[Refusal]:
    """Refuse a day such as 2026-02-30, which has the right form and is not in the calendar."""
    try:
        date.fromisoformat(day)
    except ValueError:
        yield Refusal(code="no-such-day", detail=f"{day} is not in the calendar.", pointer=pointer, conflict=False)


def zone_refusals(time_zone: str | None) -> Iterable[Refusal]:
    """Refuse a time zone that is not in the IANA time zone database."""
    if time_zone is not None and not is_time_zone(time_zone):
        yield Refusal(
            code="no-such-time-zone",
            detail=f"{time_zone} is no time zone of the IANA database; write one such as America/New_York.",
            pointer="/time_zone",
            conflict=False,
        )


def too_early(what: str, since: datetime) -> Refusal:
    """Return the refusal of an entry that takes effect before what it builds on: folded there it would do nothing."""
    return Refusal(
        code="too-early",
        detail=f"{what} only at {since.isoformat()}; before that this entry would have no effect.",
        pointer="/occurred_at",
        conflict=False,
    )


def nothing_to_correct(*values: object) -> Iterable[Refusal]:
    """Refuse a correction that names no field."""
    if all(value is None for value in values):
        yield Refusal(
            code="nothing-to-correct",
            detail="Give at least one field with its right value; fields left out stay as they are.",
            conflict=False,
        )
