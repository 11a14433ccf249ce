"""From a claim to an event to a view: one attempt at the append, and the trying again when a race is lost.

Everything is decoded, judged and folded without a lock, against states whose versions are remembered. The append then
compares those versions under the department's lane lock; where one has changed, nothing is written and it starts over.
"""

import asyncio
import random
import uuid
from collections.abc import Sequence

import asyncpg
import structlog

from fill_ledger.intake.attempt import Attempt
from fill_ledger.intake.claims import Recorded, Unit
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.append import LostRaceError
from fill_ledger.views.rulebooks import Rulebooks

MAXIMUM_TRIES = 30
FIRST_PAUSE_S = 0.002
LONGEST_PAUSE_S = 0.25

log = structlog.get_logger()


class LaneBusyError(Exception):
    """The race for the department's lane was lost too often. Nothing was written; the sender should try again."""


class Recorder:
    """Records the units of one department at a time."""

    def __init__(self, pool: "asyncpg.Pool[asyncpg.Record]", vault: Vault, rulebooks: Rulebooks) -> None:
        self._pool = pool
        self._vault = vault
        self._rulebooks = rulebooks

    async def record(self, department_id: uuid.UUID, units: Sequence[Unit]) -> list[Recorded]:
        """Record units together, in one transaction.

        Raises:
            LaneBusyError: every try lost the race.
            asyncpg.PostgresError, OSError, TimeoutError: the database failed; nothing was written.
        """
        pause = FIRST_PAUSE_S
        for attempt_number in range(1, MAXIMUM_TRIES + 1):
            try:
                async with self._pool.acquire() as connection:
                    return await Attempt(connection, department_id, self._vault, self._rulebooks).run(units)
            except LostRaceError as lost:
                log.debug(
                    "lost_race",
                    department_id=str(department_id),
                    attempt=attempt_number,
                    reason=type(lost.__cause__).__name__,
                )
            # Two processes that lost to each other must not meet again in step.
            await asyncio.sleep(pause * random.random())  # noqa: S311 - jitter, not a secret
            pause = min(pause * 2, LONGEST_PAUSE_S)
        raise LaneBusyError(f"the lane of department {department_id} was busy {MAXIMUM_TRIES} times")
