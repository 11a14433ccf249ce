"""Has the service life ended? Unlike a requalification that is due, no test cures it, and a full cylinder comes off."""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.rules.calendar import years_later
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.specification import is_fillable

LIFE_OVER = ReasonKind(
    code="service-life-over",
    effect="deny",
    title="A cylinder past its service life is not refilled, and is condemned once empty",
    source="49 CFR 180.205(c), 173.301(a)(7) (2015 edition); month rule by inference",
)
MADE_MISSING = ReasonKind(
    code="manufacture-date-missing",
    effect="deny",
    title="The service life counts from manufacture, and that month is not on record",
    source="49 CFR 180.205(c) (2015 edition)",
    clears_by="the month of manufacture from the stamp or label",
)


def is_life_over(case: Case) -> bool:
    """Tell whether the service life has ended at the case's moment."""
    return case.life_stops_at is not None and case.life_stops_at <= case.at


def _reasons(case: Case) -> tuple[Reason, ...]:
    details, entry = case.details, case.entry
    if details is None or entry is None or entry.life_years is None or not is_fillable(case):
        return ()
    if details.manufactured is None:
        return (
            MADE_MISSING.reason(
                f"Its life is {entry.life_years} years from manufacture, and that month is not on record. Read it "
                "from the stamp or label and enter it.",
                "Do not fill. Enter the month of manufacture from its label.",
            ),
        )
    if not is_life_over(case):
        return ()
    made = details.manufactured
    ended = years_later(made, entry.life_years)
    return (
        LIFE_OVER.reason(
            f"Made {made}, life {entry.life_years} years: it ended {ended}. No test renews it. Take it out of service "
            "even if full, and have it condemned once empty.",
            f"Do not fill. Service life ended {ended}: take it out of service.",
        ),
    )


def _instants(case: Case) -> Iterable[datetime]:
    return () if case.life_stops_at is None else (case.life_stops_at,)


def _facts(case: Case) -> Facts:
    stops_at = case.life_stops_at
    return {
        "manufactured": None if case.details is None else case.details.manufactured,
        "life_years": None if case.entry is None else case.entry.life_years,
        "filling_stops_at": None if stops_at is None else stops_at.astimezone(case.zone).isoformat(),
    }


RULE = Rule(
    name="service-life",
    concerns="cylinder",
    kinds=(LIFE_OVER, MADE_MISSING),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
