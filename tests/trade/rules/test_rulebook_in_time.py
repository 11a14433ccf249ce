"""Dated entries and amendments in the judgement: each holds on its own days, and `valid_until` heeds them."""

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from fill_ledger.trade import judgement
from fill_ledger.trade.events.rulebook import AmendedFigure, AmendedSource, RuleAmended, SpecificationEntry
from fill_ledger.trade.judgement import judge
from fill_ledger.trade.months import add_months
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.rules import handling
from tests.trade.rules.histories import ZONES
from tests.trade.rules.questions import AT, ZONE, answer, codes, cylinder, policy, question, sample, source, stamp
from tests.trade.test_judgement_valid_until import PARTS, THOROUGH, asked_at, check

# The policy's interval is long, so that the air ends no answer before what is looked at here does.
PATIENT = policy(air_sample_interval_days=3650)
NEW_YORK = ZoneInfo(ZONE)
# Sampled on 1 June 2026, and 3,650 days later.
AIR_IS_GOOD_UNTIL = datetime(2036, 5, 30, tzinfo=NEW_YORK)


def grace(months: int, effective_from: str | None = None, effective_until: str | None = None) -> RuleAmended:
    return RuleAmended(
        figures=(AmendedFigure(figure="requalification_grace_months", value=months),),
        reason="notice of relief",
        effective_from=effective_from,
        effective_until=effective_until,
    )


def book(*amendments: RuleAmended, entries: tuple[SpecificationEntry, ...] = ()) -> Rulebook:
    return Rulebook((*SPECIFICATIONS, *entries), (), amendments)


def overdue(months: int, rulebook: Rulebook, **fields: Any) -> Any:
    """Ask in June 2026 about a 3AA cylinder (every five years) that has been due for so many months."""
    tested = add_months("2021-06", -months)
    given_fields: dict[str, Any] = {"policy": PATIENT, "rulebook": rulebook, **fields}
    return question(cylinder=cylinder(stamp(tested), manufactured="2001-01"), **given_fields)


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=NEW_YORK)


def test_without_relief_a_cylinder_overdue_by_five_months_is_denied() -> None:
    judged = judge(overdue(5, book()))
    assert (judged.code, judged.valid_until) == ("requalification-due", AIR_IS_GOOD_UNTIL)


def test_relief_for_a_period_ends_with_the_period() -> None:
    """As in 2020: up to twelve months overdue, for some months (PHMSA notice, secondary source)."""
    asked = overdue(5, book(grace(12, "2026-03-01", "2026-10-01")))
    judged = check(asked, [0.1, 0.5, 0.9])
    assert (judged.code, judged.valid_until) == ("ok", local("2026-10-01"))
    assert asked_at(asked, local("2026-10-01")).code == "requalification-due"
    early = asked_at(asked, local("2026-02-10"))
    assert (early.code, early.valid_until) == ("requalification-due", local("2026-03-01"))


def test_relief_ends_for_each_cylinder_with_its_own_months() -> None:
    # Due through January 2026; twelve months more are January 2027.
    open_ended = overdue(5, book(grace(12)))
    assert judge(open_ended).valid_until == local("2027-02-01")
    strict = policy(air_sample_interval_days=3650, requalification_due="strict")
    assert judge(overdue(5, book(grace(12)), policy=strict)).valid_until == local("2027-01-01")
    # June 2025 and twelve months: the last month is this one. A month more is too much.
    assert judge(overdue(12, book(grace(12)))).valid_until == local("2026-07-01")
    assert judge(overdue(13, book(grace(12)))).code == "requalification-due"


def test_the_days_of_an_amendment_begin_in_the_calendar_of_the_station() -> None:
    for zone, at, code in (
        ("Pacific/Kiritimati", "2026-09-30T10:00:00+00:00", "requalification-due"),  # fourteen hours ahead of UTC
        ("Pacific/Kiritimati", "2026-09-30T09:59:59+00:00", "ok"),
        ("America/New_York", "2026-10-01T03:59:59+00:00", "ok"),
        ("America/New_York", "2026-10-01T04:00:00+00:00", "requalification-due"),
    ):
        moment = datetime.fromisoformat(at)
        fresh = (source(sample("2026-09-01")),)
        asked = overdue(5, book(grace(12, None, "2026-10-01")), time_zone=zone, at=moment, air_sources=fresh)
        assert judge(asked).code == code, (zone, at)


def test_of_two_amendments_the_one_entered_last_holds_while_it_is_in_effect() -> None:
    both = book(grace(12), grace(0, "2026-06-20", "2026-06-25"))
    asked = overdue(5, both)
    assert judge(asked).valid_until == local("2026-06-20")
    assert asked_at(asked, local("2026-06-22")).code == "requalification-due"
    assert asked_at(asked, local("2026-06-25")).code == "ok"


def test_a_source_is_quoted_as_it_holds_and_changes_no_answer() -> None:
    amended = RuleAmended(
        sources=(AmendedSource(code="requalification-due", source="49 CFR 180.205(c), as of July"),),
        reason="edition",
        effective_from="2026-07-01",
    )
    asked = overdue(5, book(amended))
    assert judge(asked).valid_until == AIR_IS_GOOD_UNTIL
    assert "2015 edition" in judge(asked).reasons[0].source
    assert asked_at(asked, local("2026-07-01")).reasons[0].source == "49 CFR 180.205(c), as of July"
    ended = overdue(5, book(structs.replace(amended, effective_from=None, effective_until="2026-06-15")))
    assert "2015 edition" in judge(ended).reasons[0].source


def test_what_is_not_in_effect_yet_says_from_when() -> None:
    permit = SpecificationEntry(
        key="SP99998", interval_years=5, source="permit", confidence="read", effective_from="2026-09-01"
    )
    asked = question(
        cylinder=cylinder(specification="DOT-SP99998-2216"), policy=PATIENT, rulebook=book(entries=(permit,))
    )
    judged = check(asked, [0.5])
    assert (judged.code, judged.valid_until) == ("specification-not-fillable", local("2026-09-01"))
    assert judged.reasons[0].clears_at == local("2026-09-01")
    assert "2026-09-01" in judged.reasons[0].text
    ended = structs.replace(permit, effective_from=None, effective_until="2026-01-01")
    asked = question(cylinder=cylinder(specification="DOT-SP99998-2216"), rulebook=book(entries=(ended,)))
    assert (judge(asked).code, judge(asked).reasons[0].clears_at) == ("specification-not-fillable", None)


def test_the_text_about_an_unknown_permit_is_never_cut() -> None:
    for mark in ("DOT-SP12345-4500", "DOT-E 9999 4500", "TC-SU 49570-310", "CTC-SP 12345-4500 PSI"):
        judged = answer(cylinder=cylinder(specification=mark))
        (reason,) = [reason for reason in judged.reasons if reason.code == "permit-unknown"]
        assert "service life, whether it allows a plus, and its revision." in reason.text
        assert "POST /v1/specifications" in str(reason.clears_by)
        assert not reason.text.endswith("..."), len(reason.text)


def test_a_rule_is_asked_on_its_own_days_only(monkeypatch: pytest.MonkeyPatch) -> None:
    dated = structs.replace(handling.RULE, effective_from=date(2026, 6, 10), effective_until=date(2026, 6, 20))
    monkeypatch.setattr(judgement, "RULES", (*(rule for rule in judgement.RULES if rule is not handling.RULE), dated))
    asked = question(policy=PATIENT)
    judged = judge(asked, explain=True)
    assert "look-over" in codes(judged)
    assert judged.valid_until == local("2026-06-20")
    after = judge(structs.replace(asked, at=local("2026-06-20")), explain=True)
    assert "look-over" not in codes(after)
    assert after.explanation is not None
    assert [known.outcome for known in after.explanation if known.rule == handling.RULE.name] == ["not in effect"]
    before = asked_at(asked, local("2026-06-09"))
    assert ("look-over" in codes(before), before.valid_until) == (False, local("2026-06-10"))


days = st.none() | st.dates(date(2026, 1, 1), date(2031, 12, 31)).map(date.isoformat)
entries = st.builds(
    SpecificationEntry,
    key=st.just("3AA"),
    uses=st.sampled_from([(), ("scba",), ("scba", "storage"), ("storage",)]),
    interval_years=st.integers(1, 12),
    star_interval_years=st.none() | st.integers(5, 15),
    life_years=st.none() | st.integers(1, 30),
    plus_allowed=st.booleans(),
    source=st.just("county"),
    confidence=st.sampled_from(["read", "medium", "low"]),
    effective_from=days,
    effective_until=days,
)
amendments = st.builds(grace, st.integers(0, 24), days, days)


@THOROUGH
@given(
    tested=st.integers(0, 90),
    made_years_ago=st.integers(1, 30),
    entered=st.lists(entries, max_size=3),
    amended=st.lists(amendments, max_size=3),
    zone=st.sampled_from(ZONES),
    due=st.sampled_from(["lenient", "strict"]),
    parts=PARTS,
)
def test_any_rulebook(
    tested: int,
    made_years_ago: int,
    entered: list[SpecificationEntry],
    amended: list[RuleAmended],
    zone: str,
    due: str,
    parts: list[float],
) -> None:
    """`valid_until` is exact for whatever a county enters, dates in no order included."""
    month = f"{AT.year}-{AT.month:02d}"
    asked = question(
        time_zone=zone,
        policy=policy(air_sample_interval_days=3650, requalification_due=due),
        cylinder=cylinder(
            stamp(add_months(month, -tested - 1), "pass", "star", "+"), manufactured=f"{AT.year - made_years_ago}-01"
        ),
        rulebook=book(*amended, entries=tuple(entered)),
        at=AT.astimezone(UTC) + timedelta(days=tested),
    )
    check(asked, parts)
