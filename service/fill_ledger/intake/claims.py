"""What comes in, and what becomes of it."""

import uuid
from datetime import datetime
from typing import Literal

import msgspec

from fill_ledger.trade.entries import Refusal
from fill_ledger.trade.events.envelope import Body, Clock, Nature

OutcomeName = Literal["created", "exists", "conflict_kept", "quarantined", "refused"]


class Claim(msgspec.Struct, frozen=True, kw_only=True):
    """One fact or entry as somebody claims it, decoded as its type, not yet judged.

    `occurred_at` is None for an office entry made now. `entered` marks what a person or another system enters, not a
    device: it is checked and may be refused even where a device may observe the same. `device_now` is what the device's
    clock said when it sent the fact; with it the drift of a clock that is not synced can be taken out.
    """

    event_id: uuid.UUID
    body: Body
    recorded_by: uuid.UUID
    occurred_at: datetime | None = None
    station_id: uuid.UUID | None = None
    stream_id: uuid.UUID | None = None
    stream_number: int | None = None
    clock: Clock | None = None
    device_now: datetime | None = None
    entered: bool = False

    @property
    def is_office_entry(self) -> bool:
        """Tell whether the claim is checked against the ledger and may be refused."""
        return self.entered or self.body.nature is Nature.OFFICE


class Unreadable(msgspec.Struct, frozen=True, kw_only=True):
    """A fact that could not be read as its type. Its bytes are kept, sealed."""

    raw: bytes
    reason: str
    recorded_by: uuid.UUID
    station_id: uuid.UUID | None = None
    claimed_event_id: uuid.UUID | None = None
    claimed_type: str | None = None
    stream_id: uuid.UUID | None = None
    stream_number: int | None = None


class Unit(msgspec.Struct, frozen=True, kw_only=True):
    """The claims of one request. An atomic unit is taken whole or, where one claim is refused, not at all."""

    department_id: uuid.UUID
    claims: tuple[Claim | Unreadable, ...]
    atomic: bool = False


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """What became of one claim. `ledger_position` is None only for a refused one."""

    outcome: OutcomeName
    event_id: uuid.UUID | None
    ledger_position: int | None = None
    recorded_at: datetime | None = None
    inventory_number: str | None = None
    finding_ids: tuple[uuid.UUID, ...] = ()
    refusals: tuple[Refusal, ...] = ()


class Recorded(msgspec.Struct, frozen=True, kw_only=True):
    """The outcomes of one unit, in its order, with the head of the ledger after it: position and chain digest."""

    department_id: uuid.UUID
    outcomes: tuple[Outcome, ...]
    ledger_position: int
    chain_digest: bytes
