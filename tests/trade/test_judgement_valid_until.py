"""`valid_until` is kept to the microsecond: the same answer until just before it, another one at it."""

from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from fill_ledger.trade.judgement import Judgement, Question, judge
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
    ZONE,
    authorisation,
    codes,
    cylinder,
    inspection,
    member,
    policy,
    question,
    sample,
    source,
    stamp,
)

MICROSECOND = timedelta(microseconds=1)
THOROUGH = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def same_answer(judgement: Judgement) -> tuple[Any, ...]:
    return (judgement.decision, judgement.code, judgement.fill_limit_psi, frozenset(codes(judgement)))


def asked_at(question: Question, at: datetime) -> Judgement:
    return judge(msgspec.structs.replace(question, at=at))


def check(asked: Question, parts: list[float]) -> Judgement:
    """Check an answer against the same question asked between now and `valid_until`, just before it and at it."""
    judged = judge(asked)
    now = asked.at.astimezone(UTC)
    if judged.valid_until is None:
        later = now + timedelta(days=36_525)
        for part in (*parts, 1.0):
            assert same_answer(asked_at(asked, now + (later - now) * part)) == same_answer(judged)
        return judged
    until = judged.valid_until.astimezone(UTC)
    assert until > now
    for part in parts:
        assert same_answer(asked_at(asked, now + (until - MICROSECOND - now) * part)) == same_answer(judged)
    assert same_answer(asked_at(asked, until - MICROSECOND)) == same_answer(judged)
    assert same_answer(asked_at(asked, until)) != same_answer(judged)
    return judged


PARTS = st.lists(st.floats(0, 1), min_size=4, max_size=4)


@THOROUGH
@given(asked=questions(), parts=PARTS)
def test_any_history(asked: Question, parts: list[float]) -> None:
    check(asked, parts)


@THOROUGH
@given(
    asked=questions(
        cylinder=cylinder_states,
        subject_problem=st.none(),
        station=station_states,
        air_sources=source_states.map(lambda one: (one,)),
        air_source_id=st.none(),
        member=member_states,
    ),
    parts=PARTS,
)
def test_histories_of_everything(asked: Question, parts: list[float]) -> None:
    check(asked, parts)


@THOROUGH
@given(
    at=moments_between(datetime(2026, 1, 1, tzinfo=UTC), datetime(2032, 1, 1, tzinfo=UTC)),
    zone=st.sampled_from(ZONES),
    due=st.sampled_from(["lenient", "strict"]),
    tested=st.integers(1, 12),
    sampled_days_ago=st.integers(0, 91),
    through=st.integers(0, 400),
    parts=PARTS,
)
def test_permits_end_when_they_say(
    at: datetime, zone: str, due: str, tested: int, sampled_days_ago: int, through: int, parts: list[float]
) -> None:
    """Questions that are mostly permits, so that the end of a permit is met often, not only changes of denials."""
    asked = question(
        at=at,
        time_zone=zone,
        policy=policy(requalification_due=due),
        cylinder=cylinder(
            stamp(f"{at.year - 4}-{tested:02d}"),
            specification="DOT-SP10915-4500",
            pressure="4500",
            manufactured=f"{at.year - 14}-{tested:02d}",
        ),
        air_sources=(source(sample((at - timedelta(days=sampled_days_ago + 1)).date().isoformat())),),
        member=member(authorisation("scba", through=(at + timedelta(days=through)).date().isoformat())),
    )
    judged = check(asked, parts)
    assume(judged.decision == "permit")
    assert judged.valid_until is not None
    assert asked_at(asked, judged.valid_until).decision == "deny"


# Computed by hand from the IANA rules: New York falls back on 1 November 2026 at 02:00 and springs forward on 14 March
# 2027; Cairo springs forward at midnight on the last Friday of April (24 April 2026); 2028 is a leap year.
@pytest.mark.parametrize(
    ("zone", "at", "tested", "due", "until"),
    [
        ("America/New_York", "2026-10-31T12:00:00+00:00", "2021-10", "lenient", "2026-11-01T04:00:00+00:00"),
        ("America/New_York", "2026-11-15T12:00:00+00:00", "2021-11", "lenient", "2026-12-01T05:00:00+00:00"),
        ("America/New_York", "2027-02-27T12:00:00+00:00", "2022-03", "strict", "2027-03-01T05:00:00+00:00"),
        ("America/New_York", "2027-03-02T12:00:00+00:00", "2022-03", "lenient", "2027-04-01T04:00:00+00:00"),
        ("America/New_York", "2028-02-15T12:00:00+00:00", "2023-02", "lenient", "2028-03-01T05:00:00+00:00"),
        ("Pacific/Kiritimati", "2026-09-15T12:00:00+00:00", "2021-09", "lenient", "2026-09-30T10:00:00+00:00"),
        ("America/St_Johns", "2026-09-15T12:00:00+00:00", "2021-09", "lenient", "2026-10-01T02:30:00+00:00"),
    ],
)
def test_due_dates_worked_by_hand(zone: str, at: str, tested: str, due: str, until: str) -> None:
    moment = datetime.fromisoformat(at)
    asked = question(
        at=moment,
        time_zone=zone,
        policy=policy(requalification_due=due),
        cylinder=cylinder(stamp(tested)),
        air_sources=(source(sample(moment.date().isoformat())),),
    )
    judged = check(asked, [0.1, 0.5, 0.9])
    assert judged.decision == "permit"
    assert judged.valid_until == datetime.fromisoformat(until)
    assert str(judged.valid_until.tzinfo) == zone


def test_a_sample_is_current_through_its_last_day_across_a_leap_day() -> None:
    """366 days from 1 March 2027 end on 1 March 2028, 365 on 29 February: counted on a calendar by hand."""
    for interval_days, until in ((365, "2028-03-01T05:00:00+00:00"), (366, "2028-03-02T05:00:00+00:00")):
        asked = question(
            at=datetime(2027, 6, 1, tzinfo=UTC),
            policy=policy(air_sample_interval_days=interval_days),
            air_sources=(source(sample("2027-03-01")),),
        )
        assert judge(asked).valid_until == datetime.fromisoformat(until)


def test_an_authorisation_holds_through_its_last_local_day() -> None:
    """The last day counts, in the station's calendar: midnight in New York in July is 04:00 UTC."""
    asked = question(member=member(authorisation("scba", through="2026-07-31")))
    judged = check(asked, [0.5])
    assert judged.valid_until == datetime(2026, 8, 1, 4, tzinfo=UTC)
    after = asked_at(asked, judged.valid_until)
    assert after.code == "authorisation-ended"


def test_a_day_that_clocks_skip_still_ends() -> None:
    """Cairo's clocks skip 00:00 to 01:00 on 24 April 2026 (IANA tz database), so the 24th begins at 01:00."""
    asked = question(
        at=datetime(2026, 4, 20, 12, tzinfo=UTC),
        time_zone="Africa/Cairo",
        air_sources=(source(sample("2026-04-01")),),
        member=member(authorisation("scba", through="2026-04-23")),
    )
    judged = check(asked, [0.5])
    assert judged.valid_until == datetime(2026, 4, 23, 22, tzinfo=UTC)
    assert (judged.valid_until.hour, judged.valid_until.day) == (1, 24)


def test_an_answer_about_the_past_ends_when_a_later_fact_begins() -> None:
    """Asked about a past moment, what was recorded later counts from when it happened, not before."""
    failed_at = datetime(2026, 7, 1, 9, 30, tzinfo=UTC)
    asked = question(cylinder=cylinder(inspections=[inspection("monthly", "fail", failed_at)]))
    judged = check(asked, [0.5])
    assert judged.decision == "permit"
    assert judged.valid_until == failed_at


def test_without_looking_ahead_the_answer_is_the_same_but_for_its_end() -> None:
    asked = question()
    assert judge(asked, look_ahead=False) == msgspec.structs.replace(judge(asked), valid_until=None)


def test_a_condemned_cylinder_changes_only_with_its_surroundings() -> None:
    asked = question(cylinder=cylinder(stamp("2024-09", "condemned")))
    judged = check(asked, [0.5])
    assert judged.code == "condemned"
    assert judged.valid_until is not None
    assert "air-sample-due" in codes(asked_at(asked, judged.valid_until))
    assert asked.time_zone == ZONE


def test_an_answer_that_only_the_end_of_the_calendar_changes_never_ends() -> None:
    unknown = msgspec.structs.replace(question(), cylinder=None)
    settled = msgspec.structs.replace(unknown, at=datetime(2199, 1, 1, tzinfo=UTC))
    assert judge(settled).decision == "deny"
    assert judge(settled).valid_until is None
    assert judge(msgspec.structs.replace(settled, at=datetime(2200, 1, 1, tzinfo=UTC))).code == "moment-out-of-range"
