"""What a rule is: the kinds of reason it may give, what it looks at, and when its own answer changes."""

from collections.abc import Callable, Iterable
from datetime import date, datetime

import msgspec

from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind

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
    looks at, for a person who asks why. parameters: its figures, for the catalogue. effective_from: first day, in the
    station's calendar, on which it is asked; None for always.
    """

    name: str
    kinds: tuple[ReasonKind, ...]
    reasons: Callable[[Case], tuple[Reason, ...]]
    instants: Callable[[Case], Iterable[datetime]] = no_instants
    facts: Callable[[Case], Facts] = _no_facts
    parameters: tuple[tuple[str, str], ...] = ()
    effective_from: date | None = None
