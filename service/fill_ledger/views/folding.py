"""Folding a run of events into states and view rows.

The same code serves the append (states come from the database, a few events) and the rebuild (states start empty, all
events in order of position), so that a rebuilt view cannot differ from a folded one by another reading of the rules.
"""

import asyncio
import uuid
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

import msgspec

from fill_ledger.ledger.append import NewState, SubjectEntry
from fill_ledger.ledger.read import StoredState
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import TagPaired, TagUnpaired, tags_concerned, tags_put_on
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.fills import FillSubject
from fill_ledger.trade.events.findings import FindingBody
from fill_ledger.trade.found import finding_ids
from fill_ledger.trade.identifiers import Subject, SubjectKind, finding_subject, tag_subject
from fill_ledger.trade.states import FOLDS, State
from fill_ledger.trade.states.cylinders import TagState
from fill_ledger.trade.states.findings import FindingState
from fill_ledger.views.catalogue import STATE_VIEWS, rows_of_event
from fill_ledger.views.findings import FindingRow, show_review

EVENTS_BETWEEN_PAUSES = 128
"""Folded anew at a stretch: a few milliseconds."""

FOLDED_ONCE_A_RUN = frozenset({SubjectKind.STATION})
"""Subjects that are folded anew once after many late facts, not once for each: a station that was cut off may send
thousands of alarms, the newest first. Nothing in a folding looks at their states."""

_state_decoders = {kind: msgspec.json.Decoder(fold.state_class) for kind, fold in FOLDS.items()}


def decode_state(kind: SubjectKind, stored: bytes | str) -> Any:
    """Return a state from its stored form."""
    return _state_decoders[kind].decode(stored)


class Source(Protocol):
    """Where a folding reads what it does not hold yet."""

    async def states(self, subjects: Sequence[Subject]) -> Mapping[Subject, StoredState]:
        """Return the stored states of those subjects that have one."""

    async def events_folded_into(self, subject: Subject) -> list[Event]:
        """Return the recorded events that name the subject as folded, retracted ones left out."""

    async def event(self, event_id: uuid.UUID) -> Event | None:
        """Return a recorded event, or None."""

    async def events_known_by_tag(self, tag: Subject) -> list[Event]:
        """Return recorded events about filling that name this tag and no cylinder, retracted ones left out."""

    async def tags_of(self, cylinder: Subject) -> list[Subject]:
        """Return the tags that were ever paired with a cylinder."""


def known_only_by_tag(event: Event) -> Subject | None:
    """Return the tag of an event about filling that names a tag and no cylinder, else None.

    A fill that was taken for a cylinder by its marks stays with it, whatever wears the tag later.
    """
    body = event.body
    if event.judgement is not None and event.judgement.attributed_by == "marks":
        return None
    if isinstance(body, FillSubject) and body.cylinder_id is None and body.tag is not None:
        return tag_subject(body.tag)
    return None


def _findings_of(event: Event) -> tuple[Subject, ...]:
    return tuple(finding_subject(identifier) for identifier in finding_ids(event))


class Folding:
    """States and rows of one department while a run of events is folded in."""

    def __init__(self, department_id: uuid.UUID, source: Source) -> None:
        self.department_id = department_id
        self.versions: dict[Subject, int] = {}
        self.entries: list[SubjectEntry] = []
        self._source = source
        self._states: dict[Subject, State] = {}
        self._places: dict[Subject, int] = {}
        self._put_off: set[Subject] = set()
        self._retracted: set[uuid.UUID] = set()
        self._folded: list[Event] = []
        self._event_rows: dict[uuid.UUID, dict[str, list[msgspec.Struct]]] = {}

    def hold(self, subjects: Iterable[Subject], stored: Mapping[Subject, StoredState]) -> None:
        """Take over the states of subjects as read; a subject without one is held as unknown."""
        for subject in subjects:
            if subject in self._states:
                continue
            known = stored.get(subject)
            self.versions[subject] = 0 if known is None else known.ledger_position
            self._states[subject] = (
                FOLDS[subject.kind].empty(self.department_id, subject.subject_id)
                if known is None
                else decode_state(subject.kind, known.state)
            )

    async def ensure(self, subjects: Iterable[Subject]) -> None:
        """Read the states of subjects that are not held yet."""
        missing = [subject for subject in subjects if subject not in self._states and subject.kind in FOLDS]
        if missing:
            self.hold(missing, await self._source.states(missing))

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that is held; that of a station only when the folding is settled."""
        assert subject not in self._put_off
        return self._states[subject]

    async def settle(self) -> None:
        """Fold anew what was put off: before a station's state is looked at, and at the end of a run."""
        for subject in sorted(self._put_off):
            await self._refold(subject)

    def is_retracted(self, event_id: uuid.UUID) -> bool:
        """Tell whether an event was taken back, by a recorded retraction or by one folded in this run."""
        return event_id in self._retracted

    def note_retracted(self, positions: Mapping[uuid.UUID, int]) -> None:
        """Note events that a recorded retraction names; they are kept and never folded.

        `positions` holds where each stands in the ledger, 0 where it has not come yet.
        """
        for event_id, position in positions.items():
            self._retracted.add(event_id)
            self.versions[Subject(SubjectKind.EVENT, event_id)] = position

    async def fold(self, event: Event, place: int) -> None:
        """Fold the next event; `place` is its place in the run, from 1."""
        folds_into = event.folds_into()
        self._index(event, folds_into, place)
        retracted = event.event_id in self._retracted
        cylinder = None if retracted else await self._cylinder_by_tag(event)
        # A finding is reviewed only once it is on record: of what is new now there is no review to be read.
        self._put_rows(event, cylinder, retracted=retracted)
        if not retracted:
            self._folded.append(event)
        changed = [
            subject
            for subject in folds_into
            if subject.kind in FOLDS and (FOLDS[subject.kind].keeps_retracted or not retracted)
        ]
        await self.ensure(changed)
        for subject in changed:
            await self._fold_into(subject, event, place)
        if not retracted:
            await self._follow(event, cylinder, place)

    async def _follow(self, event: Event, cylinder: Subject | None, place: int) -> None:
        """Fold what follows from an event beyond the subjects it names itself."""
        tag = known_only_by_tag(event)
        if tag is not None:
            # A pairing made at the same moment must notice: a new version of the tag's state tells it.
            self._places[tag] = place
        if cylinder is not None:
            self.entries.append(SubjectEntry(place, cylinder, folds=False))
            await self._fold_into(cylinder, event, place)
        for concerned in tags_concerned(event.body):
            await self._attribute_again(tag_subject(concerned), place)
        if isinstance(event.body, EventRetracted):
            await self._take_back(event.body.retracted_event_id, place)
        if isinstance(event.body, FindingBody):
            await self._show_findings_again(event.body.about_event_id)

    def _index(self, event: Event, folds_into: Sequence[Subject], place: int) -> None:
        self.entries.extend(SubjectEntry(place, subject, folds=True) for subject in folds_into)
        self.entries.extend(SubjectEntry(place, subject, folds=False) for subject in event.mentions())

    async def _fold_into(self, subject: Subject, event: Event, place: int) -> None:
        state, fold = self._states[subject], FOLDS[subject.kind]
        self._places[subject] = place
        is_late = state.is_after(event) and not (event.body.order_free or fold.keeps_retracted)
        if subject in self._put_off or (is_late and subject.kind in FOLDED_ONCE_A_RUN):
            self._put_off.add(subject)
        elif is_late:
            await self._refold(subject)
        else:
            fold.apply(state, event)

    async def _refold(self, subject: Subject) -> None:
        """Fold a subject anew from all its events: what came late or was taken back has its place among them."""
        events = {event.event_id: event for event in await self._source.events_folded_into(subject)}
        events.update({event.event_id: event for event in self._folded if subject in event.folds_into()})
        if subject.kind is SubjectKind.CYLINDER:
            events.update({event.event_id: event for event in await self._attributed_by_tag(subject)})
        state = FOLDS[subject.kind].empty(self.department_id, subject.subject_id)
        for count, event in enumerate(sorted(events.values(), key=lambda known: known.key), start=1):
            if event.event_id not in self._retracted:
                FOLDS[subject.kind].apply(state, event)
            if count % EVENTS_BETWEEN_PAUSES == 0:
                # A subject may have years of events, and look-ups of this process come first.
                await asyncio.sleep(0)
        self._states[subject] = state
        self._put_off.discard(subject)

    async def _cylinder_by_tag(self, event: Event) -> Subject | None:
        """Return the cylinder of this department that a fill known only by its tag belongs to."""
        tag = known_only_by_tag(event)
        if tag is None:
            return None
        await self.ensure((tag,))
        state: TagState = self._states[tag]  # type: ignore[assignment]
        cylinder_id = state.cylinder_at(event.effective_at)
        if cylinder_id is None:
            return None
        cylinder = Subject(SubjectKind.CYLINDER, cylinder_id)
        await self.ensure((cylinder,))
        return cylinder

    async def _attributed_by_tag(self, cylinder: Subject) -> list[Event]:
        """Return the events about filling that belong to a cylinder only through a tag on it."""
        tags = {tag_subject(tag) for event in self._folded for tag in tags_put_on(event.body)}
        tags.update(await self._source.tags_of(cylinder))
        return [
            event
            for tag in sorted(tags)
            for event in await self._known_by_tag(tag)
            if await self._cylinder_by_tag(event) == cylinder
        ]

    async def _known_by_tag(self, tag: Subject) -> list[Event]:
        known = {event.event_id: event for event in await self._source.events_known_by_tag(tag)}
        known.update({event.event_id: event for event in self._folded if known_only_by_tag(event) == tag})
        return [event for event in known.values() if event.event_id not in self._retracted]

    async def _attribute_again(self, tag: Subject, place: int) -> None:
        """A tag was paired, unpaired, or either was taken back: fills known by it may belong to another cylinder."""
        events = await self._known_by_tag(tag)
        if not events:
            return
        state: TagState = self._states[tag]  # type: ignore[assignment]
        cylinders = {Subject(SubjectKind.CYLINDER, pairing.cylinder_id) for pairing in state.pairings}
        cylinders.update(
            Subject(SubjectKind.CYLINDER, event.judgement.cylinder_id)
            for event in events
            if event.judgement is not None and event.judgement.cylinder_id is not None
        )
        await self.ensure(subject for event in events for subject in _findings_of(event))
        for event in events:
            self._put_rows(event, await self._cylinder_by_tag(event), retracted=False)
        await self._refold_all(cylinders, place)

    async def _take_back(self, event_id: uuid.UUID, place: int) -> None:
        """A retraction: fold anew whatever the event it names had been folded into."""
        if event_id in self._retracted:
            return
        self._retracted.add(event_id)
        event = next((known for known in self._folded if known.event_id == event_id), None)
        event = event or await self._source.event(event_id)
        if event is None:
            # It may be on its way at this very moment: the append makes sure that it has not come.
            self.versions[Subject(SubjectKind.EVENT, event_id)] = 0
            return
        tag = known_only_by_tag(event)
        if tag is not None:
            self._places[tag] = place
        subjects = {
            subject
            for subject in event.folds_into()
            if subject.kind in FOLDS and not FOLDS[subject.kind].keeps_retracted
        }
        cylinder = await self._cylinder_by_tag(event)
        if cylinder is not None:
            subjects.add(cylinder)
        # A review made at the same moment must notice: a new version of the finding's state tells it.
        await self.ensure(_findings_of(event))
        self._places.update(dict.fromkeys(_findings_of(event), place))
        self._put_rows(event, None, retracted=True)
        await self._refold_all(subjects, place)
        if isinstance(event.body, FindingBody):
            await self._show_findings_again(event.body.about_event_id)
        if isinstance(event.body, TagPaired | TagUnpaired):
            affected = Subject(SubjectKind.CYLINDER, event.body.cylinder_id)
            if await self._known_by_tag(tag_subject(event.body.tag)):
                await self._refold_all({affected}, place)
            await self._attribute_again(tag_subject(event.body.tag), place)

    async def _show_findings_again(self, event_id: uuid.UUID) -> None:
        """A finding of an event was reviewed or opened again, or either was taken back: its row says so."""
        event = next((known for known in self._folded if known.event_id == event_id), None)
        event = event or await self._source.event(event_id)
        if event is None:
            return
        retracted = event_id in self._retracted or bool(
            await self._source.events_folded_into(Subject(SubjectKind.EVENT, event_id))
        )
        await self.ensure(_findings_of(event))
        self._put_rows(event, None if retracted else await self._cylinder_by_tag(event), retracted=retracted)

    def _put_rows(self, event: Event, cylinder: Subject | None, *, retracted: bool) -> None:
        """Put the rows of an event, with the reviews of its findings as far as those are held."""
        rows = rows_of_event(event, retracted=retracted, cylinder_id=None if cylinder is None else cylinder.subject_id)
        for row in rows.get("finding", ()):
            assert isinstance(row, FindingRow)
            known = self._states.get(finding_subject(row.finding_id))
            if isinstance(known, FindingState):
                show_review(row, known)
        self._event_rows[event.event_id] = rows

    async def _refold_all(self, subjects: Iterable[Subject], place: int) -> None:
        ordered = sorted(subjects)
        await self.ensure(ordered)
        for subject in ordered:
            await self._refold(subject)
            self._places[subject] = place

    def new_states(self) -> list[NewState]:
        """Return the changed states with the place of the event that changed each last. The folding is settled."""
        assert not self._put_off
        return [
            NewState(subject.kind.value, subject.subject_id, place, self._states[subject])
            for subject, place in self._places.items()
        ]

    def take_event_rows(self) -> dict[str, list[msgspec.Struct]]:
        """Return the rows of the history views so far and let go of the events folded in.

        For a replay, which writes in chunks: from now on the source must know the events folded until here.
        """
        rows = self._rows_of_events()
        self._event_rows.clear()
        self._folded.clear()
        self.entries.clear()
        return rows

    def forget_changes(self) -> None:
        """Take the changed states as written: what changes from now on is new."""
        self._places.clear()

    def view_rows(self) -> dict[str, list[msgspec.Struct]]:
        """Return all rows to put, by table."""
        rows: dict[str, list[msgspec.Struct]] = {}
        for subject in self._places:
            for table, make_rows in STATE_VIEWS[subject.kind]:
                rows.setdefault(table, []).extend(make_rows(self._states[subject]))
        for table, event_rows in self._rows_of_events().items():
            rows.setdefault(table, []).extend(event_rows)
        return {table: table_rows for table, table_rows in rows.items() if table_rows}

    def _rows_of_events(self) -> dict[str, list[msgspec.Struct]]:
        rows: dict[str, list[msgspec.Struct]] = {}
        for of_event in self._event_rows.values():
            for table, event_rows in of_event.items():
                rows.setdefault(table, []).extend(event_rows)
        return rows
