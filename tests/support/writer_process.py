"""A process of its own that reports fills of one cylinder, one after another or several at once, through lanes.

    python -m tests.support.writer_process DATABASE_URL DEPARTMENT_ID CYLINDER_ID COUNT

Writes a line for each fact once it is acknowledged: the event's id and its position. COUNT 0 goes on for ever.
"""

import asyncio
import itertools
import sys
import uuid

import structlog

from fill_ledger.database import open_database
from fill_ledger.trade.events.fills import Filled
from tests.support.ledgers import SMALL_POOL, claim_of, days_ago, open_ledger

AT_ONCE = 5


async def write(database_url: str, department_id: uuid.UUID, cylinder_id: uuid.UUID, count: int) -> None:
    """Report fills until all are acknowledged."""
    database = await open_database(database_url, lookups=SMALL_POOL, writes=SMALL_POOL)
    numbers = iter(range(count)) if count else itertools.count()
    try:
        async with open_ledger(database, department_id) as ledger:

            async def report() -> None:
                for _ in numbers:
                    claim = claim_of(Filled(cylinder_id=cylinder_id, end_psi=2000), occurred_at=days_ago(1))
                    recorded = await ledger.take(claim)
                    line = f"{claim.event_id} {recorded.outcomes[0].ledger_position}\n"
                    sys.stdout.write(line)
                    sys.stdout.flush()

            await asyncio.gather(*(report() for _ in range(AT_ONCE)))
    finally:
        await database.close()


if __name__ == "__main__":
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    asyncio.run(write(sys.argv[1], uuid.UUID(sys.argv[2]), uuid.UUID(sys.argv[3]), int(sys.argv[4])))
