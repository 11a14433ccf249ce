"""Telling other departments: what one ledger has on record for another is composed anew and appended there.

A row of the outbox is written in the transaction of the event it is about. Delivering reads it, appends to the other
department's ledger through its lane, and then marks the row; the lock of one ledger is let go before the other is
touched. Whoever is stopped in between does it again: the event there has an id that follows from the one here, so that
it is there once, however often it is sent.
"""

import asyncio
import random
import uuid
from collections.abc import Callable, Sequence
from datetime import datetime

import asyncpg
import msgspec
import structlog

from fill_ledger.intake.claims import Claim, Unit
from fill_ledger.intake.keeping import PURPOSE_FILL_RETRACTED, PURPOSE_FILLED_ELSEWHERE, PURPOSE_TRANSFERRED_IN
from fill_ledger.intake.lane import LaneBusyError, LaneFullError, Lanes
from fill_ledger.ledger.append import UnknownDepartmentError
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import Connection, events_folded_into, seeing
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import CylinderTransferredIn, CylinderTransferredOut
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.events.fills import Filled, FilledElsewhere
from fill_ledger.trade.identifiers import Subject, SubjectKind, derived_id
from fill_ledger.trade.states import FOLDS
from fill_ledger.trade.states.cylinders import CylinderState, TagState
from fill_ledger.views.source import DatabaseSource

ROWS_AT_A_TIME = 200
PAUSE_S = 1.0
RETRACTION_REASON = "The department that filled the cylinder took its fill back."

log = structlog.get_logger()

_DATABASE_ERRORS = (asyncpg.PostgresError, asyncpg.InterfaceError, OSError, TimeoutError)

_WAITING = """
SELECT outbox.source_event_id, outbox.purpose, outbox.to_department_id,
    event.ledger_position, event.chain_digest, event.canonical
FROM ledger.outbox
JOIN ledger.event ON event.department_id = outbox.department_id AND event.event_id = outbox.source_event_id
WHERE outbox.department_id = $1 AND outbox.delivered_at IS NULL AND outbox.source_event_id <> ALL ($2::uuid[])
ORDER BY event.ledger_position, outbox.purpose
LIMIT $3
"""
_DELIVERED = """
UPDATE ledger.outbox SET delivered_at = clock_timestamp()
FROM unnest($2::uuid[], $3::text[], $4::uuid[]) AS told (source_event_id, purpose, to_department_id)
WHERE outbox.department_id = $1 AND outbox.source_event_id = told.source_event_id AND outbox.purpose = told.purpose
    AND outbox.to_department_id = told.to_department_id AND outbox.delivered_at IS NULL
"""


class Waiting(msgspec.Struct, frozen=True, kw_only=True):
    """One thing another department must be told: the event here, its place in the chain, and what for."""

    event: Event
    purpose: str
    to_department_id: uuid.UUID
    ledger_position: int
    chain_digest: bytes

    @property
    def event_id_there(self) -> uuid.UUID:
        """The id of the event in the other ledger: it follows from the one here."""
        return event_id_elsewhere(self.event.event_id, self.purpose)


def event_id_elsewhere(source_event_id: uuid.UUID, purpose: str) -> uuid.UUID:
    """Return the id under which another department's ledger has what it is told of an event."""
    return derived_id(source_event_id, purpose)


class Outbox:
    """Delivers what departments have for each other, once or for as long as the service runs."""

    def __init__(self, pool: "asyncpg.Pool[asyncpg.Record]", lanes: Lanes) -> None:
        self._pool = pool
        self._lanes = lanes
        self._worker: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Deliver from now on, in a task of its own."""
        if self._worker is None:
            self._worker = asyncio.create_task(self._work())

    async def stop(self) -> None:
        """Stop delivering. What was under way is done again by the next one who delivers."""
        if self._worker is not None:
            self._worker.cancel()
            await asyncio.gather(self._worker, return_exceptions=True)
            self._worker = None

    async def _work(self) -> None:
        while True:
            try:
                await self.deliver()
            except Exception as error:  # whatever it was, the rows are still there for the next round
                log.warning("outbox_failed", error=repr(error))
            # Several processes deliver; they need not all look at the same moment.
            await asyncio.sleep(PAUSE_S * (0.5 + random.random()))  # noqa: S311 - jitter, not a secret

    async def deliver(self) -> int:
        """Deliver all that waits now and return how much it was.

        Raises:
            asyncpg.PostgresError, OSError, TimeoutError: the database failed; deliver again later.
        """
        async with self._pool.acquire() as connection:
            rows = await connection.fetch("SELECT department_id FROM lookup.departments_with_outbox() AS department_id")
        return sum([await self._deliver_from(row["department_id"]) for row in rows])

    async def _deliver_from(self, department_id: uuid.UUID) -> int:
        delivered = 0
        left: set[uuid.UUID] = set()
        while True:
            waiting = await self._read(department_id, left)
            if not waiting:
                return delivered
            for to_department_id in dict.fromkeys(row.to_department_id for row in waiting):
                rows = [row for row in waiting if row.to_department_id == to_department_id]
                failed = await self._try_to_tell(department_id, to_department_id, rows)
                left.update(row.event.event_id for row in failed)
                delivered += len(rows) - len(failed)

    async def _try_to_tell(
        self, department_id: uuid.UUID, to_department_id: uuid.UUID, rows: Sequence[Waiting]
    ) -> list[Waiting]:
        """Tell what can be told and return the rest, which waits for the next round: it must not hold up the others."""
        try:
            await self._tell(department_id, to_department_id, rows)
        except _DATABASE_ERRORS:
            raise
        except Exception as error:
            is_hopeless = isinstance(error, UnknownDepartmentError | LaneBusyError | LaneFullError)
            if is_hopeless or len(rows) == 1:
                log.warning("outbox_not_delivered", to_department_id=str(to_department_id), error=repr(error))
                return list(rows)
            return [row for one in rows for row in await self._try_to_tell(department_id, to_department_id, [one])]
        return []

    async def _read(self, department_id: uuid.UUID, left: set[uuid.UUID]) -> list[Waiting]:
        async with self._pool.acquire() as connection, seeing(connection, (department_id,)):
            rows = await connection.fetch(_WAITING, department_id, list(left), ROWS_AT_A_TIME)
        return [
            Waiting(
                event=read_event(row["canonical"]),
                purpose=row["purpose"],
                to_department_id=row["to_department_id"],
                ledger_position=row["ledger_position"],
                chain_digest=row["chain_digest"],
            )
            for row in rows
        ]

    async def _tell(self, department_id: uuid.UUID, to_department_id: uuid.UUID, rows: Sequence[Waiting]) -> None:
        """Append to the other ledger what is not there yet, then mark the rows."""
        async with self._pool.acquire() as connection:
            known = await _known_there(connection, to_department_id, rows)
            claims = tuple([await _claim(connection, row) for row in rows if row.event_id_there not in known])
        if claims:
            recorded = await self._lanes.record(Unit(department_id=to_department_id, claims=claims))
            for claim, outcome in zip(claims, recorded.outcomes, strict=True):
                if outcome.outcome == "refused":
                    # Only a retraction can be: of a fill that somebody there has taken back already.
                    log.info("outbox_refused", event_id=str(claim.event_id), refusals=len(outcome.refusals))
        async with self._pool.acquire() as connection, seeing(connection, (department_id,)):
            await connection.execute(
                _DELIVERED,
                department_id,
                [row.event.event_id for row in rows],
                [row.purpose for row in rows],
                [row.to_department_id for row in rows],
            )


async def _known_there(connection: Connection, department_id: uuid.UUID, rows: Sequence[Waiting]) -> set[uuid.UUID]:
    async with seeing(connection, (department_id,)):
        found = await connection.fetch(
            "SELECT event_id FROM ledger.event WHERE department_id = $1 AND event_id = ANY ($2)",
            department_id,
            [row.event_id_there for row in rows],
        )
    return {row["event_id"] for row in found}


async def _claim(connection: Connection, row: Waiting) -> Claim:
    """Compose what the other department is told."""
    body = (
        await _transferred_in(connection, row) if row.purpose == PURPOSE_TRANSFERRED_IN else _BODIES[row.purpose](row)
    )
    return Claim(
        event_id=row.event_id_there,
        body=body,
        recorded_by=row.event.recorded_by,
        # The time as it was corrected here, so that both ledgers agree on it.
        occurred_at=row.event.effective_at,
    )


def _filled_elsewhere(row: Waiting) -> Body:
    event = row.event
    body, judgement = event.body, event.judgement
    assert isinstance(body, Filled)
    assert judgement is not None
    assert judgement.cylinder_id is not None
    return FilledElsewhere(
        cylinder_id=judgement.cylinder_id,
        at_department_id=event.department_id,
        at_station_id=event.station_id or body.station_id,
        at_event_id=event.event_id,
        at_position=row.ledger_position,
        at_digest=row.chain_digest.hex(),
        filled_at=event.effective_at,
        start_psi=body.start_psi,
        end_psi=body.end_psi,
    )


def _fill_retracted(row: Waiting) -> Body:
    body = row.event.body
    assert isinstance(body, EventRetracted)
    return EventRetracted(
        retracted_event_id=event_id_elsewhere(body.retracted_event_id, PURPOSE_FILLED_ELSEWHERE),
        reason=RETRACTION_REASON,
    )


_BODIES: dict[str, Callable[[Waiting], Body]] = {
    PURPOSE_FILLED_ELSEWHERE: _filled_elsewhere,
    PURPOSE_FILL_RETRACTED: _fill_retracted,
}


async def _transferred_in(connection: Connection, row: Waiting) -> Body:
    """Compose the state with which a cylinder arrives: what the ledger here had for it when it was given away."""
    event = row.event
    body = event.body
    assert isinstance(body, CylinderTransferredOut)
    subject = Subject(SubjectKind.CYLINDER, body.cylinder_id)
    async with seeing(connection, (event.department_id,)):
        # As of the position of the transfer, so that whoever composes it again composes the same.
        recorded = await events_folded_into(connection, event.department_id, subject, row.ledger_position)
    state: CylinderState = FOLDS[SubjectKind.CYLINDER].empty(event.department_id, body.cylinder_id)
    for known in recorded:
        FOLDS[SubjectKind.CYLINDER].apply(state, known.event)
    assert state.details is not None  # only a registered cylinder is given away
    source = DatabaseSource(connection, event.department_id)
    source.through_position = row.ledger_position
    return CylinderTransferredIn(
        cylinder_id=body.cylinder_id,
        from_department_id=event.department_id,
        from_position=row.ledger_position,
        from_digest=row.chain_digest.hex(),
        details=msgspec.structs.replace(state.details, home_station_id=None),
        requalifications=tuple(known.stamp for known in state.requalifications) or None,
        holds=tuple(hold.hold_id for hold in state.holds_at(event.effective_at)) or None,
        condemned=True if state.condemned_at is not None else None,
        tags=await _tags_on(source, subject, event.effective_at) or None,
        life_extensions=tuple(known.extension for known in state.life_extensions) or None,
    )


async def _tags_on(source: DatabaseSource, cylinder: Subject, moment: datetime) -> tuple[str, ...]:
    """Return the tags a cylinder wore at a moment: they stay on it when it is given away."""
    worn: list[str] = []
    for tag in await source.tags_of(cylinder):
        state: TagState = FOLDS[SubjectKind.TAG].empty(cylinder.subject_id, tag.subject_id)
        for event in await source.events_folded_into(tag):
            FOLDS[SubjectKind.TAG].apply(state, event)
        if state.tag is not None and state.cylinder_at(moment) == cylinder.subject_id:
            worn.append(state.tag)
    return tuple(worn)
