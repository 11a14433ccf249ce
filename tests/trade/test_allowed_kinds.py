"""What a member may fill at a station at a moment, and the fold of credentials it rests on."""

import itertools
import uuid
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from fill_ledger.trade.allowed_kinds import allowed_kinds, is_active
from fill_ledger.trade.events import members
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.states.members import MemberState, member_fold

DEPARTMENT, MEMBER, STATION = (uuid.UUID(int=number) for number in (1, 2, 3))
NEW_YORK = ZoneInfo("America/New_York")
START = datetime(2026, 3, 1, 12, tzinfo=UTC)


def event(hours: int, body: Body) -> Event:
    at = START + timedelta(hours=hours)
    return Event(
        department_id=DEPARTMENT,
        event_id=uuid.UUID(int=1_000 + hours),
        occurred_at=at,
        effective_at=at,
        recorded_by=uuid.UUID(int=9),
        body=body,
    )


def folded(*events: Event) -> MemberState:
    state = member_fold.empty(DEPARTMENT, MEMBER)
    for one in sorted(events, key=lambda known: known.key):
        member_fold.apply(state, one)
    return state


def bound(hours: int, kind: members.CredentialKind) -> Event:
    return event(
        hours,
        members.CredentialBound(member_id=MEMBER, credential_id=uuid.UUID(int=hours), credential_kind=kind),
    )


def authorised(through: str | None = None, station_ids: tuple[uuid.UUID, ...] | None = None) -> MemberState:
    return folded(
        event(0, members.MemberEnrolled(member_id=MEMBER)),
        event(1, members.MemberAuthorised(member_id=MEMBER, kinds=("scba",), through=through, station_ids=station_ids)),
    )


@pytest.mark.parametrize(
    ("moment", "kinds"),
    [
        # The last day counts in the station's calendar: in New York it ends at 04:00 UTC in summer.
        (datetime(2026, 6, 16, 3, 59, 59, tzinfo=UTC), ("scba",)),
        (datetime(2026, 6, 16, 4, 0, tzinfo=UTC), ()),
        (START, ()),
        (START + timedelta(hours=1), ("scba",)),
    ],
)
def test_the_last_day_counts_where_the_station_is(moment: datetime, kinds: tuple[str, ...]) -> None:
    assert allowed_kinds(authorised(through="2026-06-15"), moment, NEW_YORK, STATION) == kinds


def test_an_authorisation_may_name_its_stations() -> None:
    state = authorised(station_ids=(STATION,))
    at = START + timedelta(days=1)
    assert allowed_kinds(state, at, NEW_YORK, STATION) == ("scba",)
    assert allowed_kinds(state, at, NEW_YORK, uuid.UUID(int=4)) == ()


def test_who_is_not_enrolled_or_deactivated_may_fill_nothing() -> None:
    left = folded(
        event(0, members.MemberEnrolled(member_id=MEMBER)),
        event(1, members.MemberAuthorised(member_id=MEMBER, kinds=("scba", "storage"))),
        event(24, members.MemberDeactivated(member_id=MEMBER)),
        event(48, members.MemberReactivated(member_id=MEMBER)),
    )
    spans = [(-1, False), (0, True), (23, True), (24, False), (47, False), (48, True)]
    assert [(hours, is_active(left, START + timedelta(hours=hours))) for hours, _ in spans] == spans
    assert allowed_kinds(left, START + timedelta(hours=30), NEW_YORK, STATION) == ()
    assert allowed_kinds(left, START + timedelta(hours=49), NEW_YORK, STATION) == ("scba", "storage")


def test_a_new_passcode_replaces_the_last_and_leaves_cards_alone() -> None:
    events = [bound(1, "card"), bound(2, "passcode"), bound(3, "card"), bound(4, "passcode")]
    for arrival in itertools.permutations(events):
        state = folded(*arrival)
        assert [(known.credential_kind, known.ends_at is None) for known in state.credentials] == [
            ("card", True),
            ("passcode", False),
            ("card", True),
            ("passcode", True),
        ]
        assert state.credentials[1].ends_at == events[3].effective_at
