"""Gathering questions: requests that wait at the same moment share one read begun after the last of them arrived.

A read sees everything that was acknowledged before it began, by any process, because the views are written in the
transaction that appends. So a question may share a read with others, but only one that begins after it was asked.
"""

import asyncio
import uuid
from collections import deque
from collections.abc import Callable, Iterable
from datetime import datetime
from functools import lru_cache
from typing import Any

import asyncpg
import msgspec

from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.states.county import DepartmentState, PolicyState
from fill_ledger.trade.states.cylinders import CylinderState, TagState
from fill_ledger.trade.states.members import MemberState
from fill_ledger.trade.states.stations import AirSourceState, StationState
from fill_ledger.views.folding import decode_state
from fill_ledger.views.rulebooks import Rulebooks

READS_AT_ONCE = 2
"""One read uses the database while the answers of another are made; more would only make each read smaller."""

QUESTIONS_IN_A_READ = 64
QUESTIONS_WAITING = 2_000
"""More than this wait only when the database does not answer: the next ones are told at once to come back."""

REMEMBERED_STATES = 4_096
"""Decoded states remembered of each kind. The text itself is the key, so that none can be out of date."""

_READ = "SELECT * FROM lookup.eligibility($1, $2, $3, $4, $5)"
_READ_STATES = "SELECT department_id, subject_id, state FROM lookup.states($1, $2, $3)"


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """What must be read to answer one question.

    station_id counts only for a key that is not a station's own. subject_kind: of `views.directory`; None where no
    cylinder is looked for. value: as it stands in the directory.
    """

    key_digest: bytes
    station_id: uuid.UUID | None
    subject_kind: str | None
    value: str | None
    member_id: uuid.UUID | None


class Match(msgspec.Struct, frozen=True, kw_only=True):
    """One cylinder that answers to what was asked for, in one department's ledger. Shared: nobody may change a state.

    cylinder: None where the ledger has no such cylinder. tag: only where a tag was asked for.
    """

    department_id: uuid.UUID
    cylinder_id: uuid.UUID | None
    cylinder: CylinderState | None
    tag: TagState | None = None


class KeyRow(msgspec.Struct, frozen=True, kw_only=True):
    """What is on record of the key that was presented."""

    key_id: uuid.UUID
    principal_id: uuid.UUID
    role: str | None
    department_ids: list[uuid.UUID] | None
    station_id: uuid.UUID | None
    scopes: list[str] | None
    ends_at: datetime | None
    revoked_at: datetime | None
    deactivated_at: datetime | None


class Gathered(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that bears on one question, from one moment of the database.

    key: None for an unknown key, and then nothing else is filled in. checked_at: the server's clock. asked_at: the
    same, but never before what the department has recorded. department_id: the station's; None where the station is
    none of the key's. position: the head of that department's ledger, county_position of the county's. rulebook: the
    county's.
    Decoded states are shared: nobody may change one.
    """

    key: KeyRow | None
    checked_at: datetime
    asked_at: datetime
    department_id: uuid.UUID | None
    position: int
    county_position: int = 0
    station: StationState | None
    department: DepartmentState | None
    policy: PolicyState | None
    air_sources: tuple[AirSourceState, ...]
    member: MemberState | None
    matches: tuple[Match, ...]
    rulebook: Rulebook


class QuestionReader:
    """Reads what questions need, together. Used from one event loop."""

    def __init__(self, pool: "asyncpg.Pool[asyncpg.Record]", rulebooks: Rulebooks) -> None:
        self._pool = pool
        self._rulebooks = rulebooks
        self._waiting: deque[tuple[Asked, asyncio.Future[Gathered]]] = deque()
        self._readers = 0  # started and not yet done
        self._serving = 0  # of these, those that have a connection
        self._tasks: set[asyncio.Task[None]] = set()

    async def read(self, asked: Asked) -> Gathered:
        """Return what bears on a question, from a read begun after this call.

        Raises:
            TimeoutError: too many questions wait already.
            asyncpg.PostgresError, asyncpg.InterfaceError, OSError, TimeoutError: the database did not answer.
        """
        if len(self._waiting) >= QUESTIONS_WAITING:
            raise TimeoutError("too many questions wait for the database")
        answer: asyncio.Future[Gathered] = asyncio.get_running_loop().create_future()
        self._waiting.append((asked, answer))
        self._have_readers()
        return await answer

    async def cylinders(self, wanted: Iterable[tuple[uuid.UUID, uuid.UUID]]) -> dict[uuid.UUID, CylinderState]:
        """Return the states of cylinders, each named by its department and its id, by cylinder id."""
        named = list(wanted)
        rows = await self._pool.fetch(
            _READ_STATES,
            [department_id for department_id, _ in named],
            [SubjectKind.CYLINDER.value] * len(named),
            [cylinder_id for _, cylinder_id in named],
        )
        return {row["subject_id"]: _cylinder(row["state"]) for row in rows}

    def _have_readers(self) -> None:
        if self._waiting and self._readers < READS_AT_ONCE:
            self._readers += 1
            task = asyncio.get_running_loop().create_task(self._read_while_any_wait())
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _read_while_any_wait(self) -> None:
        """Serve whoever waits with one connection; give it back when nobody does."""
        is_counted, is_serving = True, False
        try:
            async with self._pool.acquire() as connection:
                is_serving = True
                self._serving += 1
                while self._waiting:
                    await self._read_together(connection)
                # Before the connection is given back, which waits: a question that comes then needs another reader.
                is_counted = False
                self._readers -= 1
                self._serving -= 1
        except Exception as error:
            if not is_counted:
                return  # Only giving the connection back failed; the pool makes another one.
            self._readers -= 1
            self._serving -= is_serving
            if is_serving:
                self._have_readers()
            elif self._serving == 0:
                # No connection is to be had, and nobody else has one to serve those who wait.
                self._fail(self._take(len(self._waiting)), error)

    async def _read_together(self, connection: Any) -> None:
        together = self._take(QUESTIONS_IN_A_READ)
        if not together:
            return
        try:
            rows = await connection.fetch(
                _READ,
                [asked.key_digest for asked, _ in together],
                [asked.station_id for asked, _ in together],
                [asked.subject_kind for asked, _ in together],
                [asked.value for asked, _ in together],
                [asked.member_id for asked, _ in together],
            )
            rulebook = await self._rulebooks.at(connection, rows[0]["rulebook_position"])
        except BaseException as error:
            self._fail(together, error)
            raise
        by_question: list[list[asyncpg.Record]] = [[] for _ in together]
        for row in rows:
            by_question[row["question"] - 1].append(row)
        for (_, answer), of_question in zip(together, by_question, strict=True):
            if answer.done():
                continue
            try:
                answer.set_result(_gathered(of_question, rulebook))
            except msgspec.MsgspecError as error:
                # A state in the store that cannot be read fails its own question only.
                answer.set_exception(error)

    def _take(self, most: int) -> list[tuple[Asked, asyncio.Future[Gathered]]]:
        """Take those that still wait for an answer, oldest first."""
        taken: list[tuple[Asked, asyncio.Future[Gathered]]] = []
        while self._waiting and len(taken) < most:
            question = self._waiting.popleft()
            if not question[1].done():
                taken.append(question)
        return taken

    def _fail(self, questions: Iterable[tuple[Asked, asyncio.Future[Gathered]]], error: BaseException) -> None:
        for _, answer in questions:
            if answer.done():
                continue
            if isinstance(error, Exception):
                answer.set_exception(error)
            else:
                answer.cancel()


def _gathered(rows: list[asyncpg.Record], rulebook: Rulebook) -> Gathered:
    first = rows[0]
    return Gathered(
        key=None if first["key_id"] is None else _key(first),
        checked_at=first["checked_at"],
        asked_at=first["asked_at"],
        department_id=first["station_department_id"],
        position=first["department_position"] or 0,
        county_position=first["county_position"] or 0,
        station=_optional(_station, first["station_state"]),
        department=_optional(_department, first["department_state"]),
        policy=_optional(_policy, first["policy_state"]),
        air_sources=tuple(_air_source(text) for text in first["air_source_states"] or ()),
        member=_optional(_member, first["member_state"]),
        matches=tuple(_match(row) for row in rows if row["owner_department_id"] is not None),
        rulebook=rulebook,
    )


def _key(row: asyncpg.Record) -> KeyRow:
    return KeyRow(
        key_id=row["key_id"],
        principal_id=row["principal_id"],
        role=row["role"],
        department_ids=row["department_ids"],
        station_id=row["key_station_id"],
        scopes=row["scopes"],
        ends_at=row["key_ends_at"],
        revoked_at=row["key_revoked_at"],
        deactivated_at=row["key_deactivated_at"],
    )


def _match(row: asyncpg.Record) -> Match:
    return Match(
        department_id=row["owner_department_id"],
        cylinder_id=row["cylinder_id"],
        cylinder=_optional(_cylinder, row["cylinder_state"]),
        tag=_optional(_tag, row["tag_state"]),
    )


def _optional(decode: Callable[[str], Any], text: str | None) -> Any:
    return None if text is None else decode(text)


def _remembering(kind: SubjectKind) -> Callable[[str], Any]:
    @lru_cache(maxsize=REMEMBERED_STATES)
    def decode(text: str) -> Any:
        return decode_state(kind, text)

    return decode


_station = _remembering(SubjectKind.STATION)
_department = _remembering(SubjectKind.DEPARTMENT)
_policy = _remembering(SubjectKind.POLICY)
_air_source = _remembering(SubjectKind.AIR_SOURCE)
_member = _remembering(SubjectKind.MEMBER)
_cylinder = _remembering(SubjectKind.CYLINDER)
_tag = _remembering(SubjectKind.TAG)
