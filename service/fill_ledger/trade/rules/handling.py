"""What a person must do with every permitted fill."""

from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule

LOOK_OVER = ReasonKind(
    code="look-over",
    effect="obligation",
    title="The outside of the cylinder is looked over before every fill",
    source="49 CFR 173.301(a)(2) (2015 edition)",
)
KEEP_AWAY = ReasonKind(
    code="keep-people-away",
    effect="obligation",
    title="People keep away from a cylinder of alloy 6351-T6 while it fills",
    source="49 CFR 173.302(e) (2015 edition), worded as should; Notice 94-7, 26 July 1994",
)

# The same for every cylinder, so made once.
_LOOK_OVER = LOOK_OVER.reason(
    "Look the outside over. Do not fill with a crack, leak, bulge, bad valve or relief device, fire or heat damage, "
    "abuse or corrosion. Its own marks and the maker's instructions prevail.",
    "Look it over first.",
)
_KEEP_AWAY = KEEP_AWAY.reason(
    "Alloy 6351-T6 cylinders have burst while being filled. Use the safeguards at hand and let only those who must be "
    "there stay near.",
    "6351 alloy: keep people away.",
)


def _reasons(case: Case) -> tuple[Reason, ...]:
    if case.details is None:
        return ()
    return (_LOOK_OVER, _KEEP_AWAY) if case.alloy_6351 else (_LOOK_OVER,)


def _facts(case: Case) -> Facts:
    return {"alloy_6351": case.alloy_6351}


RULE = Rule(
    name="handling",
    concerns="fill",
    kinds=(LOOK_OVER, KEEP_AWAY),
    reasons=_reasons,
    facts=_facts,
)
