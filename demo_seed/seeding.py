"""Recording the invented history through the ledger's own append, the way everything else gets in."""

import asyncio
import uuid
from collections.abc import Callable, Sequence
from datetime import date, datetime

import msgspec

from demo_seed.generator import History, county_principal_id
from demo_seed.plan import Plan
from demo_seed.world import ZONE, World
from fill_ledger.database import Database
from fill_ledger.intake.claims import Claim, Recorded, Unit
from fill_ledger.intake.lane import Lanes
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.identifiers import COUNTY_ID

# Large enough that a commit and its round trips cost little, small enough that a chunk is folded in about a second.
CHUNK_CLAIMS = 800

Progress = Callable[[int], None]


class SeedingError(Exception):
    """The ledger refused something of the invented history: the generator and the rules have come apart."""


class Seeded(msgspec.Struct, frozen=True, kw_only=True):
    """What is on record of an earlier seeding: its reference day, and whether it came to its end."""

    reference_day: date
    is_complete: bool


async def earlier_seeding(database: Database, plan: Plan) -> Seeded | None:
    """Return what the ledger holds of an earlier seeding with this seed, None if nothing.

    The departments come first and the principals last, so the one tells the calendar and the other the end.
    """
    world = World(plan)
    first = world.identify("department", plan.departments[0].code)
    async with database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        registered_at: datetime | None = await connection.fetchval(
            "SELECT registered_at FROM views.department WHERE department_id = $1 AND registered_id = $2",
            COUNTY_ID,
            first,
        )
        is_complete = await connection.fetchval(
            "SELECT EXISTS (SELECT 1 FROM views.principal WHERE department_id = $1 AND principal_id = $2)",
            COUNTY_ID,
            county_principal_id(world, Role.OPERATOR),
        )
    if registered_at is None:
        return None
    first_day = registered_at.astimezone(ZONE).date()
    return Seeded(reference_day=date.fromordinal(first_day.toordinal() + plan.days), is_complete=is_complete)


async def is_foreign(database: Database, plan: Plan) -> bool:
    """Tell whether the county on record holds departments that are not of this plan."""
    world = World(plan)
    own = {world.identify("department", department.code) for department in plan.departments}
    async with database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        rows = await connection.fetch("SELECT registered_id FROM views.department WHERE department_id = $1", COUNTY_ID)
    return any(row["registered_id"] not in own for row in rows)


async def record_history(lanes: Lanes, history: History, progress: Progress) -> None:
    """Record a whole history. What is on record already is passed over, so a broken-off seeding can be taken up again.

    Departments are recorded side by side, each in its own order; they wait for each other at the end of each window.

    Raises:
        SeedingError: an entry was refused.
    """
    await _record(lanes, COUNTY_ID, history.departments, progress)
    for window in history.windows:
        async with asyncio.TaskGroup() as group:
            for department_id, claims in window.claims.items():
                group.create_task(_record(lanes, department_id, claims, progress))
    # The mark of a finished seeding, all or nothing and last.
    await _record(lanes, COUNTY_ID, history.principals, progress)


async def _record(lanes: Lanes, department_id: uuid.UUID, claims: Sequence[Claim], progress: Progress) -> None:
    for start in range(0, len(claims), CHUNK_CLAIMS):
        chunk = tuple(claims[start : start + CHUNK_CLAIMS])
        recorded = await lanes.record(Unit(department_id=department_id, claims=chunk))
        _check(chunk, recorded)
        progress(len(chunk))


def _check(chunk: Sequence[Claim], recorded: Recorded) -> None:
    for claim, outcome in zip(chunk, recorded.outcomes, strict=True):
        if outcome.outcome not in ("created", "exists"):
            details = " ".join(refusal.detail for refusal in outcome.refusals)
            raise SeedingError(f"{claim.body.event_type} at {claim.occurred_at} became {outcome.outcome}: {details}")
