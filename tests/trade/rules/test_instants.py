"""At which instant an answer changes by itself, one kind of fact at a time, worked out on a calendar by hand.

New York is four hours behind UTC in June, July and August, so a day begins there at 04:00 UTC. Half open everywhere:
what begins at an instant counts at it, what ends at an instant counts no more at it.
"""

import uuid
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended
from fill_ledger.trade.judgement import RULES, Question, next_instant
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.air_standards import NFPA_1989_2019
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.states.stations import FillPosition, StationState
from tests.trade.rules.questions import (
    EVENT_ID,
    LONG_AGO,
    NEIGHBOUR_ID,
    OTHER_SOURCE_ID,
    POSITION_ID,
    WITHIN_NFPA,
    alarm,
    book,
    calibration,
    cylinder,
    extended,
    hold,
    inspection,
    member,
    period,
    policy,
    question,
    sample,
    source,
    stamp,
    station,
    training,
)
from tests.trade.test_judgement_valid_until import asked_at, check

# So long that the air ends no answer before what is looked at here does.
PATIENT = policy(air_sample_interval_days=3_650)
LATER = datetime(2026, 6, 20, 9, 30, tzinfo=UTC)
JULY = datetime(2026, 7, 1, 4, tzinfo=UTC)


def asked(**fields: Any) -> Question:
    return question(**({"policy": PATIENT} | fields))


def places(*periods: tuple[datetime, datetime | None, int | None], place: uuid.UUID = POSITION_ID) -> StationState:
    """A station whose fill position had these regulator settings, one after the other."""
    return station(
        positions=[
            FillPosition(
                event_id=EVENT_ID,
                starts_at=starts_at,
                ends_at=ends_at,
                fill_position_id=place,
                label="1",
                regulator_psi=regulator_psi,
            )
            for starts_at, ends_at, regulator_psi in periods
        ]
    )


MARKS = AsMarked(
    serial="XY9",
    specification="DOT-SP10915-4500",
    service_pressure_value="4500",
    service_pressure_unit="psi",
    manufactured="2024-03",
)
PERMIT: dict[str, Any] = {"specification": "DOT-SP99998-3000", "pressure": "3000", "manufactured": "2020-01"}
# 49 CFR 180.205(c) with the life of the permit (secondary): through the month in which fifteen years end.
LIFE: dict[str, Any] = {"specification": "DOT-SP10915-4500", "pressure": "4500", "manufactured": "2011-06"}


def _air_by(**days: str) -> dict[str, Any]:
    """A county's own standard of air, which holds for a time, and a sample within it."""
    standard = msgspec.structs.replace(NFPA_1989_2019, key="County air", **days)
    return {
        "policy": policy(air_sample_interval_days=3_650, air_standard="County air"),
        "rulebook": Rulebook(SPECIFICATIONS, (standard,)),
        "air_sources": (source(sample("2026-06-01", results=WITHIN_NFPA)),),
    }


CASES: dict[str, tuple[Question, datetime, str, str]] = {
    "condemned": (asked(cylinder=cylinder(condemned_at=LATER)), LATER, "ok", "condemned"),
    "retired": (asked(cylinder=cylinder(retired_at=LATER)), LATER, "ok", "retired"),
    "transferred": (asked(cylinder=cylinder(transferred_at=LATER)), LATER, "ok", "transferred"),
    "a hold begins": (asked(cylinder=cylinder(holds=[hold(starts_at=LATER)])), LATER, "ok", "on-hold"),
    "a hold ends": (asked(cylinder=cylinder(holds=[hold(ends_at=LATER)])), LATER, "on-hold", "ok"),
    "the month of a rejection begins": (
        asked(cylinder=cylinder(stamp("2024-09"), stamp("2026-07", "rejected"))),
        JULY,
        "ok",
        "requalification-rejected",
    ),
    "the month of a condemnation begins, before that of another test": (
        asked(cylinder=cylinder(stamp("2019-09"), stamp("2024-09"), stamp("2026-07", "condemned"), stamp("2026-08"))),
        JULY,
        "ok",
        "condemned",
    ),
    "the month of a test begins": (
        asked(cylinder=cylinder(stamp("2021-05"), stamp("2026-07"))),
        JULY,
        "requalification-due",
        "ok",
    ),
    "the month of manufacture begins": (
        asked(cylinder=msgspec.structs.replace(cylinder(manufactured="2026-07"), requalifications=[])),
        JULY,
        "manufacture-date-wrong",
        "ok",
    ),
    "a day before the month of a test that was keyed in": (
        # The caller's calendar may be a day ahead, so the mark of July is believed from 30 June on.
        asked(cylinder=None, as_marked=msgspec.structs.replace(MARKS, last_requalified="2026-07")),
        datetime(2026, 6, 30, 4, tzinfo=UTC),
        "requalification-date-wrong",
        "ok",
    ),
    "a permit comes into effect": (
        asked(cylinder=cylinder(**PERMIT), rulebook=book(key="SP99998", effective_from="2026-07-01")),
        JULY,
        "specification-not-fillable",
        "ok",
    ),
    "a permit goes out of effect": (
        asked(cylinder=cylinder(**PERMIT), rulebook=book(key="SP99998", effective_until="2026-07-01")),
        JULY,
        "ok",
        "specification-not-fillable",
    ),
    "the life ends": (asked(cylinder=cylinder(**LIFE)), JULY, "ok", "service-life-over"),
    "an extension begins": (
        asked(
            cylinder=cylinder(**(LIFE | {"manufactured": "2011-05"}), life_extensions=[extended("2031-05", LATER)]),
            policy=policy(air_sample_interval_days=3_650, life_extensions_accepted=True),
        ),
        LATER,
        "service-life-over",
        "ok",
    ),
    "requalification falls due": (
        asked(cylinder=cylinder(stamp("2021-06"))),
        JULY,
        "ok",
        "requalification-due",
    ),
    "an external look begins to be told of": (
        asked(cylinder=cylinder(stamp("2024-09"), stamp("2026-07", "pass", "E"))),
        JULY,
        "ok",
        "ok",
    ),
    "a station closes": (asked(station=station(closures=[period(LATER)])), LATER, "ok", "station-closed"),
    "a station opens": (asked(station=station(closures=[period(LONG_AGO, LATER)])), LATER, "station-closed", "ok"),
    "a fill position comes": (
        asked(station=places((LATER, None, None)), fill_position_id=POSITION_ID),
        LATER,
        "fill-position-unknown",
        "ok",
    ),
    "a fill position goes": (
        asked(station=places((LONG_AGO, LATER, None)), fill_position_id=POSITION_ID),
        LATER,
        "ok",
        "fill-position-unknown",
    ),
    "a regulator is set anew": (
        asked(station=places((LONG_AGO, LATER, 2000), (LATER, None, 2100)), fill_position_id=POSITION_ID),
        LATER,
        "ok",
        "ok",
    ),
    "an inspection fails": (
        asked(cylinder=cylinder(inspections=[inspection("monthly", "fail", LATER)])),
        LATER,
        "ok",
        "inspection-failed",
    ),
    "a bank goes by a compressor that is sampled again": (
        asked(
            policy=policy(bank_needs_own_sample=False),
            air_sources=(
                source(sample("2026-06-01"), sample("2026-06-20", "fail")),
                source(source_id=OTHER_SOURCE_ID, label="Bank A", air_source_kind="storage_bank", samples=[]),
            ),
            air_source_id=OTHER_SOURCE_ID,
        ),
        datetime(2026, 6, 20, 4, tzinfo=UTC),
        "ok",
        "air-sample-failed",
    ),
    "an alarm is raised": (asked(station=station(alarms=[alarm(LATER)])), LATER, "ok", "air-alarm-open"),
    "an alarm of the power ends": (
        asked(station=station(alarms=[alarm(LONG_AGO, LATER, alarm_about="power")])),
        LATER,
        "ok",
        "ok",
    ),
    "an alarm ends": (asked(station=station(alarms=[alarm(LONG_AGO, LATER)])), LATER, "air-alarm-open", "ok"),
    "an air source goes out of service": (
        asked(air_sources=(source(outages=[period(LATER)]),)),
        LATER,
        "ok",
        "air-source-out-of-service",
    ),
    "an air source comes back": (
        asked(air_sources=(source(outages=[period(LONG_AGO, LATER)]),)),
        LATER,
        "air-source-out-of-service",
        "ok",
    ),
    "the same codes in another order": (
        # Drawn from two sources: what is wrong with either goes over to the other, so another thing is first to act on.
        # 92 days after 30 March are 30 June (1 + 30 + 31 + 30), which still counts.
        question(
            air_sources=(
                source(sample("2026-03-30"), outages=[period(LONG_AGO, JULY)]),
                source(
                    sample("2026-01-01"),
                    sample("2026-07-01"),
                    source_id=OTHER_SOURCE_ID,
                    outages=[period(JULY)],
                ),
            ),
            every_air_source=True,
        ),
        JULY,
        "air-source-out-of-service",
        "air-sample-due",
    ),
    "a standard of air comes into effect": (
        asked(**_air_by(effective_from="2026-07-01")),
        JULY,
        "air-standard-unknown",
        "ok",
    ),
    "a standard of air goes out of effect": (
        asked(**_air_by(effective_until="2026-07-01")),
        JULY,
        "ok",
        "air-standard-unknown",
    ),
    "a sample of the future begins, a later one does not": (
        question(air_sources=(source(sample("2026-01-01"), sample("2026-07-01"), sample("2026-08-01", "fail")),)),
        JULY,
        "air-sample-due",
        "ok",
    ),
    "training falls due": (
        # 14 days after 1 June are 15 June, and that day still counts.
        asked(
            member=member(trainings=[training("2026-06-01")]),
            policy=policy(air_sample_interval_days=3_650, training_interval_days=14),
        ),
        datetime(2026, 6, 16, 4, tzinfo=UTC),
        "ok",
        "training-due",
    ),
    "a training takes place": (
        # On 20 June, whose first instant in New York is 04:00 UTC.
        asked(
            member=member(trainings=[training("2026-06-20")]),
            policy=policy(air_sample_interval_days=3_650, training_interval_days=365),
        ),
        datetime(2026, 6, 20, 4, tzinfo=UTC),
        "training-due",
        "ok",
    ),
    "a look inside is too old": (
        # CGA P-5 as cited (secondary): every 12 months; counted in months by common practice. Late on 30 June 2025 in
        # New York is 1 July in UTC already.
        asked(
            cylinder=cylinder(
                use="scuba", inspections=[inspection("visual_internal", "pass", datetime(2025, 7, 1, 2, tzinfo=UTC))]
            ),
            policy=policy(air_sample_interval_days=3_650, scuba_visual_required=True),
        ),
        JULY,
        "ok",
        "visual-inspection-overdue",
    ),
    "a look inside takes place": (
        asked(
            cylinder=cylinder(use="scuba", inspections=[inspection("visual_internal", "pass", LATER)]),
            policy=policy(air_sample_interval_days=3_650, scuba_visual_required=True),
        ),
        LATER,
        "visual-inspection-overdue",
        "ok",
    ),
    "a sample of the second of two sources is taken": (
        question(
            air_sources=(
                source(),
                source(sample("2026-01-01"), sample("2026-07-01"), source_id=OTHER_SOURCE_ID),
            ),
            every_air_source=True,
        ),
        JULY,
        "air-sample-due",
        "ok",
    ),
    "a carbon monoxide monitor is calibrated": (
        asked(
            air_sources=(source(co_calibrations=[calibration("2026-06-20")]),),
            policy=policy(air_sample_interval_days=3_650, co_calibration_interval_days=30),
        ),
        datetime(2026, 6, 20, 4, tzinfo=UTC),
        "co-calibration-due",
        "ok",
    ),
    "an air sample is taken": (
        question(air_sources=(source(sample("2026-01-01"), sample("2026-07-01")),)),
        JULY,
        "air-sample-due",
        "ok",
    ),
    "an air sample is too old": (
        # 92 days after 1 June are 1 September (29 + 31 + 31 + 1), and that day still counts.
        question(air_sources=(source(sample("2026-06-01")),)),
        datetime(2026, 9, 2, 4, tzinfo=UTC),
        "ok",
        "air-sample-due",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_answer_changes_at_the_instant(name: str) -> None:
    question_asked, instant, before, after = CASES[name]
    judged = check(question_asked, [0.0, 0.5])
    assert judged.valid_until == instant
    assert (judged.code, asked_at(question_asked, instant).code) == (before, after)


def test_an_instant_is_told_in_utc() -> None:
    """Two times in one time zone compare by their wall clocks, which is wrong in the hour that comes twice."""
    begins_at = LATER.astimezone(ZoneInfo("America/New_York"))
    following = next_instant(Case(asked(cylinder=cylinder(holds=[hold(starts_at=begins_at)]))), RULES)
    assert following == LATER
    assert following.tzinfo is UTC
    assert next_instant(Case(asked()), ()) is None


def test_what_concerns_another_place_changes_nothing() -> None:
    """Neither an unnamed fill position nor one of another id ends an answer."""
    other = places((LATER, JULY, 2000), place=NEIGHBOUR_ID)
    other.positions += places((LONG_AGO, None, None)).positions
    for named in (None, POSITION_ID):
        judged = check(asked(station=other, fill_position_id=named), [0.5])
        assert judged.code == "ok"
        assert judged.valid_until == datetime(2029, 10, 1, 4, tzinfo=UTC)  # the test of September 2024 is due


def test_a_rule_comes_into_effect_on_its_day() -> None:
    """49 CFR 180.205(f)(4), from 1 January 2007: the county may ask for the mark of older tests, not earlier."""
    earlier = RuleAmended(
        figures=(AmendedFigure(figure="eddy_current_examined_since", value="2006-01"),), reason="stricter"
    )
    known = cylinder(stamp("2006-06"), specification="DOT-3AL2216", manufactured="1985-01", details_alloy="6351-T6")
    judged = check(
        asked(
            cylinder=known,
            at=datetime(2006, 12, 15, tzinfo=UTC),
            air_sources=(source(sample("2006-12-01")),),
            rulebook=Rulebook(SPECIFICATIONS, (), (earlier,)),
        ),
        [0.5],
    )
    assert (judged.code, judged.valid_until) == ("ok", datetime(2007, 1, 1, 5, tzinfo=UTC))
