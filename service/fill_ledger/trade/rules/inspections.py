"""What the department's own inspections found, and the yearly look inside a SCUBA cylinder."""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.rules.calendar import day_text, month_ends_at, years_later
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.cylinders import Inspection

VISUAL_INTERVAL_YEARS = NumberFigure(
    name="visual_interval_years",
    value=1,
    lowest=1,
    highest=5,
    meaning="A SCUBA cylinder is inspected inside every so many years (CGA P-5, secondary source).",
)

FAILED = ReasonKind(
    code="inspection-failed",
    effect="deny",
    title="The newest inspection of one kind failed",
    source="49 CFR 173.301(a)(2) (2015 edition); that a failed inspection stands until one passes is inference",
    clears_by="a passed inspection of the same kind",
)
VISUAL_DUE = ReasonKind(
    code="visual-inspection-due",
    effect="advice",
    title="A SCUBA cylinder was not inspected inside within a year",
    source="CGA P-5 as cited by a divers' safety association (secondary); not a federal rule",
    clears_by="an internal visual inspection",
)
VISUAL_OVERDUE = ReasonKind(
    code="visual-inspection-overdue",
    effect="deny",
    title="Policy asks for the yearly internal inspection of a SCUBA cylinder, and it is overdue",
    source="department policy; CGA P-5 as cited by a divers' safety association (secondary); not a federal rule",
    clears_by="an internal visual inspection",
)
MONTHS_IN_A_YEAR = 12


def _reasons(case: Case) -> tuple[Reason, ...]:
    if case.cylinder is None or case.details is None:
        return ()
    if not case.cylinder.inspections and case.details.use != "scuba":
        return ()
    found = [
        FAILED.reason(
            f"The {known.inspection_kind.replace('_', ' ')} inspection of {day_text(known.inspected_at, case.zone)} "
            "failed. It must be put right and pass before the cylinder is filled.",
            f"Do not fill. Failed inspection on {day_text(known.inspected_at, case.zone)}.",
        )
        for known in case.cylinder.inspections
        if known.outcome == "fail" and known.inspected_at <= case.at
    ]
    if case.details.use == "scuba" and _visual_is_due(case):
        found.append(_visual_reason(case))
    return tuple(found)


def _visual_reason(case: Case) -> Reason:
    months, known = case.number(VISUAL_INTERVAL_YEARS) * MONTHS_IN_A_YEAR, _visual(case)
    on_record = "none is on record" if known is None else f"the last was {day_text(known.inspected_at, case.zone)}"
    if case.question.policy.scuba_visual_required:
        return VISUAL_OVERDUE.reason(
            f"Policy asks for an internal visual inspection of a SCUBA cylinder every {months} months; {on_record}.",
            f"Do not fill. SCUBA internal inspection: {on_record}.",
        )
    return VISUAL_DUE.reason(
        f"Usual practice asks for an internal visual inspection of a SCUBA cylinder every {months} months; "
        f"{on_record}.",
        "SCUBA: yearly internal inspection is due.",
    )


def _visual(case: Case) -> Inspection | None:
    if case.cylinder is None:
        return None
    for known in case.cylinder.inspections:
        if known.inspection_kind == "visual_internal" and known.inspected_at <= case.at:
            return known
    return None


def _visual_ends_at(case: Case) -> datetime | None:
    """Return when the last internal inspection is a year old, counted in months as on the usual sticker."""
    known = _visual(case)
    if known is None:
        return None
    month = years_later(day_text(known.inspected_at, case.zone)[:7], case.number(VISUAL_INTERVAL_YEARS))
    return None if month is None else month_ends_at(month, case.zone)


def _visual_is_due(case: Case) -> bool:
    ends_at = _visual_ends_at(case)
    return ends_at is None or ends_at <= case.at


def _instants(case: Case) -> Iterable[datetime]:
    if case.cylinder is None or not case.cylinder.inspections:
        return
    for known in case.cylinder.inspections:
        yield known.inspected_at
    ends_at = _visual_ends_at(case)
    if ends_at is not None:
        yield ends_at


def _facts(case: Case) -> Facts:
    if case.cylinder is None or case.details is None:
        return {}
    visual_ends_at = _visual_ends_at(case)
    facts: Facts = {
        "use": case.details.use,
        "judged_by_marks": case.provisional,
        "scuba_visual_required": case.question.policy.scuba_visual_required,
        "visual_stands_until": None if visual_ends_at is None else visual_ends_at.astimezone(case.zone).isoformat(),
    }
    for known in case.cylinder.inspections:
        if known.inspected_at <= case.at:
            facts[known.inspection_kind] = f"{known.outcome} on {day_text(known.inspected_at, case.zone)}"
    return facts


RULE = Rule(
    name="inspections",
    concerns="cylinder",
    kinds=(FAILED, VISUAL_OVERDUE, VISUAL_DUE),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
    figures=(VISUAL_INTERVAL_YEARS,),
)
