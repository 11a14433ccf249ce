"""Which numbers of a device's streams have not come: a fact that was lost on the way is noticed by its number.

Numbers count from 1 in each stream. Whatever came under a number counts as seen, also what was kept unread.
"""

import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime

import msgspec

from fill_ledger.intake.claims import Claim, Unreadable
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.trade.identifiers import SubjectKind

MAXIMUM_STREAMS = 100
"""So many streams of one batch are looked at; a device has one, and a new one when its memory is new."""

MAXIMUM_GAPS = 1_000
WINDOW = 100_000
"""How far below the highest number of a stream gaps are looked for: years of a busy station."""

MAXIMUM_STREAMS_OF_DEPARTMENT = 10_000
"""So many streams of a department are looked through for those of one station."""

_GAPS = """
SELECT asked.stream_id, seen.number_before + 1 AS first_missing, seen.stream_number - 1 AS last_missing{since}
FROM unnest($2::uuid[]) AS asked (stream_id)
CROSS JOIN LATERAL (
    SELECT max(event.stream_number) AS number FROM ledger.event
    WHERE event.department_id = $1 AND event.stream_id = asked.stream_id
) AS highest
CROSS JOIN LATERAL (
    SELECT event.stream_number,
        lag(event.stream_number, 1, greatest(0, highest.number - $3)) OVER (ORDER BY event.stream_number)
            AS number_before{recorded}
    FROM ledger.event
    WHERE event.department_id = $1 AND event.stream_id = asked.stream_id
        AND event.stream_number > highest.number - $3
) AS seen
WHERE seen.stream_number > seen.number_before + 1
ORDER BY asked.stream_id, seen.stream_number
LIMIT $4
"""
_GAPS_ALONE = _GAPS.format(since="", recorded="")
# A gap is known of since the first higher number was recorded. From the highest number down, so that each row adds one.
_GAPS_SINCE = _GAPS.format(
    since=", seen.higher_since AS missing_since",
    recorded=", min(event.recorded_at) OVER (ORDER BY event.stream_number DESC) AS higher_since",
)
# From stream to stream along the index, then the newest fact of each: where it came from is where the device stands.
_STREAMS = """
WITH RECURSIVE stream AS (
    (SELECT event.stream_id, 1 AS place FROM ledger.event
     WHERE event.department_id = $1 AND event.stream_id IS NOT NULL ORDER BY event.stream_id LIMIT 1)
    UNION ALL
    SELECT following.stream_id, stream.place + 1
    FROM stream
    CROSS JOIN LATERAL (
        SELECT event.stream_id FROM ledger.event
        WHERE event.department_id = $1 AND event.stream_id > stream.stream_id ORDER BY event.stream_id LIMIT 1
    ) AS following
    WHERE stream.place <= $4
)
SELECT stream.stream_id, stream.place, newest.stream_number, newest.recorded_at, newest.canonical
FROM stream
CROSS JOIN LATERAL (
    SELECT event.* FROM ledger.event
    WHERE event.department_id = $1 AND event.stream_id = stream.stream_id AND event.stream_number IS NOT NULL
    ORDER BY event.stream_number DESC LIMIT 1
) AS newest
LEFT JOIN ledger.event_subject AS entry ON entry.department_id = $1 AND entry.subject_kind = $2
    AND entry.subject_id = $3 AND entry.effective_at = newest.effective_at AND entry.event_id = newest.event_id
WHERE entry.event_id IS NOT NULL OR stream.place > $4
ORDER BY newest.recorded_at DESC, stream.stream_id
"""


class Gap(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers of a stream that have not come, first and last included, although a higher one has."""

    stream_id: uuid.UUID
    first: int
    last: int
    missing_since: datetime | None = None


class StreamHeard(msgspec.Struct, frozen=True, kw_only=True):
    """A stream of a station's device: the highest number that has come, and when that was recorded."""

    stream_id: uuid.UUID
    highest_number: int
    last_heard_at: datetime


class StationGaps(msgspec.Struct, frozen=True, kw_only=True):
    """What has not come from a station's devices; `is_complete` is False where a bound left something out."""

    streams: tuple[StreamHeard, ...]
    gaps: tuple[Gap, ...]
    is_complete: bool


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
        rows = await connection.fetch(_GAPS_ALONE, department_id, list(stream_ids), WINDOW, MAXIMUM_GAPS)
    return [Gap(stream_id=row["stream_id"], first=row["first_missing"], last=row["last_missing"]) for row in rows]


async def gaps_of_station(connection: Connection, department_id: uuid.UUID, station_id: uuid.UUID) -> StationGaps:
    """Return the streams whose newest fact came from a station, heard last first, and their gaps with since when.

    At most `MAXIMUM_STREAMS` streams and `MAXIMUM_GAPS` gaps; of each stream the newest `WINDOW` numbers.
    """
    async with seeing(connection, (department_id,)):
        rows = await connection.fetch(
            _STREAMS, department_id, SubjectKind.STATION.value, station_id, MAXIMUM_STREAMS_OF_DEPARTMENT
        )
        is_cut_short = any(row["place"] > MAXIMUM_STREAMS_OF_DEPARTMENT for row in rows)
        # A body may name another station than the one whose device sent it: the sender's counts.
        heard = [
            row
            for row in rows
            if row["place"] <= MAXIMUM_STREAMS_OF_DEPARTMENT and read_event(row["canonical"]).station_id == station_id
        ]
        streams = tuple(
            StreamHeard(
                stream_id=row["stream_id"], highest_number=row["stream_number"], last_heard_at=row["recorded_at"]
            )
            for row in heard[:MAXIMUM_STREAMS]
        )
        found = await connection.fetch(
            _GAPS_SINCE, department_id, [stream.stream_id for stream in streams], WINDOW, MAXIMUM_GAPS + 1
        )
    gaps = tuple(
        Gap(
            stream_id=row["stream_id"],
            first=row["first_missing"],
            last=row["last_missing"],
            missing_since=row["missing_since"],
        )
        for row in found[:MAXIMUM_GAPS]
    )
    return StationGaps(
        streams=streams,
        gaps=gaps,
        is_complete=len(heard) <= MAXIMUM_STREAMS and len(found) <= MAXIMUM_GAPS and not is_cut_short,
    )
