"""One attempt to record units of claims: read, check, judge, keep, append."""

import asyncio
import uuid
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.intake.claims import Claim, Outcome, Recorded, Unit, Unreadable
from fill_ledger.intake.judging import FillTaken, judge_fill, whose_cylinder
from fill_ledger.intake.keeping import Keeping
from fill_ledger.intake.reading import Reading, read_for
from fill_ledger.intake.screening import Unwritable, screened
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.append import append
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.ledger.read import Connection
from fill_ledger.trade.entries import Refusal, refusals
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import CylinderRegistered, CylinderTransferredIn
from fill_ledger.trade.events.envelope import Body, Event, Judged
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.findings import FindingBody
from fill_ledger.trade.found import finding_ids
from fill_ledger.trade.identifiers import Subject, SubjectKind, finding_id, inventory_number_subject
from fill_ledger.trade.states.county import NumberingState
from fill_ledger.views.folding import Folding
from fill_ledger.views.rulebooks import Rulebooks

# A claim takes a fraction of a millisecond: so many at a stretch are not felt by who asks meanwhile.
CLAIMS_BETWEEN_PAUSES = 16
# A fill dated further ahead than this has a wrong date (inference: clocks that are set agree within seconds).
CLOCKS_MAY_DIFFER = timedelta(minutes=5)


class Attempt:
    """Reads, judges and folds the claims of some units in order, then appends what is new, all or nothing."""

    def __init__(self, connection: Connection, department_id: uuid.UUID, vault: Vault, rulebooks: Rulebooks) -> None:
        self._connection = connection
        self._department_id = department_id
        self._vault = vault
        self._rulebooks = rulebooks
        self._named_event: Event | None = None
        self._claims: list[list[Claim | Unreadable | Unwritable]] = []
        self._reading: Reading
        self._folding: Folding
        self._keeping: Keeping

    async def run(self, units: Sequence[Unit]) -> list[Recorded]:
        """Record the units; raises LostRaceError where something read has changed meanwhile."""
        self._claims = [[screened(claim) for claim in unit.claims] for unit in units]
        refused: dict[int, tuple[Outcome, ...]] = {}
        while (outcomes := await self._try_units(units, refused)) is None:
            # An atomic unit was refused half way: the others are read and folded again without it.
            pass
        appended = await append(self._connection, await self._keeping.to_append()) if len(self._keeping) else []
        return [self._keeping.recorded(of_unit, appended) for of_unit in outcomes]

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
        self._keeping = Keeping(self._department_id, self._vault, self._reading)
        outcomes: list[tuple[Outcome, ...]] = []
        for place, unit in enumerate(units):
            if place in refused:
                outcomes.append(refused[place])
                continue
            folded_before = len(self._keeping)
            taken = tuple([outcome async for outcome in self._take_each(self._claims[place])])
            if unit.atomic and any(outcome.outcome == "refused" for outcome in taken):
                taken = refused[place] = tuple(_not_taken(outcome) for outcome in taken)
                if len(self._keeping) > folded_before:
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
            return await self._keeping.keep_unreadable(claim)
        known = self._keeping.known_body(claim.event_id)
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
        return await self._keeping.keep_conflicting(claim)

    def _known_number(self, event_id: uuid.UUID) -> str | None:
        recorded = self._reading.snapshot.events.get(event_id)
        return None if recorded is None else recorded.event.inventory_number

    def _known_findings(self, event_id: uuid.UUID) -> tuple[uuid.UUID, ...]:
        """Return the findings that the first answer to this event named."""
        recorded = self._reading.snapshot.events.get(event_id)
        event = self._keeping.event(event_id) if recorded is None else recorded.event
        return () if event is None else finding_ids(event)

    async def _is_same(self, claim: Claim, stored: Body) -> bool:
        if type(stored) is not type(claim.body):
            return False
        if not claim.body.sealed or self._keeping.has_arrived(claim.event_id):
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
        position = await self._keeping.put(
            claim, effective_at, number=number, judgement=judgement, named_event=self._named_event
        )
        return Outcome(
            outcome="created",
            event_id=claim.event_id,
            ledger_position=position,
            inventory_number=number,
            finding_ids=(
                () if judgement is None else tuple(finding_id(claim.event_id, code) for code in judgement.reasons)
            ),
        )

    def _effective_at(self, claim: Claim) -> datetime:
        """Fix when an event takes effect: never after now."""
        now = self._keeping.now
        return now if claim.occurred_at is None else min(self._claimed_at(claim, claim.occurred_at), now)

    def _claimed_at(self, claim: Claim, occurred_at: datetime) -> datetime:
        """Return when a claim says it happened, by the server's clock."""
        # In UTC, as the canonical bytes have it: a state folded from a claim must be the one a replay comes to.
        claimed = occurred_at.astimezone(UTC)
        if claim.device_now is not None and claim.clock is not None and not claim.clock.synced:
            # The device's clock is off by as much as its own "now" differs from ours. A clock so far off that the
            # correction leaves the calendar says nothing.
            with suppress(OverflowError):
                claimed += self._reading.snapshot.now - claim.device_now
        return claimed

    def _is_dated_ahead(self, claim: Claim) -> bool:
        if claim.occurred_at is None:
            return False
        return self._claimed_at(claim, claim.occurred_at) - self._keeping.now > CLOCKS_MAY_DIFFER

    async def _event_named_by(self, body: Body) -> Event | None:
        if isinstance(body, EventRetracted):
            event_id = body.retracted_event_id
        elif isinstance(body, FindingBody):
            event_id = body.about_event_id
        else:
            return None
        return self._keeping.event(event_id) or await self._reading.source.event(event_id)

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
        fill = FillTaken(
            body=body,
            effective_at=effective_at,
            station_id=station_id,
            is_from_controller=claim.station_id is not None,
            permit=self._reading.permits.quote(claim, body, self._folding.is_retracted),
            is_dated_ahead=self._is_dated_ahead(claim),
        )
        return await judge_fill(self._folding, fill, whose, self._reading.department_time_zone, self._reading.rulebook)

    # What the checks of office entries may look at (fill_ledger.trade.entries.Known).

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that an entry names."""
        return self._folding.state(subject)

    def named_event(self) -> Event | None:
        """Return the event that the entry under check takes back, or whose finding it is about."""
        return self._named_event


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
