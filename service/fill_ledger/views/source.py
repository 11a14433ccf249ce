"""Where a folding reads: one department of the database, through one connection."""

import uuid
from collections.abc import Mapping, Sequence

from fill_ledger.ledger import read
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import Connection, StoredState, seeing
from fill_ledger.trade.events.cylinders import tags_put_on
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject, tag_subject
from fill_ledger.views.folding import known_only_by_tag

MAXIMUM_POSITION = 2**63 - 1

_NOT_RETRACTED = """
    NOT EXISTS (
        SELECT 1 FROM ledger.event_subject AS taken_back
        WHERE taken_back.department_id = $1 AND taken_back.subject_kind = 'event'
            AND taken_back.subject_id = entry.event_id AND taken_back.folds)
"""


class DatabaseSource:
    """Reads one department's stored states and recorded events, those of its connection's snapshot."""

    def __init__(self, connection: Connection, department_id: uuid.UUID) -> None:
        self._connection = connection
        self._department_id = department_id
        # A replay sees the ledger as it stood at the event in hand.
        self.through_position = MAXIMUM_POSITION
        self._known_by_tag: dict[Subject, list[Event]] = {}

    async def states(self, subjects: Sequence[Subject]) -> Mapping[Subject, StoredState]:
        """Return the stored states of those subjects that have one."""
        snapshot = await read.read_for_append(self._connection, self._department_id, (), subjects)
        return snapshot.states

    async def events_folded_into(self, subject: Subject) -> list[Event]:
        """Return the recorded events that name the subject as folded, retracted ones left out."""
        async with seeing(self._connection, (self._department_id,)):
            recorded = await read.events_folded_into(
                self._connection, self._department_id, subject, self.through_position
            )
        return [known.event for known in recorded]

    async def event(self, event_id: uuid.UUID) -> Event | None:
        """Return a recorded event, or None."""
        async with seeing(self._connection, (self._department_id,)):
            recorded = await read.event_by_id(self._connection, self._department_id, event_id)
        if recorded is None or recorded.ledger_position > self.through_position:
            return None
        return recorded.event

    async def read_ahead(self, tags: Sequence[Subject]) -> None:
        """Read the events known by several tags at once, for a folding that will ask for each of them."""
        if tags:
            self._known_by_tag.update(await self._read_known_by_tags(tags))

    async def events_known_by_tag(self, tag: Subject) -> list[Event]:
        """Return recorded events about filling that name this tag and no cylinder, retracted ones left out."""
        if tag in self._known_by_tag:
            return self._known_by_tag[tag]
        return (await self._read_known_by_tags((tag,)))[tag]

    async def _read_known_by_tags(self, tags: Sequence[Subject]) -> dict[Subject, list[Event]]:
        async with seeing(self._connection, (self._department_id,)):
            rows = await self._connection.fetch(
                f"""
                SELECT event.canonical
                FROM ledger.event_subject AS entry
                JOIN ledger.event ON event.department_id = entry.department_id
                    AND event.ledger_position = entry.ledger_position
                WHERE entry.department_id = $1 AND entry.subject_kind = 'tag' AND entry.subject_id = ANY ($2)
                    AND NOT entry.folds AND entry.ledger_position <= $3 AND {_NOT_RETRACTED}
                ORDER BY entry.effective_at, entry.event_id
                """,
                self._department_id,
                [tag.subject_id for tag in tags],
                self.through_position,
            )
        found: dict[Subject, list[Event]] = {tag: [] for tag in tags}
        for row in rows:
            event = read_event(row["canonical"])
            tag = known_only_by_tag(event)
            if tag is not None:
                found[tag].append(event)
        return found

    async def tags_of(self, cylinder: Subject) -> list[Subject]:
        """Return the tags that were ever paired with a cylinder."""
        async with seeing(self._connection, (self._department_id,)):
            rows = await self._connection.fetch(
                f"""
                SELECT event.canonical
                FROM ledger.event_subject AS entry
                JOIN ledger.event ON event.department_id = entry.department_id
                    AND event.ledger_position = entry.ledger_position
                WHERE entry.department_id = $1 AND entry.subject_kind = $2 AND entry.subject_id = $3
                    AND event.event_type IN ('tag.paired', 'cylinder.transferred_in')
                    AND entry.ledger_position <= $4 AND {_NOT_RETRACTED}
                """,
                self._department_id,
                cylinder.kind.value,
                cylinder.subject_id,
                self.through_position,
            )
        bodies = (read_event(row["canonical"]).body for row in rows)
        return sorted({tag_subject(tag) for body in bodies for tag in tags_put_on(body)})
