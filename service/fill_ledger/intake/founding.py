"""The first entries of a county: whoever runs the service makes its first operator and key from the command line."""

import uuid
from collections.abc import Sequence
from datetime import datetime

import msgspec

from fill_ledger.intake.claims import Claim, Recorded, Unit
from fill_ledger.intake.lane import Lanes
from fill_ledger.ledger.access_keys import make_access_key
from fill_ledger.trade.events.county import KeyIssued, PrincipalRegistered, Role
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import COUNTY_ID, derived_id

# Recorded as the author of what nobody with a key could have entered yet.
FOUNDER_ID = derived_id("founder")


class NewPrincipal(msgspec.Struct, frozen=True, kw_only=True):
    """A principal made together with its first key, which is shown once."""

    principal_id: uuid.UUID
    key_id: uuid.UUID
    plain_key: str

    def __repr__(self) -> str:
        return f"NewPrincipal(principal_id={self.principal_id})"


class EntryRefusedError(Exception):
    """The ledger contradicts an entry made from the command line; the text says what."""


async def record_entries(
    lanes: Lanes,
    department_id: uuid.UUID,
    bodies: Sequence[Body],
    *,
    recorded_by: uuid.UUID = FOUNDER_ID,
    occurred_at: datetime | None = None,
) -> Recorded:
    """Record office entries together, all or nothing.

    Raises:
        EntryRefusedError: one of them contradicts the ledger; none was taken.
    """
    claims = tuple(
        Claim(event_id=uuid.uuid4(), body=body, recorded_by=recorded_by, occurred_at=occurred_at) for body in bodies
    )
    recorded = await lanes.record(Unit(department_id=department_id, claims=claims, atomic=True))
    refusals = [refusal.detail for outcome in recorded.outcomes for refusal in outcome.refusals]
    if refusals:
        raise EntryRefusedError(" ".join(refusals))
    return recorded


async def register_principal(
    lanes: Lanes,
    role: Role,
    label: str,
    *,
    department_ids: tuple[uuid.UUID, ...] | None,
    station_id: uuid.UUID | None = None,
    recorded_by: uuid.UUID = FOUNDER_ID,
    expires_at: datetime | None = None,
) -> NewPrincipal:
    """Register a principal with a first key. `department_ids` None means every department.

    Raises:
        EntryRefusedError: see `record_entries`.
    """
    principal_id, key_id, key = uuid.uuid4(), uuid.uuid4(), make_access_key()
    await record_entries(
        lanes,
        COUNTY_ID,
        (
            PrincipalRegistered(
                principal_id=principal_id,
                role=role,
                label=label,
                department_ids=department_ids,
                station_id=station_id,
            ),
            KeyIssued(principal_id=principal_id, key_id=key_id, key_digest=key.digest.hex(), expires_at=expires_at),
        ),
        recorded_by=recorded_by,
    )
    return NewPrincipal(principal_id=principal_id, key_id=key_id, plain_key=key.plain)
