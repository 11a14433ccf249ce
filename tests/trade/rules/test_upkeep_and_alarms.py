"""Filters, carbon monoxide monitors, alarms, training and modes: each asked for where policy or an open alarm says so.

29 CFR 1910.134(i)(5)(iii) and (iv) (2015 edition): filters are replaced as the maker says, and the date of the last
change is kept. 29 CFR 1910.134(k)(5): training every year for who wears a respirator. Calibration of monitors: common
practice, no source.
"""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events.air import AnalyteResult
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.judgement import Judgement, judge
from fill_ledger.trade.states.stations import Bottle, Reading
from tests.trade.rules.questions import (
    AT,
    AT_EVERY_FILL,
    EVENT_ID,
    LONG_AGO,
    OTHER_SOURCE_ID,
    SOURCE_ID,
    WITHIN_NFPA,
    alarm,
    answer,
    authorisation,
    calibration,
    codes,
    cylinder,
    filter_change,
    inspection,
    member,
    meter_reading,
    period,
    policy,
    question,
    sample,
    source,
    station,
    training,
)

UPKEEP_FACTS = {
    "filter_life_tenths_h",
    "filter_life_days",
    "co_calibration_interval_days",
    "compressor_1",
    "compressor_1_filter_changed",
    "compressor_1_filter_run_tenths_h",
    "compressor_1_co_calibrated",
}
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
MICROSECOND = timedelta(microseconds=1)


def compressor(**fields: Any) -> Any:
    return (source(**fields),)


@pytest.mark.parametrize(
    ("terms", "fields", "code"),
    [
        ({}, {}, "ok"),
        ({"filter_life_days": 90}, {}, "filter-record-missing"),
        ({"filter_life_days": 90}, {"filter_changes": [filter_change(AT - 30 * DAY)]}, "ok"),
        ({"filter_life_days": 90}, {"filter_changes": [filter_change(AT - 91 * DAY)]}, "filter-due"),
        # A change that has not been made yet counts for nothing.
        ({"filter_life_days": 90}, {"filter_changes": [filter_change(AT + HOUR)]}, "filter-record-missing"),
        # Hours: what the meter has counted since the change.
        ({"filter_life_tenths_h": 500}, {"filter_changes": [filter_change(AT - DAY)]}, "filter-record-missing"),
        ({"filter_life_tenths_h": 500}, {"filter_changes": [filter_change(AT - DAY, 1000)]}, "ok"),
    ],
)
def test_filters_are_asked_for_as_policy_says(terms: dict[str, Any], fields: dict[str, Any], code: str) -> None:
    assert answer(air_sources=compressor(**fields), policy=policy(**terms)).code == code


@pytest.mark.parametrize(
    ("read_tenths_h", "code"),
    [(1499, "ok"), (1500, "filter-due"), (1501, "filter-due"), (900, "filter-record-missing")],
)
def test_the_hours_of_a_filter_run_from_its_change(read_tenths_h: int, code: str) -> None:
    """50.0 h from 100.0 h on the meter end at 150.0 h; 90.0 h is another meter's."""
    changed = [filter_change(AT - 3 * DAY, 1000)]
    judged = answer(
        air_sources=compressor(filter_changes=changed, run_time_readings=[meter_reading(AT - HOUR, read_tenths_h)]),
        policy=policy(filter_life_tenths_h=500),
    )
    assert judged.code == code
    if read_tenths_h == 1500:
        assert judged.display_text == "Do not fill. Change the filter: 50.0 of 50.0 h."


def test_the_meter_is_read_as_it_was_at_the_moment() -> None:
    readings = [meter_reading(AT - 2 * DAY, 1400), meter_reading(AT - HOUR, 1600)]
    source_at = compressor(filter_changes=[filter_change(AT - 3 * DAY, 1000)], run_time_readings=readings)
    asked = {"air_sources": source_at, "policy": policy(filter_life_tenths_h=500)}
    assert answer(**asked).code == "filter-due"
    earlier = answer(**asked, at=AT - DAY)
    assert earlier.code == "ok"
    assert earlier.valid_until == AT - HOUR
    # A reading from before the change is of the filter before it.
    changed_since = compressor(filter_changes=[filter_change(AT - MICROSECOND, 1600)], run_time_readings=readings)
    assert answer(air_sources=changed_since, policy=policy(filter_life_tenths_h=500)).code == "ok"


def test_the_last_day_of_a_filter_counts_in_the_stations_calendar() -> None:
    """Changed 1 June in New York, 14 days: good through 15 June, 04:00 in UTC on the 16th."""
    changed = datetime(2026, 6, 2, 2, tzinfo=UTC)  # 22:00 on 1 June in New York
    asked = {
        "air_sources": compressor(filter_changes=[filter_change(changed)]),
        "policy": policy(filter_life_days=14),
    }
    ends_at = datetime(2026, 6, 16, 4, tzinfo=UTC)
    assert answer(**asked).valid_until == ends_at
    assert answer(**asked, at=ends_at - MICROSECOND).code == "ok"
    assert answer(**asked, at=ends_at).code == "filter-due"


def test_hours_that_nobody_reads_are_asked_for() -> None:
    """How often a meter is read is common practice (no source); the last of 31 days counts in its calendar."""
    changed = datetime(2026, 6, 15, 1, tzinfo=UTC)  # 14 June, late in the evening in New York
    due_at = datetime(2026, 7, 16, 4, tzinfo=UTC)  # 14 June and 31 days is 15 July
    terms = policy(filter_life_tenths_h=500)

    def asked(at: datetime, *readings: Reading, terms: PolicySet = terms) -> Judgement:
        source_at = compressor(filter_changes=[filter_change(changed, 1000)], run_time_readings=list(readings))
        return answer(air_sources=source_at, policy=terms, at=at)

    before = asked(due_at - MICROSECOND)
    assert (codes(before), before.valid_until) == (AT_EVERY_FILL, due_at)
    late = asked(due_at)
    assert (late.decision, codes(late)) == ("permit", [*AT_EVERY_FILL, "hour-meter-not-read"])
    assert late.advice[0].display_text == "Read the hour meter: nothing is known since 2026-06-14."
    assert "run 50.0 h" in late.advice[0].text
    # Read on 1 July: good through 1 August. One of the filter before tells nothing of this one.
    read = meter_reading(datetime(2026, 7, 1, 16, tzinfo=UTC), 1100)
    assert codes(asked(due_at, read)) == AT_EVERY_FILL
    assert asked(due_at, read).valid_until == datetime(2026, 8, 2, 4, tzinfo=UTC)
    assert codes(asked(due_at, meter_reading(changed - HOUR, 1000)))[-1] == "hour-meter-not-read"
    # Nothing is said where no hours are limited, and a filter that is due is said to be due and no more.
    assert codes(asked(due_at, terms=policy(filter_life_days=90))) == AT_EVERY_FILL
    both = policy(filter_life_days=10, filter_life_tenths_h=500)
    assert codes(asked(due_at, terms=both)) == ["filter-due"]


def test_the_edges_of_a_filters_hours() -> None:
    """What happens at the very moment counts, and a meter that has not moved has run nothing."""
    shortest = policy(filter_life_tenths_h=1)
    just_changed = compressor(filter_changes=[filter_change(AT, 1000)])
    assert answer(air_sources=just_changed, policy=shortest).code == "ok"
    unmoved = compressor(
        filter_changes=[filter_change(AT - DAY, 1000)], run_time_readings=[meter_reading(AT - HOUR, 1000)]
    )
    assert answer(air_sources=unmoved, policy=shortest).code == "ok"
    at_once = compressor(
        filter_changes=[filter_change(AT - DAY, 1000)], run_time_readings=[meter_reading(AT - DAY, 1001)]
    )
    assert answer(air_sources=at_once, policy=shortest).code == "filter-due"


def test_days_are_told_as_the_station_has_them() -> None:
    changed = datetime(2026, 6, 2, 2, tzinfo=UTC)  # 22:00 on 1 June in New York
    due = answer(
        air_sources=compressor(
            filter_changes=[filter_change(changed, 1000)], run_time_readings=[meter_reading(AT - HOUR, 1499)]
        ),
        policy=policy(filter_life_days=1),
    )
    assert due.display_text == "Do not fill. Change the filter: last changed 2026-06-01."
    explained = judge(
        question(
            air_sources=compressor(
                filter_changes=[filter_change(changed, 1000)],
                run_time_readings=[meter_reading(AT - HOUR, 1499)],
                co_calibrations=[calibration("2026-06-03")],
            ),
            policy=policy(filter_life_days=90, filter_life_tenths_h=500, co_calibration_interval_days=30),
        ),
        explain=True,
    )
    facts = {told.rule: told.facts for told in explained.explanation or ()}["air-upkeep"]
    assert {name: facts[name] for name in UPKEEP_FACTS} == {
        "filter_life_tenths_h": 500,
        "filter_life_days": 90,
        "co_calibration_interval_days": 30,
        "compressor_1": "Compressor 1",
        "compressor_1_filter_changed": "2026-06-01",
        "compressor_1_filter_run_tenths_h": 499,
        "compressor_1_co_calibrated": "2026-06-03",
    }


def test_a_calibration_holds_from_its_day_to_the_end_of_its_last_day_at_the_station() -> None:
    """16 June begins at 04:00 UTC in New York."""
    midnight = datetime(2026, 6, 16, 4, tzinfo=UTC)
    for calibrations, days in (
        ([calibration("2026-05-16")], 30),
        ([calibration("2026-05-16", "2026-06-15")], 3_660),
    ):
        asked = {
            "air_sources": compressor(co_calibrations=calibrations),
            "policy": policy(co_calibration_interval_days=days),
        }
        assert answer(**asked).valid_until == midnight
        assert answer(**asked, at=midnight - MICROSECOND).code == "ok"
        assert answer(**asked, at=midnight).code == "co-calibration-due"
    renewed = {
        "air_sources": compressor(co_calibrations=[calibration("2026-05-01"), calibration("2026-06-16")]),
        "policy": policy(co_calibration_interval_days=30),
    }
    due = answer(**renewed)
    assert (due.code, due.valid_until) == ("co-calibration-due", midnight)
    assert due.display_text == "Do not fill. CO monitor: last calibrated 2026-05-01."
    assert "was calibrated 2026-05-01; policy asks" in due.reasons[0].text
    assert answer(**renewed, at=midnight).code == "ok"
    by_label = answer(
        air_sources=compressor(co_calibrations=[calibration("2026-06-01", "2026-06-14")]),
        policy=policy(co_calibration_interval_days=30),
    )
    assert "was calibrated 2026-06-01, due 2026-06-14 by its label;" in by_label.reasons[0].text


@pytest.mark.parametrize("kind", ["storage_bank", "purchased"])
def test_only_a_compressor_has_filter_and_monitor(kind: str) -> None:
    terms = policy(filter_life_days=1, filter_life_tenths_h=1, co_calibration_interval_days=1)
    assert answer(air_sources=compressor(air_source_kind=kind), policy=terms).code == "ok"


@pytest.mark.parametrize(
    ("calibrations", "code"),
    [
        ([], "co-calibration-due"),
        ([calibration("2026-05-16")], "ok"),  # 30 days: through 15 June
        ([calibration("2026-05-15")], "co-calibration-due"),
        ([calibration("2026-06-01", "2026-06-15")], "ok"),
        ([calibration("2026-06-01", "2026-06-14")], "co-calibration-due"),
        ([calibration("2026-05-01", "2026-12-31")], "co-calibration-due"),  # a label loosens no policy
        ([calibration("2026-06-16")], "co-calibration-due"),  # not done yet
        ([calibration("2026-06-10"), calibration("2026-06-16")], "ok"),
    ],
)
def test_calibrations_of_the_monitor(calibrations: list[Any], code: str) -> None:
    fields = compressor(co_calibrations=calibrations)
    assert answer(air_sources=fields, policy=policy(co_calibration_interval_days=30)).code == code
    assert answer(air_sources=fields).code == "ok"


@pytest.mark.parametrize(
    ("alarms", "code"),
    [
        ([alarm(AT - HOUR)], "air-alarm-open"),
        ([alarm(AT)], "air-alarm-open"),
        ([alarm(AT + HOUR)], "ok"),
        ([alarm(AT - HOUR, AT)], "ok"),
        ([alarm(AT - HOUR, AT + HOUR)], "air-alarm-open"),
        ([alarm(None, AT - HOUR)], "ok"),  # only the end of it is known
        ([alarm(AT - HOUR, source_id=SOURCE_ID)], "air-alarm-open"),
        ([alarm(AT - HOUR, source_id=OTHER_SOURCE_ID)], "ok"),
        ([alarm(AT - HOUR, source_id=EVENT_ID)], "air-alarm-open"),  # no source of the station: against all of it
    ],
)
def test_open_alarms(alarms: list[Any], code: str) -> None:
    place = station(alarms=alarms, air_source_ids=[SOURCE_ID, OTHER_SOURCE_ID])
    assert answer(station=place).code == code


@pytest.mark.parametrize(
    ("about", "code"),
    [
        (None, "air-alarm-open"),
        ("air", "air-alarm-open"),
        ("temperature", "air-alarm-open"),
        ("pressure", "alarm-open"),
        ("filter", "alarm-open"),
        ("power", "alarm-open"),
        ("other", "alarm-open"),
    ],
)
def test_an_alarm_denies_only_by_what_it_is_about(about: Any, code: str) -> None:
    judged = answer(station=station(alarms=[alarm(AT - HOUR, AT + HOUR, alarm_about=about)]))
    said = judged.reasons or judged.advice
    assert [reason.code for reason in said] == [code]
    assert (judged.decision == "deny") == (code == "air-alarm-open")
    assert (said[0].clears_at, judged.valid_until) == (AT + HOUR, AT + HOUR)
    if code == "alarm-open":
        assert f"about {'something else' if about == 'other' else about} is open since 2026-06-15" in said[0].text


def test_what_an_alarm_is_about_is_among_the_facts() -> None:
    asked = question(station=station(alarms=[alarm(AT - HOUR, alarm_about="power"), alarm(AT - HOUR)]))
    facts = {told.rule: told.facts for told in judge(asked, explain=True).explanation or ()}["alarms"]
    assert (facts["open_alarms"], facts["open_against_the_air"]) == (2, 1)


def test_an_alarm_speaks_against_the_source_it_names() -> None:
    place = station(alarms=[alarm(AT - HOUR, source_id=OTHER_SOURCE_ID)], air_source_ids=[SOURCE_ID, OTHER_SOURCE_ID])
    two = (source(), source(source_id=OTHER_SOURCE_ID, label="Bank A"))
    assert answer(station=place, air_sources=two, air_source_id=SOURCE_ID).code == "ok"
    judged = answer(station=place, air_sources=two, air_source_id=OTHER_SOURCE_ID)
    assert judged.code == "air-alarm-open"
    for word in ("Bank A", "carbon monoxide", "12 ppm", "2026-06-15"):
        assert word in judged.reasons[0].text
    assert codes(answer(station=place, air_sources=two, every_air_source=True))[0] == "air-alarm-open"


def test_the_end_of_an_alarm_is_told_when_asked_about_the_past() -> None:
    judged = answer(station=station(alarms=[alarm(AT - HOUR, AT + HOUR)]))
    assert judged.reasons[0].clears_at == AT + HOUR
    assert judged.valid_until == AT + HOUR


@pytest.mark.parametrize(
    ("trained_on", "code"),
    [([], "training-due"), (["2025-06-15"], "ok"), (["2025-06-14"], "training-due"), (["2026-06-16"], "training-due")],
)
def test_training_is_asked_for_as_policy_says(trained_on: list[str], code: str) -> None:
    one = member(trainings=[training(day) for day in trained_on])
    source_of_policy = "Standing order 12"
    judged = answer(member=one, policy=policy(training_interval_days=365, training_interval_source=source_of_policy))
    assert judged.code == code
    assert answer(member=one).code == "ok"
    if code == "training-due":
        assert judged.reasons[0].source == source_of_policy
        unnamed = answer(member=one, policy=policy(training_interval_days=365)).reasons[0].source
        assert "1910.134(k)(5)" in unnamed
        assert "172.704(c)" in unnamed


def test_training_is_asked_beside_the_authorisation() -> None:
    judged = answer(member=member(authorisation("storage")), policy=policy(training_interval_days=365))
    assert codes(judged) == ["member-not-authorised", "training-due"]
    gone = answer(member=member(absences=[period()]), policy=policy(training_interval_days=365))
    assert codes(gone) == ["member-deactivated"]
    nobody = policy(training_interval_days=365, member_required=False)
    assert answer(member=None, member_asked=False, policy=nobody).code == "ok"


def test_scuba_by_policy() -> None:
    inside = cylinder(use="scuba", inspections=[inspection("visual_internal", "pass", AT - DAY)])
    assert answer(cylinder=inside, policy=policy(scuba_fills_allowed=False)).code == "scuba-not-filled-here"
    assert answer(policy=policy(scuba_fills_allowed=False)).code == "ok"
    old = cylinder(
        use="scuba", inspections=[inspection("visual_internal", "pass", datetime(2025, 5, 20, 15, tzinfo=UTC))]
    )
    assert codes(answer(cylinder=old)) == [*AT_EVERY_FILL, "visual-inspection-due"]
    strict = answer(cylinder=old, policy=policy(scuba_visual_required=True))
    assert codes(strict) == ["visual-inspection-overdue"]
    assert "2025-05-20" in strict.reasons[0].text
    assert answer(cylinder=inside, policy=policy(scuba_visual_required=True)).code == "ok"
    assert answer(policy=policy(scuba_visual_required=True)).code == "ok"  # an SCBA cylinder
    failed = cylinder(use="scuba", inspections=[inspection("visual_internal", "fail", AT - DAY)])
    assert codes(answer(cylinder=failed, policy=policy(scuba_visual_required=True))) == ["inspection-failed"]


def test_modes_and_rates() -> None:
    """600 psi a minute: gas-industry habit (secondary). Policy may ask for less; a fast fill says it goes above."""
    usual = answer()
    assert "600 psi a minute" in usual.obligations[1].text
    assert usual.display_text == "Fill to 2216 psi. Look it over first."
    slow = answer(policy=policy(fill_rate_max_psi_per_minute=300))
    assert "300 psi a minute" in slow.obligations[1].text
    fast = answer(mode="fast")
    assert fast.decision == "permit"
    assert "goes above 600" in fast.obligations[1].text
    assert codes(answer(mode="fast", policy=policy(fast_fills_allowed=False))) == ["fast-fill-not-allowed"]
    assert answer(mode="manual", policy=policy(fast_fills_allowed=False)).code == "ok"


def test_a_banks_strongest_bottle_says_which_limit_of_water_holds() -> None:
    """EN 12021:2014 (secondary): 50 mg/m3 stored up to 200 bar, 35 above; the strongest bottle is an inference."""

    def bottle(service_pressure_psi: int, starts_at: datetime) -> Bottle:
        return Bottle(
            event_id=EVENT_ID,
            starts_at=starts_at,
            bottle_id=uuid.uuid4(),
            label="B",
            water_volume_ml=43_000,
            service_pressure_psi=service_pressure_psi,
        )

    found = {analyte: value for analyte, value in WITHIN_NFPA.items() if analyte not in ("water", "odour")}
    wet = sample("2026-06-01", results=found)
    wet.results = (*(wet.results or ()), _water("40"), _no_odour())
    bank = source(
        wet,
        air_source_kind="storage_bank",
        bottles=[bottle(2_900, LONG_AGO), bottle(4_500, AT + HOUR)],
    )
    judged = answer(air_sources=(bank,), policy=policy(air_standard="EN 12021:2014"))
    assert judged.code == "ok"
    assert judged.valid_until == AT + HOUR
    later = answer(air_sources=(bank,), policy=policy(air_standard="EN 12021:2014"), at=AT + HOUR)
    assert later.code == "air-sample-over-limit"


def _water(mg_per_m3: str) -> Any:
    return AnalyteResult(analyte="water", unit="mg_per_m3", value=mg_per_m3)


def _no_odour() -> Any:
    return AnalyteResult(analyte="odour", unit="none", text="none")
