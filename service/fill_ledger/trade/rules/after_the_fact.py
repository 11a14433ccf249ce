"""What can be said of a fill only once it has happened: how far it went."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from fill_ledger.trade.events.fills import Filled

if TYPE_CHECKING:
    from fill_ledger.trade.judgement import Judgement

REFERENCE_TEMPERATURE_F = 70  # 49 CFR 173.301a(c): the limit holds at 70 F (21 C)
# US Navy Diving Manual 7-5.1.1: from 50 psi over rating on, bleed off and gauge again.
GAUGE_TOLERANCE_PSI = 50
# 49 CFR 173.301(a)(8): pressure at 131 F may reach 5/4 of service pressure, so a hot gauge may read this high at most.
HOT_LIMIT_NUMERATOR, HOT_LIMIT_DENOMINATOR = 5, 4

CODE_OVER_FILL_LIMIT = "over-fill-limit"


def codes_after_the_fact(body: Filled, judgement: "Judgement") -> Iterator[str]:
    """Yield a code for each thing that is wrong with a fill beyond its having been denied."""
    limit_psi = judgement.fill_limit_psi
    if limit_psi is None or body.end_psi is None:
        return
    temperature_f = body.gas_temperature_f
    # Until a gas table settles a reading to 70 F, a hot or unknown temperature gets the regulation's own hot limit.
    if temperature_f is not None and temperature_f <= REFERENCE_TEMPERATURE_F:
        highest_psi = limit_psi + GAUGE_TOLERANCE_PSI
    else:
        highest_psi = limit_psi * HOT_LIMIT_NUMERATOR // HOT_LIMIT_DENOMINATOR
    if body.end_psi > highest_psi:
        yield CODE_OVER_FILL_LIMIT
