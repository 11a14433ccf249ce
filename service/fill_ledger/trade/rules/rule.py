"""What a rule is: the kinds of reason it may give, what it looks at, and when its own answer changes."""

from collections.abc import Callable, Iterable
from datetime import date, datetime
from typing import Literal

import msgspec

from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.figure import Figure
from fill_ledger.trade.rules.reasons import Reason, ReasonKind

# What a rule looks at: an answer about one cylinder, station, source or member alone asks only its own rules.
Concern = Literal["cylinder", "station", "air", "member", "fill"]
Facts = dict[str, str | int | bool | None]


def no_instants(case: Case) -> Iterable[datetime]:
    """Say that an answer never changes by itself."""
    return ()


def _no_facts(case: Case) -> Facts:
    return {}


class Rule(msgspec.Struct, frozen=True, kw_only=True):
    """One rule of the ordered list.

    kinds: every kind of reason it may give, with title, effect and source. reasons: what it says of a case at the
    case's moment. instants: aware moments among which is the next one after the case's moment at which `reasons` could
    say something else if nothing new is recorded; earlier ones and ones that change nothing do no harm. facts: what it
    looks at, for a person who asks why. figures: its numbers and months, which the county may amend. effective_from:
    first day, in the station's calendar, on which it is asked; None for always. effective_until: first day on which it
    is asked no more; None for never.
    """

    name: str
    concerns: Concern
    kinds: tuple[ReasonKind, ...]
    reasons: Callable[[Case], tuple[Reason, ...]]
    instants: Callable[[Case], Iterable[datetime]] = no_instants
    facts: Callable[[Case], Facts] = _no_facts
    figures: tuple[Figure, ...] = ()
    effective_from: date | None = None
    effective_until: date | None = None
