"""The one judgement: may this cylinder be filled here, now, by this member, to what pressure, and why not.

A pure function of the question. The look-up, the judgement of a fill after the fact, the roster, the due list and a
what-if all call it. It informs; a trained person decides. The cylinder's own marks and the maker's instructions
prevail.
"""

from collections.abc import Set
from datetime import UTC, datetime
from functools import lru_cache
from typing import Literal

import msgspec
from msgspec import structs

from fill_ledger.trade.events.cylinders import CylinderDetails
from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.rules import RULES, CatalogueEntry, moment, rules_catalogue, rules_version
from fill_ledger.trade.rules.air_limits import CODES_FOR_THE_OFFICE
from fill_ledger.trade.rules.calendar import day_starts_at
from fill_ledger.trade.rules.case import Case, stamped_service_pressure
from fill_ledger.trade.rules.figure import Figure, NumberFigure
from fill_ledger.trade.rules.gas_temperature import CODES_OF_A_PERMIT, stop_reading_psi
from fill_ledger.trade.rules.handling import ALIKE_AT_EVERY_FILL, LOOK_OVER
from fill_ledger.trade.rules.limits import fill_limit_psi
from fill_ledger.trade.rules.moment import CALENDAR_BEGINS_AT, CALENDAR_ENDS_AT, outside_calendar
from fill_ledger.trade.rules.question import Question
from fill_ledger.trade.rules.reasons import MAXIMUM_DISPLAY_TEXT, Effect, Reason
from fill_ledger.trade.rules.rule import Concern, Facts, Rule

__all__ = [
    "CODE_OK",
    "RULES",
    "CatalogueEntry",
    "Decision",
    "Judgement",
    "Question",
    "Reason",
    "RuleAnswer",
    "judge",
    "next_instant",
    "reasons_at",
    "rules_catalogue",
    "rules_concerning",
    "rules_version",
    "service_pressure_psi",
]

Decision = Literal["permit", "deny"]
Outcome = Literal["denies", "obliges", "advises", "nothing to say", "not in effect"]

CODE_OK = "ok"

_OUTCOMES: dict[Effect, Outcome] = {"deny": "denies", "obligation": "obliges", "advice": "advises"}


class RuleAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What one rule said and what it looked at, for a person who asks why.

    `figures` are its numbers and months as they hold at the moment, amended or not.
    """

    rule: str
    outcome: Outcome
    codes: tuple[str, ...]
    facts: Facts
    figures: dict[str, int | str]


class Judgement(msgspec.Struct, frozen=True, kw_only=True):
    """The answer.

    code: the first reason to act on, "ok" on a permit. display_text: at most 80 ASCII characters. fill_limit_psi: whole
    gauge psi, settled at 70 F; None on deny. stop_at_psi: the gauge reading to stop at for the gas temperature asked
    about, so that it settles to that limit; None on deny, without a temperature, and outside the table of air.
    reasons: what denies, ordered by what a person should act on first. obligations: only on a permit. valid_until: the
    first instant at which this answer (decision, code, limit, reading to stop at or the set of codes) changes if
    nothing new is recorded, exclusive, in the station's time zone; None if never. explanation: every rule in the order
    asked, if it was asked for.
    """

    decision: Decision
    code: str
    display_text: str
    fill_limit_psi: int | None
    stop_at_psi: int | None = None
    reasons: tuple[Reason, ...]
    obligations: tuple[Reason, ...]
    advice: tuple[Reason, ...]
    valid_until: datetime | None
    rules_version: str
    explanation: tuple[RuleAnswer, ...] | None = None


class _Answer:
    """What the rules say at one moment, before it is put into words."""

    __slots__ = ("advice", "denials", "limit_psi", "obligations", "stop_psi")

    def __init__(self, case: Case, rules: tuple[Rule, ...], *, for_the_office: bool) -> None:
        self.denials: list[Reason] = []
        self.obligations: list[Reason] = []
        self.advice: list[Reason] = []
        for reason in reasons_at(case, rules):
            if reason.effect == "deny":
                self.denials.append(reason)
            elif reason.effect == "obligation":
                self.obligations.append(reason)
            elif for_the_office or reason.code not in CODES_FOR_THE_OFFICE:
                self.advice.append(reason)
        self.limit_psi: int | None = None
        self.stop_psi: int | None = None
        if self.denials:
            self.obligations = []
            self.advice = [reason for reason in self.advice if reason.code not in CODES_OF_A_PERMIT]
        else:
            self.limit_psi = fill_limit_psi(case)
            stop = stop_reading_psi(case)
            self.stop_psi = None if isinstance(stop, OutsideTable) else stop

    def signature(self) -> tuple[str, int | None, int | None, frozenset[str]]:
        """Return what counts as the same answer: its code (which carries the decision), pressures and set of codes."""
        codes = frozenset(reason.code for reason in (*self.denials, *self.obligations, *self.advice))
        return (self.denials[0].code if self.denials else CODE_OK, self.limit_psi, self.stop_psi, codes)


def judge(
    question: Question, *, explain: bool = False, look_ahead: bool = True, concerns: Set[Concern] | None = None
) -> Judgement:
    """Judge a question. Never raises for any state the folds can produce.

    Raises ValueError only where `question.at` has no time zone: the caller forgot it, and guessing one would be wrong.
    `explain` adds what every rule said and saw, and the advice that only the office can act on. Without `look_ahead`
    the answer comes in half the time and `valid_until` is None: for a fill on record, whose answer nobody waits to
    expire. `concerns` asks only the rules that look at these, for an answer about one cylinder, source or member alone.
    """
    at = question.at
    if at.utcoffset() is None:
        raise ValueError("the moment asked about has no time zone")
    outside = outside_calendar(at)
    if outside is not None:
        valid_until = CALENDAR_BEGINS_AT if at < CALENDAR_ENDS_AT else None
        return _denied_outright(outside, valid_until, rules_version(question.rulebook))
    rules = RULES if concerns is None else rules_concerning(frozenset(concerns))
    case = Case(question)
    answer = _Answer(case, rules, for_the_office=explain)
    explanation = tuple(_rule_answer(rule, case) for rule in rules) if explain else None
    valid_until = _valid_until(case, answer, rules, for_the_office=explain) if look_ahead else None
    first = answer.denials[0] if answer.denials else None
    return Judgement(
        decision="permit" if first is None else "deny",
        code=CODE_OK if first is None else first.code,
        display_text=_permit_text(answer, question.gas_temperature_f) if first is None else first.display_text,
        fill_limit_psi=answer.limit_psi,
        stop_at_psi=answer.stop_psi,
        reasons=tuple(answer.denials),
        obligations=tuple(answer.obligations),
        advice=tuple(answer.advice),
        valid_until=None if valid_until is None else valid_until.astimezone(case.zone),
        rules_version=rules_version(question.rulebook),
        explanation=explanation,
    )


@lru_cache
def rules_concerning(concerns: frozenset[Concern]) -> tuple[Rule, ...]:
    """Return the rules that look at these, in their order, and the one about the calendar: no date is told without."""
    return tuple(rule for rule in RULES if rule.concerns in concerns or rule is moment.RULE)


def reasons_at(case: Case, rules: tuple[Rule, ...] = RULES) -> list[Reason]:
    """Return every reason that these rules give at the case's moment, in the order of the rules."""
    reasons = [reason for rule in rules if _is_asked(rule, case) for reason in rule.reasons(case)]
    return _with_present_sources(case, reasons)


def service_pressure_psi(details: CylinderDetails) -> int | None:
    """Return the service pressure on record in whole gauge psi, rounded down, or None where it cannot be one."""
    pressure = stamped_service_pressure(details.service_pressure.value, details.service_pressure.unit)
    return pressure if isinstance(pressure, int) else None


def _denied_outright(reason: Reason, valid_until: datetime | None, version: str) -> Judgement:
    return Judgement(
        decision="deny",
        code=reason.code,
        display_text=reason.display_text,
        fill_limit_psi=None,
        reasons=(reason,),
        obligations=(),
        advice=(),
        valid_until=valid_until,
        rules_version=version,
    )


def _permit_text(answer: _Answer, gas_temperature_f: int | None) -> str:
    """Say the limit and the reading to stop at, and as many obligations as a small display holds.

    The look-over has its place before the others; what is the same at every fill is left to the list.
    """
    text = f"Fill to {answer.limit_psi} psi."
    if answer.stop_psi is not None:
        text += f" Stop at {answer.stop_psi} psi: gas at {gas_temperature_f} F."
    told = [obligation for obligation in answer.obligations if obligation.code not in ALIKE_AT_EVERY_FILL]
    room = MAXIMUM_DISPLAY_TEXT - len(text)
    shown: set[str] = set()
    for obligation in sorted(told, key=lambda obligation: obligation.code != LOOK_OVER.code):
        if len(obligation.display_text) < room:
            room -= len(obligation.display_text) + 1
            shown.add(obligation.code)
    return " ".join([text, *(obligation.display_text for obligation in told if obligation.code in shown)])


def _with_present_sources(case: Case, reasons: list[Reason]) -> list[Reason]:
    """Return the reasons with the sources that the county amended, where it did."""
    if not case.question.rulebook.amendments:  # pragma: no mutate - a shorter way to the same
        return reasons
    return [
        reason if (source := case.amended_source(reason.code)) is None else structs.replace(reason, source=source)
        for reason in reasons
    ]


def _is_asked(rule: Rule, case: Case) -> bool:
    if rule.effective_from is None and rule.effective_until is None:  # pragma: no mutate - a shorter way to the same
        return True
    return case.is_in_effect(rule.effective_from, rule.effective_until)


def _valid_until(case: Case, answer: _Answer, rules: tuple[Rule, ...], *, for_the_office: bool) -> datetime | None:
    """Walk the instants at which some rule could change its mind until the answer really differs.

    The set of instants is finite (each comes from a fact on record) and every step goes on to a later one, so the walk
    ends. The case is left at the moment where it ended. The end of the calendar is no change of the facts: an answer
    that holds until then holds for good.
    """
    signature = answer.signature()
    while True:
        following = next_instant(case, rules)
        if following is None or following >= CALENDAR_ENDS_AT:
            return None
        case.move_to(following)
        if _Answer(case, rules, for_the_office=for_the_office).signature() != signature:
            return following


def next_instant(case: Case, rules: tuple[Rule, ...]) -> datetime | None:
    """Return the first instant after the case's moment at which a rule could change its mind, in UTC, or None."""
    at = case.at
    instants = [instant for rule in rules for instant in rule.instants(case) if instant > at]
    days = [*case.question.rulebook.amendment_days]
    for rule in rules:
        days += (rule.effective_from, rule.effective_until)
    changes = [day_starts_at(day, case.zone) for day in days if day is not None]
    following = min((*instants, *(change for change in changes if change > at)), default=None)
    return None if following is None else following.astimezone(UTC)


def _rule_answer(rule: Rule, case: Case) -> RuleAnswer:
    if not _is_asked(rule, case):
        return RuleAnswer(rule=rule.name, outcome="not in effect", codes=(), facts={}, figures={})
    reasons = rule.reasons(case)
    outcome: Outcome = "nothing to say"
    for effect in ("advice", "obligation", "deny"):
        if any(reason.effect == effect for reason in reasons):
            outcome = _OUTCOMES[effect]
    return RuleAnswer(
        rule=rule.name,
        outcome=outcome,
        codes=tuple(reason.code for reason in reasons),
        facts=rule.facts(case),
        figures={figure.name: _in_force(figure, case) for figure in rule.figures},
    )


def _in_force(figure: Figure, case: Case) -> int | str:
    return case.number(figure) if isinstance(figure, NumberFigure) else case.month(figure)
