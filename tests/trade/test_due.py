"""What comes due is what the judgement says: permitted just before, denied at the instant, by the same rules."""

import uuid
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fill_ledger.trade import due
from fill_ledger.trade.due import (
    AIR_CONCERNS,
    CYLINDER_CONCERNS,
    MAXIMUM_STOPS,
    MEMBER_CONCERNS,
    Outlook,
    UsesOutlook,
    air_source_outlooks,
    cylinder_outlook,
    member_outlooks,
    outlook_of,
)
from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended
from fill_ledger.trade.judgement import Judgement, Question, judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.rules.rule import Concern
from fill_ledger.trade.states.cylinders import LastFill
from fill_ledger.trade.states.members import MemberState
from fill_ledger.trade.states.stations import AirSourceState
from tests.trade.rules.histories import (
    ZONES,
    cylinder_states,
    member_states,
    moments_between,
    questions,
    source_states,
    station_states,
)
from tests.trade.rules.questions import (
    AT,
    DEPARTMENT_ID,
    EVENT_ID,
    STATION_ID,
    authorisation,
    cylinder,
    hold,
    member,
    period,
    policy,
    question,
    sample,
    source,
    stamp,
    station,
)

MICROSECOND = timedelta(microseconds=1)
THOROUGH = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
PARTS = st.lists(st.floats(0, 1), min_size=5, max_size=5)
HORIZONS = st.integers(0, 3_660).map(lambda days: timedelta(days=days))


def at_moment(asked: Question, at: datetime, concerns: frozenset[Concern]) -> Judgement:
    return judge(msgspec.structs.replace(asked, at=at), look_ahead=False, concerns=concerns)


def denying(judgement: Judgement) -> set[str]:
    return {reason.code for reason in judgement.reasons}


def check(outlook: Outlook, asked: Question, concerns: frozenset[Concern], until: datetime, parts: list[float]) -> None:
    """Check an outlook against the judgement itself: at every stop, just before it, and anywhere in between."""
    now = at_moment(asked, asked.at, concerns)
    assert outlook.decision == now.decision
    assert [reason.code for reason in outlook.denials] == [reason.code for reason in now.reasons]
    for stop in outlook.stops:
        assert asked.at < stop.at <= until
        before, then = at_moment(asked, stop.at - MICROSECOND, concerns), at_moment(asked, stop.at, concerns)
        assert (before.decision == "permit") == stop.was_permitted
        assert then.decision == "deny"
        assert then.code == stop.denials[0].code
        assert {reason.code for reason in stop.begun} == denying(then) - denying(before)
    if len(outlook.stops) == MAXIMUM_STOPS:
        return
    for part in (*parts, 1.0):
        moment = asked.at + (until - asked.at) * part
        told = {reason.code for reason in outlook.denials}
        told |= {reason.code for stop in outlook.stops if stop.at <= moment for reason in stop.begun}
        assert denying(at_moment(asked, moment, concerns)) <= told
    stopping = outlook.stopping
    if outlook.decision == "permit":
        last = until if stopping is None else stopping.at - MICROSECOND
        for part in (*parts, 1.0):
            assert at_moment(asked, asked.at + (last - asked.at) * part, concerns).decision == "permit"


@THOROUGH
@given(asked=questions(cylinder=cylinder_states, subject_problem=st.none()), horizon=HORIZONS, parts=PARTS)
def test_cylinders_of_any_history(asked: Question, horizon: timedelta, parts: list[float]) -> None:
    until = asked.at + horizon
    check(cylinder_outlook(asked, until), asked, CYLINDER_CONCERNS, until, parts)


@THOROUGH
@given(
    at=moments_between(datetime(2026, 1, 1, tzinfo=UTC), datetime(2032, 1, 1, tzinfo=UTC)),
    zone=st.sampled_from(ZONES),
    due=st.sampled_from(["lenient", "strict"]),
    years_ago=st.integers(0, 5),
    tested=st.integers(1, 12),
    horizon=HORIZONS,
    parts=PARTS,
)
def test_cylinders_in_use(
    at: datetime, zone: str, due: str, years_ago: int, tested: int, horizon: timedelta, parts: list[float]
) -> None:
    """Cylinders that are mostly permitted, so that the end of a permit is met often."""
    asked = question(
        at=at,
        time_zone=zone,
        policy=policy(requalification_due=due),
        cylinder=cylinder(
            stamp(f"{at.year - years_ago}-{tested:02d}"),
            specification="DOT-SP10915-4500",
            pressure="4500",
            manufactured=f"{at.year - 10}-{tested:02d}",
        ),
    )
    until = at + horizon
    check(cylinder_outlook(asked, until), asked, CYLINDER_CONCERNS, until, parts)


@THOROUGH
@given(
    asked=questions(station=station_states),
    of=source_states,
    horizon=HORIZONS,
    parts=PARTS,
)
def test_air_sources_of_any_history(
    asked: Question, of: AirSourceState, horizon: timedelta, parts: list[float]
) -> None:
    until = asked.at + horizon
    found = air_source_outlooks(asked, of, until)
    uses = [use for one in found for use in one.uses]
    assert sorted(uses) == ["scba", *(["scuba"] if asked.policy.scuba_fills_allowed else []), "storage"]
    for one in found:
        for use in one.uses:
            there = msgspec.structs.replace(
                asked,
                cylinder=cylinder(use=use),
                owner_department_id=None,
                subject_problem=None,
                air_sources=(of,),
                air_source_id=None,
                every_air_source=False,
            )
            check(one.outlook, there, AIR_CONCERNS, until, parts)


@THOROUGH
@given(asked=questions(), of=member_states, horizon=HORIZONS, parts=PARTS)
def test_members_of_any_history(asked: Question, of: MemberState, horizon: timedelta, parts: list[float]) -> None:
    until = asked.at + horizon
    for one in member_outlooks(asked, of, until, {}):
        for use in one.uses:
            for station_id in one.station_ids or (None,):
                place = asked.station if station_id is None else station()
                if station_id is not None and place is not None:
                    place = msgspec.structs.replace(place, subject_id=station_id)
                there = msgspec.structs.replace(
                    asked, cylinder=cylinder(use=use), subject_problem=None, station=place, member=of, member_asked=True
                )
                check(one.outlook, there, MEMBER_CONCERNS, until, parts)


# Computed by hand from the IANA rules: New York falls back on 1 November 2026 at 02:00 and springs forward on 14 March
# 2027; 2028 is a leap year; Kiritimati is 14 hours ahead; Newfoundland is two and a half hours behind in summer.
@pytest.mark.parametrize(
    ("zone", "at", "tested", "due", "stops"),
    [
        ("America/New_York", "2026-10-01T12:00:00+00:00", "2021-10", "lenient", "2026-11-01T04:00:00+00:00"),
        ("America/New_York", "2026-10-01T12:00:00+00:00", "2021-11", "lenient", "2026-12-01T05:00:00+00:00"),
        ("America/New_York", "2027-01-01T12:00:00+00:00", "2022-03", "strict", "2027-03-01T05:00:00+00:00"),
        ("America/New_York", "2027-01-01T12:00:00+00:00", "2022-03", "lenient", "2027-04-01T04:00:00+00:00"),
        ("America/New_York", "2028-01-15T12:00:00+00:00", "2023-02", "lenient", "2028-03-01T05:00:00+00:00"),
        ("Pacific/Kiritimati", "2026-09-15T12:00:00+00:00", "2021-09", "lenient", "2026-09-30T10:00:00+00:00"),
        ("America/St_Johns", "2026-09-15T12:00:00+00:00", "2021-09", "lenient", "2026-10-01T02:30:00+00:00"),
    ],
)
def test_due_dates_worked_by_hand(zone: str, at: str, tested: str, due: str, stops: str) -> None:
    """49 CFR 180.209(a): a 3AA cylinder is due five years after the stamp; policy says which day is the last."""
    moment = datetime.fromisoformat(at)
    asked = question(
        at=moment, time_zone=zone, policy=policy(requalification_due=due), cylinder=cylinder(stamp(tested))
    )
    outlook = cylinder_outlook(asked, moment + timedelta(days=365))
    assert outlook.decision == "permit"
    stopping = outlook.stopping
    assert stopping is not None
    assert stopping.at == datetime.fromisoformat(stops)
    assert [reason.code for reason in stopping.denials] == ["requalification-due"]
    assert stopping.denials[0].clears_by == "requalification"
    assert outlook.stops == (stopping,)
    # And the look-up itself, with station, air and member in order, says the same to the microsecond.
    fresh = source(sample(stopping.at.date().isoformat()), sample(moment.date().isoformat()))
    whole = msgspec.structs.replace(asked, air_sources=(fresh,))
    assert judge(msgspec.structs.replace(whole, at=stopping.at)).code == "requalification-due"
    assert judge(msgspec.structs.replace(whole, at=stopping.at - MICROSECOND)).decision == "permit"


def test_the_horizon_takes_in_its_last_instant() -> None:
    asked = question(cylinder=cylinder(stamp("2021-11")))
    stops_at = datetime(2026, 12, 1, 5, tzinfo=UTC)
    assert cylinder_outlook(asked, stops_at).stopping is not None
    assert cylinder_outlook(asked, stops_at - MICROSECOND).stops == ()


def test_the_end_of_life_is_told_after_the_test_that_comes_before_it() -> None:
    """Made 2013-07 under a permit with a life of 15 years, last tested 2022-01: due in 2027-01, ended in 2028-07."""
    asked = question(
        cylinder=cylinder(stamp("2022-01"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2013-07")
    )
    outlook = cylinder_outlook(asked, AT + timedelta(days=3_660))
    assert [(stop.at, [reason.code for reason in stop.begun], stop.was_permitted) for stop in outlook.stops] == [
        (datetime(2027, 2, 1, 5, tzinfo=UTC), ["requalification-due"], True),
        (datetime(2028, 8, 1, 4, tzinfo=UTC), ["service-life-over"], False),
    ]


def test_what_is_stopped_tells_what_else_will_come() -> None:
    asked = question(
        cylinder=cylinder(stamp("2020-01"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2012-01")
    )
    outlook = cylinder_outlook(asked, AT + timedelta(days=3_660))
    assert (outlook.decision, outlook.stopping) == ("deny", None)
    assert outlook.denials[0].code == "requalification-due"
    assert [stop.begun[0].code for stop in outlook.stops] == ["service-life-over"]


def test_a_closed_station_and_bad_air_do_not_hide_a_cylinder_that_is_due() -> None:
    asked = question(station=station(closures=[period()]), air_sources=(source(sample("2026-06-01", "fail")),))
    assert judge(asked).decision == "deny"
    outlook = cylinder_outlook(asked, AT + timedelta(days=3_660))
    assert outlook.decision == "permit"
    assert outlook.stopping is not None


def test_without_a_calendar_nothing_is_permitted() -> None:
    asked = question(time_zone="Nowhere/None")
    for concerns in (CYLINDER_CONCERNS, AIR_CONCERNS, MEMBER_CONCERNS):
        assert [reason.code for reason in outlook_of(asked, concerns, AT).denials] == ["time-zone-unknown"]


def test_a_moment_beyond_the_calendar_is_denied_and_nothing_follows() -> None:
    asked = question(at=datetime(2201, 1, 1, tzinfo=UTC))
    outlook = cylinder_outlook(asked, datetime(2300, 1, 1, tzinfo=UTC))
    assert ([reason.code for reason in outlook.denials], outlook.stops) == (["moment-out-of-range"], ())


def test_relief_that_the_county_entered_ends_on_its_last_day() -> None:
    """Tested 2021-03: due in 2026-03, and by relief of six months to the end of 2026-09, but only until 1 August."""
    relief = RuleAmended(
        figures=(AmendedFigure(figure="requalification_grace_months", value=6),),
        reason="Relief by the regulator.",
        effective_from="2026-03-20",
        effective_until="2026-08-01",
    )
    asked = question(cylinder=cylinder(stamp("2021-03")), rulebook=Rulebook(SPECIFICATIONS, (), (relief,)))
    outlook = cylinder_outlook(asked, AT + timedelta(days=365))
    assert outlook.decision == "permit"
    assert [(stop.at, stop.begun[0].code) for stop in outlook.stops] == [
        (datetime(2026, 8, 1, 4, tzinfo=UTC), "requalification-due")
    ]


def test_the_end_of_the_calendar_is_no_stop() -> None:
    asked = question(at=datetime(2199, 6, 1, tzinfo=UTC))
    assert cylinder_outlook(asked, datetime(2300, 1, 1, tzinfo=UTC)).stops == ()


def test_only_what_begins_is_told_of_what_was_stopped_before() -> None:
    held_at = datetime(2026, 12, 15, 12, tzinfo=UTC)
    asked = question(cylinder=cylinder(stamp("2021-11"), holds=[hold(starts_at=held_at)]))
    due, held = cylinder_outlook(asked, AT + timedelta(days=365)).stops
    assert [reason.code for reason in due.begun] == ["requalification-due"]
    assert (held.at, [reason.code for reason in held.begun]) == (held_at, ["on-hold"])
    assert [reason.code for reason in held.denials] == ["on-hold", "requalification-due"]


def test_what_left_for_good_has_ended() -> None:
    for ended in (
        cylinder(stamp("2024-09", "condemned")),
        cylinder(condemned_at=AT),
        cylinder(retired_at=AT),
        cylinder(transferred_at=AT),
    ):
        assert cylinder_outlook(question(cylinder=ended), AT).has_ended
    assert not cylinder_outlook(question(cylinder=cylinder(retired_at=AT + MICROSECOND)), AT).has_ended
    assert not cylinder_outlook(question(cylinder=cylinder(holds=[hold()])), AT).has_ended
    gone = member_outlooks(question(), member(absences=[period()]), AT, {})
    assert [one.outlook.has_ended for one in gone] == [True]


def test_no_more_stops_are_told_than_a_list_can_bear() -> None:
    days = [AT + timedelta(days=day) for day in range(1, 2 * MAXIMUM_STOPS + 1)]
    holds = [hold(starts_at=day, ends_at=day + timedelta(hours=1)) for day in days]
    outlook = cylinder_outlook(question(cylinder=cylinder(holds=holds)), AT + timedelta(days=90))
    assert [stop.at for stop in outlook.stops] == days[:MAXIMUM_STOPS]


def outlooks_of(of: MemberState, **fields: object) -> tuple[UsesOutlook, ...]:
    return member_outlooks(question(**fields), of, AT + timedelta(days=365), {})


def test_an_authorisation_ends_for_all_its_uses_at_once() -> None:
    """The last day counts, in the department's calendar: midnight in New York in July is 04:00 UTC."""
    [only] = outlooks_of(member(authorisation("scba", "scuba", through="2026-07-31")))
    assert only.uses == ("scba", "scuba")
    stopping = only.outlook.stopping
    assert stopping is not None
    assert (stopping.at, stopping.denials[0].code) == (datetime(2026, 8, 1, 4, tzinfo=UTC), "authorisation-ended")


def test_a_use_nobody_authorised_does_not_come_due() -> None:
    assert outlooks_of(MemberState(department_id=DEPARTMENT_ID, subject_id=EVENT_ID, enrolled_at=AT)) == ()


def test_a_use_that_a_later_authorisation_leaves_out_stops_there() -> None:
    """Asked about a past moment: what was changed since then counts from when it was changed."""
    changed_at = AT + timedelta(days=3)
    scba, scuba = outlooks_of(
        member(
            authorisation("scba", "scuba", ends_at=changed_at),
            authorisation("scba", starts_at=changed_at),
        )
    )
    assert (scba.uses, scba.outlook.stops) == (("scba",), ())
    assert (scuba.uses, [stop.at for stop in scuba.outlook.stops]) == (("scuba",), [changed_at])


def test_an_authorisation_for_stations_ends_by_their_calendars() -> None:
    """Midnight of 1 August 2026: 04:00 UTC in New York, 07:00 UTC in Phoenix, which keeps no summer time."""
    here, there = STATION_ID, uuid.UUID(int=5)
    of = member(authorisation("scba", through="2026-07-31", station_ids=(here, there)))
    found = member_outlooks(question(), of, AT + timedelta(days=365), {there: "America/Phoenix"})
    assert [(one.station_ids, [stop.at.hour for stop in one.outlook.stops]) for one in found] == [
        ((there,), [7]),
        ((here,), [4]),
    ]
    together = member_outlooks(question(), of, AT + timedelta(days=365), {})
    assert [one.station_ids for one in together] == [tuple(sorted((here, there)))]


def test_stations_that_stand_alike_are_asked_about_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """An authorisation may name 500 stations; a list of a fleet must not ask 1,500 times for one member."""
    asked: list[Question] = []

    def counted(one: Question, concerns: frozenset[Concern], until: datetime) -> Outlook:
        asked.append(one)
        return outlook_of(one, concerns, until)

    monkeypatch.setattr(due, "outlook_of", counted)
    stations = tuple(uuid.UUID(int=1000 + number) for number in range(500))
    of = member(authorisation("scba", "storage", through="2026-07-31", station_ids=stations))
    [only] = member_outlooks(question(), of, AT + timedelta(days=365), {})
    assert (only.uses, only.station_ids, len(asked)) == (("scba", "storage"), stations, 2)


def test_air_is_due_for_the_uses_that_policy_fills() -> None:
    """92 days after 1 June 2026 is 1 September, the last day: filling stops with the 2nd, at 04:00 UTC."""
    for allowed, uses in ((True, ("scba", "scuba", "storage")), (False, ("scba", "storage"))):
        asked = question(policy=policy(scuba_fills_allowed=allowed))
        [only] = air_source_outlooks(asked, source(sample("2026-06-01")), AT + timedelta(days=365))
        assert only.uses == uses
        stopping = only.outlook.stopping
        assert stopping is not None
        assert (stopping.at, stopping.denials[0].code) == (datetime(2026, 9, 2, 4, tzinfo=UTC), "air-sample-due")


def test_the_last_fill_says_nothing_of_a_stop_that_lies_ahead() -> None:
    """There will be other fills by then; who asks at the time itself is told of the last one."""
    filled = cylinder(stamp("2024-09"), last_fill=LastFill(event_id=EVENT_ID, filled_at=AT - timedelta(days=1)))
    (stop, *_) = cylinder_outlook(question(cylinder=filled), AT + timedelta(days=3_660)).stops
    assert stop.denials[0].code == "requalification-due"
    assert "Last filled" not in stop.denials[0].text
    assert "may serve until emptied" in stop.denials[0].text
    asked = judge(question(cylinder=filled, at=stop.at))
    assert "Last filled 2026-06-14, in time" in asked.reasons[0].text
