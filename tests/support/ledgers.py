"""One department's ledger on a fresh database, written through lanes of its own: no keys, no HTTP."""

import uuid
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest

from fill_ledger.database import Database, open_database
from fill_ledger.intake import attempt
from fill_ledger.intake.claims import Claim, Recorded, Unit, Unreadable
from fill_ledger.intake.founding import record_entries
from fill_ledger.intake.lane import Lanes
from fill_ledger.intake.recorder import Recorder
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.append import Append, Appended, append
from fill_ledger.ledger.chain import ChainFault, Link, check_chain
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.settings import DEFAULT_WRITES
from fill_ledger.trade.events.county import DepartmentRegistered
from fill_ledger.trade.events.cylinders import CylinderDetails, CylinderRegistered, ServicePressure
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import COUNTY_ID, Subject
from fill_ledger.views.folding import decode_state
from fill_ledger.views.rulebooks import Rulebooks

SOMEBODY = uuid.UUID(int=1)
TEST_MASTER_KEY = bytes(range(32))
SMALL_POOL = msgspec.structs.replace(DEFAULT_WRITES, min_size=1, max_size=3)


def make_vault() -> Vault:
    """Return a vault under the tests' master key: every process of a test opens what another has sealed."""
    return Vault.from_key_ring(KeyRing(TEST_MASTER_KEY))


def claim_of(body: Body, event_id: uuid.UUID | None = None, **given: Any) -> Claim:
    """Return a claim with a new id; parts of it may be given."""
    return Claim(event_id=event_id or uuid.uuid4(), body=body, recorded_by=SOMEBODY, **given)


def registration(cylinder_id: uuid.UUID, **given: Any) -> CylinderRegistered:
    """Return the registration of a plain steel cylinder."""
    return CylinderRegistered(
        cylinder_id=cylinder_id,
        details=CylinderDetails(
            serial=f"T{cylinder_id.hex[:8].upper()}",
            specification="DOT-3AA2216",
            service_pressure=ServicePressure(value="2216", unit="psi"),
            use="scba",
            manufactured="2010-01",
        ),
        **given,
    )


def days_ago(days: float) -> datetime:
    """Return a moment in the past."""
    return datetime.now(UTC) - timedelta(days=days)


class Ledger:
    """One department's ledger as one process writes it."""

    def __init__(self, database: Database, department_id: uuid.UUID) -> None:
        self.database = database
        self.department_id = department_id
        self.vault = make_vault()
        self.lanes = Lanes(Recorder(database.writes, self.vault, Rulebooks()))

    async def take(self, *claims: Claim | Unreadable, atomic: bool = False) -> Recorded:
        """Record claims as one unit."""
        return await self.lanes.record(Unit(department_id=self.department_id, claims=claims, atomic=atomic))

    async def record(self, *bodies: Body, **given: Any) -> Recorded:
        """Record bodies as one unit, each under a new id."""
        return await self.take(*(claim_of(body, **given) for body in bodies))

    async def state(self, subject: Subject) -> Any:
        """Return the stored state of a subject, or None."""
        async with self.database.lookups.acquire() as connection, seeing(connection, (self.department_id,)):
            stored = await connection.fetchval(
                "SELECT state FROM views.state WHERE department_id = $1 AND subject_kind = $2 AND subject_id = $3",
                self.department_id,
                subject.kind.value,
                subject.subject_id,
            )
        return None if stored is None else decode_state(subject.kind, stored)

    async def fetch(self, query: str, *arguments: Any) -> list[Any]:
        """Return what a query sees of this department."""
        async with self.database.lookups.acquire() as connection, seeing(connection, (self.department_id,)):
            rows: list[Any] = await connection.fetch(query, *arguments)
            return rows

    async def links(self) -> list[Link]:
        """Return the chain as stored."""
        rows = await self.fetch(
            """
            SELECT ledger_position, recorded_at, canonical, payload_digest, chain_digest FROM ledger.event
            WHERE department_id = $1 ORDER BY ledger_position
            """,
            self.department_id,
        )
        return [Link(**dict(row)) for row in rows]

    async def chain_faults(self) -> list[ChainFault]:
        """Recompute the whole chain; an empty list where it holds without a gap."""
        return check_chain(self.department_id, await self.links())


@asynccontextmanager
async def open_ledger(database: Database, department_id: uuid.UUID | None = None) -> AsyncIterator[Ledger]:
    """Give a department's ledger; the department is registered unless its id is given."""
    ledger = Ledger(database, department_id or uuid.uuid4())
    if department_id is None:
        code = f"D{ledger.department_id.hex[:6].upper()}"
        await record_entries(
            ledger.lanes,
            COUNTY_ID,
            (
                DepartmentRegistered(
                    department_id=ledger.department_id, name="Test Department", code=code, time_zone="America/New_York"
                ),
            ),
            occurred_at=days_ago(4000),
        )
    try:
        yield ledger
    finally:
        await ledger.lanes.close()


@asynccontextmanager
async def open_writers(service_url: str, department_id: uuid.UUID, count: int) -> AsyncIterator[list[Ledger]]:
    """Give several writers of one department that share nothing but the database, as several processes would."""
    async with AsyncExitStack() as stack:
        writers: list[Ledger] = []
        for _ in range(count):
            database = await open_database(service_url, lookups=SMALL_POOL, writes=SMALL_POOL)
            stack.push_async_callback(database.close)
            writers.append(await stack.enter_async_context(open_ledger(database, department_id)))
        yield writers


def interfere(monkeypatch: pytest.MonkeyPatch, rival: Callable[[], Awaitable[Any]]) -> list[Append]:
    """Let a rival write between the reading and the appending of the next attempt; return the appends tried."""
    tried: list[Append] = []
    rival_has_acted = False

    async def append_after_the_rival(connection: Connection, write: Append) -> list[Appended]:
        nonlocal rival_has_acted
        if not rival_has_acted:
            rival_has_acted = True
            tried.append(write)
            await rival()
        elif tried[-1].events[0].event_id == write.events[0].event_id:
            tried.append(write)
        return await append(connection, write)

    monkeypatch.setattr(attempt, "append", append_after_the_rival)
    return tried


def plain(struct: msgspec.Struct) -> Any:
    """Return a struct as plain values."""
    return msgspec.to_builtins(struct)
