"""One attempt to record units of claims: read, check, judge, fold, append."""

import asyncio
import uuid
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec

from fill_ledger.intake.claims import Claim, Outcome, OutcomeName, Recorded, Unit, Unreadable
from fill_ledger.intake.judging import FillTaken, judge_fill, whose_cylinder
from fill_ledger.intake.reading import Reading, conflict_id, quarantine_id, read_for
from fill_ledger.intake.screening import Unwritable, screened
from fill_ledger.intake.vault import Vault, key_row, record_row
from fill_ledger.ledger.append import Append, Appended, append
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.ledger.chain import genesis_digest
from fill_ledger.ledger.read import Connection
from fill_ledger.ledger.sealing import SealedKey, SealedRecord
from fill_ledger.trade.entries import Refusal, refusals
from fill_ledger.trade.events.corrections import EventRetracted, FactConflictKept, FactQuarantined
from fill_ledger.trade.events.cylinders import CylinderRegistered, CylinderTransferredIn, CylinderTransferredOut
from fill_ledger.trade.events.envelope import Body, Event, Judged
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.findings import FindingBody
from fill_ledger.trade.events.members import MemberBody
from fill_ledger.trade.found import finding_ids
from fill_ledger.trade.identifiers import Subject, SubjectKind, finding_id, inventory_number_subject
from fill_ledger.trade.states.county import NumberingState
from fill_ledger.views.findings import CODE_CONFLICT_KEPT, CODE_QUARANTINED
from fill_ledger.views.folding import Folding
from fill_ledger.views.rulebooks import Rulebooks

# A claim takes a fraction of a millisecond: so many at a stretch are not felt by who asks meanwhile.
CLAIMS_BETWEEN_PAUSES = 16
MICROSECOND = timedelta(microseconds=1)
PURPOSE_FILLED_ELSEWHERE = "filled_elsewhere"
PURPOSE_TRANSFERRED_IN = "transferred_in"
PURPOSE_FILL_RETRACTED = "fill_retracted"
KEPT_CODES = {"conflict_kept": CODE_CONFLICT_KEPT, "quarantined": CODE_QUARANTINED}


class Attempt:
    """Reads, judges and folds the claims of some units in order, then appends what is new, all or nothing."""

    def __init__(
        self, connection: Connection, department_id: uuid.UUID, vault: Vault, rulebooks: Rulebooks | None = None
    ) -> None:
        self._connection = connection
        self._department_id = department_id
        self._vault = vault
        self._rulebooks = rulebooks or Rulebooks()
        self._events: list[Event] = []
        self._arrived: dict[uuid.UUID, tuple[int, Body]] = {}
        self._new_keys: list[SealedKey] = []
        self._new_records: list[SealedRecord] = []
        self._outbox: list[dict[str, Any]] = []
        self._named_event: Event | None = None
        self._claims: list[list[Claim | Unreadable | Unwritable]] = []
        self._reading: Reading
        self._folding: Folding

    async def run(self, units: Sequence[Unit]) -> list[Recorded]:
        """Record the units; raises LostRaceError where something read has changed meanwhile."""
        self._claims = [[screened(claim) for claim in unit.claims] for unit in units]
        refused: dict[int, tuple[Outcome, ...]] = {}
        while True:
            outcomes = await self._try_units(units, refused)
            if outcomes is not None:
                break
            # An atomic unit was refused half way: fold the others again without it.
            self._start_over()
        await self._folding.settle()
        appended = await self._append()
        return [self._recorded(of_unit, appended) for of_unit in outcomes]

    def _start_over(self) -> None:
        self._events, self._arrived = [], {}
        self._new_keys, self._new_records, self._outbox = [], [], []

    async def _try_units(
        self, units: Sequence[Unit], refused: dict[int, tuple[Outcome, ...]]
    ) -> list[tuple[Outcome, ...]] | None:
        readable = [
            claim
            for place, of_unit in enumerate(self._claims)
            if place not in refused
            for claim in of_unit
            if not isinstance(claim, Unwritable)
        ]
        self._reading = await read_for(self._connection, self._department_id, self._vault, self._rulebooks, readable)
        self._folding = self._reading.folding
        outcomes: list[tuple[Outcome, ...]] = []
        for place, unit in enumerate(units):
            if place in refused:
                outcomes.append(refused[place])
                continue
            folded_before = len(self._events)
            taken = tuple([outcome async for outcome in self._take_each(self._claims[place])])
            if unit.atomic and any(outcome.outcome == "refused" for outcome in taken):
                taken = refused[place] = tuple(_not_taken(outcome) for outcome in taken)
                if len(self._events) > folded_before:
                    return None
            outcomes.append(taken)
        return outcomes

    async def _take_each(self, claims: Sequence[Claim | Unreadable | Unwritable]) -> AsyncIterator[Outcome]:
        for count, claim in enumerate(claims, start=1):
            yield await self._take(claim)
            if count % CLAIMS_BETWEEN_PAUSES == 0:
                # Look-ups of this process come before the rest of a long batch.
                await asyncio.sleep(0)

    async def _take(self, claim: Claim | Unreadable | Unwritable) -> Outcome:
        if isinstance(claim, Unwritable):
            return _refused(claim.claim, claim.refusal)
        if isinstance(claim, Unreadable):
            return await self._keep_unreadable(claim)
        known = self._known_body(claim.event_id)
        if known is None:
            return await self._take_new(claim)
        position, stored = known
        if await self._is_same(claim, stored):
            return Outcome(
                outcome="exists",
                event_id=claim.event_id,
                ledger_position=position,
                inventory_number=self._known_number(claim.event_id),
                finding_ids=self._known_findings(claim.event_id),
            )
        if claim.is_office_entry:
            return _refused(
                claim,
                Refusal(code="event-id-taken", detail="Another event has this event_id.", pointer="/event_id"),
            )
        return await self._keep_conflicting(claim)

    def _known_body(self, event_id: uuid.UUID) -> tuple[int, Body] | None:
        """Return position and body of an event under this id; positions of this attempt are given as places below 0."""
        if event_id in self._arrived:
            return self._arrived[event_id]
        recorded = self._reading.snapshot.events.get(event_id)
        return None if recorded is None else (recorded.ledger_position, recorded.event.body)

    def _known_number(self, event_id: uuid.UUID) -> str | None:
        recorded = self._reading.snapshot.events.get(event_id)
        return None if recorded is None else recorded.event.inventory_number

    def _known_findings(self, event_id: uuid.UUID) -> tuple[uuid.UUID, ...]:
        """Return the findings that the first answer to this event named."""
        recorded = self._reading.snapshot.events.get(event_id)
        arrived = (event for event in self._events if event.event_id == event_id)
        event = next(arrived, None) if recorded is None else recorded.event
        return () if event is None else finding_ids(event)

    async def _is_same(self, claim: Claim, stored: Body) -> bool:
        if type(stored) is not type(claim.body):
            return False
        if not claim.body.sealed or claim.event_id in self._arrived:
            return canonical_body(stored) == canonical_body(claim.body)
        return await self._vault.same_as(self._connection, self._department_id, claim.body, stored)

    async def _take_new(self, claim: Claim) -> Outcome:
        body = claim.body
        effective_at = self._effective_at(claim)
        if claim.is_office_entry or isinstance(body, Filled):
            # A check or a judgement may look at a station.
            await self._folding.settle()
        if claim.is_office_entry:
            self._named_event = await self._event_named_by(body)
            contradictions = refusals(body, self, effective_at)
            if contradictions:
                return _refused(claim, *contradictions)
        number: str | None = None
        if isinstance(body, CylinderRegistered | CylinderTransferredIn):
            given = body.inventory_number if isinstance(body, CylinderRegistered) else None
            number = given if given is not None else await self._next_number()
            if given is not None and not await self._is_free(given):
                return _refused(
                    claim,
                    Refusal(
                        code="inventory-number-taken",
                        detail=f"The inventory number {given} was given before; numbers are never reused.",
                        pointer="/inventory_number",
                    ),
                )
        judgement = await self._judge(claim, effective_at)
        await self._put(claim, self._seal(body), effective_at, number=number, judgement=judgement)
        self._arrived[claim.event_id] = (-len(self._events), body)
        return Outcome(
            outcome="created",
            event_id=claim.event_id,
            ledger_position=-len(self._events),
            inventory_number=number,
            finding_ids=(
                () if judgement is None else tuple(finding_id(claim.event_id, code) for code in judgement.reasons)
            ),
        )

    def _effective_at(self, claim: Claim) -> datetime:
        """Fix when an event takes effect: never after now, told apart from its neighbours by microseconds."""
        now = self._reading.snapshot.now + MICROSECOND * len(self._events)
        if claim.occurred_at is None:
            return now
        # In UTC, as the canonical bytes have it: a state folded from a claim must be the one a replay comes to.
        claimed = claim.occurred_at.astimezone(UTC)
        if claim.device_now is not None and claim.clock is not None and not claim.clock.synced:
            # The device's clock is off by as much as its own "now" differs from ours. A clock so far off that the
            # correction leaves the calendar says nothing.
            with suppress(OverflowError):
                claimed += self._reading.snapshot.now - claim.device_now
        return min(claimed, now)

    async def _event_named_by(self, body: Body) -> Event | None:
        if isinstance(body, EventRetracted):
            event_id = body.retracted_event_id
        elif isinstance(body, FindingBody):
            event_id = body.about_event_id
        else:
            return None
        for event in self._events:
            if event.event_id == event_id:
                return event
        return await self._reading.source.event(event_id)

    async def _next_number(self) -> str:
        numbering: NumberingState = self._folding.state(Subject(SubjectKind.NUMBERING, self._department_id))
        number = numbering.next_number
        while not await self._is_free(str(number)):
            number += 1
        return str(number)

    async def _is_free(self, number: str) -> bool:
        subject = inventory_number_subject(number)
        await self._folding.ensure((subject,))
        return self._folding.state(subject).cylinder_id is None

    async def _judge(self, claim: Claim, effective_at: datetime) -> Judged | None:
        body = claim.body
        if not isinstance(body, Filled) or self._folding.is_retracted(claim.event_id):
            return None
        station_id = claim.station_id or body.station_id
        whose = await whose_cylinder(self._folding, body, effective_at, self._reading.neighbours)
        owner = whose.owner_department_id
        if owner is not None and owner != self._department_id:
            self._send(claim.event_id, PURPOSE_FILLED_ELSEWHERE, owner)
        fill = FillTaken(
            body=body,
            effective_at=effective_at,
            station_id=station_id,
            is_from_controller=claim.station_id is not None,
            permit=self._reading.permits.quote(claim, body, self._folding.is_retracted),
        )
        return await judge_fill(self._folding, fill, whose, self._reading.department_time_zone, self._reading.rulebook)

    def _send(self, event_id: uuid.UUID, purpose: str, to_department_id: uuid.UUID) -> None:
        self._outbox.append({"source_event_id": event_id, "purpose": purpose, "to_department_id": to_department_id})

    def _seal(self, body: Body) -> Body:
        if not body.sealed:
            return body
        member_key = self._reading.member_keys.get(body.member_id) if isinstance(body, MemberBody) else None
        sealed = self._vault.seal(self._department_id, body, member_key)
        for key in sealed.new_keys:
            self._new_keys.append(key)
            self._reading.member_keys[key.key_id] = key
        self._new_records.extend(sealed.records)
        return sealed.body

    async def _put(
        self,
        claim: Claim | Unreadable,
        body: Body,
        effective_at: datetime,
        *,
        event_id: uuid.UUID | None = None,
        number: str | None = None,
        judgement: Judged | None = None,
    ) -> None:
        if isinstance(claim, Claim):
            event = Event(
                department_id=self._department_id,
                event_id=event_id or claim.event_id,
                occurred_at=claim.occurred_at or effective_at,
                effective_at=effective_at,
                recorded_by=claim.recorded_by,
                body=body,
                station_id=claim.station_id,
                stream_id=claim.stream_id,
                stream_number=claim.stream_number,
                clock=claim.clock,
                inventory_number=number,
                judgement=judgement,
            )
        else:
            assert event_id is not None
            event = Event(
                department_id=self._department_id,
                event_id=event_id,
                occurred_at=effective_at,
                effective_at=effective_at,
                recorded_by=claim.recorded_by,
                body=body,
                station_id=claim.station_id,
                stream_id=claim.stream_id,
                stream_number=claim.stream_number,
            )
        self._events.append(event)
        await self._folding.fold(event, len(self._events))
        if isinstance(body, CylinderTransferredOut):
            self._send(event.event_id, PURPOSE_TRANSFERRED_IN, body.to_department_id)
        if isinstance(body, EventRetracted) and self._named_event is not None:
            judged = self._named_event.judgement
            owner = None if judged is None else judged.owner_department_id
            if owner is not None and owner != self._department_id:
                self._send(event.event_id, PURPOSE_FILL_RETRACTED, owner)

    async def _keep_unreadable(self, claim: Unreadable) -> Outcome:
        event_id = quarantine_id(claim)
        known = self._known_body(event_id)
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
        return await self._keep(claim, event_id, body, sealing.new_key, sealing.record, "quarantined")

    async def _keep_conflicting(self, claim: Claim) -> Outcome:
        event_id = conflict_id(claim)
        known = self._known_body(event_id)
        if known is not None:
            return _kept("conflict_kept", event_id, known[0])
        sealing = self._vault.seal_raw(self._department_id, canonical_body(claim.body))
        body = FactConflictKept(
            claimed_event_id=claim.event_id,
            claimed_type=claim.body.event_type,
            record_id=sealing.reference.record_id,
            digest=sealing.reference.digest,
        )
        return await self._keep(claim, event_id, body, sealing.new_key, sealing.record, "conflict_kept")

    async def _keep(
        self,
        claim: Claim | Unreadable,
        event_id: uuid.UUID,
        body: Body,
        key: SealedKey | None,
        record: SealedRecord,
        outcome: OutcomeName,
    ) -> Outcome:
        if key is not None:
            self._new_keys.append(key)
        self._new_records.append(record)
        now = self._reading.snapshot.now + MICROSECOND * len(self._events)
        await self._put(claim, body, now, event_id=event_id)
        self._arrived[event_id] = (-len(self._events), body)
        return _kept(outcome, event_id, -len(self._events))

    async def _append(self) -> list[Appended]:
        if not self._events:
            return []
        return await append(
            self._connection,
            Append(
                department_id=self._department_id,
                versions=self._folding.versions,
                events=self._events,
                entries=self._folding.entries,
                states=self._folding.new_states(),
                view_rows=self._folding.view_rows(),
                sealed_keys=[key_row(key) for key in self._new_keys],
                sealed_records=[record_row(record) for record in self._new_records],
                outbox=self._outbox,
            ),
        )

    def _recorded(self, outcomes: tuple[Outcome, ...], appended: list[Appended]) -> Recorded:
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

    # What the checks of office entries may look at (fill_ledger.trade.entries.Known).

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that an entry names."""
        return self._folding.state(subject)

    def named_event(self) -> Event | None:
        """Return the event that the entry under check takes back, or whose finding it is about."""
        return self._named_event


def _kept(outcome: OutcomeName, event_id: uuid.UUID, position: int) -> Outcome:
    """Return the outcome of something kept beside; it is always a finding."""
    found = (finding_id(event_id, KEPT_CODES[outcome]),)
    return Outcome(outcome=outcome, event_id=event_id, ledger_position=position, finding_ids=found)


def _refused(claim: Claim, *refusals_of_claim: Refusal) -> Outcome:
    return Outcome(outcome="refused", event_id=claim.event_id, refusals=refusals_of_claim)


def _not_taken(outcome: Outcome) -> Outcome:
    """Return the outcome of a claim in an atomic unit that was refused as a whole."""
    if outcome.outcome == "refused":
        return outcome
    return Outcome(
        outcome="refused",
        event_id=outcome.event_id,
        refusals=(Refusal(code="not-taken-alone", detail="Another entry of the same request was refused."),),
    )
