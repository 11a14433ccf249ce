"""What an office entry must not contradict. Observations are never refused: they are kept and judged.

A check sees the states of the subjects that the entry names and says what is wrong, in words that tell what to change.
One module an area; `registry` holds what they share.
"""

from fill_ledger.trade.entries import (
    air,
    alarms,
    corrections,
    county,
    cylinders,
    findings,
    life_extensions,
    members,
    policies,
    rulebook,
    stations,
)
from fill_ledger.trade.entries.registry import Known, Refusal, consulted, refusals

CHECKED_AREAS = (
    air,
    alarms,
    corrections,
    county,
    cylinders,
    findings,
    life_extensions,
    members,
    policies,
    rulebook,
    stations,
)

__all__ = ["CHECKED_AREAS", "Known", "Refusal", "consulted", "refusals"]
