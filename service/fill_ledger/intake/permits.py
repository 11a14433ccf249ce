"""Reading the permits that fills quote, and whether another fill quoted the same one before.

Two fills with one permit that come through two processes at the same moment may each find the other not there yet; then
neither is called the second. Both have their reference on record.
"""

import uuid
from collections.abc import Callable, Iterable

import msgspec

from fill_ledger.intake.claims import Claim
from fill_ledger.ledger.handles import HandleRefused, PermitReferences
from fill_ledger.trade.events.envelope import QuotedPermit
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.rules.permits import PermitStanding


class QuotedPermits(msgspec.Struct, kw_only=True):
    """The permits behind references, None for one that is not genuine; and by nonce the fills that quoted them."""

    by_reference: dict[str, QuotedPermit | None]
    used_by: dict[str, set[uuid.UUID]]

    def quote(self, claim: Claim, body: Filled, is_retracted: Callable[[uuid.UUID], bool]) -> PermitStanding:
        """Return what is known of the permit that a new fill quotes, and note that it does."""
        permit = None if body.permit_reference is None else self.by_reference[body.permit_reference]
        if permit is None:
            return PermitStanding()
        users = self.used_by.setdefault(permit.nonce, set())
        is_used_before = any(not is_retracted(event_id) for event_id in users)
        users.add(claim.event_id)
        is_certain = claim.clock is None or claim.clock.synced or claim.device_now is not None
        return PermitStanding(
            permit=msgspec.structs.replace(permit, is_fill_time_certain=is_certain), is_used_before=is_used_before
        )


def read_reference(references: PermitReferences, reference: str) -> QuotedPermit | None:
    """Return the permit that a reference stands for, whether or not it still holds; None where it is not genuine."""
    permit = references.read(reference)
    if isinstance(permit, HandleRefused):
        return None
    return QuotedPermit(
        station_id=permit.station_id,
        cylinder_id=permit.cylinder_id,
        member_id=permit.member_id,
        fill_limit_psi=permit.fill_limit_psi,
        mode=permit.mode,
        until=permit.until,
        nonce=permit.nonce.hex(),
    )


def quoted_permits(references: PermitReferences, quoted: Iterable[str]) -> dict[str, QuotedPermit | None]:
    """Return the permits behind the references that fills quote, None for one that is not genuine."""
    return {reference: read_reference(references, reference) for reference in set(quoted)}
