"""What becomes of each claim: created, exists, conflict_kept, quarantined or refused, alone and in company."""

import base64
import json
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.database import Database
from fill_ledger.intake import attempt
from fill_ledger.intake.attempt import Attempt
from fill_ledger.intake.claims import Claim, Outcome, Unit, Unreadable
from fill_ledger.intake.reading import Reading, read_for
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.chain import genesis_digest
from fill_ledger.trade.entries import Refusal
from fill_ledger.trade.events.corrections import EventRetracted, FactConflictKept, FactQuarantined
from fill_ledger.trade.events.cylinders import CylinderCondemned, CylinderHeld, TagPaired
from fill_ledger.trade.events.envelope import Body, Clock, SealedReference
from fill_ledger.trade.events.fills import FillDenied, Filled
from fill_ledger.trade.events.members import MemberEnrolled
from fill_ledger.trade.events.stations import AlarmRaised, ClockRead
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.views.check import check_views
from fill_ledger.views.rulebooks import Rulebooks
from tests.support.ledgers import SOMEBODY, Ledger, claim_of, days_ago, open_ledger, registration


def names(outcomes: tuple[Outcome, ...]) -> list[str]:
    return [outcome.outcome for outcome in outcomes]


def codes(outcome: Outcome) -> list[str]:
    return [refusal.code for refusal in outcome.refusals]


async def length(ledger: Ledger) -> int:
    return len(await ledger.links())


def dent(cylinder_id: uuid.UUID) -> CylinderHeld:
    return CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="damage", reason="a dent")


async def test_a_fact_is_created_once_and_exists_ever_after(database: Database) -> None:
    async with open_ledger(database) as ledger:
        claim = claim_of(Filled(cylinder_id=uuid.uuid4(), end_psi=2000), occurred_at=days_ago(1))
        first = await ledger.take(claim)
        assert names(first.outcomes) == ["created"]
        assert (first.ledger_position, first.outcomes[0].ledger_position) == (1, 1)
        again = await ledger.take(claim, claim)
        assert names(again.outcomes) == ["exists", "exists"]
        assert {outcome.ledger_position for outcome in again.outcomes} == {1}
        # The sender who repeats hears of the same findings, and of the same head, as the first time.
        assert {outcome.finding_ids for outcome in again.outcomes} == {first.outcomes[0].finding_ids}
        assert first.outcomes[0].finding_ids
        assert (again.ledger_position, again.chain_digest) == (1, first.chain_digest)
        assert await length(ledger) == 1


async def test_one_batch_may_hold_the_same_fact_twice(database: Database) -> None:
    async with open_ledger(database) as ledger:
        claim = claim_of(Filled(cylinder_id=uuid.uuid4(), end_psi=2000, note="for the drill"))
        other = claim_of(Filled(cylinder_id=uuid.uuid4(), end_psi=2100), claim.event_id)
        recorded = await ledger.take(claim, claim, other, other)
        assert names(recorded.outcomes) == ["created", "exists", "conflict_kept", "conflict_kept"]
        assert [outcome.ledger_position for outcome in recorded.outcomes] == [1, 1, 2, 2]
        assert await length(ledger) == 2


async def test_a_used_id_with_other_content_is_kept_beside_with_a_finding(database: Database) -> None:
    async with open_ledger(database) as ledger:
        cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
        claim = claim_of(Filled(cylinder_id=cylinder.subject_id, end_psi=2000))
        conflicting = claim_of(Filled(cylinder_id=cylinder.subject_id, end_psi=2100), claim.event_id)
        other_type = claim_of(TagPaired(cylinder_id=cylinder.subject_id, tag="iso15693:E0040100"), claim.event_id)
        await ledger.take(claim)
        kept = (await ledger.take(conflicting, other_type)).outcomes
        assert names(kept) == ["conflict_kept", "conflict_kept"]
        assert [outcome.ledger_position for outcome in kept] == [2, 3]
        # The same conflict again is told from a new one, and is not written again.
        again = (await ledger.take(conflicting)).outcomes[0]
        assert (again.outcome, again.ledger_position, again.finding_ids) == (
            "conflict_kept",
            2,
            kept[0].finding_ids,
        )
        assert await length(ledger) == 3
        assert (await ledger.state(cylinder)).fills_total == 1
        rows = await ledger.fetch("SELECT finding_id, code FROM views.finding WHERE code = 'event-id-used-twice'")
        assert {row["finding_id"] for row in rows} == {outcome.finding_ids[0] for outcome in kept}
        assert await _kept_texts(ledger, FactConflictKept) == [
            {"cylinder_id": str(cylinder.subject_id), "end_psi": 2100},
            {"cylinder_id": str(cylinder.subject_id), "tag": "iso15693:E0040100"},
        ]


async def _kept_texts(ledger: Ledger, body_class: type[FactConflictKept | FactQuarantined]) -> list[object]:
    """Open what was kept beside, in order of position."""
    bodies = [read_event(link.canonical).body for link in await ledger.links()]
    references = [
        SealedReference(record_id=body.record_id, digest=body.digest) for body in bodies if isinstance(body, body_class)
    ]
    async with ledger.database.lookups.acquire() as connection:
        stored = await ledger.vault.loader(connection, ledger.department_id)(
            [reference.record_id for reference in references]
        )
    opened = []
    for reference in references:
        rows = stored[reference.record_id]
        text = ledger.vault.sealer.open_text(ledger.department_id, reference, rows.record, rows.key)
        assert isinstance(text, str)
        opened.append(json.loads(base64.b64decode(text)))
    return opened


async def test_bytes_that_cannot_be_read_are_kept_sealed_once(database: Database) -> None:
    async with open_ledger(database) as ledger:
        unreadable = Unreadable(
            raw=b'{"type": "cylinder.filled", "body": 7}',
            reason="The body is no object.",
            recorded_by=SOMEBODY,
            claimed_event_id=uuid.uuid4(),
            claimed_type="cylinder.filled",
        )
        first = (await ledger.take(unreadable, unreadable)).outcomes
        assert names(first) == ["quarantined", "quarantined"]
        again = (await ledger.take(unreadable)).outcomes[0]
        assert again == first[0].__class__(
            outcome="quarantined", event_id=first[0].event_id, ledger_position=1, finding_ids=first[0].finding_ids
        )
        assert await length(ledger) == 1
        assert await _kept_texts(ledger, FactQuarantined) == [{"type": "cylinder.filled", "body": 7}]
        raw = await ledger.fetch("SELECT canonical FROM ledger.event UNION ALL SELECT sealed FROM ledger.sealed_record")
        assert not any(b'"body": 7' in row[0] for row in raw)


async def test_an_entry_that_contradicts_the_ledger_is_refused_and_its_neighbours_are_not(database: Database) -> None:
    async with open_ledger(database) as ledger:
        cylinder_id = uuid.uuid4()
        recorded = await ledger.take(
            claim_of(registration(cylinder_id), occurred_at=days_ago(20)),
            claim_of(registration(cylinder_id)),
            claim_of(dent(uuid.uuid4())),
            claim_of(dent(cylinder_id)),
        )
        assert names(recorded.outcomes) == ["created", "refused", "refused", "created"]
        assert codes(recorded.outcomes[1]) == ["already-registered"]
        assert codes(recorded.outcomes[2]) == ["cylinder-unknown"]
        assert [outcome.ledger_position for outcome in recorded.outcomes] == [1, None, None, 2]


async def test_an_entry_under_a_used_id_is_refused_and_a_repeat_is_not(database: Database) -> None:
    async with open_ledger(database) as ledger:
        registered = claim_of(registration(uuid.uuid4(), remark="from the spare truck"))
        await ledger.take(registered)
        assert names((await ledger.take(registered)).outcomes) == ["exists"]
        other = claim_of(registration(uuid.uuid4()), registered.event_id)
        outcome = (await ledger.take(other)).outcomes[0]
        assert (outcome.outcome, codes(outcome)) == ("refused", ["event-id-taken"])


async def test_an_observation_that_a_person_enters_is_checked_like_an_entry(database: Database) -> None:
    async with open_ledger(database) as ledger:
        observed = claim_of(Filled(cylinder_id=uuid.uuid4(), end_psi=2000))
        await ledger.take(observed)
        entered = claim_of(Filled(cylinder_id=uuid.uuid4(), end_psi=1), observed.event_id, entered=True)
        assert names((await ledger.take(entered)).outcomes) == ["refused"]


async def test_an_atomic_unit_is_taken_whole_or_not_at_all(database: Database, database_url: str) -> None:
    async with open_ledger(database) as ledger:
        good, bad, late = registration(uuid.uuid4()), dent(uuid.uuid4()), registration(uuid.uuid4())
        refused = (await ledger.take(claim_of(good), claim_of(bad), claim_of(late), atomic=True)).outcomes
        assert [codes(outcome) for outcome in refused] == [
            ["not-taken-alone"],
            ["cylinder-unknown"],
            ["not-taken-alone"],
        ]
        assert await length(ledger) == 0
        taken = await ledger.take(claim_of(good), claim_of(dent(good.cylinder_id)), atomic=True)
        assert names(taken.outcomes) == ["created", "created"]
        # The refused unit has used up no number.
        assert taken.outcomes[0].inventory_number == "1"
        assert (await check_views(database_url)).verdict == "sound"


async def test_an_atomic_unit_that_is_refused_spares_the_units_beside_it(database: Database) -> None:
    async with open_ledger(database) as ledger, database.writes.acquire() as connection:
        cylinder_id = uuid.uuid4()
        units = [
            Unit(department_id=ledger.department_id, claims=(claim_of(registration(cylinder_id)),)),
            Unit(
                department_id=ledger.department_id,
                claims=(
                    claim_of(CylinderCondemned(cylinder_id=cylinder_id, reason="cracked")),
                    claim_of(dent(SOMEBODY)),
                ),
                atomic=True,
            ),
            Unit(department_id=ledger.department_id, claims=(claim_of(dent(cylinder_id)),)),
        ]
        recorded = await Attempt(connection, ledger.department_id, ledger.vault, Rulebooks()).run(units)
        assert [names(of_unit.outcomes) for of_unit in recorded] == [["created"], ["refused", "refused"], ["created"]]
        assert [of_unit.outcomes[0].ledger_position for of_unit in recorded] == [1, None, 2]
        assert (await ledger.state(Subject(SubjectKind.CYLINDER, cylinder_id))).condemned_at is None


async def test_atomic_units_refused_before_anything_was_folded_cost_no_new_reading(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    readings = 0

    async def counted(*arguments: Any) -> Reading:
        nonlocal readings
        readings += 1
        return await read_for(*arguments)

    monkeypatch.setattr(attempt, "read_for", counted)
    async with open_ledger(database) as ledger, database.writes.acquire() as connection:
        cylinder_id = uuid.uuid4()
        bad = Unit(department_id=ledger.department_id, claims=(claim_of(dent(SOMEBODY)),), atomic=True)
        good = Unit(department_id=ledger.department_id, claims=(claim_of(registration(cylinder_id)),), atomic=True)
        readings = 0  # opening the ledger took some
        recorded = await Attempt(connection, ledger.department_id, ledger.vault, Rulebooks()).run([bad, bad, good, bad])
        assert [names(of_unit.outcomes) for of_unit in recorded] == [["refused"], ["refused"], ["created"], ["refused"]]
        assert readings == 1


async def test_the_same_sealed_text_is_the_same_and_another_is_not(database: Database) -> None:
    async with open_ledger(database) as ledger:
        member_id = uuid.uuid4()
        claim = claim_of(MemberEnrolled(member_id=member_id, personal='{"name":"Avery Example"}'))
        other = claim_of(MemberEnrolled(member_id=member_id, personal='{"name":"Blair Example"}'), claim.event_id)
        nothing = claim_of(MemberEnrolled(member_id=member_id), claim.event_id)
        assert names((await ledger.take(claim)).outcomes) == ["created"]
        assert names((await ledger.take(claim)).outcomes) == ["exists"]
        assert names((await ledger.take(other, nothing)).outcomes) == ["conflict_kept", "conflict_kept"]
        # No name in the ledger, in the views or in what was kept beside.
        for table in ("ledger.event", "views.state", "views.member", "ledger.sealed_record"):
            rows = await ledger.fetch(f"SELECT known::text AS text FROM {table} AS known")
            assert rows
            assert not any("Example" in row["text"] or b"Example".hex() in row["text"] for row in rows)


async def test_a_retraction_may_come_first_and_twice(database: Database) -> None:
    async with open_ledger(database) as ledger:
        cylinder = Subject(SubjectKind.CYLINDER, uuid.uuid4())
        fill = claim_of(Filled(cylinder_id=cylinder.subject_id, end_psi=2000))
        for _ in range(2):
            retraction = EventRetracted(retracted_event_id=fill.event_id, reason="typed twice")
            assert names((await ledger.record(retraction)).outcomes) == ["created"]
        assert names((await ledger.take(fill)).outcomes) == ["created"]
        assert await ledger.state(cylinder) is None
        assert [row[0] for row in await ledger.fetch("SELECT retracted FROM views.fill")] == [True]
        # A fill that was taken back before it came is not judged.
        assert await ledger.fetch("SELECT 1 FROM views.finding") == []


async def test_a_fill_taken_back_earlier_in_the_same_batch_is_not_judged(database: Database) -> None:
    async with open_ledger(database) as ledger:
        fill = claim_of(Filled(cylinder_id=uuid.uuid4(), end_psi=2000))
        retraction = claim_of(EventRetracted(retracted_event_id=fill.event_id, reason="typed twice"))
        outcomes = (await ledger.take(retraction, fill)).outcomes
        assert names(outcomes) == ["created", "created"]
        assert outcomes[1].finding_ids == ()
        assert await ledger.fetch("SELECT 1 FROM views.finding") == []


async def test_nothing_new_is_answered_with_the_head_as_it_stands(database: Database) -> None:
    async with open_ledger(database) as ledger:
        recorded = await ledger.take(claim_of(dent(uuid.uuid4())))
        assert (recorded.ledger_position, recorded.chain_digest) == (0, genesis_digest(ledger.department_id))


async def test_when_an_event_takes_effect(database: Database) -> None:
    """As claimed, corrected by what the device's clock says of itself, and never after it was recorded."""
    now = datetime.now(UTC)
    hour = timedelta(hours=1)
    unsynced = Clock(boot_id=uuid.uuid4(), uptime_ms=1, synced=False)
    body = ClockRead(station_id=uuid.uuid4(), ahead_ms=0)
    cases = {
        "as claimed": (claim_of(body, occurred_at=now - 5 * hour), now - 5 * hour),
        "in the future": (claim_of(body, occurred_at=now + 5 * hour), now),
        "a clock behind by three hours": (
            claim_of(body, occurred_at=now - 5 * hour, device_now=now - 3 * hour, clock=unsynced),
            now - 2 * hour,
        ),
        "a clock ahead by three hours": (
            claim_of(body, occurred_at=now + 2 * hour, device_now=now + 3 * hour, clock=unsynced),
            now - hour,
        ),
        "a correction that leaves the calendar": (
            claim_of(body, occurred_at=now - hour, device_now=datetime.max.replace(tzinfo=UTC), clock=unsynced),
            now - hour,
        ),
        "no time given": (claim_of(body), now),
    }
    async with open_ledger(database) as ledger:
        for name, (claim, expected) in cases.items():
            await ledger.take(claim)
            rows = await ledger.fetch(
                "SELECT effective_at, recorded_at, occurred_at FROM ledger.event WHERE event_id = $1", claim.event_id
            )
            effective_at, recorded_at, occurred_at = rows[0]
            assert (name, abs(effective_at - expected) < timedelta(minutes=2)) == (name, True)
            assert effective_at <= recorded_at
            assert claim.occurred_at is None or occurred_at == claim.occurred_at


NUL, SURROGATE, HUGE = "a\x00b", "a\ud800b", 2**53
HOSTILE: dict[str, Body] = {
    "NUL in a text that a view holds": FillDenied(cylinder_id=uuid.UUID(int=5), code=NUL),
    "lone surrogate": FillDenied(cylinder_id=uuid.UUID(int=5), code=SURROGATE),
    "lone surrogate in a tag": Filled(tag=SURROGATE),
    "NUL in a tag": TagPaired(cylinder_id=uuid.UUID(int=5), tag=NUL),
    "NUL in a sealed text": Filled(note=NUL),
    "lone surrogate in a sealed text": Filled(note=SURROGATE),
    "integer beyond 2^53-1": ClockRead(station_id=uuid.UUID(int=5), ahead_ms=HUGE),
    "negative one": ClockRead(station_id=uuid.UUID(int=5), ahead_ms=-HUGE),
    "integer beyond 64 bits": ClockRead(station_id=uuid.UUID(int=5), ahead_ms=2**70),
    "NUL in a nested text": AlarmRaised(station_id=uuid.UUID(int=5), alarm_id=SOMEBODY, alarm_kind="co", reading=NUL),
}


async def test_what_the_ledger_cannot_hold_is_kept_beside_whole_and_harms_nobody(database: Database) -> None:
    async with open_ledger(database) as ledger:
        good = [claim_of(ClockRead(station_id=uuid.uuid4(), ahead_ms=2**53 - 1)) for _ in range(2)]
        hostile = [claim_of(body) for body in HOSTILE.values()]
        recorded = await ledger.take(good[0], *hostile, good[1])
        assert names(recorded.outcomes) == ["created", *["quarantined"] * len(hostile), "created"]
        assert names((await ledger.take(*hostile)).outcomes) == ["quarantined"] * len(hostile)
        assert await length(ledger) == len(hostile) + 2
        kept = await _kept_texts(ledger, FactQuarantined)
        assert {"cylinder_id": str(uuid.UUID(int=5)), "code": SURROGATE} in kept
        assert {"station_id": str(uuid.UUID(int=5)), "ahead_ms": 2**70} in kept
        assert await ledger.chain_faults() == []


@pytest.mark.parametrize("text", [NUL, SURROGATE])
async def test_an_entry_the_ledger_cannot_hold_is_refused(database: Database, text: str) -> None:
    async with open_ledger(database) as ledger:
        entry: Claim = claim_of(registration(uuid.uuid4(), inventory_number=text))
        recorded = await ledger.take(entry, claim_of(registration(uuid.uuid4())))
        assert names(recorded.outcomes) == ["refused", "created"]
        assert [type(refusal) for refusal in recorded.outcomes[0].refusals] == [Refusal]
        assert codes(recorded.outcomes[0]) == ["cannot-be-written"]


async def test_what_is_said_of_unreadable_bytes_is_plain_text(database: Database) -> None:
    async with open_ledger(database) as ledger:
        recorded = await ledger.take(
            Unreadable(raw=b"\xff\x00", reason=SURROGATE + "x" * 3000, recorded_by=SOMEBODY, claimed_type=NUL)
        )
        assert names(recorded.outcomes) == ["quarantined"]
        rows = await ledger.fetch(
            "SELECT convert_from(canonical, 'UTF8')::json #>> '{body,claimed_type}' FROM ledger.event"
        )
        assert rows[0][0] == "a\ufffdb"
