"""Does the department fill this kind of cylinder, and in this way, at all?"""

from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule

_POLICY = "department policy"

SCUBA_NOT_FILLED = ReasonKind(
    code="scuba-not-filled-here",
    effect="deny",
    title="The department does not fill SCUBA cylinders",
    source=_POLICY,
    clears_by="a station that fills SCUBA cylinders, or correction of the use on record, if it is wrong",
)
FAST_NOT_ALLOWED = ReasonKind(
    code="fast-fill-not-allowed",
    effect="deny",
    title="The department does not allow fast fills",
    source=_POLICY,
    clears_by="another mode",
)


def _reasons(case: Case) -> tuple[Reason, ...]:
    policy, details = case.question.policy, case.details
    found: list[Reason] = []
    if not policy.scuba_fills_allowed and details is not None and details.use == "scuba":
        found.append(
            SCUBA_NOT_FILLED.reason(
                "The record says that this is a SCUBA cylinder, and the department's policy is not to fill those.",
                "Do not fill. SCUBA cylinders are not filled here.",
            )
        )
    if not policy.fast_fills_allowed and case.question.mode == "fast":
        found.append(
            FAST_NOT_ALLOWED.reason(
                "The department's policy does not allow the mode fast. Fill at the usual rate.",
                "Do not fill. Fast fills are not allowed: use another mode.",
            )
        )
    return tuple(found)


def _facts(case: Case) -> Facts:
    return {
        "use": None if case.details is None else case.details.use,
        "mode": case.question.mode,
        "scuba_fills_allowed": case.question.policy.scuba_fills_allowed,
        "fast_fills_allowed": case.question.policy.fast_fills_allowed,
    }


RULE = Rule(name="offered", concerns="fill", kinds=(SCUBA_NOT_FILLED, FAST_NOT_ALLOWED), reasons=_reasons, facts=_facts)
