"""One attempt to record units of claims: read, check, judge, fold, append."""

import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

import msgspec

from fill_ledger.intake.claims import Claim, Outcome, Recorded, Unit, Unreadable
from fill_ledger.intake.judging import judge_fill, subjects_to_judge, whose_cylinder
from fill_ledger.intake.neighbours import Neighbours, find_neighbours
from fill_ledger.intake.vault import Vault, key_row, raw_digest, record_row
from fill_ledger.ledger.append import Append, Appended, append
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.ledger.chain import genesis_digest
from fill_ledger.ledger.read import Connection, Snapshot, read_for_append
from fill_ledger.ledger.sealing import SealedKey, SealedRecord
from fill_ledger.trade.entries import Refusal, consulted, refusals
from fill_ledger.trade.events.corrections import EventRetracted, FactConflictKept, FactQuarantined
from fill_ledger.trade.events.cylinders import CylinderRegistered, CylinderTransferredIn, CylinderTransferredOut
from fill_ledger.trade.events.envelope import Body, Event, Judged, Nature
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.members import MemberBody
from fill_ledger.trade.identifiers import (
    Subject,
    SubjectKind,
    derived_id,
    inventory_number_subject,
    tag_subject,
)
from fill_ledger.trade.states.county import NumberingState
from fill_ledger.views.fills import finding_id
from fill_ledger.views.folding import Folding
from fill_ledger.views.source import DatabaseSource

MICROSECOND = timedelta(microseconds=1)
PURPOSE_FILLED_ELSEWHERE = "filled_elsewhere"
PURPOSE_TRANSFERRED_IN = "transferred_in"


class Attempt:
    """Reads, judges and folds the claims of some units in order, then appends what is new, all or nothing."""

    def __init__(self, connection: Connection, department_id: uuid.UUID, vault: Vault) -> None:
        self._connection = connection
        self._department_id = department_id
        self._vault = vault
        self._events: list[Event] = []
        self._arrived: dict[uuid.UUID, tuple[int, Body]] = {}
        self._keys: dict[uuid.UUID, SealedKey] = {}
        self._new_keys: list[SealedKey] = []
        self._new_records: list[SealedRecord] = []
        self._outbox: list[dict[str, Any]] = []
        self._retraction_target: Event | None = None
        self._folding: Folding
        self._snapshot: Snapshot
        self._neighbours: Neighbours

    async def run(self, units: Sequence[Unit]) -> list[Recorded]:
        """Record the units; raises LostRaceError where something read has changed meanwhile."""
        refused: dict[int, tuple[Outcome, ...]] = {}
        while True:
            outcomes = await self._try_units(units, refused)
            if outcomes is not None:
                break
            # An atomic unit was refused half way: fold the others again without it.
            self._start_over()
        appended = await self._append()
        return [self._recorded(of_unit, appended) for of_unit in outcomes]

    def _start_over(self) -> None:
        self._events, self._arrived = [], {}
        self._new_keys, self._new_records, self._outbox = [], [], []

    async def _try_units(
        self, units: Sequence[Unit], refused: dict[int, tuple[Outcome, ...]]
    ) -> list[tuple[Outcome, ...]] | None:
        claims = [claim for place, unit in enumerate(units) if place not in refused for claim in unit.claims]
        await self._read(claims)
        outcomes: list[tuple[Outcome, ...]] = []
        for place, unit in enumerate(units):
            if place in refused:
                outcomes.append(refused[place])
                continue
            of_unit = tuple([await self._take(claim) for claim in unit.claims])
            if unit.atomic and any(outcome.outcome == "refused" for outcome in of_unit):
                refused[place] = tuple(_not_taken(outcome) for outcome in of_unit)
                return None
            outcomes.append(of_unit)
        return outcomes

    async def _read(self, claims: Sequence[Claim | Unreadable]) -> None:
        event_ids = {identifier for claim in claims for identifier in _claimed_ids(claim)}
        subjects: set[Subject] = set()
        for claim in claims:
            if isinstance(claim, Claim):
                subjects.update(self._subjects_of(claim))
        ordered = sorted(subject for subject in subjects if subject.kind is not SubjectKind.EVENT)
        self._snapshot = await read_for_append(self._connection, self._department_id, sorted(event_ids), ordered)
        source = DatabaseSource(self._connection, self._department_id)
        self._source = source
        self._folding = Folding(self._department_id, source)
        self._folding.hold(ordered, self._snapshot.states)
        self._folding.note_retracted(self._snapshot.retracted)
        await self._read_member_keys(claims)
        await self._read_neighbours(claims)

    def _subjects_of(self, claim: Claim) -> Iterable[Subject]:
        body = claim.body
        yield from body.folds_into()
        if body.nature is Nature.OFFICE:
            yield from consulted(body)
        if isinstance(body, Filled):
            yield from subjects_to_judge(body, self._department_id, body.station_id or claim.station_id)
        if isinstance(body, CylinderRegistered | CylinderTransferredIn):
            yield Subject(SubjectKind.NUMBERING, self._department_id)
            if isinstance(body, CylinderRegistered) and body.inventory_number is not None:
                yield inventory_number_subject(body.inventory_number)

    async def _read_member_keys(self, claims: Sequence[Claim | Unreadable]) -> None:
        members = {
            claim.body.member_id
            for claim in claims
            if isinstance(claim, Claim) and isinstance(claim.body, MemberBody) and claim.body.sealed
        }
        self._keys = await self._vault.member_keys(self._connection, self._department_id, sorted(members))

    async def _read_neighbours(self, claims: Sequence[Claim | Unreadable]) -> None:
        bodies = [claim.body for claim in claims if isinstance(claim, Claim) and isinstance(claim.body, Filled)]
        cylinder_ids = {
            body.cylinder_id
            for body in bodies
            if body.cylinder_id is not None and not self._is_ours(Subject(SubjectKind.CYLINDER, body.cylinder_id))
        }
        tags = {
            body.tag
            for body in bodies
            if body.cylinder_id is None and body.tag is not None and not self._is_ours(tag_subject(body.tag))
        }
        self._neighbours = await find_neighbours(
            self._connection, self._department_id, sorted(cylinder_ids), sorted(tags)
        )

    def _is_ours(self, subject: Subject) -> bool:
        return subject in self._snapshot.states

    async def _take(self, claim: Claim | Unreadable) -> Outcome:
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
            )
        if claim.body.nature is Nature.OFFICE:
            return _refused(
                claim,
                Refusal(code="event-id-taken", detail="Another event has this event_id.", pointer="/event_id"),
            )
        return await self._keep_conflicting(claim)

    def _known_body(self, event_id: uuid.UUID) -> tuple[int, Body] | None:
        """Return position and body of an event under this id; positions of this attempt are given as places below 0."""
        if event_id in self._arrived:
            return self._arrived[event_id]
        recorded = self._snapshot.events.get(event_id)
        return None if recorded is None else (recorded.ledger_position, recorded.event.body)

    def _known_number(self, event_id: uuid.UUID) -> str | None:
        recorded = self._snapshot.events.get(event_id)
        return None if recorded is None else recorded.event.inventory_number

    async def _is_same(self, claim: Claim, stored: Body) -> bool:
        if type(stored) is not type(claim.body):
            return False
        if not claim.body.sealed or claim.event_id in self._arrived:
            return canonical_body(stored) == canonical_body(claim.body)
        return await self._vault.same_as(self._connection, self._department_id, claim.body, stored)

    async def _take_new(self, claim: Claim) -> Outcome:
        body = claim.body
        effective_at = self._effective_at(claim)
        if body.nature is Nature.OFFICE:
            self._retraction_target = await self._target_of(body)
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
        now = self._snapshot.now + MICROSECOND * len(self._events)
        if claim.occurred_at is None:
            return now
        claimed = claim.occurred_at
        if claim.device_now is not None and claim.clock is not None and not claim.clock.synced:
            # The device's clock is off by as much as its own "now" differs from ours.
            claimed += self._snapshot.now - claim.device_now
        return min(claimed, now)

    async def _target_of(self, body: Body) -> Event | None:
        if not isinstance(body, EventRetracted):
            return None
        for event in self._events:
            if event.event_id == body.retracted_event_id:
                return event
        return await self._source.event(body.retracted_event_id)

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
        if not isinstance(body, Filled) or claim.event_id in self._snapshot.retracted:
            return None
        station_id = body.station_id or claim.station_id
        whose = await whose_cylinder(self._folding, body, effective_at, self._neighbours)
        owner = whose.owner_department_id
        if owner is not None and owner != self._department_id:
            self._send(claim.event_id, PURPOSE_FILLED_ELSEWHERE, owner)
        return await judge_fill(self._folding, body, effective_at, station_id, whose)

    def _send(self, event_id: uuid.UUID, purpose: str, to_department_id: uuid.UUID) -> None:
        self._outbox.append({"source_event_id": event_id, "purpose": purpose, "to_department_id": to_department_id})

    def _seal(self, body: Body) -> Body:
        if not body.sealed:
            return body
        member_key = self._keys.get(body.member_id) if isinstance(body, MemberBody) else None
        sealed = self._vault.seal(self._department_id, body, member_key)
        for key in sealed.new_keys:
            self._new_keys.append(key)
            self._keys[key.key_id] = key
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
            )
        self._events.append(event)
        await self._folding.fold(event, len(self._events))
        if isinstance(body, CylinderTransferredOut):
            self._send(event.event_id, PURPOSE_TRANSFERRED_IN, body.to_department_id)

    async def _keep_unreadable(self, claim: Unreadable) -> Outcome:
        event_id = derived_id("quarantined", raw_digest(claim.raw))
        known = self._known_body(event_id)
        if known is not None:
            return Outcome(outcome="quarantined", event_id=event_id, ledger_position=known[0])
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
        raw = canonical_body(claim.body)
        event_id = derived_id("conflict", claim.event_id, claim.body.event_type, raw_digest(raw))
        known = self._known_body(event_id)
        if known is not None:
            return Outcome(outcome="conflict_kept", event_id=event_id, ledger_position=known[0])
        sealing = self._vault.seal_raw(self._department_id, raw)
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
        outcome: Any,
    ) -> Outcome:
        if key is not None:
            self._new_keys.append(key)
        self._new_records.append(record)
        now = self._snapshot.now + MICROSECOND * len(self._events)
        await self._put(claim, body, now, event_id=event_id)
        self._arrived[event_id] = (-len(self._events), body)
        return Outcome(outcome=outcome, event_id=event_id, ledger_position=-len(self._events))

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
            position = self._snapshot.head_position
            digest = self._snapshot.head_digest or genesis_digest(self._department_id)
        return Recorded(
            department_id=self._department_id, outcomes=finished, ledger_position=position, chain_digest=digest
        )

    # What the checks of office entries may look at (fill_ledger.trade.entries.Known).

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that an entry names."""
        return self._folding.state(subject)

    def retracted_event(self) -> Event | None:
        """Return the event that the retraction under check names."""
        return self._retraction_target


def _claimed_ids(claim: Claim | Unreadable) -> Iterable[uuid.UUID]:
    if isinstance(claim, Unreadable):
        yield derived_id("quarantined", raw_digest(claim.raw))
        return
    yield claim.event_id
    if claim.body.nature is not Nature.OFFICE:
        digest = raw_digest(canonical_body(claim.body))
        yield derived_id("conflict", claim.event_id, claim.body.event_type, digest)


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
