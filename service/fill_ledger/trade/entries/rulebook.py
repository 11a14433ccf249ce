"""Checks of what a county enters into the rulebook: specifications and permits, standards of air, amendments."""

import re
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, day_refusals
from fill_ledger.trade.events import rulebook
from fill_ledger.trade.identifiers import COUNTY_ID, rulebook_subject
from fill_ledger.trade.marks import Material, SpecificationFault, material_implied
from fill_ledger.trade.months import MonthError, parse_month
from fill_ledger.trade.rulebook import key_meant, read_mark
from fill_ledger.trade.rules import FIGURES, rules_catalogue
from fill_ledger.trade.rules.figure import MonthFigure
from fill_ledger.trade.states.rulebook import RulebookState

# 49 CFR 180.209(b): the ten-year period of the star is for these two.
STAR_KEYS = frozenset({"3A", "3AA"})
# 49 CFR 173.302a(b) lists these for filling to 110 %; a special permit may say so itself.
PLUS_KEYS = frozenset({"3A", "3AX", "3AA", "3AAX", "3T"})
# Each stands for many specifications at once, so that one entry cannot say what may be filled.
GATHERING_KEYS = frozenset({"4-series", "8-series", "foreign", "asme"})
# The longest period of 49 CFR 180.209(a), table 1, is twenty years (acetylene cylinders; from memory).
LONGEST_INTERVAL_YEARS = 20
_PERMIT_KEY = re.compile(r"(SP|TC-SU)[0-9]+\Z")
# A key stands in a path, so no sign that a path gives a meaning of its own.
_STANDARD_KEY = re.compile(r"[A-Za-z0-9]([A-Za-z0-9 .,:()+-]*[A-Za-z0-9)+])?\Z")


def _wrong(code: str, detail: str, pointer: str) -> Refusal:
    return Refusal(code=code, detail=detail, pointer=pointer, conflict=False)


@check(rulebook.SpecificationEntered, rulebook.AirStandardEntered, rulebook.RuleAmended)
def _stands_in_the_county_ledger(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: RulebookState = known.state(rulebook_subject())
    if state.department_id != COUNTY_ID:
        yield _wrong("county-only", "What the rules go by stands in the county's ledger only.", "")


@check(rulebook.SpecificationEntered)
def _specification_has_a_key(body: rulebook.SpecificationEntered, known: Known, moment: datetime) -> Iterable[Refusal]:
    key = body.entry.key
    meant = key_meant(key)
    if meant is None:
        mark = read_mark(key)
        why = f"{mark.detail}; {mark.suggestion}" if isinstance(mark, SpecificationFault) else "no mark is read as it"
        yield _wrong(
            "no-such-key",
            f"{key} is no key of a specification: {why}. Keys read 3AA, UN steel, SP10915 or TC 3AAM.",
            "/entry/key",
        )
    elif meant != key:
        yield _wrong("no-such-key", f"{key} is read as {meant}: enter that as the key.", "/entry/key")


@check(rulebook.SpecificationEntered)
def _uses_and_periods_make_sense(
    body: rulebook.SpecificationEntered, known: Known, moment: datetime
) -> Iterable[Refusal]:
    entry = body.entry
    yield from _repeated(entry.uses, "/entry/uses", "use")
    if not entry.uses and entry.refusal is None:
        yield _wrong("refusal-missing", "Without any use, say in refusal why it is never filled.", "/entry/refusal")
    if entry.uses and entry.refusal is not None:
        yield _wrong("refusal-with-uses", "Give uses, or a refusal why there are none, not both.", "/entry/refusal")
    if entry.uses and entry.interval_years is None:
        yield _wrong(
            "interval-missing",
            "What may be filled is requalified: give interval_years. What is never requalified is not filled here.",
            "/entry/interval_years",
        )
    if entry.uses and entry.key in GATHERING_KEYS:
        yield _wrong(
            "key-gathers-many",
            f"{entry.key} stands for many specifications, which one entry cannot allow together.",
            "/entry/uses",
        )
    for name, years in (("interval_years", entry.interval_years), ("star_interval_years", entry.star_interval_years)):
        if years is not None and years > LONGEST_INTERVAL_YEARS:
            yield _wrong(
                "interval-too-long",
                f"No cylinder goes {years} years between requalifications; {LONGEST_INTERVAL_YEARS} is the longest.",
                f"/entry/{name}",
            )
    if entry.life_years is not None and entry.interval_years is not None and entry.life_years < entry.interval_years:
        yield _wrong(
            "life-too-short",
            f"A life of {entry.life_years} years ends before the first requalification after {entry.interval_years}.",
            "/entry/life_years",
        )


@check(rulebook.SpecificationEntered)
def _marks_are_allowed(body: rulebook.SpecificationEntered, known: Known, moment: datetime) -> Iterable[Refusal]:
    entry = body.entry
    if entry.star_interval_years is not None:
        if entry.key not in STAR_KEYS:
            yield _wrong(
                "star-not-allowed",
                "Only 3A and 3AA have the longer period of the star (49 CFR 180.209(b)).",
                "/entry/star_interval_years",
            )
        elif entry.interval_years is not None and entry.star_interval_years <= entry.interval_years:
            yield _wrong(
                "star-not-longer",
                f"The period with the star is longer than the {entry.interval_years} years without it.",
                "/entry/star_interval_years",
            )
    if entry.plus_allowed and entry.key not in PLUS_KEYS and _PERMIT_KEY.match(entry.key) is None:
        yield _wrong(
            "plus-not-allowed",
            "A plus sign counts on 3A, 3AX, 3AA, 3AAX and 3T only (49 CFR 173.302a(b)), or where a permit says so.",
            "/entry/plus_allowed",
        )
    mark = read_mark(entry.key)
    wall = None if isinstance(mark, SpecificationFault) else material_implied(mark)
    if entry.taken_as_6351 and wall not in (None, Material.ALUMINIUM):
        yield _wrong("not-aluminium", f"Alloy 6351 is aluminium; {entry.key} is {wall}.", "/entry/taken_as_6351")


@check(rulebook.SpecificationEntered)
def _specification_days(body: rulebook.SpecificationEntered, known: Known, moment: datetime) -> Iterable[Refusal]:
    yield from _days(body.entry.effective_from, body.entry.effective_until, "/entry")


@check(rulebook.AirStandardEntered)
def _standard_makes_sense(body: rulebook.AirStandardEntered, known: Known, moment: datetime) -> Iterable[Refusal]:
    standard = body.standard
    yield from _days(standard.effective_from, standard.effective_until, "/standard")
    if _STANDARD_KEY.match(standard.key) is None:
        yield _wrong(
            "wrong-format",
            "A key has letters, digits, spaces and . , : ( ) + - only, and begins and ends with a letter or digit.",
            "/standard/key",
        )
    for place, limit in enumerate(standard.limits):
        pointer = f"/standard/limits/{place}"
        yield from _limit_refusals(limit, pointer)
        for other in standard.limits[:place]:
            if (other.analyte, other.unit) == (limit.analyte, limit.unit) and _compete(other, limit):
                yield _wrong(
                    "named-twice",
                    f"Two limits of {limit.analyte} in {limit.unit} hold for the same air.",
                    pointer,
                )


def _limit_refusals(limit: rulebook.AnalyteLimit, pointer: str) -> Iterable[Refusal]:
    minimum = None if limit.minimum is None else Decimal(limit.minimum)
    maximum = None if limit.maximum is None else Decimal(limit.maximum)
    if minimum is None and maximum is None and limit.unit != "none":
        yield _wrong("limit-missing", "Give minimum, maximum or both.", pointer)
    if minimum is not None and maximum is not None and minimum > maximum:
        yield _wrong(
            "limits-reversed",
            f"The minimum {limit.minimum} is above the maximum {limit.maximum}.",
            f"{pointer}/minimum",
        )
    if limit.unit == "percent":
        for name, value in (("minimum", minimum), ("maximum", maximum)):
            if value is not None and not 0 <= value <= 100:
                yield _wrong("not-a-share", "A share in percent lies between 0 and 100.", f"{pointer}/{name}")
    if limit.over_psi is not None and limit.through_psi is not None and limit.over_psi >= limit.through_psi:
        yield _wrong("range-empty", "over_psi lies below through_psi.", f"{pointer}/over_psi")


def _compete(one: rulebook.AnalyteLimit, other: rulebook.AnalyteLimit) -> bool:
    """Tell whether both are for one kind of source and for some storage pressure above `over_psi`, to `through_psi`."""
    if None not in (one.air_source_kind, other.air_source_kind) and one.air_source_kind != other.air_source_kind:
        return False
    over = max(limit.over_psi or 0 for limit in (one, other))
    through = [limit.through_psi for limit in (one, other) if limit.through_psi is not None]
    return not through or over < min(through)


@check(rulebook.RuleAmended)
def _amendment_makes_sense(body: rulebook.RuleAmended, known: Known, moment: datetime) -> Iterable[Refusal]:
    yield from _days(body.effective_from, body.effective_until, "")
    if not body.figures and not body.sources:
        yield _wrong("nothing-amended", "Name a figure and its value, or a code and its source.", "")
    yield from _repeated([amended.figure for amended in body.figures], "/figures", "figure", "/figure")
    yield from _repeated([amended.code for amended in body.sources], "/sources", "code", "/code")
    for place, amended in enumerate(body.figures):
        yield from _figure_refusals(amended, f"/figures/{place}")
    codes = {entry.code for entry in rules_catalogue()}
    for place, source in enumerate(body.sources):
        if source.code not in codes:
            yield _wrong(
                "no-such-code",
                f"No rule gives the code {source.code}; GET /v1/rules lists them.",
                f"/sources/{place}/code",
            )


def _figure_refusals(amended: rulebook.AmendedFigure, pointer: str) -> Iterable[Refusal]:
    figure = FIGURES.get(amended.figure)
    if figure is None:
        yield _wrong(
            "no-such-figure",
            f"No rule has a figure {amended.figure}; there are: {', '.join(sorted(FIGURES))}.",
            f"{pointer}/figure",
        )
    elif isinstance(figure, MonthFigure):
        if not isinstance(amended.value, str):
            yield _wrong("wrong-kind", f"{figure.name} is a month such as {figure.value}.", f"{pointer}/value")
        elif not _is_month(amended.value):
            yield _wrong("no-such-month", f"{amended.value} is outside the years 1900 to 2200.", f"{pointer}/value")
    elif not isinstance(amended.value, int):
        yield _wrong("wrong-kind", f"{figure.name} is a whole number such as {figure.value}.", f"{pointer}/value")
    elif not figure.lowest <= amended.value <= figure.highest:
        yield _wrong(
            "out-of-range", f"{figure.name} lies between {figure.lowest} and {figure.highest}.", f"{pointer}/value"
        )


def _is_month(text: str) -> bool:
    try:
        parse_month(text)
    except MonthError:
        return False
    return True


def _repeated(names: Sequence[str], pointer: str, what: str, field: str = "") -> Iterable[Refusal]:
    for place, name in enumerate(names):
        if name in names[:place]:
            yield _wrong("named-twice", f"The {what} {name} is named twice.", f"{pointer}/{place}{field}")


def _days(effective_from: str | None, effective_until: str | None, pointer: str) -> Iterable[Refusal]:
    named = (("effective_from", effective_from), ("effective_until", effective_until))
    refused = [refusal for name, day in named if day is not None for refusal in day_refusals(day, f"{pointer}/{name}")]
    yield from refused
    if refused or effective_from is None or effective_until is None:
        return
    if date.fromisoformat(effective_until) <= date.fromisoformat(effective_from):
        yield _wrong(
            "days-reversed",
            f"It holds from {effective_from} until before {effective_until}: that is no day at all.",
            f"{pointer}/effective_until",
        )
