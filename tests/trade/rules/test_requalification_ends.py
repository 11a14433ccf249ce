"""Requalification where two things meet at one moment or in one month, and a record where figures meet their bound."""

from datetime import UTC, datetime
from typing import Any

import pytest

from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended
from fill_ledger.trade.judgement import judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.states.cylinders import CylinderState, LastFill
from tests.trade.rules.questions import AT, EVENT_ID, answer, codes, cylinder, member, question, stamp


def filled(filled_at: datetime) -> CylinderState:
    return cylinder(stamp("2021-05"), last_fill=LastFill(event_id=EVENT_ID, filled_at=filled_at))


def test_a_fill_does_not_count_as_the_one_before_itself() -> None:
    """A fill on record is judged at its own moment, when the record holds it already."""
    itself = answer(cylinder=filled(AT)).reasons[0].text
    assert "If charged before 2026-06-01" in itself
    assert "Last filled" in answer(cylinder=filled(datetime(2026, 6, 15, 13, 59, tzinfo=UTC))).reasons[0].text


def test_the_day_before_which_it_was_to_be_charged_is_the_stations() -> None:
    """Kiritimati is fourteen hours ahead of UTC (IANA database): June begins there on 31 May in UTC."""
    overdue = answer(cylinder=cylinder(stamp("2021-05")), time_zone="Pacific/Kiritimati")
    assert "If charged before 2026-06-01" in overdue.reasons[0].text


@pytest.mark.parametrize(
    ("stamps", "told"),
    [
        (((("2025-06", "E"),)), True),
        ((("2023-06", "E"), ("2024-09", "")), False),  # a test came after it
        ((("2024-09", "E"), ("2024-09", "")), False),  # and one in the same month
        ((("2024-09", ""), ("2024-10", "E")), True),
        ((("2024-09", ""), ("2026-06", "E")), True),  # its month has begun
        ((("2024-09", ""), ("2026-07", "E")), False),
    ],
)
def test_an_external_look_is_told_of_while_no_test_came_after_it(stamps: Any, told: bool) -> None:
    """49 CFR 180.213(f)(5), 180.209(g) (2015 edition): E, for listed gases; that air is none of them is from memory."""
    subject = cylinder(manufactured="2022-01")
    subject.requalifications = [stamp(month, "pass", *filter(None, [sign])) for month, sign in stamps]
    assert ("external-visual-only" in codes(answer(cylinder=subject))) == told


def test_what_is_not_filled_for_its_use_is_not_sent_to_the_requalifier() -> None:
    tube = cylinder(stamp("2015-05"), specification="DOT-3T2216", use="scba")
    assert codes(answer(cylinder=tube)) == ["specification-wrong-use"]


@pytest.mark.parametrize(
    ("service_psi", "percent", "fits"),
    [
        ("2929", 1, True),
        ("2930", 1, False),
        ("2958", 2, True),
        ("2959", 2, False),
        ("2900", 0, True),
        ("2901", 0, False),
    ],
)
def test_two_thirds_of_the_test_pressure(service_psi: str, percent: int, fits: bool) -> None:
    """49 CFR 173.302b(b) (2015 edition). 300 bar are 4,351 psi (NIST SP 811), two thirds of that 2,900.67.

    By hand with one in a hundred more: 2,929.67; with two: 2,958.68.
    """
    amended = RuleAmended(figures=(AmendedFigure(figure="pressures_agree_percent", value=percent),), reason="invented")
    judged = answer(
        cylinder=cylinder(stamp("2020-01"), specification="UN ISO 9809-1 PH300BAR", pressure=service_psi),
        rulebook=Rulebook(SPECIFICATIONS, (), (amended,)),
    )
    assert ("service-pressure-above-test" not in codes(judged)) == fits


def test_exactly_two_thirds_and_the_share_that_stamps_differ_by_fits() -> None:
    """331 bar are 4,800 psi (4,800.7 by NIST SP 811, rounded down): two thirds and one in a hundred more are 3,232."""
    for service_psi, fits in (("3232", True), ("3233", False)):
        judged = answer(cylinder=cylinder(specification="UN ISO 9809-1 PH331BAR", pressure=service_psi))
        assert ("service-pressure-above-test" not in codes(judged)) == fits


def test_a_member_may_fill_from_the_moment_of_enrolment() -> None:
    judged = judge(question(member=member(enrolled_at=AT)), explain=True)
    assert judged.code == "ok"
    assert {told.rule: told.facts for told in judged.explanation or ()}["member"]["enrolled"] is True
