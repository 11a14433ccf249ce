"""The judgement always comes to an answer, whatever the folds make of the facts, and explains itself."""

from datetime import UTC, datetime, timedelta, timezone

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings

from fill_ledger.trade.judgement import RULES, Question, RuleAnswer, judge, rules_version
from fill_ledger.trade.rulebook import SHIPPED
from tests.trade.rules.histories import questions
from tests.trade.rules.questions import AT, POSITION_ID, codes, cylinder, position, question, stamp


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(asked=questions())
def test_every_question_gets_an_answer_that_holds_together(asked: Question) -> None:
    judged = judge(asked, explain=True)
    assert (judged.decision == "permit") == (judged.reasons == ())
    assert (judged.decision == "permit") == (judged.fill_limit_psi is not None)
    assert judged.code == ("ok" if judged.decision == "permit" else judged.reasons[0].code)
    assert {reason.effect for reason in judged.reasons} <= {"deny"}
    assert {reason.effect for reason in judged.obligations} <= {"obligation"}
    assert {reason.effect for reason in judged.advice} <= {"advice"}
    if judged.decision == "permit":
        assert judged.obligations[0].code in {"look-over", "read-marks-twice", "owner-consent"}
        assert "look-over" in codes(judged)
        assert judged.fill_limit_psi is not None
        assert 40 <= judged.fill_limit_psi <= 11_000
    else:
        assert judged.obligations == ()
    for reason in (*judged.reasons, *judged.obligations, *judged.advice):
        assert 0 < len(reason.text) <= 200
        assert 0 < len(reason.display_text) <= 80
        assert reason.display_text.isascii()
        assert reason.display_text.isprintable()
    assert len(judged.display_text) <= 80
    assert judged.rules_version == rules_version(SHIPPED)
    msgspec.json.encode(judged)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(asked=questions())
def test_judging_changes_nothing_and_repeats(asked: Question) -> None:
    before = msgspec.json.encode(asked, enc_hook=lambda rulebook: rulebook.digest)
    assert judge(asked) == judge(asked)
    assert msgspec.json.encode(asked, enc_hook=lambda rulebook: rulebook.digest) == before


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(asked=questions())
def test_the_answer_does_not_depend_on_how_the_moment_is_written(asked: Question) -> None:
    elsewhere = msgspec.structs.replace(asked, at=asked.at.astimezone(timezone(timedelta(hours=-9, minutes=-30))))
    assert judge(elsewhere) == judge(asked)


def test_a_moment_without_a_time_zone_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match=r"^the moment asked about has no time zone$"):
        judge(question(at=AT.replace(tzinfo=None)))


@pytest.mark.parametrize(
    "at",
    [
        datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14))),
        datetime(9999, 12, 31, 23, 59, 59, tzinfo=timezone(timedelta(hours=-12))),
        datetime(1900, 12, 31, 23, 59, 59, tzinfo=UTC),
        datetime(2200, 1, 1, tzinfo=UTC),
    ],
)
def test_moments_beyond_the_calendar_are_denied(at: datetime) -> None:
    judged = judge(question(at=at))
    assert judged.code == "moment-out-of-range"
    assert judged.rules_version == rules_version(SHIPPED)
    # Before the calendar begins, that it does changes the answer; after its end nothing does.
    assert judged.valid_until == (datetime(1901, 1, 1, tzinfo=UTC) if at.year < 2000 else None)


@pytest.mark.parametrize("at", [datetime(1901, 1, 1, tzinfo=UTC), datetime(2199, 12, 31, 23, 59, tzinfo=UTC)])
def test_moments_at_the_edge_of_the_calendar_are_judged(at: datetime) -> None:
    assert "moment-out-of-range" not in codes(judge(question(at=at)))


@pytest.mark.parametrize("name", ["", "America", "../../etc/passwd", "\x00", "EST5EDT7", "x" * 64, "Mars/Phobos"])
def test_names_that_are_no_time_zone_are_denied(name: str) -> None:
    assert judge(question(time_zone=name)).code == "time-zone-unknown"


def test_every_rule_says_what_it_saw() -> None:
    judged = judge(question(cylinder=cylinder(stamp("2021-05"))), explain=True)
    assert judged.explanation is not None
    assert [answer.rule for answer in judged.explanation] == [rule.name for rule in RULES]
    seen = {answer.rule: answer for answer in judged.explanation}
    assert seen["requalification"].outcome == "denies"
    assert seen["requalification"].codes == ("requalification-due",)
    assert (
        seen["requalification"].facts.items()
        >= {
            "last_passed_test": "2021-05",
            "counted_from": "2021-05",
            "interval_years": 5,
            "due_month": "2026-05",
            "policy": "lenient",
            "filling_stops_at": "2026-06-01T00:00:00-04:00",
        }.items()
    )
    assert seen["standing"].outcome == "nothing to say"
    assert seen["handling"].outcome == "obliges"
    assert seen["air"].facts["source_1_latest_sample"] == "2026-06-01"


def test_a_permit_explains_its_limit() -> None:
    judged = judge(
        question(
            cylinder=cylinder(stamp("2024-09", "pass", "+"), specification="DOT-3AA2015", pressure="2015"),
            station=position(3000, 5000),
            fill_position_id=POSITION_ID,
        ),
        explain=True,
    )
    assert judged.explanation is not None
    seen = {answer.rule: answer.facts for answer in judged.explanation}
    assert (
        seen["fill-limit"].items()
        >= {
            "service_pressure_psi": 2015,
            "plus_counts": True,
            "reference_temperature_f": 70,
            "own_limit_psi": 2216,
            "policy_cap_psi": None,
            "regulator_psi": 3000,
            "hose_rating_psi": 5000,
            "fill_limit_psi": 2216,
        }.items()
    )
    life = {"manufactured": "2010-01", "life_years": None, "filling_stops_at": None}
    assert seen["service-life"].items() >= life.items()
    here = {"station": "ST1", "closed": False, "fill_position": "Position 1"}
    assert seen["station"].items() >= here.items()


def test_a_rule_is_not_asked_before_it_took_effect() -> None:
    """Alloy 6351-T6: 49 CFR 180.205(f)(4), from 1 January 2007."""
    asked = question(at=datetime(2006, 12, 31, 12, tzinfo=UTC))
    judged = judge(asked, explain=True)
    assert judged.explanation is not None
    answers = {answer.rule: answer for answer in judged.explanation}
    assert answers["sustained-load-cracking"] == RuleAnswer(
        rule="sustained-load-cracking", outcome="not in effect", codes=(), facts={}, figures={}
    )
    later = judge(msgspec.structs.replace(asked, at=datetime(2007, 1, 1, 12, tzinfo=UTC)), explain=True)
    assert later.explanation is not None
    assert {answer.rule: answer.outcome for answer in later.explanation}["sustained-load-cracking"] != "not in effect"
