"""What one attempt will append: events in their order, sealed records, and what other departments are to be told."""

import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import msgspec

from fill_ledger.intake.claims import Claim, Outcome, OutcomeName, Recorded, Unreadable
from fill_ledger.intake.reading import Reading, conflict_id, quarantine_id
from fill_ledger.intake.vault import Vault, key_row, record_row
from fill_ledger.ledger.append import Append, Appended
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.ledger.chain import genesis_digest
from fill_ledger.ledger.sealing import SealedKey, SealedRecord, Sealing
from fill_ledger.trade.events.corrections import EventRetracted, FactConflictKept, FactQuarantined
from fill_ledger.trade.events.cylinders import CylinderTransferredOut
from fill_ledger.trade.events.envelope import Body, Event, Judged
from fill_ledger.trade.events.members import MemberBody
from fill_ledger.trade.identifiers import finding_id
from fill_ledger.views.findings import CODE_CONFLICT_KEPT, CODE_QUARANTINED

MICROSECOND = timedelta(microseconds=1)
PURPOSE_FILLED_ELSEWHERE = "filled_elsewhere"
PURPOSE_TRANSFERRED_IN = "transferred_in"
PURPOSE_FILL_RETRACTED = "fill_retracted"
KEPT_CODES = {"conflict_kept": CODE_CONFLICT_KEPT, "quarantined": CODE_QUARANTINED}


class Keeping:
    """Puts events together and folds them, until they are appended.

    The place of an event in this attempt, from 1, is given as a position below 0 until the ledger has given its own.
    """

    def __init__(self, department_id: uuid.UUID, vault: Vault, reading: Reading) -> None:
        self._department_id = department_id
        self._vault = vault
        self._reading = reading
        self._events: list[Event] = []
        self._arrived: dict[uuid.UUID, tuple[int, Body]] = {}
        self._new_keys: list[SealedKey] = []
        self._new_records: list[SealedRecord] = []
        self._outbox: list[dict[str, Any]] = []

    def __len__(self) -> int:
        return len(self._events)

    @property
    def now(self) -> datetime:
        """The moment the next event is taken, told apart from its neighbours by microseconds."""
        return self._reading.snapshot.now + MICROSECOND * len(self._events)

    def has_arrived(self, event_id: uuid.UUID) -> bool:
        """Tell whether an event under this id came in this attempt."""
        return event_id in self._arrived

    def known_body(self, event_id: uuid.UUID) -> tuple[int, Body] | None:
        """Return position and body of an event under this id, of this attempt or on record, or None."""
        if event_id in self._arrived:
            return self._arrived[event_id]
        recorded = self._reading.snapshot.events.get(event_id)
        return None if recorded is None else (recorded.ledger_position, recorded.event.body)

    def event(self, event_id: uuid.UUID) -> Event | None:
        """Return an event of this attempt, or None."""
        return next((event for event in self._events if event.event_id == event_id), None)

    async def put(
        self,
        claim: Claim,
        effective_at: datetime,
        *,
        number: str | None = None,
        judgement: Judged | None = None,
        named_event: Event | None = None,
    ) -> int:
        """Take a claim as an event, sealed and folded; `named_event` is the one it takes back. Return its position."""
        body = self._sealed(claim.body)
        owner = None if judgement is None else judgement.owner_department_id
        self._tell(claim.event_id, PURPOSE_FILLED_ELSEWHERE, owner)
        await self._fold(_event_of(claim, self._department_id, claim.event_id, body, effective_at, number, judgement))
        if isinstance(body, CylinderTransferredOut):
            self._tell(claim.event_id, PURPOSE_TRANSFERRED_IN, body.to_department_id)
        if isinstance(body, EventRetracted) and named_event is not None and named_event.judgement is not None:
            self._tell(claim.event_id, PURPOSE_FILL_RETRACTED, named_event.judgement.owner_department_id)
        self._arrived[claim.event_id] = (-len(self._events), claim.body)
        return -len(self._events)

    async def keep_unreadable(self, claim: Unreadable) -> Outcome:
        """Keep what could not be read as its type: its bytes, sealed, with the reason."""
        event_id = quarantine_id(claim)
        known = self.known_body(event_id)
        if known is not None:
            return _kept("quarantined", event_id, known[0])
        sealing = self._vault.seal_raw(self._department_id, claim.raw)
        body = FactQuarantined(
            claimed_event_id=claim.claimed_event_id,
            claimed_type=claim.claimed_type,
            record_id=sealing.reference.record_id,
            digest=sealing.reference.digest,
            reason=claim.reason,
        )
        return await self._keep_beside(claim, event_id, body, sealing, "quarantined")

    async def keep_conflicting(self, claim: Claim) -> Outcome:
        """Keep an observation that came under an id which another fact has."""
        event_id = conflict_id(claim)
        known = self.known_body(event_id)
        if known is not None:
            return _kept("conflict_kept", event_id, known[0])
        sealing = self._vault.seal_raw(self._department_id, canonical_body(claim.body))
        body = FactConflictKept(
            claimed_event_id=claim.event_id,
            claimed_type=claim.body.event_type,
            record_id=sealing.reference.record_id,
            digest=sealing.reference.digest,
        )
        return await self._keep_beside(claim, event_id, body, sealing, "conflict_kept")

    async def to_append(self) -> Append:
        """Return all of it for the ledger."""
        folding = self._reading.folding
        await folding.settle()
        return Append(
            department_id=self._department_id,
            versions=folding.versions,
            events=self._events,
            entries=folding.entries,
            states=folding.new_states(),
            view_rows=folding.view_rows(),
            sealed_keys=[key_row(key) for key in self._new_keys],
            sealed_records=[record_row(record) for record in self._new_records],
            outbox=self._outbox,
        )

    def recorded(self, outcomes: tuple[Outcome, ...], appended: Sequence[Appended]) -> Recorded:
        """Put the positions that the ledger gave in place of the places in this attempt."""
        finished = tuple(
            outcome
            if outcome.ledger_position is None or outcome.ledger_position > 0
            else msgspec.structs.replace(
                outcome,
                ledger_position=appended[-outcome.ledger_position - 1].ledger_position,
                recorded_at=appended[-outcome.ledger_position - 1].recorded_at,
            )
            for outcome in outcomes
        )
        if appended:
            position, digest = appended[-1].ledger_position, appended[-1].chain_digest
        else:
            position = self._reading.snapshot.head_position
            digest = self._reading.snapshot.head_digest or genesis_digest(self._department_id)
        return Recorded(
            department_id=self._department_id, outcomes=finished, ledger_position=position, chain_digest=digest
        )

    def _tell(self, event_id: uuid.UUID, purpose: str, department_id: uuid.UUID | None) -> None:
        """Let another department be told of an event; nobody else needs to be."""
        if department_id is not None and department_id != self._department_id:
            self._outbox.append({"source_event_id": event_id, "purpose": purpose, "to_department_id": department_id})

    def _sealed(self, body: Body) -> Body:
        if not body.sealed:
            return body
        member_key = self._reading.member_keys.get(body.member_id) if isinstance(body, MemberBody) else None
        sealed = self._vault.seal(self._department_id, body, member_key)
        for key in sealed.new_keys:
            self._new_keys.append(key)
            self._reading.member_keys[key.key_id] = key
        self._new_records.extend(sealed.records)
        return sealed.body

    async def _keep_beside(
        self, claim: Claim | Unreadable, event_id: uuid.UUID, body: Body, sealing: Sealing, outcome: OutcomeName
    ) -> Outcome:
        if sealing.new_key is not None:
            self._new_keys.append(sealing.new_key)
        self._new_records.append(sealing.record)
        await self._fold(_event_of(claim, self._department_id, event_id, body, self.now))
        self._arrived[event_id] = (-len(self._events), body)
        return _kept(outcome, event_id, -len(self._events))

    async def _fold(self, event: Event) -> None:
        self._events.append(event)
        await self._reading.folding.fold(event, len(self._events))


def _event_of(
    claim: Claim | Unreadable,
    department_id: uuid.UUID,
    event_id: uuid.UUID,
    body: Body,
    effective_at: datetime,
    number: str | None = None,
    judgement: Judged | None = None,
) -> Event:
    """Return the event of a claim; of what could not be read neither time nor clock is known."""
    occurred_at, clock = (claim.occurred_at, claim.clock) if isinstance(claim, Claim) else (None, None)
    return Event(
        department_id=department_id,
        event_id=event_id,
        occurred_at=occurred_at or effective_at,
        effective_at=effective_at,
        recorded_by=claim.recorded_by,
        body=body,
        station_id=claim.station_id,
        stream_id=claim.stream_id,
        stream_number=claim.stream_number,
        clock=clock,
        inventory_number=number,
        judgement=judgement,
    )


def _kept(outcome: OutcomeName, event_id: uuid.UUID, position: int) -> Outcome:
    """Return the outcome of something kept beside; it is always a finding."""
    found = (finding_id(event_id, KEPT_CODES[outcome]),)
    return Outcome(outcome=outcome, event_id=event_id, ledger_position=position, finding_ids=found)
