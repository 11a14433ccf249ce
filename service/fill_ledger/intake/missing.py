"""Which numbers of a device's streams have not come: a fact that was lost on the way is noticed by its number.

Numbers count from 1 in each stream. Whatever came under a number counts as seen, also what was kept unread.
"""

import uuid
from collections.abc import Iterable, Sequence

import msgspec

from fill_ledger.intake.claims import Claim, Unreadable
from fill_ledger.ledger.read import Connection, seeing

MAXIMUM_STREAMS = 100
"""So many streams of one batch are looked at; a device has one, and a new one when its memory is new."""

MAXIMUM_GAPS = 1_000
WINDOW = 100_000
"""How far below the highest number of a stream gaps are looked for: years of a busy station."""

_GAPS = """
SELECT asked.stream_id, seen.number_before + 1 AS first_missing, seen.stream_number - 1 AS last_missing
FROM unnest($2::uuid[]) AS asked (stream_id)
CROSS JOIN LATERAL (
    SELECT max(event.stream_number) AS number FROM ledger.event
    WHERE event.department_id = $1 AND event.stream_id = asked.stream_id
) AS highest
CROSS JOIN LATERAL (
    SELECT event.stream_number,
        lag(event.stream_number, 1, greatest(0, highest.number - $3)) OVER (ORDER BY event.stream_number)
            AS number_before
    FROM ledger.event
    WHERE event.department_id = $1 AND event.stream_id = asked.stream_id
        AND event.stream_number > highest.number - $3
) AS seen
WHERE seen.stream_number > seen.number_before + 1
ORDER BY asked.stream_id, seen.stream_number
LIMIT $4
"""


class Gap(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers of a stream that have not come, first and last included, although a higher one has."""

    stream_id: uuid.UUID
    first: int
    last: int


def streams_of(claims: Iterable[Claim | Unreadable]) -> list[uuid.UUID]:
    """Return the streams that claims were sent in, in order, each once and at most `MAXIMUM_STREAMS`."""
    named = dict.fromkeys(claim.stream_id for claim in claims if claim.stream_id is not None)
    return list(named)[:MAXIMUM_STREAMS]


async def missing_numbers(
    connection: Connection, department_id: uuid.UUID, stream_ids: Sequence[uuid.UUID]
) -> list[Gap]:
    """Return the gaps of these streams, by stream and number, at most `MAXIMUM_GAPS`."""
    if not stream_ids:
        return []
    async with seeing(connection, (department_id,)):
        rows = await connection.fetch(_GAPS, department_id, list(stream_ids), WINDOW, MAXIMUM_GAPS)
    return [Gap(stream_id=row["stream_id"], first=row["first_missing"], last=row["last_missing"]) for row in rows]
