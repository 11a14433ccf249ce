"""Samples of breathing air against the limits of each standard.

Sources: 29 CFR 1910.134(i)(1)(ii) and (i)(4)(iii), 2015 edition (Grade D of ANSI/CGA G-7.1-1989), read. CGA Grade E,
NFPA 1989-2019 and EN 12021:2014 from summaries of laboratories and test houses (secondary); oxygen and nitrogen of
NFPA 1989 from memory.
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import pytest

from fill_ledger.trade.air_quality import AnalyteVerdict, judge_sample, limit_words, result_words
from fill_ledger.trade.due import air_source_outlooks
from fill_ledger.trade.events.air import Analyte, AnalyteResult, AnalyteUnit
from fill_ledger.trade.events.rulebook import AirStandard, AnalyteLimit
from fill_ledger.trade.judgement import Question, judge
from fill_ledger.trade.rulebook import SHIPPED
from fill_ledger.trade.rulebook.air_standards import (
    AIR_STANDARDS,
    CGA_GRADE_E,
    EN_12021_2014,
    NFPA_1989_2019,
    OSHA_GRADE_D,
)
from tests.trade.rules.questions import (
    AT,
    UNITS,
    WITHIN_NFPA,
    answer,
    codes,
    cylinder,
    policy,
    question,
    sample,
    source,
)

SAMPLED = "2026-06-01"


def result(analyte: Analyte, value: str | None, unit: AnalyteUnit | None = None, text: str | None = None) -> Any:
    return AnalyteResult(analyte=analyte, value=value, unit=unit or UNITS[analyte], text=text)


def verdict_of(standard: AirStandard, *results: AnalyteResult, **where: Any) -> dict[Analyte, str]:
    return {verdict.analyte: verdict.verdict for verdict in judge_sample(results, standard, **where)}


def one(standard: AirStandard, analyte: Analyte, value: str, unit: AnalyteUnit | None = None, **where: Any) -> str:
    return verdict_of(standard, result(analyte, value, unit), **where)[analyte]


@pytest.mark.parametrize(
    ("standard", "analyte", "within", "outside", "verdict"),
    [
        # 29 CFR 1910.134(i)(1)(ii)(A) to (D); (i)(4)(iii) for the dew point at one atmosphere.
        (OSHA_GRADE_D, "oxygen", "19.5", "19.4", "under"),
        (OSHA_GRADE_D, "oxygen", "23.5", "23.6", "over"),
        (OSHA_GRADE_D, "carbon_monoxide", "10", "10.1", "over"),
        (OSHA_GRADE_D, "carbon_dioxide", "1000", "1001", "over"),
        (OSHA_GRADE_D, "oil", "5", "5.01", "over"),
        (OSHA_GRADE_D, "dew_point", "-50", "-49.9", "over"),
        # CGA G-7.1 Grade E, summaries of 1997 to 2011 (secondary).
        (CGA_GRADE_E, "oxygen", "20", "19.9", "under"),
        (CGA_GRADE_E, "oxygen", "22", "22.1", "over"),
        (CGA_GRADE_E, "carbon_monoxide", "10.0", "10.0001", "over"),
        (CGA_GRADE_E, "carbon_dioxide", "1000", "1000.5", "over"),
        (CGA_GRADE_E, "oil", "5", "6", "over"),
        (CGA_GRADE_E, "hydrocarbons", "25", "26", "over"),
        (CGA_GRADE_E, "dew_point", "-50", "-45", "over"),
        (CGA_GRADE_E, "water", "67", "68", "over"),
        # NFPA 1989-2019, a laboratory's summary (secondary); oxygen and nitrogen from memory.
        (NFPA_1989_2019, "oxygen", "19.5", "19.49", "under"),
        (NFPA_1989_2019, "nitrogen", "75", "74.9", "under"),
        (NFPA_1989_2019, "nitrogen", "81", "81.1", "over"),
        (NFPA_1989_2019, "carbon_monoxide", "5", "5.1", "over"),
        (NFPA_1989_2019, "carbon_dioxide", "1000", "1100", "over"),
        (NFPA_1989_2019, "oil", "2.0", "2.1", "over"),
        (NFPA_1989_2019, "hydrocarbons", "25", "25.1", "over"),
        (NFPA_1989_2019, "water", "24", "24.1", "over"),
        (NFPA_1989_2019, "dew_point", "-65", "-64", "over"),
        # EN 12021:2014, three summaries that agree (secondary): oxygen 21 +/- 1 %.
        (EN_12021_2014, "oxygen", "20", "19.9", "under"),
        (EN_12021_2014, "oxygen", "22", "22.1", "over"),
        (EN_12021_2014, "carbon_monoxide", "5", "6", "over"),
        (EN_12021_2014, "carbon_dioxide", "500", "501", "over"),
        (EN_12021_2014, "oil", "0.5", "0.6", "over"),
    ],
)
def test_a_limit_includes_its_own_figure(
    standard: AirStandard, analyte: Analyte, within: str, outside: str, verdict: str
) -> None:
    assert one(standard, analyte, within) == "within"
    assert one(standard, analyte, outside) == verdict


@pytest.mark.parametrize(
    ("kind", "storage_psi", "within", "outside"),
    [
        # EN 12021:2014: 25 mg/m3 at the compressor; stored at 40 to 200 bar 50 mg/m3, above 200 bar 35 mg/m3.
        ("compressor", None, "25", "25.1"),
        ("storage_bank", 2_900, "50", "50.1"),  # 200 bar
        ("storage_bank", 2_901, "35", "35.1"),
        ("purchased", 4_351, "35", "36"),  # 300 bar
        ("storage_bank", 581, "50", "51"),
    ],
)
def test_water_by_storage_pressure(kind: Any, storage_psi: int | None, within: str, outside: str) -> None:
    for value, verdict in ((within, "within"), (outside, "over")):
        assert one(EN_12021_2014, "water", value, "mg_per_m3", air_source_kind=kind, storage_psi=storage_psi) == verdict


def test_where_the_storage_pressure_is_not_known_only_what_holds_at_any_is_told() -> None:
    found = {
        value: one(EN_12021_2014, "water", value, "mg_per_m3", air_source_kind="storage_bank")
        for value in ("35", "36", "50", "51")
    }
    assert found == {"35": "within", "36": "not-comparable", "50": "not-comparable", "51": "over"}


def test_nothing_is_limited_below_what_the_standard_speaks_of() -> None:
    told = verdict_of(EN_12021_2014, air_source_kind="storage_bank", storage_psi=500)
    assert "water" not in told


def made_up(*limits: AnalyteLimit) -> AirStandard:
    """A standard of an invented county."""
    return AirStandard(key="X", title="X", limits=limits, source="made up", confidence="low")


def test_a_limit_may_have_one_end_only() -> None:
    lowest = made_up(AnalyteLimit(analyte="oxygen", unit="percent", minimum="19.5"))
    assert [one(lowest, "oxygen", value) for value in ("19.4", "19.5", "99")] == ["under", "within", "within"]
    assert verdict_of(lowest, result("oxygen", None, text="< 99"))["oxygen"] == "not-comparable"


def test_what_several_limits_of_one_analyte_say_together() -> None:
    """The strictest of those that hold stands; which one holds is in doubt only where the pressure picks among them."""

    def water(maximum: str, **ends: Any) -> AnalyteLimit:
        return AnalyteLimit(analyte="water", unit="mg_per_m3", maximum=maximum, **ends)

    by_pressure = made_up(water("50", through_psi=2_900), water("35", over_psi=2_900))
    at_once = made_up(water("50"), water("35"))
    within_another = made_up(water("50"), water("35", through_psi=2_900))
    assert one(by_pressure, "water", "40", "mg_per_m3") == "not-comparable"
    assert one(by_pressure, "water", "40", "mg_per_m3", storage_psi=2_900) == "within"
    assert one(by_pressure, "water", "40", "mg_per_m3", storage_psi=2_901) == "over"
    assert one(at_once, "water", "40", "mg_per_m3") == "over"
    assert one(within_another, "water", "40", "mg_per_m3", storage_psi=2_000) == "over"
    (in_doubt,) = judge_sample((result("water", "40", "mg_per_m3"),), by_pressure)
    assert in_doubt.limit.maximum == "35"
    assert in_doubt.result is not None
    assert in_doubt.result.value == "40"


def test_a_result_that_meets_the_limit_goes_before_one_that_cannot_be_compared() -> None:
    pair = (result("water", "10"), result("water", "10", "mg_per_m3"))
    for results in (pair, pair[::-1]):
        assert verdict_of(NFPA_1989_2019, *results)["water"] == "within"


def test_parts_per_million_and_percent_are_exact() -> None:
    """One percent by volume is 10,000 parts per million by volume."""
    assert one(OSHA_GRADE_D, "carbon_dioxide", "0.1", "percent") == "within"
    assert one(OSHA_GRADE_D, "carbon_dioxide", "0.1001", "percent") == "over"
    assert one(OSHA_GRADE_D, "oxygen", "209000", "ppm") == "within"
    assert one(OSHA_GRADE_D, "oxygen", "194999", "ppm") == "under"


@pytest.mark.parametrize(
    ("standard", "analyte", "value", "unit"),
    [
        (NFPA_1989_2019, "water", "20", "mg_per_m3"),
        (NFPA_1989_2019, "oil", "1", "ppm"),
        (OSHA_GRADE_D, "dew_point", "20", "ppm"),
        (NFPA_1989_2019, "carbon_monoxide", "9", "mg_per_m3"),
        (NFPA_1989_2019, "odour", "0", "ppm"),
    ],
)
def test_no_other_unit_is_converted(standard: AirStandard, analyte: Analyte, value: str, unit: AnalyteUnit) -> None:
    assert one(standard, analyte, value, unit) == "not-comparable"


@pytest.mark.parametrize(
    ("standard", "analyte", "text", "verdict"),
    [
        (NFPA_1989_2019, "carbon_monoxide", "None detected.", "within"),
        (EN_12021_2014, "oil", "nil", "within"),
        (NFPA_1989_2019, "carbon_monoxide", "< 0.5", "within"),
        (NFPA_1989_2019, "carbon_monoxide", "<5", "within"),
        (NFPA_1989_2019, "carbon_monoxide", "<.5", "within"),
        (NFPA_1989_2019, "carbon_monoxide", "< 10", "not-comparable"),
        (NFPA_1989_2019, "carbon_monoxide", "low", "not-comparable"),
        (NFPA_1989_2019, "carbon_monoxide", "< 1e-1", "not-comparable"),
        (NFPA_1989_2019, "carbon_monoxide", "< -5", "not-comparable"),
        (NFPA_1989_2019, "carbon_monoxide", "< 1_0", "not-comparable"),
        (NFPA_1989_2019, "carbon_monoxide", "< NaN", "not-comparable"),
        (NFPA_1989_2019, "carbon_monoxide", "< ", "not-comparable"),
        (NFPA_1989_2019, "oxygen", "none detected", "not-comparable"),
        (OSHA_GRADE_D, "dew_point", "none detected", "not-comparable"),
        (OSHA_GRADE_D, "dew_point", "< -60", "not-comparable"),
        (OSHA_GRADE_D, "odour", "none", "within"),
        (OSHA_GRADE_D, "odour", "Slight", "over"),
        (NFPA_1989_2019, "odour", "slight", "within"),
        (CGA_GRADE_E, "odour", "pronounced", "over"),
        (EN_12021_2014, "odour", "slight", "over"),
        (OSHA_GRADE_D, "odour", "like rubber", "not-comparable"),
        (OSHA_GRADE_D, "odour", None, "not-comparable"),
        (OSHA_GRADE_D, "oil", None, "not-comparable"),
    ],
)
def test_words_of_laboratories(standard: AirStandard, analyte: Analyte, text: str | None, verdict: str) -> None:
    """Common practice, no source: what a laboratory writes for nothing found and for an odour."""
    assert verdict_of(standard, result(analyte, None, text=text))[analyte] == verdict


@pytest.mark.parametrize("text", ["< 9e999999", "<9e9999999999999", "< 1e-999999", "<" + "9" * 199])
def test_no_number_of_a_laboratory_ends_the_judgement(text: str) -> None:
    """Percent is turned into parts per million, and decimal arithmetic has an end: a judgement must not."""
    assert verdict_of(NFPA_1989_2019, result("carbon_dioxide", None, "percent", text))["carbon_dioxide"] == (
        "not-comparable"
    )


def test_water_is_told_in_one_way_or_another() -> None:
    by_ppm = verdict_of(NFPA_1989_2019, result("water", "10"))
    by_dew_point = verdict_of(NFPA_1989_2019, result("dew_point", "-70"))
    assert by_ppm["water"] == by_dew_point["dew_point"] == "within"
    assert "dew_point" not in by_ppm
    assert "water" not in by_dew_point
    both = verdict_of(NFPA_1989_2019, result("water", "10"), result("dew_point", "-50"))
    assert (both["water"], both["dew_point"]) == ("within", "over")
    neither = verdict_of(NFPA_1989_2019, result("water", "10", "mg_per_m3"))
    assert (neither["water"], neither["dew_point"]) == ("not-comparable", "not-reported")


def test_of_two_results_the_worse_stands() -> None:
    pair = (result("carbon_monoxide", "1"), result("carbon_monoxide", "9"))
    for results in (pair, pair[::-1]):
        assert verdict_of(NFPA_1989_2019, *results)["carbon_monoxide"] == "over"


def test_what_the_sample_does_not_tell_is_said() -> None:
    told = verdict_of(OSHA_GRADE_D, result("oxygen", "20.9"))
    assert {analyte for analyte, verdict in told.items() if verdict == "not-reported"} == {
        "carbon_monoxide",
        "carbon_dioxide",
        "oil",
        "dew_point",
        "odour",
    }


def test_every_shipped_limit_is_well_made() -> None:
    assert len({standard.key for standard in AIR_STANDARDS}) == len(AIR_STANDARDS) == 4
    for standard in AIR_STANDARDS:
        assert SHIPPED.air_standards(standard.key)
        assert standard.source
        for limit in standard.limits:
            ends = [Decimal(end) for end in (limit.minimum, limit.maximum) if end is not None]
            assert ends
            assert ends == sorted(ends)
            assert limit_words(limit)
    # Only the text of the regulation was read; nothing else may claim so.
    assert [standard.key for standard in AIR_STANDARDS if standard.confidence == "read"] == ["OSHA Grade D"]
    from_memory = [limit.analyte for limit in NFPA_1989_2019.limits if "from memory" in (limit.source or "")]
    assert from_memory == ["oxygen", "nitrogen"]


# The decision.


def asked(results: Mapping[Analyte, str], verdict: str = "pass", **terms: Any) -> Any:
    return judge(question_of(results, verdict, **terms), explain=True)


def question_of(results: Mapping[Analyte, str], verdict: str = "pass", **terms: Any) -> Question:
    return question(
        air_sources=(source(sample(SAMPLED, verdict, results=results)),), policy=policy(**terms), **_scuba(terms)
    )


def _scuba(terms: Mapping[str, Any]) -> dict[str, Any]:
    return {"cylinder": cylinder(use="scuba")} if "scuba_air_standard" in terms else {}


def test_carbon_monoxide_of_9_ppm_passes_grade_d_and_fails_nfpa_1989() -> None:
    """29 CFR 1910.134(i)(1)(ii)(C) allows 10 ppm; NFPA 1989-2019 allows 5 (secondary). The laboratory said pass."""
    found = dict(WITHIN_NFPA) | {"carbon_monoxide": "9", "dew_point": "-70"}
    assert asked(found, air_standard="OSHA Grade D").decision == "permit"
    judged = asked(found, air_standard="NFPA 1989-2019")
    assert judged.code == "air-sample-over-limit"
    assert judged.display_text == "Do not fill. Air: carbon monoxide 9 ppm, limit 5 ppm."
    for word in ("carbon monoxide", "9 ppm", "NFPA 1989-2019", "at most 5 ppm", "later day"):
        assert word in judged.reasons[0].text
    assert "secondary" in judged.reasons[0].source
    assert asked(found).decision == "permit"  # without a standard the laboratory's verdict stands


def test_a_laboratorys_fail_stays_a_fail() -> None:
    judged = asked(WITHIN_NFPA, "fail", air_standard="NFPA 1989-2019")
    assert codes(judged) == ["air-sample-failed"]


def test_every_analyte_that_fails_is_a_reason_of_its_own() -> None:
    judged = asked(dict(WITHIN_NFPA) | {"carbon_monoxide": "9", "oil": "3"}, air_standard="NFPA 1989-2019")
    assert [reason.code for reason in judged.reasons] == ["air-sample-over-limit"] * 2
    assert ["carbon monoxide" in judged.reasons[0].text, "oil" in judged.reasons[1].text] == [True, True]


def test_a_retest_of_a_later_day_clears_it() -> None:
    bad, good = sample("2026-06-01", results={"carbon_monoxide": "9"}), sample("2026-06-10", results=WITHIN_NFPA)
    terms = policy(air_standard="NFPA 1989-2019")
    assert answer(air_sources=(source(bad, good),), policy=terms).code == "ok"
    same_day = sample("2026-06-01", results=WITHIN_NFPA)
    assert answer(air_sources=(source(bad, same_day),), policy=terms).code == "air-sample-over-limit"


def test_what_a_passed_sample_does_not_tell_is_advice() -> None:
    judged = asked({"carbon_monoxide": "1", "oxygen": "20.9"}, air_standard="OSHA Grade D")
    assert judged.decision == "permit"
    assert [reason.code for reason in judged.advice] == ["air-sample-incomplete"]
    for word in ("carbon dioxide", "oil", "dew point", "odour"):
        assert word in judged.advice[0].text
    assert [reason.code for reason in asked({}, air_standard="NFPA 1989-2019").advice] == ["air-sample-incomplete"]
    assert asked(dict(WITHIN_NFPA), air_standard="NFPA 1989-2019").advice == ()
    # Whoever fills can do nothing about it: the due list tells the office, and so does an explanation.
    gaps = question_of({}, air_standard="NFPA 1989-2019")
    assert judge(gaps).advice == ()
    (outlook, *_) = air_source_outlooks(gaps, gaps.air_sources[0], AT)
    assert [reason.code for reason in outlook.outlook.advice] == ["air-sample-incomplete"]
    assert outlook.outlook.denials == ()


def test_scuba_air_is_asked_for_where_a_scuba_cylinder_is_filled() -> None:
    """CGA Grade E (secondary): oxygen at most 22 %; Grade D allows 23.5 %."""
    found = dict(WITHIN_NFPA) | {"oxygen": "23", "dew_point": "-70"}
    both = {"air_standard": "OSHA Grade D", "scuba_air_standard": "CGA Grade E"}
    judged = asked(found, **both)
    assert judged.code == "air-sample-over-limit"
    assert "CGA Grade E" in judged.reasons[0].text
    scba = answer(air_sources=(source(sample(SAMPLED, results=found)),), policy=policy(**both))
    assert scba.code == "ok"


def test_a_standard_nobody_entered_denies_and_says_what_to_enter() -> None:
    judged = asked(WITHIN_NFPA, air_standard="Grade J")
    assert judged.code == "air-standard-unknown"
    assert "Enter it for the county with its limits" in judged.reasons[0].text
    assert "POST /v1/air-standards" in str(judged.reasons[0].clears_by)


def test_a_bank_is_judged_by_the_pressure_its_bottles_are_made_for() -> None:
    """EN 12021:2014 (secondary): 50 mg/m3 of water up to 200 bar, 35 above."""
    limits: list[AnalyteVerdict] = []
    for storage_psi in (2_900, 6_000):
        wet = (result("water", "40", "mg_per_m3"),)
        limits += [
            verdict
            for verdict in judge_sample(wet, EN_12021_2014, air_source_kind="storage_bank", storage_psi=storage_psi)
            if verdict.analyte == "water"
        ]
    assert [verdict.fails for verdict in limits] == [False, True]


def test_a_limit_reads_plainly() -> None:
    assert limit_words(AnalyteLimit(analyte="oxygen", unit="percent", minimum="19.5", maximum="23.5")) == (
        "19.5 to 23.5 %"
    )
    assert limit_words(AnalyteLimit(analyte="oxygen", unit="percent", minimum="19.5")) == "at least 19.5 %"
    assert limit_words(AnalyteLimit(analyte="odour", unit="none", maximum="0")) == "none"
    assert limit_words(AnalyteLimit(analyte="odour", unit="none", maximum="1")) == "at most slight"
    assert limit_words(AnalyteLimit(analyte="odour", unit="none", maximum="2")) == "any"
    assert result_words(result("oil", None)) == ""
    assert result_words(result("oil", None, text="nil")) == "nil"
    assert result_words(result("oil", "0.1", text="trace")) == "0.1 mg/m3"
