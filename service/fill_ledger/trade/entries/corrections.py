"""Checks of retractions: what may be taken back."""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.entries.registry import Known, Refusal, check
from fill_ledger.trade.events import corrections, county, cylinders, members, rulebook

# Only what a person may have entered or a device reported in error can be taken back; what gives or ends rights, and
# what the ledger wrote itself, is ended by an event of its own.
NOT_RETRACTABLE = (
    county.DepartmentRegistered,
    county.PrincipalRegistered,
    county.PrincipalDeactivated,
    county.KeyIssued,
    county.KeyRevoked,
    members.CredentialRevoked,
    corrections.EventRetracted,
    corrections.FactConflictKept,
    corrections.FactQuarantined,
    cylinders.CylinderTransferredIn,
    cylinders.CylinderTransferredOut,
    rulebook.RulebookInstalled,
)


@check(corrections.EventRetracted)
def _retractable(body: corrections.EventRetracted, known: Known, moment: datetime) -> Iterable[Refusal]:
    target = known.named_event()
    if target is not None and isinstance(target.body, NOT_RETRACTABLE):
        yield Refusal(
            code="not-retractable",
            detail=f"An event of type {target.body.event_type} is not taken back; end it by an event of its own.",
            pointer="/retracted_event_id",
        )
