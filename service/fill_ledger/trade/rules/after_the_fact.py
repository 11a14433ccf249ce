"""What can be said of a fill only once it has happened: how far it went, and what was not done that had to be."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.rules.ownership import CONSENT

if TYPE_CHECKING:
    from fill_ledger.trade.judgement import Judgement

REFERENCE_TEMPERATURE_F = 70  # 49 CFR 173.301a(c): the limit holds at 70 F (21 C)
# US Navy Diving Manual 7-5.1.1: from 50 psi over rating on, bleed off and gauge again.
GAUGE_TOLERANCE_PSI = 50
# 49 CFR 173.301(a)(8): pressure at 131 F may reach 5/4 of service pressure, so a hot gauge may read this high at most.
HOT_LIMIT_NUMERATOR, HOT_LIMIT_DENOMINATOR = 5, 4

CODE_OVER_FILL_LIMIT = "over-fill-limit"
CODE_LOOK_OVER_FAILED = "look-over-failed"
CODE_LOOK_OVER_NOT_DONE = "look-over-not-done"
CODE_OVERRIDE_USED = "override-used"
CODE_CONSENT_NOT_REPORTED = "owner-consent-not-reported"


def codes_after_the_fact(body: Filled, judgement: "Judgement") -> Iterator[str]:
    """Yield a code for each thing that is wrong with a fill beyond its having been denied.

    A device that says nothing of the look-over has not said that it was left out; consent has to be reported.
    """
    if body.look_over == "failed":  # 49 CFR 173.301(a)(2): such a cylinder is not filled
        yield CODE_LOOK_OVER_FAILED
    elif body.look_over == "not_done":
        yield CODE_LOOK_OVER_NOT_DONE
    if body.override is not None:  # department practice: somebody reads every override, whatever it went against
        yield CODE_OVERRIDE_USED
    is_consent_due = any(obligation.code == CONSENT.code for obligation in judgement.obligations)
    if is_consent_due and body.owner_consent is None:  # 49 CFR 173.301(e)
        yield CODE_CONSENT_NOT_REPORTED
    if _is_over_limit(body, judgement.fill_limit_psi):
        yield CODE_OVER_FILL_LIMIT


def _is_over_limit(body: Filled, limit_psi: int | None) -> bool:
    if limit_psi is None or body.end_psi is None:
        return False
    temperature_f = body.gas_temperature_f
    # Until a gas table settles a reading to 70 F, a hot or unknown temperature gets the regulation's own hot limit.
    if temperature_f is not None and temperature_f <= REFERENCE_TEMPERATURE_F:
        return body.end_psi > limit_psi + GAUGE_TOLERANCE_PSI
    return body.end_psi > limit_psi * HOT_LIMIT_NUMERATOR // HOT_LIMIT_DENOMINATOR
