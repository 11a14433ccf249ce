"""A state as it was known at a position is what folding the first events of the ledger gives, and nothing later."""

import asyncio
import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fill_ledger.database import Database
from fill_ledger.intake import attempt, reading
from fill_ledger.intake.claims import Claim
from fill_ledger.intake.neighbours import NONE_FOUND, Neighbours
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import Connection
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import TagPaired
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.fills import Filled, FillSubject
from fill_ledger.trade.identifiers import Subject, SubjectKind, tag_subject
from fill_ledger.trade.states import FOLDS
from fill_ledger.views.as_known import StatesAsKnown, position_at
from fill_ledger.views.folding import decode_state
from tests.intake import test_orders as drawn
from tests.support.ledgers import Ledger, claim_of, days_ago, open_ledger, plain, registration

EXAMPLES = 20
TAG = "iso15693:E004010000000C01"


@pytest.fixture
def everything_accepted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every office entry in, and let no ledger take another's cylinder for a neighbour's."""
    monkeypatch.setattr(attempt, "refusals", lambda body, known, moment: [])

    async def nobody(*_arguments: object) -> Neighbours:
        return NONE_FOUND

    monkeypatch.setattr(reading, "find_neighbours", nobody)


def by_brute_force(events: Sequence[Event], department_id: uuid.UUID, subject: Subject) -> Any:
    """Fold a subject from a run of events in the plainest way."""
    taken_back = {event.body.retracted_event_id for event in events if isinstance(event.body, EventRetracted)}
    fold = FOLDS[subject.kind]
    state = fold.empty(department_id, subject.subject_id)
    for event in sorted(events, key=lambda known: known.key):
        if event.event_id in taken_back and not fold.keeps_retracted:
            continue
        body = event.body
        names_it = subject in event.folds_into()
        if subject.kind is SubjectKind.CYLINDER and isinstance(body, FillSubject) and body.cylinder_id is None:
            assert body.tag is not None
            tag = by_brute_force(events, department_id, tag_subject(body.tag))
            names_it = tag.cylinder_at(event.effective_at) == subject.subject_id
        if names_it:
            fold.apply(state, event)
    return state


async def _recorded(ledger: Ledger) -> list[Event]:
    rows = await ledger.fetch(
        "SELECT canonical FROM ledger.event WHERE department_id = $1 ORDER BY ledger_position", ledger.department_id
    )
    return [read_event(row["canonical"]) for row in rows]


async def _views(ledger: Ledger) -> dict[Subject, Any]:
    rows = await ledger.fetch(
        "SELECT subject_kind, subject_id, state FROM views.state WHERE department_id = $1", ledger.department_id
    )
    kinds = [(SubjectKind(row["subject_kind"]), row) for row in rows]
    return {Subject(kind, row["subject_id"]): decode_state(kind, row["state"]) for kind, row in kinds}


async def _as_known(
    connection: Connection, ledger: Ledger, position: int, subjects: Sequence[Subject]
) -> dict[Subject, Any]:
    states = StatesAsKnown(connection, ledger.department_id, position)
    await states.ensure(subjects)
    return {subject: states.state(subject) for subject in subjects}


async def _check(database: Database, batches: Sequence[Sequence[Claim]]) -> None:
    async with open_ledger(database) as ledger:
        at_the_time: dict[int, dict[Subject, Any]] = {}
        for batch in batches:
            head = (await ledger.take(*batch)).ledger_position
            at_the_time[head] = await _views(ledger)
        events = await _recorded(ledger)
        subjects = sorted(at_the_time[len(events)])
        async with database.lookups.acquire() as connection:
            for position in range(len(events) + 1):
                known = await _as_known(connection, ledger, position, subjects)
                for subject, state in known.items():
                    expected = by_brute_force(events[:position], ledger.department_id, subject)
                    assert plain(state) == plain(expected), (position, subject)
                    if position in at_the_time:
                        stored = at_the_time[position].get(subject)
                        empty = FOLDS[subject.kind].empty(ledger.department_id, subject.subject_id)
                        assert plain(state) == plain(empty if stored is None else stored), (position, subject)


async def test_as_known_is_what_the_first_events_add_up_to(database: Database, everything_accepted: None) -> None:
    """Any histories, late facts and retractions before and after what they name included.

    Held against a plain fold of the first events, and against what the views really held at that moment.
    """
    loop = asyncio.get_running_loop()

    @settings(
        max_examples=EXAMPLES,
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
        deadline=None,
    )
    @given(data=st.data())
    def at_every_position(data: st.DataObject) -> None:
        batches = data.draw(drawn.arrivals(data.draw(drawn.facts())))
        asyncio.run_coroutine_threadsafe(_check(database, batches), loop).result()

    await asyncio.to_thread(at_every_position)


async def test_a_pairing_told_later_and_its_retraction_count_from_when_they_were_told(database: Database) -> None:
    cylinder_id = uuid.uuid4()
    cylinder = Subject(SubjectKind.CYLINDER, cylinder_id)
    async with open_ledger(database) as ledger:
        await ledger.take(claim_of(registration(cylinder_id), occurred_at=days_ago(20)))
        await ledger.record(Filled(tag=TAG, end_psi=2000), occurred_at=days_ago(5))
        paired = claim_of(TagPaired(cylinder_id=cylinder_id, tag=TAG), occurred_at=days_ago(10))
        await ledger.take(paired)
        await ledger.record(EventRetracted(retracted_event_id=paired.event_id, reason="another tag"))
        async with database.lookups.acquire() as connection:
            fills = [
                (await _as_known(connection, ledger, position, [cylinder]))[cylinder].fills_total
                for position in range(5)
            ]
        assert fills == [0, 0, 0, 1, 0]


async def test_the_position_at_a_moment_is_the_last_recorded_by_then(database: Database) -> None:
    async with open_ledger(database) as ledger:
        async with database.lookups.acquire() as connection:
            assert await position_at(connection, ledger.department_id, datetime.now(UTC)) == 0
        for _ in range(5):
            await ledger.record(registration(uuid.uuid4()), registration(uuid.uuid4()))
        links = await ledger.links()
        async with database.lookups.acquire() as connection:
            for link in links:
                last = max(other.ledger_position for other in links if other.recorded_at <= link.recorded_at)
                before = [other.ledger_position for other in links if other.recorded_at < link.recorded_at]
                at, just_before = link.recorded_at, link.recorded_at - timedelta(microseconds=1)
                assert await position_at(connection, ledger.department_id, at) == last
                assert await position_at(connection, ledger.department_id, just_before) == max(before, default=0)
            assert await position_at(connection, uuid.uuid4(), datetime.now(UTC)) == 0
