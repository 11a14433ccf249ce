"""What a person must do with every permitted fill."""

from functools import lru_cache

from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.limits import fill_rate_max_psi_per_minute
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.sustained_load import may_be_6351

LOOK_OVER = ReasonKind(
    code="look-over",
    effect="obligation",
    title="The outside of the cylinder is looked over before every fill",
    source="49 CFR 173.301(a)(2) (2015 edition)",
)
KEEP_AWAY = ReasonKind(
    code="keep-people-away",
    effect="obligation",
    title="People keep away from a cylinder that is or may be of alloy 6351-T6 while it fills",
    source="49 CFR 173.302(e) (2015 edition), worded as should; Notice 94-7, 26 July 1994",
)
FILL_RATE = ReasonKind(
    code="fill-rate",
    effect="obligation",
    title="The pressure rises no faster than the greatest fill rate, save in a fast fill",
    source="gas-industry habit (an inspectors' training article, secondary); the maker's instructions prevail",
)
BLEED_HOSE = ReasonKind(
    code="bleed-hose",
    effect="obligation",
    title="The hose is bled before it comes off the cylinder",
    source="common practice, no source; the maker's instructions prevail",
)
# Said with every permit; a small display has other things to say.
ALIKE_AT_EVERY_FILL = frozenset({FILL_RATE.code, BLEED_HOSE.code})

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
_KEEP_AWAY_IN_DOUBT = KEEP_AWAY.reason(
    "It may be of alloy 6351-T6, which has burst while being filled. Until its alloy is on record use the safeguards "
    "at hand and let only those who must be there stay near.",
    "Perhaps 6351 alloy: keep people away.",
    source=f"{KEEP_AWAY.source}; where the alloy is not known, inference",
)
_BLEED_HOSE = BLEED_HOSE.reason(
    "Close the valves and bleed the hose before it comes off: a hose under pressure whips.",
    "Bleed the hose.",
)
REMEMBERED_RATES = 64


@lru_cache(maxsize=REMEMBERED_RATES)
def _fill_rate(psi_per_minute: int, is_fast: bool) -> Reason:
    if is_fast:
        return FILL_RATE.reason(
            f"A fast fill goes above {psi_per_minute} psi a minute, the usual limit: no faster than the maker of the "
            "cylinder lets it. The gas gets hot, and the cylinder settles lower.",
            "Fast: no faster than its maker says.",
        )
    return FILL_RATE.reason(
        f"Keep the rise under {psi_per_minute} psi a minute. The maker's instructions prevail.",
        f"Under {psi_per_minute} psi/min.",
    )


def _reasons(case: Case) -> tuple[Reason, ...]:
    if case.details is None:
        return ()
    rate = _fill_rate(fill_rate_max_psi_per_minute(case), case.question.mode == "fast")
    keep_away = (_KEEP_AWAY,) if case.alloy_6351 else (_KEEP_AWAY_IN_DOUBT,) if may_be_6351(case) else ()
    return (_LOOK_OVER, *keep_away, rate, _BLEED_HOSE)


def _facts(case: Case) -> Facts:
    return {
        "cylinder_known": case.details is not None,
        "mode": case.question.mode,
        "alloy_6351": case.alloy_6351,
        "may_be_6351": may_be_6351(case),
        "fill_rate_max_psi_per_minute": fill_rate_max_psi_per_minute(case),
    }


RULE = Rule(
    name="handling",
    concerns="fill",
    kinds=(LOOK_OVER, KEEP_AWAY, FILL_RATE, BLEED_HOSE),
    reasons=_reasons,
    facts=_facts,
)
