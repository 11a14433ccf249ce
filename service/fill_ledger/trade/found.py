"""What was found about a recorded event when it was taken: the codes of its findings."""

import uuid

from fill_ledger.trade.events.corrections import FactConflictKept, FactQuarantined
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.identifiers import finding_id
from fill_ledger.trade.rules.finding_kinds import CONFLICT_KEPT, QUARANTINED


def found_codes(event: Event) -> tuple[str, ...]:
    """Return the codes of an event's findings, each of which makes one finding with the event."""
    if isinstance(event.body, FactConflictKept):
        return (CONFLICT_KEPT.code,)
    if isinstance(event.body, FactQuarantined):
        return (QUARANTINED.code,)
    if event.judgement is None or not isinstance(event.body, Filled):
        return ()
    return event.judgement.reasons


def finding_ids(event: Event) -> tuple[uuid.UUID, ...]:
    """Return the ids of an event's findings, in the order of their codes."""
    return tuple(finding_id(event.event_id, code) for code in found_codes(event))
