"""The cylinder's standing, record, owner and marks, beyond what one wrong thing shows."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from fill_ledger.trade.events.cylinders import RequalificationStamp
from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.judgement import service_pressure_psi
from fill_ledger.trade.rules.case import Case, has_mark
from fill_ledger.trade.rules.reasons import ReasonKind, plain
from fill_ledger.trade.states.cylinders import CylinderState, Requalification
from tests.trade.rules.questions import (
    AT,
    AT_EVERY_FILL,
    DEPARTMENT_ID,
    EVENT_ID,
    NEIGHBOUR_ID,
    answer,
    authorisation,
    book,
    codes,
    cylinder,
    hold,
    inspection,
    member,
    period,
    policy,
    question,
    stamp,
    station,
)

HOUR = timedelta(hours=1)
MARKS = AsMarked(
    serial="XY9",
    specification="DOT-SP10915-4500",
    service_pressure_value="4500",
    service_pressure_unit="psi",
    manufactured="2019-03",
    last_requalified="2024-03",
)


@pytest.mark.parametrize("field", ["condemned_at", "retired_at", "transferred_at"])
def test_a_verdict_counts_from_its_moment(field: str) -> None:
    code = field.removesuffix("_at")
    now: dict[str, Any] = {field: AT}
    in_an_hour: dict[str, Any] = {field: AT + HOUR}
    assert answer(cylinder=cylinder(**now)).code == code
    later = answer(cylinder=cylinder(**in_an_hour))
    assert later.code == "ok"
    assert later.valid_until == AT + HOUR


def test_several_holds_are_each_a_reason() -> None:
    held = cylinder(holds=[hold("recall"), hold("damage"), hold("air", ends_at=AT)])
    judged = answer(cylinder=held)
    assert [reason.code for reason in judged.reasons] == ["on-hold", "on-hold"]
    assert "recall" in judged.reasons[0].display_text
    assert "damage" in judged.reasons[1].display_text


def test_a_hold_says_what_clears_it() -> None:
    one = hold("damage")
    one.clears_by = "inspection by a technician"
    reason = answer(cylinder=cylinder(holds=[one])).reasons[0]
    assert reason.clears_by == "inspection by a technician"
    assert answer(cylinder=cylinder(holds=[hold()])).reasons[0].clears_by == "release of the hold"


def test_a_condemned_cylinder_is_not_sent_to_the_requalifier() -> None:
    assert codes(answer(cylinder=cylinder(stamp("2019-01"), condemned_at=AT))) == ["condemned"]
    assert codes(answer(cylinder=cylinder(stamp("2019-01"), stamp("2020-01", "rejected")))) == [
        "requalification-rejected"
    ]


def test_the_worse_result_of_a_month_stands() -> None:
    """49 CFR 180.213(d): a stamp has no day, so two results of one month have no order."""
    assert answer(cylinder=cylinder(stamp("2025-03"), stamp("2025-03", "rejected"))).code == "requalification-rejected"


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"pressure": "45000", "specification": "DOT-3AA"}, "service-pressure-wrong"),
        ({"pressure": "39", "specification": "DOT-3AA"}, "service-pressure-wrong"),
        ({"pressure": "2216", "unit": "bar", "specification": "DOT-3AA"}, "service-pressure-wrong"),
        ({"pressure": "0", "specification": "DOT-3AA"}, "service-pressure-wrong"),
        ({"pressure": "2216.12345", "specification": "DOT-3AA"}, "service-pressure-wrong"),
        ({"pressure": "002216", "specification": "DOT-3AA"}, "ok"),
        ({"pressure": "X2216", "specification": "DOT-3AA"}, "service-pressure-wrong"),
        ({"pressure": "2216.5", "specification": "DOT-3AA"}, "ok"),
        ({"manufactured": "2026-07"}, "manufacture-date-wrong"),
        ({"manufactured": "2024-13"}, "manufacture-date-wrong"),
        ({"manufactured": "2024-10"}, "requalification-date-wrong"),
        ({"manufactured": "2024-09"}, "ok"),
    ],
)
def test_nonsense_is_named(fields: dict[str, Any], code: str) -> None:
    assert answer(cylinder=cylinder(**fields)).code == code


def test_a_test_reported_before_its_month_is_named() -> None:
    def reported(month: str, at: datetime) -> CylinderState:
        known = Requalification(
            event_id=EVENT_ID, reported_at=at, stamp=RequalificationStamp(month=month, outcome="pass")
        )
        return cylinder(stamp("2024-09"), known)

    assert answer(cylinder=reported("2026-08", AT)).code == "requalification-date-wrong"
    # One day's tolerance: the requalifier's calendar may be ahead of the station's.
    assert answer(cylinder=reported("2026-06", datetime(2026, 5, 31, 14, tzinfo=UTC))).code == "ok"
    assert answer(cylinder=reported("20260-8", AT)).code == "requalification-date-wrong"


def test_a_lower_pressure_of_the_mark_holds() -> None:
    judged = answer(cylinder=cylinder(specification="DOT-3AA2015", pressure="2216"))
    assert judged.fill_limit_psi == 2015
    assert "service-pressure-disagrees" in codes(judged)
    # 310 bar and 4500 psi are the same stamp, rounded.
    same = answer(
        cylinder=cylinder(specification="DOT-SP10915-4500", pressure="310", unit="bar", manufactured="2019-01")
    )
    assert same.fill_limit_psi == 4496
    assert "service-pressure-disagrees" not in codes(same)


@pytest.mark.parametrize(
    ("owner", "shares", "consent", "required", "found"),
    [
        (DEPARTMENT_ID, False, None, True, []),
        (DEPARTMENT_ID, False, False, True, []),
        (None, False, None, True, []),
        (NEIGHBOUR_ID, False, True, True, ["not-shared"]),
        (NEIGHBOUR_ID, True, True, True, []),
        (NEIGHBOUR_ID, True, None, True, ["owner-consent"]),
        (NEIGHBOUR_ID, True, None, False, []),
        (NEIGHBOUR_ID, True, False, False, ["owner-consent-refused"]),
    ],
)
def test_owner_and_consent(owner: Any, shares: bool, consent: Any, required: bool, found: list[str]) -> None:
    """49 CFR 173.301(e) (2015 edition): filled by the owner or with the owner's consent."""
    judged = answer(
        owner_department_id=owner,
        owner_shares=shares,
        owner_consent=consent,
        policy=policy(owner_consent_required=required),
    )
    assert [code for code in codes(judged) if code not in AT_EVERY_FILL] == found


def test_the_ledger_of_the_state_names_the_owner_where_the_question_does_not() -> None:
    elsewhere = cylinder()
    elsewhere.department_id = NEIGHBOUR_ID
    assert answer(cylinder=elsewhere, owner_department_id=None).code == "not-shared"


def test_a_cylinder_only_ever_filled_is_not_registered() -> None:
    nameless = cylinder()
    nameless.details = None
    assert codes(answer(cylinder=nameless)) == ["cylinder-unknown"]


def test_a_cylinder_nobody_registered_is_judged_by_its_marks() -> None:
    judged = answer(cylinder=None, subject_problem="unknown", as_marked=MARKS)
    assert judged.decision == "permit"
    assert judged.fill_limit_psi == 4500
    assert codes(judged) == ["read-marks-twice", "owner-consent", *AT_EVERY_FILL]
    assert judged.display_text == "Fill to 4500 psi. Two persons read its marks. Look it over first."


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"last_requalified": "2021-05"}, "requalification-due"),
        ({"manufactured": "2011-05", "last_requalified": "2024-03"}, "service-life-over"),
        ({"manufactured": None}, "manufacture-date-missing"),
        ({"last_requalified": "2026-08"}, "requalification-date-wrong"),
        ({"last_requalified": "2019-02"}, "requalification-date-wrong"),
        ({"specification": "DOT-SP12345"}, "permit-unknown"),
        ({"specification": "gibberish"}, "specification-unreadable"),
        ({"service_pressure_value": "45000"}, "service-pressure-wrong"),
        ({"last_requalified": "5/2021"}, "marks-missing"),
        ({"manufactured": "2019"}, "marks-missing"),
        ({"serial": " "}, "marks-missing"),
        ({"specification": None}, "marks-missing"),
        ({"service_pressure_unit": None}, "marks-missing"),
        ({"manufactured": None, "last_requalified": None}, "marks-missing"),
    ],
)
def test_marks_go_through_the_same_rules(changes: dict[str, Any], code: str) -> None:
    marks = msgspec.structs.replace(MARKS, **changes)
    assert answer(cylinder=None, subject_problem="unknown", as_marked=marks).code == code


def test_the_service_pressure_may_stand_in_the_mark_alone() -> None:
    marks = msgspec.structs.replace(MARKS, service_pressure_value=None, service_pressure_unit=None)
    assert answer(cylinder=None, as_marked=marks).fill_limit_psi == 4500


def test_missing_marks_are_named() -> None:
    reason = answer(cylinder=None, as_marked=AsMarked(serial="XY9", manufactured="2019-03")).reasons[0]
    assert reason.text == "Key in from the cylinder: specification, service pressure with unit."
    assert reason.display_text == "Do not fill. Key in the specification and 1 more."


def test_marks_of_a_scuba_cylinder_go_through_the_rules_of_scuba() -> None:
    """What no mark tells is taken as SCBA; whoever says SCUBA gets what policy and practice have for that."""
    marks = AsMarked(serial="XY9", specification="DOT-3AL3000", manufactured="2019-03", last_requalified="2024-03")
    scuba = msgspec.structs.replace(marks, use="scuba")
    taken_as_scba = answer(cylinder=None, as_marked=marks)
    assert "judged as SCBA" in taken_as_scba.obligations[0].text
    permit = answer(cylinder=None, as_marked=scuba)
    assert (permit.decision, [each.code for each in permit.advice]) == ("permit", ["visual-inspection-due"])
    assert "judged as SCUBA" in permit.obligations[0].text
    for terms, code in (
        ({"scuba_fills_allowed": False}, "scuba-not-filled-here"),
        ({"scuba_visual_required": True}, "visual-inspection-overdue"),
    ):
        assert answer(cylinder=None, as_marked=scuba, policy=policy(**terms)).code == code
        assert answer(cylinder=None, as_marked=marks, policy=policy(**terms)).decision == "permit"
    only_scba = member(authorisation("scba"))
    assert answer(cylinder=None, as_marked=scuba, member=only_scba).code == "member-not-authorised"
    under_water = msgspec.structs.replace(MARKS, use="scuba")
    assert answer(cylinder=None, as_marked=under_water).code == "specification-wrong-use"
    tube = AsMarked(serial="XY9", specification="DOT-3AAX2400", last_requalified="2024-03", use="storage")
    assert answer(cylinder=None, as_marked=tube).fill_limit_psi == 2400


def test_an_ambiguous_subject_is_not_judged_by_marks() -> None:
    overdue = msgspec.structs.replace(MARKS, last_requalified="2021-05")
    for marks in (MARKS, overdue):
        judged = answer(cylinder=None, subject_problem="ambiguous", as_marked=marks)
        assert codes(judged) == ["cylinder-ambiguous"]


def test_what_a_case_is_before_anything_is_known_of_it() -> None:
    """A mark that cannot be read is no aluminium; and a moment is compared in UTC, however it was written."""
    for unknown in (cylinder(specification="blue one"), None):
        case = Case(question(cylinder=unknown, at=AT.astimezone(ZoneInfo("America/New_York"))))
        assert case.alloy_6351 is False
        assert case.at == AT
        assert case.at.tzinfo is UTC


def test_a_registered_cylinder_is_judged_by_its_record_whatever_was_keyed_in() -> None:
    assert answer(as_marked=MARKS).fill_limit_psi == 2216


def test_inspections() -> None:
    failed = [inspection("visual_internal", "fail", AT - HOUR)]
    assert answer(cylinder=cylinder(inspections=failed)).code == "inspection-failed"
    not_yet = [inspection("visual_internal", "fail", AT + HOUR)]
    assert answer(cylinder=cylinder(inspections=not_yet)).code == "ok"


@pytest.mark.parametrize(
    ("inspected_at", "due"),
    [(datetime(2025, 6, 1, 12, tzinfo=UTC), False), (datetime(2025, 5, 31, 12, tzinfo=UTC), True)],
)
def test_the_yearly_look_inside_scuba_is_advice(inspected_at: datetime, due: bool) -> None:
    """CGA P-5 as cited (secondary): every 12 months; counted in months by common practice."""
    diver = cylinder(use="scuba", inspections=[inspection("visual_internal", "pass", inspected_at)])
    judged = answer(cylinder=diver)
    assert judged.decision == "permit"
    assert ("visual-inspection-due" in codes(judged)) == due


def test_a_closed_station_opens_again() -> None:
    assert answer(station=station(closures=[period(AT - HOUR, AT)])).code == "ok"
    assert answer(station=station(registered_at=None)).code == "station-unknown"


def test_use_must_fit_the_member() -> None:
    judged = answer(cylinder=cylinder(use="storage"), member=member(authorisation("scba")))
    assert judged.code == "member-not-authorised"
    assert "storage" in judged.display_text


@pytest.mark.parametrize(
    ("marks", "wanted", "found"),
    [
        (("+",), "+", True),
        ((" PLUS ",), "+", True),
        (("★",), "star", True),
        (("STAR", "+"), "star", True),
        (("ve",), "VE", True),
        (("UE",), "VE", False),
        (None, "+", False),
        ((), "+", False),
    ],
)
def test_marks_are_read_as_people_key_them(marks: tuple[str, ...] | None, wanted: str, found: bool) -> None:
    assert has_mark(RequalificationStamp(month="2024-09", outcome="pass", marks=marks), wanted) is found


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Bank A", "Bank A"),
        ("Bänk\tÄ\n", "Bank A"),
        ("x" * 25, "x" * 21 + "..."),
        ("日本", "??"),
        ("", ""),
    ],
)
def test_values_are_made_plain_for_a_display(text: str, shown: str) -> None:
    assert plain(text) == shown


def test_words_that_are_too_long_are_cut() -> None:
    kind = ReasonKind(code="invented", effect="advice", title="Invented", source="invented")
    assert kind.reason("x" * 200, "y" * 80).text == "x" * 200
    assert kind.reason("x" * 201, "y").text == "x" * 197 + "..."
    assert kind.reason("x", "y" * 81).display_text == "y" * 77 + "..."


@pytest.mark.parametrize(
    ("pressure", "unit", "doubtful"), [("450", "psi", True), ("451", "psi", False), ("300", "bar", False)]
)
def test_a_pressure_in_psi_that_looks_like_one_in_bar_is_doubted(pressure: str, unit: str, doubtful: bool) -> None:
    """Common practice, no source: what is stamped in bar on breathing-air cylinders is 200 to 450."""
    judged = answer(cylinder=cylinder(specification="DOT-3AA", pressure=pressure, unit=unit))
    assert ("service-pressure-doubtful" in codes(judged)) == doubtful


def test_service_pressure_for_the_summary() -> None:
    details = cylinder(pressure="310", unit="bar").details
    assert details is not None
    assert service_pressure_psi(details) == 4496
    wrong = cylinder(pressure="45000").details
    assert wrong is not None
    assert service_pressure_psi(wrong) is None


def test_a_wrapped_cylinder_is_not_filled_for_use_under_water_and_says_how_that_is_known() -> None:
    """From memory: permits of fibre-wrapped cylinders exclude use under water. The permit's own text prevails."""
    diving = cylinder(specification="DOT-SP10915-4500", pressure="4500", manufactured="2019-01", use="scuba")
    judged = answer(cylinder=diving)
    assert judged.code == "specification-wrong-use"
    assert "not for use under water: from memory" in judged.reasons[0].source
    assert "enter what it says" in judged.reasons[0].text
    entered = book(key="SP10915", interval_years=5, life_years=15)
    assert answer(cylinder=diving, rulebook=entered).code == "ok"
    tube = answer(cylinder=cylinder(specification="DOT-3T2216", use="scba"))
    assert "enter what it says" not in tube.reasons[0].text
