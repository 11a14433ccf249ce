"""Whose cylinder is it, and does the owner agree? A department's policy names the neighbours it fills for."""

from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule

_CONSENT = "49 CFR 173.301(e) (2015 edition)"

NOT_SHARED = ReasonKind(
    code="not-shared",
    effect="deny",
    title="The cylinder belongs to a department that is no mutual-aid partner by policy",
    source=f"department policy; {_CONSENT}",
    clears_by="a policy that names the owner as a mutual-aid partner",
)
CONSENT_REFUSED = ReasonKind(
    code="owner-consent-refused",
    effect="deny",
    title="The owner did not agree to the fill",
    source=_CONSENT,
    clears_by="the owner's consent",
)
CONSENT = ReasonKind(
    code="owner-consent",
    effect="obligation",
    title="The owner's consent is obtained before the fill and reported with it",
    source=_CONSENT,
)


def _is_foreign(case: Case) -> bool:
    if case.cylinder is None:
        return False
    owner = case.question.owner_department_id or case.cylinder.department_id
    return owner != case.question.department_id


def _reasons(case: Case) -> tuple[Reason, ...]:
    foreign = _is_foreign(case)
    if not foreign and not case.provisional:
        return ()
    question = case.question
    if foreign and not question.owner_shares:
        return (
            NOT_SHARED.reason(
                "The cylinder belongs to another department, and policy does not name that one as a mutual-aid "
                "partner. An officer may add it to the policy.",
                "Do not fill. It belongs to a department that is no partner.",
            ),
        )
    if question.owner_consent is False:
        return (
            CONSENT_REFUSED.reason(
                "The owner did not agree. A cylinder may be offered for transport only if it was filled by its owner "
                "or with the owner's consent.",
                "Do not fill. The owner did not agree.",
            ),
        )
    if question.owner_consent is None and question.policy.owner_consent_required:
        return (
            CONSENT.reason(
                "Get the owner's consent before the fill, and report it with the fill.", "Get the owner's consent."
            ),
        )
    return ()


def _facts(case: Case) -> Facts:
    return {
        "another_department": _is_foreign(case),
        "judged_by_marks": case.provisional,
        "owner_shares": case.question.owner_shares,
        "owner_consent": case.question.owner_consent,
        "owner_consent_required": case.question.policy.owner_consent_required,
    }


RULE = Rule(
    name="ownership", concerns="cylinder", kinds=(NOT_SHARED, CONSENT_REFUSED, CONSENT), reasons=_reasons, facts=_facts
)
