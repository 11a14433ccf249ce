"""The end of the service life: counted from manufacture, as marked, and extended.

49 CFR 180.205(c) and 173.301(a)(7) (2015 edition): past its life a cylinder is not refilled, and no test renews it.
49 CFR 180.207(c), a later text read in part: a UN composite goes by the life that is marked on it. PHMSA notice of
24 April 2019 and NIOSH CA-2018-1006-R1 (February 2019): an extension by permit settles neither the respirator's
approval nor OSHA's rule.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from msgspec import structs

from fill_ledger.trade.events.cylinders import LifeExtension
from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.events.rulebook import SpecificationEntry
from fill_ledger.trade.judgement import Judgement, judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from tests.trade.rules.questions import AT, answer, book, codes, cylinder, extended, policy, question, stamp

MICROSECOND = timedelta(microseconds=1)
PERMIT: dict[str, Any] = {"specification": "DOT-SP10915-4500", "pressure": "4500"}  # 15 years from manufacture
# 15 years, and a marked life prevails.
UN: dict[str, Any] = {"specification": "UN ISO 11119-2", "pressure": "310", "unit": "bar"}
STEEL: dict[str, Any] = {"specification": "DOT-3AA2216"}  # no life


def judged(accepted: bool = False, **fields: Any) -> Judgement:
    return answer(cylinder=cylinder(**fields), policy=policy(life_extensions_accepted=accepted))


@pytest.mark.parametrize(
    ("kind", "manufactured", "marked", "code"),
    [
        # Made June 2011: 15 years end with June 2026, and the moment asked about is in June 2026.
        (PERMIT, "2011-06", None, "ok"),
        (PERMIT, "2011-05", None, "service-life-over"),
        # A permit's count and a marked life: the earlier ends it.
        (PERMIT, "2020-01", "2026-05", "service-life-over"),
        (PERMIT, "2011-05", "2041-05", "service-life-over"),
        (PERMIT, "2020-01", "2026-06", "ok"),
        # A marked life prevails on UN composites: 30 years, or 10.
        (UN, "2011-05", "2041-05", "ok"),
        (UN, "2016-05", "2026-05", "service-life-over"),
        (UN, "2011-05", None, "service-life-over"),
        # The month of manufacture is needed only where the life counts from it.
        (UN, None, "2041-05", "ok"),
        (UN, None, None, "manufacture-date-missing"),
        (PERMIT, None, "2041-05", "manufacture-date-missing"),
        (PERMIT, None, "2026-05", "service-life-over"),
        # A marked life ends any cylinder.
        (STEEL, "2020-01", "2026-05", "service-life-over"),
        (STEEL, "1990-01", None, "ok"),
    ],
)
def test_which_life_ends_it(kind: dict[str, Any], manufactured: str | None, marked: str | None, code: str) -> None:
    assert judged(**kind, manufactured=manufactured, details_marked_life_ends=marked).code == code


def test_a_marked_life_is_named_as_such_and_a_full_cylinder_comes_off() -> None:
    reason = judged(**UN, manufactured="2016-05", details_marked_life_ends="2026-05").reasons[0]
    assert reason.text.startswith("Life as marked on the cylinder: it ended 2026-05.")
    assert "even if full" in reason.text
    assert "No test renews it" in reason.text
    assert reason.clears_by is None


def test_an_extension_counts_only_where_policy_accepts_it() -> None:
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2011-05", "life_extensions": [extended("2031-05")]}
    refused = judged(**fields)
    assert codes(refused) == ["service-life-over", "life-extension-not-counted"]
    assert "2026-05" in refused.advice[0].text
    assert "NIOSH CA-2018-1006-R1" in refused.advice[0].source
    accepted = judged(accepted=True, **fields)
    assert accepted.decision == "permit"
    assert accepted.advice[0].code == "life-extension-counted"
    assert "DOT-SP 99998" in accepted.advice[0].text


def test_an_extension_that_does_not_count_is_not_what_the_end_rests_on() -> None:
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2011-05", "life_extensions": [extended("2031-05")]}
    assert judged(**fields).reasons[0].text.startswith("Made 2011-05, life 15 years: it ended 2026-05.")


def test_a_refused_extension_is_told_of_from_its_moment_with_the_reason_before_the_colon() -> None:
    """Invented data: two permits that are refused by the county, told of with the furthest extension first."""
    name = "DOT-SP 99998 of the second revision"
    refused = book(key="SP99998", uses=(), interval_years=None, refusal="has expired: see the notice")
    both = [extended("2031-05", AT, permit=name), extended("2030-05", AT, permit="DOT-SP 99998")]
    subject = cylinder(**PERMIT, manufactured="2012-05", life_extensions=both)
    asked = question(cylinder=subject, rulebook=refused, policy=policy(life_extensions_accepted=True))
    judgement = judge(asked, explain=True)
    assert judgement.advice[0].code == "life-extension-not-counted"
    assert "by DOT-SP 99998 of the second re..., which has expired. It does not count" in judgement.advice[0].text
    facts = {told.rule: told.facts for told in judgement.explanation or ()}["service-life"]
    assert facts["extension_refused"] == f"{name}, DOT-SP 99998"


def test_a_long_name_of_a_permit_is_cut() -> None:
    long = extended("2026-05")
    named = msgspec.structs.replace(
        long, extension=LifeExtension(permit="DOT-SP 99998 of the second revision", through="2026-05")
    )
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2010-05", "life_extensions": [named]}
    text = judged(accepted=True, **fields).reasons[0].text
    assert text.startswith("Life extended by DOT-SP 99998 of the second re...: it ended 2026-05.")


def test_an_extended_life_ends_with_its_month() -> None:
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2011-05", "life_extensions": [extended("2026-06")]}
    ends_at = datetime(2026, 7, 1, 4, tzinfo=UTC)  # midnight in New York
    steady = policy(life_extensions_accepted=True, air_sample_interval_days=3_660)
    permit = answer(cylinder=cylinder(**fields), policy=steady)
    assert permit.valid_until == ends_at
    over = answer(cylinder=cylinder(**fields), policy=steady, at=ends_at)
    assert over.reasons[0].text.startswith("Life extended by DOT-SP 99998: it ended 2026-06.")


def test_an_extension_counts_from_when_it_was_entered_for() -> None:
    later = AT + timedelta(hours=1)
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2011-05", "life_extensions": [extended("2031-05", later)]}
    before = judged(accepted=True, **fields)
    assert codes(before) == ["service-life-over"]
    assert before.valid_until == later
    assert answer(cylinder=cylinder(**fields), policy=policy(life_extensions_accepted=True), at=later).code == "ok"


def test_the_furthest_extension_counts_and_none_shortens_a_life() -> None:
    several = [extended("2031-05"), extended("2027-01")]
    assert "2031-05" in judged(accepted=True, **PERMIT, manufactured="2011-05", life_extensions=several).advice[0].text
    shorter = judged(accepted=True, **PERMIT, manufactured="2020-05", life_extensions=[extended("2027-01")])
    assert (shorter.decision, shorter.advice) == ("permit", ())


def test_an_extension_renews_no_test_and_nothing_that_has_no_life() -> None:
    untested = answer(
        cylinder=cylinder(stamp("2020-01"), **PERMIT, manufactured="2011-05", life_extensions=[extended("2031-05")]),
        policy=policy(life_extensions_accepted=True),
    )
    assert untested.code == "requalification-due"
    assert judged(**STEEL, life_extensions=[extended("2041-05")]).advice == ()


@pytest.mark.parametrize(
    ("permit", "counts"),
    [
        # PHMSA notice, 24 April 2019: 16320 expired on 31 March 2019, and its renewal was denied.
        ("DOT-SP 16320", False),
        ("E16320, rev. 2", False),
        ("16320", False),
        # For the Navy alone (agency page).
        ("DOT-SP 15720", False),
        # Nothing on file, or another number.
        ("DOT-SP 99998", True),
        ("DOT-SP 163201", True),
        ("TC-SU 16320", True),
        ("letter of the authority", True),
        # A permit of a cylinder: how it came to be written there is not for this rule to say.
        ("DOT-SP 10915", True),
    ],
)
def test_an_extension_by_a_refused_permit_does_not_count(permit: str, counts: bool) -> None:
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2011-05"}
    fields["life_extensions"] = [extended("2031-05", permit=permit)]
    found = judged(accepted=True, **fields)
    assert codes(found)[0] == ("look-over" if counts else "service-life-over")
    if not counts:
        (advice,) = found.advice
        assert (advice.code, advice.clears_by) == (
            "life-extension-not-counted",
            "an extension by a permit that is in effect",
        )
        assert "does not count: its life ends 2026-05." in advice.text
        # Where policy accepts none the permit is told all the same: another policy would not help.
        assert judged(**fields).advice == found.advice


def test_why_a_refused_extension_does_not_count_is_told_from_what_is_on_file() -> None:
    refused = [extended("2031-05", permit="DOT-SP 16320"), extended("2036-05", permit="DOT-SP 15720")]
    (advice,) = judged(accepted=True, **PERMIT, manufactured="2011-05", life_extensions=refused).advice
    assert "2036-05 is on record by DOT-SP 15720, which is a life extension for the Navy only." in advice.text
    assert advice.source == "agency page"
    (expired,) = judged(accepted=True, **PERMIT, manufactured="2011-05", life_extensions=refused[:1]).advice
    assert "DOT-SP 16320, which is a life extension that expired in 2019." in expired.text
    assert expired.source == "PHMSA notice, 24 April 2019"


def test_an_extension_that_counts_stands_beside_one_that_does_not() -> None:
    both = [extended("2031-05", permit="DOT-SP 16320"), extended("2029-05")]
    fields: dict[str, Any] = {**PERMIT, "manufactured": "2011-05"}
    permit = judged(accepted=True, **fields, life_extensions=both)
    assert (permit.decision, codes(permit)[3:]) == (
        "permit",
        ["life-extension-counted", "life-extension-not-counted"],
    )
    assert "its life ends 2029-05" in permit.advice[1].text
    # Of one that reaches no further than what counts there is nothing to say, nor of one that has not begun.
    shorter = [extended("2029-05", permit="DOT-SP 16320"), extended("2029-05")]
    assert codes(judged(accepted=True, **fields, life_extensions=shorter))[3:] == ["life-extension-counted"]
    later = [extended("2031-05", AT + timedelta(hours=1), permit="DOT-SP 16320")]
    assert codes(judged(accepted=True, **fields, life_extensions=later)) == ["service-life-over"]
    # Past the one that counts, only what does not count is told.
    over = judged(accepted=True, **fields, life_extensions=[both[0], extended("2026-05")])
    assert codes(over) == ["service-life-over", "life-extension-not-counted"]
    assert judged(accepted=True, **STEEL, life_extensions=both).advice == ()


def test_a_permit_that_is_refused_from_a_day_on_extends_until_then() -> None:
    """The county enters that a permit has expired; whatever was filled before was filled under it."""
    refused = book(key="SP99998", uses=(), refusal="has expired", effective_from="2026-06-20")
    fields: dict[str, Any] = {
        "cylinder": cylinder(**PERMIT, manufactured="2011-05", life_extensions=[extended("2031-05")]),
        "policy": policy(life_extensions_accepted=True),
        "rulebook": refused,
    }
    first_day = datetime(2026, 6, 20, 4, tzinfo=UTC)  # midnight in New York
    permit = answer(**fields)
    assert (permit.decision, permit.valid_until) == ("permit", first_day)
    assert codes(answer(**fields, at=first_day)) == ["service-life-over", "life-extension-not-counted"]
    # An entry that allows fills again makes the extension count again.
    both = Rulebook(
        (
            *SPECIFICATIONS,
            SpecificationEntry(key="SP99998", uses=(), source="county", confidence="read"),
            SpecificationEntry(key="SP99998", interval_years=5, source="county", confidence="read"),
        ),
        (),
    )
    assert answer(**fields | {"rulebook": both}).decision == "permit"
    ended = book(key="SP99998", uses=(), effective_until="2026-06-20")
    assert answer(**fields | {"rulebook": ended}).valid_until == first_day


def test_nobody_is_told_to_condemn_by_years_that_are_not_verified() -> None:
    """Condemning cannot be undone (49 CFR 180.205(i)), and the 15 years of 14232 are from memory."""
    unverified: dict[str, Any] = {"specification": "DOT-SP14232-4500", "pressure": "4500", "manufactured": "2011-05"}
    by_years = judged(**unverified).reasons[0]
    assert by_years.code == "service-life-over"
    assert "not verified, with its label before it is condemned" in by_years.text
    for known in (
        judged(**unverified, details_marked_life_ends="2026-05"),
        judged(accepted=True, **unverified, life_extensions=[extended("2026-05")], details_marked_life_ends="2025-05"),
        judged(**PERMIT, manufactured="2011-05"),
    ):
        assert known.reasons[0].text.endswith("have it condemned once empty.")


def test_a_cylinder_nobody_registered_tells_its_marked_life() -> None:
    """A neighbour's UN composite of 2011 marked for 30 years must not be turned away as 15 years old."""
    marks = AsMarked(
        serial="XY9",
        specification="UN ISO 11119-2 PW310BAR",
        manufactured="2011-03",
        last_requalified="2024-03",
        marked_life_ends="2041-03",
    )

    def of(as_marked: AsMarked) -> Judgement:
        return answer(cylinder=None, subject_problem="unknown", as_marked=as_marked)

    assert of(marks).decision == "permit"
    assert of(structs.replace(marks, marked_life_ends="2026-05")).code == "service-life-over"
    assert of(structs.replace(marks, marked_life_ends=None)).code == "service-life-over"
    unread = of(structs.replace(marks, marked_life_ends="2041"))
    assert unread.code == "marks-missing"
    assert "month in which its marked life ends" in unread.reasons[0].text
