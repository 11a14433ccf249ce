"""Aluminium alloy 6351-T6: cracks under sustained load. Has the eddy current examination been made?"""

from datetime import date

from fill_ledger.trade.events.cylinders import CylinderDetails
from fill_ledger.trade.rules.case import Case, has_mark
from fill_ledger.trade.rules.figure import MonthFigure
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.specification import is_fillable
from fill_ledger.trade.rules.standing import is_condemned

EXAMINED_SINCE = MonthFigure(
    name="eddy_current_examined_since",
    value="2007-01",
    meaning="Every requalification from this month on carries the mark VE: 49 CFR 180.205(f)(4), 71 FR 51122.",
)
EXAMINATION_MARK = "VE"

MARK_MISSING = ReasonKind(
    code="eddy-current-mark-missing",
    effect="deny",
    title="A cylinder of alloy 6351-T6 was requalified since 2007 without the eddy current mark VE",
    source="49 CFR 180.205(f)(4), 180.213(f)(9) (2015 edition); that it bars filling is inference",
    clears_by="eddy current and visual examination, marked VE",
)
ALLOY_UNKNOWN = ReasonKind(
    code="alloy-not-recorded",
    effect="advice",
    title="The alloy of an aluminium cylinder that is or may be old is not on record; it may be 6351-T6",
    source="71 FR 51122 (29 August 2006); the year from which another alloy was usual is from memory",
    clears_by="the alloy on record",
)
OLDER_THAN = MonthFigure(
    name="alloy_asked_before",
    value="1991-01",
    meaning="An aluminium cylinder made before this month may be of alloy 6351-T6 (from memory).",
)


# 3ALM is the Canadian mark of the same cylinder (from memory).
_OF_ALUMINIUM = frozenset({"3AL", "TC 3ALM"})


def may_be_6351(case: Case) -> bool:
    """Tell whether an aluminium cylinder may be as old as those of alloy 6351-T6, and its alloy is not on record."""
    details = case.details
    if details is None or case.alloy_6351 or details.alloy is not None or case.key not in _OF_ALUMINIUM:
        return False
    return details.manufactured is None or details.manufactured < case.month(OLDER_THAN)


def is_examined(case: Case) -> bool:
    """Tell whether the newest requalification has the mark, on one of its entries where the month has several.

    A clerk may enter the volumetric test and the eddy current examination of one visit apart.
    """
    return any(has_mark(known.stamp, EXAMINATION_MARK) for known in case.passes_of_month)


def _reasons(case: Case) -> tuple[Reason, ...]:
    details = case.details
    if details is None or not is_fillable(case):
        return ()
    if not case.alloy_6351:
        return _alloy_advice(case, details)
    last = case.last_pass
    if last is None or last.stamp.month < case.month(EXAMINED_SINCE) or is_examined(case):
        return ()
    if is_condemned(case):
        return ()
    return (
        MARK_MISSING.reason(
            f"Alloy 6351-T6, tested {last.stamp.month} without the mark VE: cracks in the neck may be unseen. Have it "
            "examined by eddy current before it is filled.",
            f"Do not fill. Alloy 6351, no VE mark on test {last.stamp.month}.",
        ),
    )


def _alloy_advice(case: Case, details: CylinderDetails) -> tuple[Reason, ...]:
    if not may_be_6351(case):
        return ()
    made, find_out = "of unknown age", "the month of manufacture or the alloy"
    if details.manufactured is not None:
        made, find_out = f"made {plain(details.manufactured)}", "the alloy"
    return (
        ALLOY_UNKNOWN.reason(
            f"Aluminium {made} may be alloy 6351-T6, which can burst while filling. Find out {find_out} and enter it.",
            "Alloy not on record: it may be 6351-T6.",
        ),
    )


def _facts(case: Case) -> Facts:
    return {
        "alloy": None if case.details is None else case.details.alloy,
        "taken_as_6351": case.alloy_6351,
        "fillable": is_fillable(case),
        "condemned": is_condemned(case),
        "specification": case.key,
        "manufactured": None if case.details is None else case.details.manufactured,
        "last_passed_test": None if case.last_pass is None else case.last_pass.stamp.month,
        "marked_ve": is_examined(case),
    }


# A new test month is an instant of the requalification rule already.
RULE = Rule(
    name="sustained-load-cracking",
    concerns="cylinder",
    kinds=(MARK_MISSING, ALLOY_UNKNOWN),
    reasons=_reasons,
    facts=_facts,
    figures=(EXAMINED_SINCE, OLDER_THAN),
    effective_from=date(2007, 1, 1),
)
