"""The last legal day, worked by hand with a calendar and the public time zone rules.

Sources: 49 CFR 180.213(d) (2015 edition): a stamp is a month and a year and no day; 180.205(c), 180.207(a)(2) and
173.301(a)(6): due and overdue. That the month is the station's own, and that the due month counts in full (lenient) or
not at all (strict), is inference: no text read settles it. Offsets are those of the IANA time zone database.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fill_ledger.trade.judgement import Judgement, judge
from fill_ledger.trade.states.cylinders import CylinderState
from tests.trade.rules.questions import cylinder, member, policy, question, sample, source, stamp

MICROSECOND = timedelta(microseconds=1)
DUE = "requalification-due"


def ask(subject: CylinderState, at: datetime, zone: str, due: str = "lenient") -> Judgement:
    """Ask with fresh air and an authorised member, so that the answer speaks of the cylinder alone."""
    # Local days reach a day to either side of the day in UTC; a sample may not lie ahead.
    sampled_on = (at.astimezone(UTC) - timedelta(days=1)).date().isoformat()
    return judge(
        question(
            at=at,
            time_zone=zone,
            policy=policy(requalification_due=due),
            cylinder=subject,
            air_sources=(source(sample(sampled_on)),),
            member=member(),
        )
    )


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def steel(month: str) -> CylinderState:
    return cylinder(stamp(month), specification="DOT-3AA2216", manufactured="1990-01")


# Each row: zone, month of the test, the first instant (UTC) at which the lenient and the strict reading deny.
BY_HAND = [
    # UTC-5 in winter, UTC-4 in summer. November 1, 2026 is a Sunday: clocks go back at 02:00, after the month began.
    ("America/New_York", "2021-10", "2026-11-01T04:00:00+00:00", "2026-10-01T04:00:00+00:00"),
    ("America/New_York", "2021-11", "2026-12-01T05:00:00+00:00", "2026-11-01T04:00:00+00:00"),
    # March 14, 2027: clocks go forward within the month.
    ("America/New_York", "2022-03", "2027-04-01T04:00:00+00:00", "2027-03-01T05:00:00+00:00"),
    # Sunday, March 31, 2024 and Sunday, October 31, 2027: clocks change on the very last day of the month.
    ("Europe/Berlin", "2019-03", "2024-03-31T22:00:00+00:00", "2024-02-29T23:00:00+00:00"),
    ("Europe/Berlin", "2022-10", "2027-10-31T23:00:00+00:00", "2027-09-30T22:00:00+00:00"),
    # Sunday, November 1, 2026 again, but where no summer time is kept.
    ("America/Phoenix", "2021-10", "2026-11-01T07:00:00+00:00", "2026-10-01T07:00:00+00:00"),
    ("Pacific/Honolulu", "2021-10", "2026-11-01T10:00:00+00:00", "2026-10-01T10:00:00+00:00"),
    # Summer time in the south: clocks go back on Sunday, April 5, 2026 at 03:00; UTC+11 before, UTC+10 after.
    ("Australia/Sydney", "2021-03", "2026-03-31T13:00:00+00:00", "2026-02-28T13:00:00+00:00"),
    ("Australia/Sydney", "2021-04", "2026-04-30T14:00:00+00:00", "2026-03-31T13:00:00+00:00"),
    # Three quarters of an hour, and half an hour.
    ("Asia/Kathmandu", "2021-09", "2026-09-30T18:15:00+00:00", "2026-08-31T18:15:00+00:00"),
    ("America/St_Johns", "2021-09", "2026-10-01T02:30:00+00:00", "2026-09-01T02:30:00+00:00"),
    # East and west of the date line.
    ("Pacific/Kiritimati", "2021-09", "2026-09-30T10:00:00+00:00", "2026-08-31T10:00:00+00:00"),
    ("Pacific/Pago_Pago", "2021-09", "2026-10-01T11:00:00+00:00", "2026-09-01T11:00:00+00:00"),
    # February of a leap year and of a common year; 2100 is no leap year.
    ("UTC", "2023-02", "2028-03-01T00:00:00+00:00", "2028-02-01T00:00:00+00:00"),
    ("UTC", "2024-02", "2029-03-01T00:00:00+00:00", "2029-02-01T00:00:00+00:00"),
    ("UTC", "2095-02", "2100-03-01T00:00:00+00:00", "2100-02-01T00:00:00+00:00"),
    # Over the turn of the year.
    ("UTC", "2021-12", "2027-01-01T00:00:00+00:00", "2026-12-01T00:00:00+00:00"),
    ("UTC", "2022-01", "2027-02-01T00:00:00+00:00", "2027-01-01T00:00:00+00:00"),
]


@pytest.mark.parametrize(("zone", "month", "lenient", "strict"), BY_HAND)
def test_filling_stops_at_the_midnight_worked_by_hand(zone: str, month: str, lenient: str, strict: str) -> None:
    for due, stops_at in (("lenient", moment(lenient)), ("strict", moment(strict))):
        last = ask(steel(month), stops_at - MICROSECOND, zone, due)
        assert last.decision == "permit"
        assert last.valid_until == stops_at
        assert ask(steel(month), stops_at, zone, due).code == DUE
        assert last.valid_until.astimezone(ZoneInfo(zone)).strftime("%d %H:%M") == "01 00:00"


def test_the_last_day_holds_the_leap_day() -> None:
    """February 29, 2028 is the last day for a test of February 2023, and there is none in 2029."""
    assert ask(steel("2023-02"), moment("2028-02-29T23:30:00-05:00"), "America/New_York").decision == "permit"
    assert ask(steel("2024-02"), moment("2029-02-28T23:30:00-05:00"), "America/New_York").decision == "permit"
    assert ask(steel("2024-02"), moment("2029-03-01T00:00:00-05:00"), "America/New_York").code == DUE
    # A test made in the leap February of 2024 itself is due in February 2029, not on a day 29.
    assert ask(steel("2024-02"), moment("2029-02-28T23:59:59-05:00"), "America/New_York").decision == "permit"


def test_half_past_eleven_on_the_last_legal_day() -> None:
    """The next day in UTC already: the station's local calendar counts, in both readings."""
    at = moment("2026-09-30T23:30:00-04:00")
    assert at.astimezone(UTC).day == 1
    assert ask(steel("2021-09"), at, "America/New_York").decision == "permit"
    assert ask(steel("2021-09"), at, "America/New_York", "strict").code == DUE
    assert ask(steel("2021-10"), at, "America/New_York", "strict").decision == "permit"
    # 23:30 comes twice in no zone on such a day, but 01:30 does on November 1; both are past an October due month.
    for fold in (0, 1):
        twice = datetime(2026, 11, 1, 1, 30, tzinfo=ZoneInfo("America/New_York"), fold=fold)
        assert ask(steel("2021-10"), twice, "America/New_York").code == DUE
        assert ask(steel("2021-11"), twice, "America/New_York").decision == "permit"


def test_one_instant_on_both_sides_of_the_date_line() -> None:
    """September 30, 2026, 12:00 UTC is October 1, 02:00 on Kiritimati and September 30, 01:00 in Pago Pago."""
    at = moment("2026-09-30T12:00:00+00:00")
    assert ask(steel("2021-09"), at, "Pacific/Kiritimati").code == DUE
    assert ask(steel("2021-09"), at, "Pacific/Pago_Pago").decision == "permit"
    # Strict, a month later in the count: the same instant decides the other way about for an October due month.
    assert ask(steel("2021-10"), at, "Pacific/Kiritimati", "strict").code == DUE
    assert ask(steel("2021-10"), at, "Pacific/Pago_Pago", "strict").decision == "permit"


def test_a_day_that_was_left_out_does_not_move_the_month() -> None:
    """Samoa left out Friday, December 30, 2011 and crossed the date line: December 2011 still ended there."""
    subject = steel("2006-12")
    ends_at = moment("2011-12-31T10:00:00+00:00")  # midnight at UTC+14, summer time
    assert ask(subject, ends_at - MICROSECOND, "Pacific/Apia").decision == "permit"
    assert ask(subject, ends_at, "Pacific/Apia").code == DUE


def test_how_the_moment_is_written_does_not_matter() -> None:
    """The same instant in four offsets has one answer."""
    answers = {
        (judged.decision, judged.valid_until)
        for judged in (
            ask(steel("2021-09"), moment(text), "America/Chicago")
            for text in (
                "2026-10-01T04:59:59+00:00",
                "2026-09-30T23:59:59-05:00",
                "2026-10-01T13:59:59+09:00",
                "2026-09-30T17:59:59-11:00",
            )
        )
    }
    assert answers == {("permit", moment("2026-10-01T05:00:00+00:00"))}


def test_life_ends_by_the_same_calendar() -> None:
    """49 CFR 180.205(c), 173.301(a)(7); the month rule is inference. Made February 2013, 15 years: to leap day 2028."""
    subject = cylinder(stamp("2023-02"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2013-02")
    for zone, ends_at in (
        ("America/New_York", "2028-03-01T05:00:00+00:00"),
        ("Pacific/Kiritimati", "2028-02-29T10:00:00+00:00"),
        ("Pacific/Pago_Pago", "2028-03-01T11:00:00+00:00"),
    ):
        last = ask(subject, moment(ends_at) - MICROSECOND, zone)
        assert (last.decision, last.valid_until) == ("permit", moment(ends_at))
        assert ask(subject, moment(ends_at), zone).code == "service-life-over"
    strict_end = moment("2028-02-01T05:00:00+00:00")
    assert ask(subject, strict_end - MICROSECOND, "America/New_York", "strict").decision == "permit"
    assert ask(subject, strict_end, "America/New_York", "strict").code == "service-life-over"


ZONES = (
    *("America/New_York", "America/Phoenix", "America/St_Johns", "America/Havana", "America/Santiago", "Europe/Berlin"),
    *("Africa/Cairo", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Chatham", "Pacific/Kiritimati", "UTC"),
    "Pacific/Pago_Pago",
)
# Table 1 of 49 CFR 180.209(a) and 180.207(c): mark, years, the sign that makes it so.
PERIODS = (
    ("DOT-3AA2216", 5, ()),
    ("DOT-3AA2216", 10, ("star",)),
    ("DOT-3AL2216", 5, ()),
    ("UN ISO 9809-1", 10, ()),
    ("UN ISO 7866", 10, ()),
)


def local_month(at: datetime, zone: str) -> int:
    """Count the months of a wall calendar from year 0, by its year and month alone."""
    there = at.astimezone(ZoneInfo(zone))
    return there.year * 12 + there.month - 1


@settings(max_examples=300)
@given(
    zone=st.sampled_from(ZONES),
    period=st.sampled_from(PERIODS),
    year=st.integers(2012, 2030),
    month=st.integers(1, 12),
    due=st.sampled_from(["lenient", "strict"]),
    away=st.sampled_from([-1, 0]),
    part=st.floats(0, 1, exclude_max=True),
)
def test_a_wall_calendar_and_the_judgement_agree(
    zone: str,
    period: tuple[str, int, tuple[str, ...]],
    year: int,
    month: int,
    due: str,
    away: int,
    part: float,
) -> None:
    """Count months on the wall calendar of the station, without the code under test, around each last day."""
    mark, years, signs = period
    tested = f"{year:04d}-{month:02d}"
    subject = cylinder(
        stamp(tested, "pass", *signs),
        specification=mark,
        manufactured="1990-01",
        details_alloy="6061-T6" if mark == "DOT-3AL2216" else None,
    )
    due_index = (year + years) * 12 + month - 1
    first_denied = due_index if due == "strict" else due_index + 1
    there = datetime(first_denied // 12, first_denied % 12 + 1, 1, 12, tzinfo=ZoneInfo(zone))
    # Within a day and a half of the first of the month, on one side or the other.
    at = there.astimezone(UTC) + timedelta(days=1.5 * (away + part))
    judged = ask(subject, at, zone, due)
    late = local_month(at, zone) >= first_denied
    assert (judged.code == DUE) == late
    assert (judged.decision == "permit") == (not late)
    if not late:
        until = judged.valid_until
        assert until is not None
        assert local_month(until, zone) == first_denied
        assert local_month(until.astimezone(UTC) - timedelta(seconds=1), zone) == first_denied - 1
        asked_again = question(
            at=until,
            time_zone=zone,
            policy=policy(requalification_due=due),
            cylinder=subject,
            air_sources=(source(sample((at - timedelta(days=1)).date().isoformat())),),
        )
        assert judge(asked_again).code == DUE
        just_before = msgspec.structs.replace(asked_again, at=until.astimezone(UTC) - MICROSECOND)
        assert judge(just_before).decision == "permit"
