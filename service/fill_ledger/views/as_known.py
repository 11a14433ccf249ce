"""States as they were known when a department's ledger had come to a position, folded anew from the ledger itself.

Read by subject from the subject index, never by walking the whole ledger. What was recorded later counts for nothing:
neither later facts about earlier days, nor retractions that came later, nor a pairing by which a fill known by its tag
alone was attributed later. So the state at the head of the ledger is the state that the views hold.
"""

import asyncio
import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.trade.events.cylinders import tags_put_on
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject, SubjectKind, tag_subject
from fill_ledger.trade.states import FOLDS, State
from fill_ledger.trade.states.cylinders import TagState
from fill_ledger.views.folding import EVENTS_BETWEEN_PAUSES, known_only_by_tag

# Taken back by a retraction that was on record by then. A retraction cannot itself be taken back.
_NOT_RETRACTED = """
    NOT EXISTS (
        SELECT 1 FROM ledger.event_subject AS taken_back
        WHERE taken_back.department_id = $1 AND taken_back.subject_kind = 'event'
            AND taken_back.subject_id = entry.event_id AND taken_back.folds AND taken_back.ledger_position <= $2)
"""
_ENTRIES = """
    FROM unnest($3::text[], $4::uuid[]) AS asked (subject_kind, subject_id)
    JOIN ledger.event_subject AS entry ON entry.department_id = $1
        AND entry.subject_kind = asked.subject_kind AND entry.subject_id = asked.subject_id
    JOIN ledger.event ON event.department_id = $1 AND event.ledger_position = entry.ledger_position
    WHERE entry.ledger_position <= $2 AND ($5::timestamptz IS NULL OR entry.effective_at <= $5)
"""
_FOLDED = f"""
    SELECT entry.subject_kind, entry.subject_id, event.canonical {_ENTRIES}
        AND entry.folds AND (entry.subject_kind = ANY ($6) OR {_NOT_RETRACTED})
    ORDER BY entry.effective_at, entry.event_id
"""
_NAMED_BY_TAG = f"""
    SELECT event.canonical {_ENTRIES} AND NOT entry.folds AND {_NOT_RETRACTED}
    ORDER BY entry.effective_at, entry.event_id
"""
_PUT_ON = f"""
    SELECT event.canonical {_ENTRIES}
        AND event.event_type IN ('tag.paired', 'cylinder.transferred_in') AND {_NOT_RETRACTED}
"""
_KEEPING_RETRACTED = [kind.value for kind, fold in FOLDS.items() if fold.keeps_retracted]

# Positions are gapless and `recorded_at` never falls, so that halving finds the place without an index on the time.
_POSITION_AT = """
    WITH RECURSIVE halved AS (
        SELECT 0::bigint AS low, head.ledger_position AS high FROM ledger.head WHERE department_id = $1
        UNION ALL
        SELECT CASE WHEN middle.recorded_at <= $2 THEN middle.ledger_position ELSE halved.low END,
            CASE WHEN middle.recorded_at <= $2 THEN halved.high ELSE middle.ledger_position - 1 END
        FROM halved JOIN ledger.event AS middle ON middle.department_id = $1
            AND middle.ledger_position = (halved.low + halved.high + 1) / 2
        WHERE halved.low < halved.high
    )
    SELECT low FROM halved WHERE low = high
"""


async def position_at(connection: Connection, department_id: uuid.UUID, moment: datetime) -> int:
    """Return how far a department's ledger had come at a moment: the last position recorded by then, 0 for none."""
    async with seeing(connection, (department_id,)):
        position: int | None = await connection.fetchval(_POSITION_AT, department_id, moment)
    return position or 0


class StatesAsKnown:
    """The states of one department's subjects as they were known at a position of its ledger."""

    def __init__(
        self,
        connection: Connection,
        department_id: uuid.UUID,
        position: int,
        effective_through: datetime | None = None,
    ) -> None:
        """Take the connection, which must be in no transaction, and the last position that counts.

        With `effective_through` facts that took effect later do not count either, retractions apart.
        """
        self.department_id = department_id
        self.position = position
        self.effective_through = effective_through
        self._connection = connection
        self._states: dict[Subject, State] = {}

    async def ensure(self, subjects: Iterable[Subject]) -> None:
        """Fold the states of subjects that are not held yet; one of which nothing was known has an empty state."""
        missing = sorted(subject for subject in set(subjects) if subject not in self._states and subject.kind in FOLDS)
        if not missing:
            return
        cylinders = [subject for subject in missing if subject.kind is SubjectKind.CYLINDER]
        async with seeing(self._connection, (self.department_id,)):
            tags = await self._tags_of(cylinders)
            wanted = sorted({*missing, *(tag for tag in tags if tag not in self._states)})
            events = await self._events_folded_into(wanted)
            known_by_tag = await self._events_known_by(tags)
        for subject in wanted:
            if subject.kind is not SubjectKind.CYLINDER:
                self._fold(subject, events[subject])
        for event in known_by_tag:
            cylinder = self._cylinder_of(event)
            if cylinder in events:
                events[cylinder].append(event)
        for cylinder in cylinders:
            self._fold(cylinder, events[cylinder])

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that is held. Nobody may change it."""
        return self._states[subject]

    def _fold(self, subject: Subject, events: Iterable[Event]) -> None:
        fold = FOLDS[subject.kind]
        state = fold.empty(self.department_id, subject.subject_id)
        for event in sorted(events, key=lambda known: known.key):
            fold.apply(state, event)
        self._states[subject] = state

    def _cylinder_of(self, event: Event) -> Subject | None:
        """Return the cylinder that wore the tag of an event known by its tag alone."""
        tag = known_only_by_tag(event)
        if tag is None:
            return None
        state: TagState = self._states[tag]  # type: ignore[assignment]  # the state of a tag
        cylinder_id = state.cylinder_at(event.effective_at)
        return None if cylinder_id is None else Subject(SubjectKind.CYLINDER, cylinder_id)

    async def _fetch(self, statement: str, subjects: Sequence[Subject], *more: object) -> list[Any]:
        rows: list[Any] = await self._connection.fetch(
            statement,
            self.department_id,
            self.position,
            [subject.kind.value for subject in subjects],
            [subject.subject_id for subject in subjects],
            self.effective_through,
            *more,
        )
        return rows

    async def _events_folded_into(self, subjects: Sequence[Subject]) -> dict[Subject, list[Event]]:
        found: dict[Subject, list[Event]] = {subject: [] for subject in subjects}
        rows = await self._fetch(_FOLDED, subjects, _KEEPING_RETRACTED)
        for count, row in enumerate(rows, start=1):
            subject = Subject(SubjectKind(row["subject_kind"]), row["subject_id"])
            found[subject].append(read_event(row["canonical"]))
            if count % EVENTS_BETWEEN_PAUSES == 0:
                # A busy cylinder has thousands of fills, and look-ups of this process come first.
                await asyncio.sleep(0)
        return found

    async def _tags_of(self, cylinders: Sequence[Subject]) -> list[Subject]:
        """Return the tags that were ever put on one of these cylinders."""
        if not cylinders:
            return []
        bodies = [read_event(row["canonical"]).body for row in await self._fetch(_PUT_ON, cylinders)]
        return sorted({tag_subject(tag) for body in bodies for tag in tags_put_on(body)})

    async def _events_known_by(self, tags: Sequence[Subject]) -> list[Event]:
        """Return the events about filling that name one of these tags and no cylinder."""
        if not tags:
            return []
        events = [read_event(row["canonical"]) for row in await self._fetch(_NAMED_BY_TAG, tags)]
        return [event for event in events if known_only_by_tag(event) is not None]
