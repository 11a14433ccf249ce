"""The invented county is the same for the same seed, as large as promised, and tells nothing impossible."""

import uuid
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise

import msgspec
import pytest

from demo_seed.fleet import RECALLED_LOT
from demo_seed.generator import History, invent_history
from demo_seed.plan import full_plan, small_plan
from fill_ledger.intake.claims import Claim
from fill_ledger.ledger.handles import PermitReferences
from fill_ledger.trade.events.air import AirSourceReturnedToService, AirSourceSampled
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import (
    CylinderHeld,
    CylinderRegistered,
    CylinderRequalified,
    CylinderRetired,
    TagPaired,
)
from fill_ledger.trade.events.fills import FillDenied, Filled, FilledByHand, FillSubject
from fill_ledger.trade.events.members import MemberDeactivated, MemberEnrolled
from fill_ledger.trade.mark_types import SpecificationFault
from fill_ledger.trade.marks import parse_specification
from fill_ledger.trade.tags import TagIdentity, normalise_tag

REFERENCE_DAY = date(2026, 11, 24)
REFERENCES = PermitReferences((bytes(32),))
STATIONS, CYLINDERS, MEMBERS, TRUCKS = 14, 600, 220, 2


@pytest.fixture(scope="module")
def history() -> History:
    """The whole county; made once, because it takes some seconds."""
    return invent_history(full_plan(REFERENCE_DAY), REFERENCES)


def placed_claims(history: History) -> Iterator[tuple[int, uuid.UUID, Claim]]:
    """Yield every claim with the number of its window and its department."""
    for place, window in enumerate(history.windows):
        for department_id, claims in window.claims.items():
            for claim in claims:
                yield place, department_id, claim


def claims_of(history: History) -> Iterator[tuple[uuid.UUID, Claim]]:
    for _, department_id, claim in placed_claims(history):
        yield department_id, claim


def as_bytes(history: History) -> bytes:
    windows = [{str(key): claims for key, claims in window.claims.items()} for window in history.windows]
    return msgspec.json.encode((history.departments, windows, history.principals))


def test_the_same_seed_tells_the_same_story_and_another_seed_another() -> None:
    told = as_bytes(invent_history(small_plan(REFERENCE_DAY), REFERENCES))
    assert told == as_bytes(invent_history(small_plan(REFERENCE_DAY), REFERENCES))
    assert told != as_bytes(invent_history(small_plan(REFERENCE_DAY, seed=2), REFERENCES))


def test_the_county_is_as_large_as_promised(history: History) -> None:
    departments = history.world.departments
    first_day = [claim.body for claims in history.windows[0].claims.values() for claim in claims]
    registered = [body for body in first_day if isinstance(body, CylinderRegistered)]
    assert len(departments) == 4
    assert sum(len(department.stations) for department in departments) == STATIONS
    assert sum(len(department.trucks) for department in departments) == TRUCKS
    assert len(registered) == CYLINDERS
    assert sum(isinstance(body, MemberEnrolled) for body in first_day) == MEMBERS
    assert 50_000 <= len(history) <= 75_000


def test_the_fleet_is_mixed_and_every_mark_can_be_read(history: History) -> None:
    details = [claim.body.details for _, claim in claims_of(history) if isinstance(claim.body, CylinderRegistered)]
    assert {each.use for each in details} == {"scba", "scuba", "storage"}
    assert {each.material for each in details} == {"steel", "aluminium", "composite"}
    assert len({each.specification for each in details}) >= 8
    assert not [each for each in details if isinstance(parse_specification(each.specification), SpecificationFault)]
    ages = [REFERENCE_DAY.year - int((each.manufactured or "")[:4]) for each in details]
    assert min(ages) <= 3
    assert max(ages) >= 25


def test_the_story_holds_what_a_county_lives_through(history: History) -> None:
    bodies = [claim.body for _, claim in claims_of(history)]
    counts = Counter(type(body) for body in bodies)
    failed = [body for body in bodies if isinstance(body, AirSourceSampled) and body.verdict == "fail"]
    recalled = [body for body in bodies if isinstance(body, CylinderHeld) and body.hold_kind == "recall"]
    codes = {body.code for body in bodies if isinstance(body, FillDenied)}
    overridden = [body for body in bodies if isinstance(body, Filled) and body.override is not None]
    assert 12_000 <= counts[Filled] <= 25_000
    assert 2 <= len(failed) <= 20
    assert counts[AirSourceReturnedToService] >= 1
    assert len(recalled) >= 5
    assert {"requalification-due", "on-hold", "member-deactivated"} <= codes
    assert counts[FilledByHand] >= 4
    assert counts[EventRetracted] >= 5
    assert counts[CylinderRequalified] >= 100
    assert counts[CylinderRetired] >= 5
    assert counts[MemberDeactivated] >= 5
    assert counts[TagPaired] > CYLINDERS
    assert overridden


def test_the_recall_holds_cylinders_of_one_lot_only(history: History) -> None:
    lots: dict[uuid.UUID, str | None] = {}
    held: set[uuid.UUID] = set()
    for _, claim in claims_of(history):
        if isinstance(claim.body, CylinderRegistered):
            lots[claim.body.cylinder_id] = claim.body.details.maker_lot
        if isinstance(claim.body, CylinderHeld) and claim.body.hold_kind == "recall":
            held.add(claim.body.cylinder_id)
    assert {lots[cylinder_id] for cylinder_id in held} == {RECALLED_LOT}


def test_a_neighbours_cylinders_are_filled_too(history: History) -> None:
    owners = {
        claim.body.cylinder_id: department_id
        for department_id, claim in claims_of(history)
        if isinstance(claim.body, CylinderRegistered)
    }
    partners = {
        department.department_id: {
            other.department_id for other in history.world.departments if other.plan.code in department.plan.partners
        }
        for department in history.world.departments
    }
    elsewhere = [
        (department_id, owners[claim.body.cylinder_id])
        for department_id, claim in claims_of(history)
        if isinstance(claim.body, Filled)
        and claim.body.cylinder_id is not None
        and owners[claim.body.cylinder_id] != department_id
    ]
    assert len(elsewhere) > 100
    assert all(owner in partners[department_id] for department_id, owner in elsewhere)


def test_nothing_is_filled_before_it_is_on_record_or_after_the_reference_day(history: History) -> None:
    # Departments record a window side by side, so a neighbour's cylinder must be on record a window earlier.
    place_of: dict[uuid.UUID, tuple[uuid.UUID, int, datetime]] = {}
    for place, department_id, claim in placed_claims(history):
        if isinstance(claim.body, CylinderRegistered):
            assert claim.occurred_at is not None
            place_of[claim.body.cylinder_id] = (department_id, place, claim.occurred_at)
    end = history.world.at(0, REFERENCE_DAY) + timedelta(hours=8)  # a night's work ends in the morning
    for place, department_id, claim in placed_claims(history):
        assert claim.occurred_at is not None
        assert claim.occurred_at < end
        if isinstance(claim.body, FillSubject) and claim.body.cylinder_id is not None:
            owner_id, registered_in, registered_at = place_of[claim.body.cylinder_id]
            assert registered_at < claim.occurred_at
            assert owner_id == department_id or registered_in < place


def test_every_id_is_new_and_every_tag_canonical(history: History) -> None:
    ids = [claim.event_id for _, claim in claims_of(history)]
    assert len(ids) == len(set(ids))
    tags = {claim.body.tag for _, claim in claims_of(history) if isinstance(claim.body, TagPaired)}
    identities = [normalise_tag(tag) for tag in tags]
    assert {known.canonical for known in identities if isinstance(known, TagIdentity)} == tags


def test_each_station_numbers_its_facts_without_a_gap_and_some_arrive_late(history: History) -> None:
    numbers: dict[uuid.UUID | None, list[int]] = defaultdict(list)
    for _, claim in claims_of(history):
        if claim.stream_number is not None:
            numbers[claim.stream_id].append(claim.stream_number)
    assert len(numbers) == STATIONS
    assert all(sorted(sent) == list(range(1, len(sent) + 1)) for sent in numbers.values())
    late = 0
    for window in history.windows:
        for claims in window.claims.values():
            moments = [claim.occurred_at for claim in claims if claim.occurred_at is not None]
            late += sum(later < earlier for earlier, later in pairwise(moments))
    assert late >= 5


def test_only_what_may_be_taken_back_is(history: History) -> None:
    by_id = {claim.event_id: claim for _, claim in claims_of(history)}
    for _, claim in claims_of(history):
        if isinstance(claim.body, EventRetracted):
            target = by_id[claim.body.retracted_event_id]
            assert isinstance(target.body, Filled)
            assert target.occurred_at is not None
            assert claim.occurred_at is not None
            assert target.occurred_at < claim.occurred_at
