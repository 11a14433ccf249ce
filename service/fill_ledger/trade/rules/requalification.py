"""Is the periodic requalification (hydrostatic test and inspection) in date, in the station's calendar?

A stamp has a month and no day. The test may be done any time before or in the month it is due (49 CFR 180.205(c)); the
texts forbid filling when overdue (173.301(a)(6)) and when due (180.207(a)(2)), and no text read settles which day is
the last: policy says lenient (through the due month) or strict (through the month before).
"""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.rules.calendar import day_text, month_starts_at, years_later
from fill_ledger.trade.rules.case import Case, has_mark, is_external_visual_only
from fill_ledger.trade.rules.figure import MonthFigure, NumberFigure
from fill_ledger.trade.rules.life import is_life_over
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.specification import is_fillable
from fill_ledger.trade.rules.standing import is_condemned

STAR_WATER_VOLUME_MAX_ML = NumberFigure(
    name="star_water_volume_max_ml",
    value=56_699,  # 125 lb
    lowest=0,
    highest=10_000_000,
    meaning="A star counts up to this water volume: 125 lb of water (from memory, 49 CFR 180.209(b)(1)).",
)
STAR_MADE_AFTER = MonthFigure(
    name="star_made_after",
    value="1945-12",
    meaning="A star counts on cylinders made after this month (secondary quotation of 49 CFR 180.209(b)).",
)
GRACE_MONTHS = NumberFigure(
    name="requalification_grace_months",
    value=0,
    lowest=0,
    highest=24,
    meaning="So many months after the due month a cylinder may still be filled: none, save where the regulator gives "
    "relief for a time (PHMSA did in 2020, secondary source).",
)
ML_PER_POUND_OF_WATER = 453.59237  # at 1 g/ml
STAR_MARK = "star"
STAR_SOURCE = "49 CFR 180.209(b): conditions in part from a secondary quotation, in part from memory"

DUE = ReasonKind(
    code="requalification-due",
    effect="deny",
    title="A cylinder due for requalification is not filled or topped off",
    source="49 CFR 180.205(c), 173.301(a)(6) (2015 edition); last day by policy",
    clears_by="requalification",
)
UNKNOWN = ReasonKind(
    code="requalification-unknown",
    effect="deny",
    title="Neither a requalification nor the month of manufacture is on record",
    source="49 CFR 180.205(c) (2015 edition)",
    clears_by="the month of the last test, or of manufacture, from the stamp",
)
STAR_IGNORED = ReasonKind(
    code="star-not-counted",
    effect="advice",
    title="A star is stamped, but the ten-year period does not apply",
    source=STAR_SOURCE,
)
EXTERNAL_VISUAL = ReasonKind(
    code="external-visual-only",
    effect="advice",
    title="An external visual inspection is on record that does not requalify a cylinder for breathing air",
    source="49 CFR 180.213(f)(5), 180.209(g) (2015 edition): for listed gases; that air is none of them is from memory",
)
HAMMER_TEST = ReasonKind(
    code="hammer-test",
    effect="obligation",
    title="A cylinder that rests on its star is hammer-tested on its own before every refill",
    source="49 CFR 180.209(b) with CGA C-6: secondary quotation; PHMSA letter 09-0236",
)
# The same for every such cylinder, so made once.
_HAMMER_TEST = HAMMER_TEST.reason(
    "Take it out of any bank, rack or vehicle and hammer-test it (CGA C-6) before this refill: only so does its star "
    "give ten years.",
    "Star: hammer test first.",
)
_SOURCE_UN = "49 CFR 180.207(a)(2), (c) (2015 edition); last day by policy"
_SOURCE_NEW = "inference and common practice: the first period runs from manufacture; 49 CFR 180.205(c)"


def has_star(case: Case) -> bool:
    """Tell whether the newest passed requalification carries a star.

    Where a month has two entries both must: neither is the later one, so the shorter period holds (inference).
    """
    passes = case.passes_of_month
    return bool(passes) and all(has_mark(known.stamp, STAR_MARK) for known in passes)


def star_fault(case: Case) -> str | None:
    """Say why the star does not give ten years, or None where it does (49 CFR 180.209(b))."""
    details, entry = case.details, case.entry
    if (
        details is None or entry is None or entry.star_interval_years is None
    ):  # pragma: no mutate - for types but the last
        return "the specification does not allow it"
    if details.use == "scuba":
        return "the cylinder is used under water"
    if details.use == "storage":
        return "the cylinder is filled in a bank"
    water_volume_max_ml, made_after = case.number(STAR_WATER_VOLUME_MAX_ML), case.month(STAR_MADE_AFTER)
    if details.water_volume_ml is not None and details.water_volume_ml > water_volume_max_ml:
        return f"the cylinder holds more than {water_volume_max_ml / ML_PER_POUND_OF_WATER:.0f} lb of water"
    if details.manufactured is None or details.manufactured <= made_after:
        return f"the cylinder is not on record as made after {made_after}"
    return None


def interval_years(case: Case) -> int | None:
    """Return the years from one requalification to the next, or None where none is asked or known."""
    entry = case.entry
    if entry is None:
        return None
    if entry.star_interval_years is not None and has_star(case) and star_fault(case) is None:
        return entry.star_interval_years
    return entry.interval_years


def counted_from(case: Case) -> str | None:
    """Return the month the running period counts from: the newest passed test, else manufacture, else None."""
    return case.manufactured if case.last_pass is None else case.last_pass.stamp.month


def requalification_stops_at(case: Case) -> datetime | None:
    """Return when filling stops because requalification is due, in UTC, or None where that is not known."""
    years, month = interval_years(case), counted_from(case)
    return None if years is None or month is None else case.stops_at(month, years, case.number(GRACE_MONTHS))


def _reasons(case: Case) -> tuple[Reason, ...]:
    if case.details is None or case.entry is None or case.entry.interval_years is None or not is_fillable(case):
        return ()
    advice = (*_external_visual_advice(case), *(_star_reasons(case) if has_star(case) else ()))
    rejected = case.latest is not None and case.latest.stamp.outcome == "rejected"
    # Where a new test alone changes nothing, "due" would send the cylinder to the requalifier for nothing.
    if rejected or is_condemned(case) or is_life_over(case):
        return advice
    month, years = counted_from(case), interval_years(case)
    if years is None or month is None:
        return (
            UNKNOWN.reason(
                "Neither a requalification nor the month of manufacture is on record. Read the stamp and enter it.",
                "Do not fill. Enter its last test month from the stamp.",
            ),
            *advice,
        )
    stops_at = requalification_stops_at(case)
    if stops_at is None or case.at < stops_at:
        return advice
    return (_due(case, month, years, stops_at), *advice)


def _due(case: Case, month: str, years: int, stops_at: datetime) -> Reason:
    due_month = years_later(month, years)
    since = f"Tested {month}" if case.last_pass is not None else f"Made {month}, no test on record"
    source = DUE.source
    if case.last_pass is None:
        source = _SOURCE_NEW
    elif case.key is not None and case.key.startswith("UN "):
        source = _SOURCE_UN
    if case.question.policy.requalification_due == "strict":
        source += ": strict"
    return DUE.reason(
        f"{since}, every {years} years: due since {due_month}. {_what_a_charge_allows(case, stops_at)}",
        f"Do not fill. Hydro test due since {due_month}.",
        source=source,
    )


def _what_a_charge_allows(case: Case, stops_at: datetime) -> str:
    """Say whether it may stay in service full: only if charged before it was due (180.205(c), 173.301(a)(6))."""
    last_fill = None if case.cylinder is None else case.cylinder.last_fill  # pragma: no mutate - for types
    # Looked ahead to, the last fill says nothing: there will be others by then.
    is_looked_ahead = case.at > case.question.at
    if is_looked_ahead or last_fill is None or last_fill.filled_at >= case.at:
        first_day = day_text(stops_at, case.zone)
        return f"If charged before {first_day} it may serve until emptied; it may not be topped off."
    day = day_text(last_fill.filled_at, case.zone)
    if last_fill.filled_at < stops_at:
        return f"Last filled {day}, in time: it may serve until emptied; it may not be topped off."
    return f"Last filled {day}, too late for it to serve until emptied: take it out of service."


def _external_visual_advice(case: Case) -> tuple[Reason, ...]:
    if case.cylinder is None:
        return ()
    since = "" if case.latest is None else case.latest.stamp.month
    for known in reversed(case.cylinder.requalifications):
        month = known.stamp.month
        starts_at = month_starts_at(month, case.zone)
        if month > since and starts_at is not None and starts_at <= case.at and is_external_visual_only(known.stamp):
            return (
                EXTERNAL_VISUAL.reason(
                    f"The stamp of {month} with the sign E is an external visual inspection. For breathing air it does "
                    "not stand in for the test.",
                    f"Stamp {month} E is no test for breathing air.",
                ),
            )
    return ()


def _star_reasons(case: Case) -> tuple[Reason, ...]:
    fault = star_fault(case)
    if case.entry is None:
        return ()
    if fault is None:
        return (_HAMMER_TEST,)
    return (
        STAR_IGNORED.reason(
            f"The star does not count because {fault}: the period is {case.entry.interval_years} years.",
            f"The star does not count: {fault}.",
        ),
    )


def _instants(case: Case) -> Iterable[datetime]:
    """The months of tests are instants of the rule about standing already."""
    stops_at = requalification_stops_at(case)
    if stops_at is not None:
        yield stops_at


def _facts(case: Case) -> Facts:
    month, years = counted_from(case), interval_years(case)
    stops_at = requalification_stops_at(case)
    return {
        "fillable": is_fillable(case),
        "condemned": is_condemned(case),
        "life_over": is_life_over(case),
        "latest_outcome": None if case.latest is None else case.latest.stamp.outcome,
        "last_passed_test": None if case.last_pass is None else case.last_pass.stamp.month,
        "star": has_star(case),
        "star_fault": star_fault(case) if has_star(case) else None,
        "external_visual_only": bool(_external_visual_advice(case)),
        "counted_from": month,
        "interval_years": years,
        "due_month": None if month is None or years is None else years_later(month, years),
        "policy": case.question.policy.requalification_due,
        "filling_stops_at": None if stops_at is None else stops_at.astimezone(case.zone).isoformat(),
    }


RULE = Rule(
    name="requalification",
    concerns="cylinder",
    kinds=(DUE, UNKNOWN, EXTERNAL_VISUAL, HAMMER_TEST, STAR_IGNORED),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
    figures=(STAR_WATER_VOLUME_MAX_ML, STAR_MADE_AFTER, GRACE_MONTHS),
)
