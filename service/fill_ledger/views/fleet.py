"""Reading a whole fleet at one moment of the ledger, in chunks that never hold up others for long.

Everything is read in one transaction that sees the ledger as it was at its first statement, so that a list made of
thousands of subjects is of one moment, whatever is recorded while it is made.
"""

import asyncio
import hashlib
import uuid
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

import asyncpg
import msgspec

from fill_ledger.ledger.read import ALL_DEPARTMENTS, Connection, seeing
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind
from fill_ledger.trade.rulebook import SHIPPED, Rulebook
from fill_ledger.trade.states.county import DepartmentState, PolicyState
from fill_ledger.trade.states.stations import AirSourceState, StationState
from fill_ledger.views.folding import decode_state
from fill_ledger.views.rulebooks import Rulebooks

CHUNK = 100
"""States read together; decoding them takes a millisecond or two, in which nothing else runs."""

POSITIONS_DIGITS = 24

# One department at a time, so that each chunk is a short walk along an index. LIMIT 1, where the key is whole anyway,
# keeps the state a look-up of its own, whatever the statistics of a table just filled by an import say.
_CYLINDERS = """
SELECT cylinder.cylinder_id AS subject_id, known.state
FROM views.cylinder
CROSS JOIN LATERAL (
    SELECT state.state FROM views.state
    WHERE state.department_id = cylinder.department_id AND state.subject_kind = 'cylinder'
        AND state.subject_id = cylinder.cylinder_id
    LIMIT 1
) AS known
WHERE cylinder.department_id = $1 AND cylinder.cylinder_id > $2 AND cylinder.registered_at IS NOT NULL
    AND {conditions}
ORDER BY cylinder.cylinder_id LIMIT {limit}
"""
_SUBJECTS = """
SELECT known.subject_id, known.state FROM views.state AS known
WHERE known.department_id = $1 AND known.subject_kind = $3 AND known.subject_id > $2
ORDER BY known.subject_id LIMIT {limit}
"""
_EVERY_SUBJECT = """
SELECT known.state FROM views.state AS known
WHERE known.department_id = ANY ($1::uuid[]) AND known.subject_kind = $2
"""
_BEFORE_ALL = uuid.UUID(int=0)


class Condition(msgspec.Struct, frozen=True):
    """A condition on `views.cylinder`; {} stands for the number of its parameter."""

    text: str
    argument: Any


class Fleet:
    """What a principal's departments have, at one moment of the ledger. Used inside `open_fleet` only.

    visible_ids: every department that may be seen. department_ids: those of them whose subjects are looked at. heads:
    how far the ledger of each has come. positions: tells this moment of their ledgers and the county's from any other.
    now: the server's clock, but never before what is on record.
    """

    def __init__(
        self,
        connection: Connection,
        heads: dict[uuid.UUID, int],
        now: datetime,
        department_id: uuid.UUID | None,
    ) -> None:
        self._connection = connection
        self.heads = heads
        self.now = now
        self.positions = _digest(heads)
        self.visible_ids = [known for known in heads if known != COUNTY_ID]
        self.department_ids = [known for known in self.visible_ids if department_id in (None, known)]
        self.rulebook: Rulebook = SHIPPED
        self.departments: dict[uuid.UUID, DepartmentState] = {}
        self.policies: dict[uuid.UUID, PolicyState] = {}
        self.stations: dict[tuple[uuid.UUID, uuid.UUID], StationState] = {}

    async def read_surroundings(self, rulebooks: Rulebooks) -> None:
        """Read what bears on many subjects alike: the rulebook, departments, policies and stations."""
        self.rulebook = await rulebooks.current(self._connection)
        rows = await self._connection.fetch(
            "SELECT subject_id, state FROM lookup.states($1, $2, $3)",
            [COUNTY_ID] * len(self.visible_ids),
            [SubjectKind.DEPARTMENT.value] * len(self.visible_ids),
            self.visible_ids,
        )
        self.departments = {row["subject_id"]: decode_state(SubjectKind.DEPARTMENT, row["state"]) for row in rows}
        for policy in await self._every(SubjectKind.POLICY):
            self.policies[policy.department_id] = policy
        for station in await self._every(SubjectKind.STATION):
            self.stations[(station.department_id, station.subject_id)] = station

    def station(self, station_id: uuid.UUID) -> StationState | None:
        """Return a registered station of the departments looked at, or None."""
        for (_, known_id), station in self.stations.items():
            if known_id == station_id and station.registered_at is not None:
                return station
        return None

    async def air_sources_at(self, station: StationState) -> tuple[AirSourceState, ...]:
        """Return the air sources of a station as the look-up takes them: by id."""
        rows = await self._connection.fetch(
            """
            SELECT known.state FROM views.air_source AS source
            JOIN views.state AS known ON known.department_id = source.department_id
                AND known.subject_kind = 'air_source' AND known.subject_id = source.air_source_id
            WHERE source.department_id = $1 AND source.station_id = $2 ORDER BY known.subject_id
            """,
            station.department_id,
            station.subject_id,
        )
        return tuple(decode_state(SubjectKind.AIR_SOURCE, row["state"]) for row in rows)

    def cylinders(self, conditions: Sequence[Condition]) -> AsyncIterator[list[Any]]:
        """Yield the registered cylinders that fulfil all conditions, in chunks, by department and id."""
        texts, arguments = ["TRUE"], []
        for condition in conditions:
            arguments.append(condition.argument)
            texts.append(condition.text.format(len(arguments) + 2))
        statement = _CYLINDERS.format(conditions=" AND ".join(texts), limit=CHUNK)
        return self._chunks(statement, SubjectKind.CYLINDER, arguments)

    def subjects(self, kind: SubjectKind) -> AsyncIterator[list[Any]]:
        """Yield all states of a kind, in chunks, by department and id."""
        return self._chunks(_SUBJECTS.format(limit=CHUNK), kind, [kind.value])

    async def _every(self, kind: SubjectKind) -> list[Any]:
        """Return the states of a kind of which a department has few, of every department that may be seen."""
        rows = await self._connection.fetch(_EVERY_SUBJECT, self.visible_ids, kind.value)
        states: list[Any] = []
        for number, row in enumerate(rows, start=1):
            states.append(decode_state(kind, row["state"]))
            if number % CHUNK == 0:
                await asyncio.sleep(0)
        return states

    async def _chunks(self, statement: str, kind: SubjectKind, arguments: Iterable[Any]) -> AsyncIterator[list[Any]]:
        for department_id in self.department_ids:
            after = _BEFORE_ALL
            while True:
                rows = await self._connection.fetch(statement, department_id, after, *arguments)
                if rows:
                    yield [decode_state(kind, row["state"]) for row in rows]
                if len(rows) < CHUNK:
                    break
                after = rows[-1]["subject_id"]


@asynccontextmanager
async def open_fleet(
    pool: "asyncpg.Pool[asyncpg.Record]", visible: Iterable[uuid.UUID] | str, department_id: uuid.UUID | None
) -> AsyncIterator[Fleet]:
    """Hold one connection and one moment of the ledger; look at the departments that may be seen, or one of them.

    A department that may not be seen has nothing to show: the fleet is empty.
    """
    wanted = None if visible == ALL_DEPARTMENTS else frozenset(visible)
    async with pool.acquire() as connection, seeing(connection, visible, one_moment=True):
        rows = await connection.fetch("SELECT *, clock_timestamp() AS now FROM lookup.heads() ORDER BY department_id")
        known = [row for row in rows if wanted is None or row["department_id"] in (COUNTY_ID, *wanted)]
        yield Fleet(
            connection,
            {row["department_id"]: row["ledger_position"] for row in known},
            max(max(row["now"], row["recorded_at"]) for row in known),
            department_id,
        )


def _digest(heads: dict[uuid.UUID, int]) -> str:
    return hashlib.sha256(msgspec.msgpack.encode(list(heads.items()))).hexdigest()[:POSITIONS_DIGITS]
