"""Every code of the catalogue can be given, reads plainly on a small display, and says what clears it.

One question for each code, so that a new code without a question fails here.
"""

import re
import uuid
from datetime import UTC, datetime

import pytest

from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.judgement import Question, Reason, judge, rules_catalogue
from tests.trade.rules.questions import (
    AT,
    AT_EVERY_FILL,
    NEIGHBOUR_ID,
    OTHER_SOURCE_ID,
    POSITION_ID,
    WITHIN_NFPA,
    alarm,
    authorisation,
    book,
    codes,
    cylinder,
    extended,
    filter_change,
    hold,
    inspection,
    member,
    period,
    policy,
    position,
    question,
    sample,
    source,
    stamp,
    station,
)

NO_ID = uuid.UUID(int=999)
COMPOSITE = {"specification": "DOT-SP10915-4500", "pressure": "4500"}
MARKS = AsMarked(
    serial="XY9",
    specification="DOT-SP10915-4500",
    service_pressure_value="4500",
    service_pressure_unit="psi",
    manufactured="2019-03",
    last_requalified="2024-03",
)
BREATHING_3AL = {"specification": "DOT-3AL2216"}
# Late in the evening in New York, and already the 15th in UTC: a day is told as the station's calendar shows it.
YESTERDAY = datetime(2026, 6, 15, 2, tzinfo=UTC)

QUESTIONS: dict[str, Question] = {
    "cylinder-ambiguous": question(cylinder=None, subject_problem="ambiguous"),
    "tag-unreadable": question(cylinder=None, subject_problem="unreadable"),
    "cylinder-unknown": question(cylinder=None, subject_problem="unknown"),
    "marks-missing": question(cylinder=None, as_marked=AsMarked(serial="XY9")),
    "read-marks-twice": question(cylinder=None, as_marked=MARKS),
    "not-shared": question(owner_department_id=NEIGHBOUR_ID),
    "owner-consent-refused": question(owner_department_id=NEIGHBOUR_ID, owner_shares=True, owner_consent=False),
    "owner-consent": question(owner_department_id=NEIGHBOUR_ID, owner_shares=True),
    "condemned": question(cylinder=cylinder(condemned_at=YESTERDAY)),
    "retired": question(cylinder=cylinder(retired_at=YESTERDAY)),
    "transferred": question(cylinder=cylinder(transferred_at=YESTERDAY)),
    "requalification-rejected": question(cylinder=cylinder(stamp("2025-09", "rejected"))),
    "on-hold": question(cylinder=cylinder(holds=[hold("recall")])),
    "service-pressure-wrong": question(cylinder=cylinder(specification="DOT-3AA", pressure="45000")),
    "service-pressure-above-test": question(
        cylinder=cylinder(specification="UN ISO 9809-1 PW250 PH300BAR", pressure="250", unit="bar")
    ),
    "service-pressure-above-design": question(
        cylinder=cylinder(specification="DOT-SP10915-5500", pressure="5500", manufactured="2019-01")
    ),
    "manufacture-date-wrong": question(cylinder=cylinder(manufactured="2026-07")),
    "requalification-date-wrong": question(cylinder=cylinder(stamp("2024-09"), manufactured="2024-10")),
    "service-pressure-disagrees": question(cylinder=cylinder(specification="DOT-3AA2216", pressure="2015")),
    "service-pressure-doubtful": question(cylinder=cylinder(specification="DOT-3AA", pressure="310")),
    "specification-unreadable": question(cylinder=cylinder(specification="blue one")),
    "specification-unknown": question(cylinder=cylinder(specification="DOT-7Z2216")),
    "permit-unknown": question(cylinder=cylinder(specification="DOT-SP99999-2216")),
    "specification-not-fillable": question(cylinder=cylinder(specification="DOT-39")),
    "specification-wrong-use": question(cylinder=cylinder(specification="DOT-3T2216", use="scba")),
    "permit-data-unverified": question(
        cylinder=cylinder(specification="DOT-SP14232-5500", pressure="5500", manufactured="2019-01")
    ),
    "service-life-over": question(cylinder=cylinder(**COMPOSITE, manufactured="2011-05")),
    "life-extension-not-counted": question(
        cylinder=cylinder(**COMPOSITE, manufactured="2019-05", life_extensions=[extended("2039-05")])
    ),
    "life-extension-counted": question(
        cylinder=cylinder(**COMPOSITE, manufactured="2011-05", life_extensions=[extended("2031-05")]),
        policy=policy(life_extensions_accepted=True),
    ),
    "manufacture-date-missing": question(cylinder=cylinder(**COMPOSITE, manufactured=None)),
    "requalification-due": question(cylinder=cylinder(stamp("2021-05"))),
    "requalification-unknown": question(cylinder=cylinder(stamp("2027-01"), manufactured=None)),
    "external-visual-only": question(cylinder=cylinder(stamp("2024-06"), stamp("2025-06", "pass", "E"))),
    "hammer-test": question(cylinder=cylinder(stamp("2024-09", "pass", "star"))),
    "star-not-counted": question(
        cylinder=cylinder(
            stamp("2024-09", "pass", "star"),
            use="scuba",
            inspections=[inspection("visual_internal", "pass", YESTERDAY)],
        )
    ),
    "eddy-current-mark-missing": question(cylinder=cylinder(**BREATHING_3AL, details_alloy="6351-T6")),
    "alloy-not-recorded": question(cylinder=cylinder(**BREATHING_3AL, manufactured="1985-01")),
    "inspection-failed": question(cylinder=cylinder(inspections=[inspection("monthly", "fail", YESTERDAY)])),
    "visual-inspection-due": question(cylinder=cylinder(use="scuba")),
    "moment-out-of-range": question(at=datetime(1899, 5, 1, tzinfo=UTC)),
    "time-zone-unknown": question(time_zone="Nowhere/At_All"),
    "station-unknown": question(station=None),
    "station-closed": question(station=station(closures=[period(YESTERDAY)])),
    "fill-position-unknown": question(fill_position_id=NO_ID),
    "air-source-needed": question(air_sources=(source(), source(source_id=OTHER_SOURCE_ID))),
    "air-source-unknown": question(air_sources=()),
    "air-source-out-of-service": question(air_sources=(source(outages=[period(YESTERDAY)]),)),
    "air-sample-failed": question(air_sources=(source(sample("2026-06-02", "fail")),)),
    "air-sample-due": question(air_sources=(source(sample("2026-01-02")),)),
    "scuba-not-filled-here": question(
        cylinder=cylinder(use="scuba", inspections=[inspection("visual_internal", "pass", YESTERDAY)]),
        policy=policy(scuba_fills_allowed=False),
    ),
    "fast-fill-not-allowed": question(mode="fast", policy=policy(fast_fills_allowed=False)),
    "visual-inspection-overdue": question(cylinder=cylinder(use="scuba"), policy=policy(scuba_visual_required=True)),
    "air-alarm-open": question(station=station(alarms=[alarm(YESTERDAY)])),
    "alarm-open": question(
        station=station(
            alarms=[alarm(YESTERDAY, alarm_kind="low bank pressure", alarm_about="pressure", reading="900 psi")]
        )
    ),
    "air-sample-over-limit": question(
        air_sources=(source(sample("2026-06-01", results=WITHIN_NFPA | {"carbon_monoxide": "9"})),),
        policy=policy(air_standard="NFPA 1989-2019"),
    ),
    "air-standard-unknown": question(policy=policy(air_standard="NFPA 1989-1899")),
    "air-sample-incomplete": question(
        air_sources=(source(sample("2026-06-01", results={"carbon_monoxide": "1"})),),
        policy=policy(air_standard="NFPA 1989-2019"),
    ),
    "hour-meter-not-read": question(
        air_sources=(source(filter_changes=[filter_change(YESTERDAY.replace(month=5), 1000)]),),
        policy=policy(filter_life_tenths_h=500),
    ),
    "filter-due": question(
        air_sources=(source(filter_changes=[filter_change(YESTERDAY.replace(month=1))]),),
        policy=policy(filter_life_days=90),
    ),
    "filter-record-missing": question(policy=policy(filter_life_tenths_h=500)),
    "co-calibration-due": question(policy=policy(co_calibration_interval_days=30)),
    "training-due": question(policy=policy(training_interval_days=365)),
    "fill-rate": question(),
    "bleed-hose": question(),
    "member-unknown": question(member=None, member_asked=False),
    "member-not-enrolled": question(member=member(enrolled_at=None)),
    "member-deactivated": question(member=member(absences=[period(YESTERDAY)])),
    "member-not-authorised": question(member=member(authorisation("scuba"))),
    "authorisation-ended": question(member=member(authorisation("scba", through="2026-06-14"))),
    "member-not-authorised-here": question(member=member(authorisation("scba", station_ids=(NO_ID,)))),
    "fill-position-rating-wrong": question(station=position(0), fill_position_id=POSITION_ID),
    "plus-not-valid": question(cylinder=cylinder(stamp("2024-09", "pass", "+"), **BREATHING_3AL)),
    "plus-void": question(cylinder=cylinder(stamp("2019-09", "pass", "+"), stamp("2024-09"))),
    "limit-lowered": question(station=position(2000), fill_position_id=POSITION_ID),
    "regulator-above-limit": question(station=position(5500), fill_position_id=POSITION_ID),
    "limit-at-other-temperature": question(
        cylinder=cylinder(specification="DOT-SP99998", pressure="300", unit="bar", manufactured="2019-01"),
        rulebook=book(key="SP99998", reference_temperature_f=59),
    ),
    "limit-capped-by-policy": question(policy=policy(fill_limit_cap_psi=2000)),
    "cold-gas-lower-stop": question(gas_temperature_f=40),
    "warm-gas-higher-stop": question(gas_temperature_f=100),
    "gas-temperature-outside-table": question(gas_temperature_f=151),
    "stop-reading-outside-table": question(
        cylinder=cylinder(specification="DOT-3AA7500", pressure="7500", use="storage"), gas_temperature_f=140
    ),
    "look-over": question(),
    "keep-people-away": question(
        cylinder=cylinder(stamp("2024-09", "pass", "VE"), **BREATHING_3AL, details_alloy="6351-T6")
    ),
}

CATALOGUE = {entry.code: entry for entry in rules_catalogue()}


def test_there_is_a_question_for_every_code() -> None:
    assert sorted(QUESTIONS) == sorted(CATALOGUE)
    assert len(CATALOGUE) == len(rules_catalogue())


@pytest.mark.parametrize("code", sorted(QUESTIONS))
def test_one_thing_wrong_gives_one_reason(code: str) -> None:
    judged = judge(QUESTIONS[code], explain=True)
    entry = CATALOGUE[code]
    if entry.effect == "deny":
        assert judged.decision == "deny"
        assert judged.code == code
        assert judged.fill_limit_psi is None
        assert [reason.code for reason in judged.reasons] == [code]
        assert judged.display_text == judged.reasons[0].display_text
        assert judged.obligations == ()
    else:
        assert judged.decision == "permit"
        assert judged.code == "ok"
        assert judged.fill_limit_psi is not None
        given = judged.obligations if entry.effect == "obligation" else judged.advice
        assert code in [reason.code for reason in given]
        # An alloy that is not on record is advice to the office, and an obligation to whoever stands beside it.
        besides = {"keep-people-away"} if code == "alloy-not-recorded" else set()
        assert set(codes(judged)) <= {code, *besides, *AT_EVERY_FILL, "read-marks-twice", "owner-consent"}
        assert judged.display_text.startswith(f"Fill to {judged.fill_limit_psi} psi.")


def reasons_of(code: str) -> list[Reason]:
    judged = judge(QUESTIONS[code], explain=True)
    return [*judged.reasons, *judged.obligations, *judged.advice]


@pytest.mark.parametrize("code", sorted(QUESTIONS))
def test_words_fit_a_small_display(code: str) -> None:
    for reason in reasons_of(code):
        assert 0 < len(reason.text) <= 200
        assert not reason.text.endswith("...")
        assert 0 < len(reason.display_text) <= 80
        assert not reason.display_text.endswith("...")
        assert reason.display_text.isascii()
        assert reason.display_text.isprintable()
        assert reason.display_text[-1] in ".?"
        assert reason.source
        if reason.effect == "deny":
            assert re.match(r"Do not fill( yet| here)?\. [A-Z0-9]", reason.display_text)
    assert len(judge(QUESTIONS[code]).display_text) <= 80


@pytest.mark.parametrize("code", sorted(CATALOGUE))
def test_codes_are_plain_words_with_a_source(code: str) -> None:
    entry = CATALOGUE[code]
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)
    assert entry.title.strip()
    assert entry.source.strip()
    assert entry.rule


def test_a_plain_permit() -> None:
    judged = judge(question())
    assert (judged.decision, judged.code, judged.fill_limit_psi) == ("permit", "ok", 2216)
    assert judged.display_text == "Fill to 2216 psi. Look it over first."
    assert codes(judged) == AT_EVERY_FILL
    assert judged.valid_until is not None
    assert judged.explanation is None


def test_reasons_come_in_the_order_in_which_a_person_acts() -> None:
    judged = judge(
        question(
            cylinder=cylinder(stamp("2021-05"), holds=[hold()]),
            station=station(closures=[period()]),
            air_sources=(),
            member=None,
            member_asked=False,
        )
    )
    assert [reason.code for reason in judged.reasons] == [
        "on-hold",
        "requalification-due",
        "station-closed",
        "air-source-unknown",
        "member-unknown",
    ]


def test_the_contracts_own_words() -> None:
    """The request and answer that controllers are built against."""
    judged = judge(question(cylinder=cylinder(stamp("2021-04"))))
    assert judged.code == "requalification-due"
    assert judged.display_text == "Do not fill. Hydro test due since 2026-04."
    assert judged.reasons[0].clears_by == "requalification"
    assert judged.reasons[0].clears_at is None
    assert judged.reasons[0].source.startswith("49 CFR 180.205(c)")
    assert AT.year == 2026


def test_policy_names_the_source_of_its_air_sample_interval() -> None:
    asked = question(
        policy=policy(air_sample_interval_days=183, air_sample_interval_source="Government Code 419.041(f)"),
        air_sources=(source(sample("2025-11-01")),),
    )
    reason = judge(asked).reasons[0]
    assert (reason.code, reason.source) == ("air-sample-due", "Government Code 419.041(f)")
    assert "183 days" in reason.text
