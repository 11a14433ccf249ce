"""What a county may not enter into the rulebook, and that what a release brings would be let in by the same door."""

import uuid
from datetime import UTC, datetime
from typing import Any

import pytest

from fill_ledger.trade.entries import refusals
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.events.rulebook import (
    AirStandard,
    AirStandardEntered,
    AmendedFigure,
    AmendedSource,
    AnalyteLimit,
    RuleAmended,
    SpecificationEntered,
    SpecificationEntry,
)
from fill_ledger.trade.identifiers import COUNTY_ID, Subject, rulebook_subject
from fill_ledger.trade.rulebook.air_standards import AIR_STANDARDS
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.rules import FIGURES
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.states.rulebook import RulebookState

AT = datetime(2026, 6, 15, 14, tzinfo=UTC)
DEPARTMENT_ID = uuid.UUID(int=5)
UNITED_NATIONS_KEYS = ("UN steel", "UN aluminium", "UN composite")


class OfOneLedger:
    """What a check may look at: the rulebook of one ledger, empty."""

    def __init__(self, department_id: uuid.UUID = COUNTY_ID) -> None:
        self.department_id = department_id

    def state(self, subject: Subject) -> Any:
        assert subject == rulebook_subject()
        return RulebookState(department_id=self.department_id, subject_id=subject.subject_id)

    def named_event(self) -> Event | None:
        return None


def refused(body: Body, department_id: uuid.UUID = COUNTY_ID) -> set[tuple[str, str]]:
    """Return where and why a body is refused, after checking that it is told in words."""
    found = refusals(body, OfOneLedger(department_id), AT)
    assert all(refusal.detail.endswith(".") and not refusal.conflict for refusal in found)
    return {(refusal.pointer, refusal.code) for refusal in found}


def specification(**fields: Any) -> SpecificationEntered:
    defaults: dict[str, Any] = {
        "key": "SP12345",
        "uses": ("scba",),
        "interval_years": 5,
        "source": "the permit",
        "confidence": "read",
    }
    return SpecificationEntered(entry=SpecificationEntry(**(defaults | fields)))


def standard(*limits: AnalyteLimit, **fields: Any) -> AirStandardEntered:
    defaults: dict[str, Any] = {"key": "County 2026", "title": "Air", "source": "rule 4", "confidence": "read"}
    given = limits or (AnalyteLimit(analyte="water", unit="ppm", maximum="24"),)
    return AirStandardEntered(standard=AirStandard(**(defaults | fields), limits=given))


@pytest.mark.parametrize("entry", SPECIFICATIONS, ids=lambda entry: entry.key)
def test_what_a_release_brings_about_specifications_would_be_let_in(entry: SpecificationEntry) -> None:
    assert refused(SpecificationEntered(entry=entry)) == set()


@pytest.mark.parametrize("brought", AIR_STANDARDS, ids=lambda brought: brought.key)
def test_what_a_release_brings_about_air_would_be_let_in(brought: AirStandard) -> None:
    assert refused(AirStandardEntered(standard=brought)) == set()


@pytest.mark.parametrize(
    "body", [specification(), standard(), RuleAmended(sources=(AmendedSource(code="on-hold", source="s"),), reason="r")]
)
def test_only_the_county_ledger_takes_it(body: Body) -> None:
    assert refused(body) == set()
    assert refused(body, DEPARTMENT_ID) == {("", "county-only")}


@pytest.mark.parametrize(
    "key", ["3AA", "3AL", "SP9999", "SP10915", "EN composite", "TC 3AAM", "TC 3FCM", "TC-SU4957", *UNITED_NATIONS_KEYS]
)
def test_a_key_is_what_marks_are_read_as(key: str) -> None:
    assert refused(specification(key=key)) == set()


@pytest.mark.parametrize(
    ("key", "meant"),
    [
        ("DOT-SP10915-4500", "SP10915"),
        ("sp 10915", "SP10915"),
        ("DOT-3AA2216", "3AA"),
        ("UN ISO 9809-1", "UN steel"),
        ("EN 12245", "EN composite"),
        ("TC-3ALM207", "TC 3ALM"),
        ("10915", None),  # no prefix: it could be anything
        ("3ZZ", None),
        ("unknown", None),  # what marks of unknown designs are gathered under: one entry would allow them all
        ("UN wood", None),
        ("SP1O915", None),
    ],
)
def test_another_text_is_no_key_and_the_right_one_is_told(key: str, meant: str | None) -> None:
    found = refusals(specification(key=key), OfOneLedger(), AT)
    assert [(refusal.pointer, refusal.code) for refusal in found] == [("/entry/key", "no-such-key")]
    if meant is not None:
        assert f"is read as {meant}:" in found[0].detail


@pytest.mark.parametrize(
    ("fields", "where", "code"),
    [
        ({"uses": ()}, "/entry/refusal", "refusal-missing"),
        ({"refusal": "is expired"}, "/entry/refusal", "refusal-with-uses"),
        ({"uses": ("scba", "storage", "scba")}, "/entry/uses/2", "named-twice"),
        ({"interval_years": None}, "/entry/interval_years", "interval-missing"),
        ({"interval_years": 21}, "/entry/interval_years", "interval-too-long"),
        ({"interval_years": 5, "life_years": 4}, "/entry/life_years", "life-too-short"),
        # 49 CFR 180.209(b): the star is for 3A and 3AA.
        ({"key": "3AL", "star_interval_years": 10}, "/entry/star_interval_years", "star-not-allowed"),
        ({"star_interval_years": 10}, "/entry/star_interval_years", "star-not-allowed"),
        ({"key": "3AA", "star_interval_years": 5}, "/entry/star_interval_years", "star-not-longer"),
        # 49 CFR 173.302a(b): 3A, 3AX, 3AA, 3AAX, 3T.
        ({"key": "3AL", "plus_allowed": True}, "/entry/plus_allowed", "plus-not-allowed"),
        ({"key": "UN steel", "plus_allowed": True}, "/entry/plus_allowed", "plus-not-allowed"),
        ({"key": "3AA", "taken_as_6351": True}, "/entry/taken_as_6351", "not-aluminium"),
        ({"key": "foreign"}, "/entry/uses", "key-gathers-many"),
        ({"key": "4-series"}, "/entry/uses", "key-gathers-many"),
        ({"effective_from": "2026-02-30"}, "/entry/effective_from", "no-such-day"),
        ({"effective_until": "2027-02-29"}, "/entry/effective_until", "no-such-day"),
        (
            {"effective_from": "2026-05-01", "effective_until": "2026-05-01"},
            "/entry/effective_until",
            "days-reversed",
        ),
        (
            {"effective_from": "2026-05-02", "effective_until": "2026-05-01"},
            "/entry/effective_until",
            "days-reversed",
        ),
    ],
)
def test_a_specification_that_cannot_be(fields: dict[str, Any], where: str, code: str) -> None:
    assert refused(specification(**fields)) == {(where, code)}


@pytest.mark.parametrize(
    "fields",
    [
        {"uses": (), "refusal": "is expired", "interval_years": None},
        {"interval_years": 20},
        {"interval_years": 5, "life_years": 5},
        {"key": "3AA", "star_interval_years": 10, "plus_allowed": True},
        {"plus_allowed": True},  # a permit may say so
        {"key": "TC-SU4957", "plus_allowed": True},
        {"taken_as_6351": True},
        {"key": "3AL", "taken_as_6351": True},
        {"key": "foreign", "uses": (), "refusal": "has no mark known here", "interval_years": None},
        {"effective_from": "2026-05-01", "effective_until": "2026-05-02"},
        {"effective_from": "2028-02-29"},
    ],
)
def test_a_specification_that_can_be(fields: dict[str, Any]) -> None:
    assert refused(specification(**fields)) == set()


def test_every_fault_is_told_at_once() -> None:
    body = specification(key="3zz", uses=(), star_interval_years=10, effective_from="2026-02-30")
    assert refused(body) == {
        ("/entry/key", "no-such-key"),
        ("/entry/refusal", "refusal-missing"),
        ("/entry/star_interval_years", "star-not-allowed"),
        ("/entry/effective_from", "no-such-day"),
    }


def limit(**fields: Any) -> AnalyteLimit:
    defaults: dict[str, Any] = {"analyte": "water", "unit": "mg_per_m3", "maximum": "50"}
    return AnalyteLimit(**(defaults | fields))


@pytest.mark.parametrize(
    ("limits", "where", "code"),
    [
        ([limit(maximum=None)], "/standard/limits/0", "limit-missing"),
        ([limit(minimum="50.1")], "/standard/limits/0/minimum", "limits-reversed"),
        # Compared as numbers: as text "9" comes after "10".
        ([limit(minimum="10", maximum="9")], "/standard/limits/0/minimum", "limits-reversed"),
        ([limit(over_psi=2900, through_psi=2900)], "/standard/limits/0/over_psi", "range-empty"),
        (
            [limit(analyte="oxygen", unit="percent", maximum="123.5")],
            "/standard/limits/0/maximum",
            "not-a-share",
        ),
        ([limit(), limit(maximum="35")], "/standard/limits/1", "named-twice"),
        ([limit(through_psi=2900), limit(over_psi=2800)], "/standard/limits/1", "named-twice"),
        ([limit(air_source_kind="compressor"), limit(maximum="35")], "/standard/limits/1", "named-twice"),
    ],
)
def test_a_standard_that_cannot_be(limits: list[AnalyteLimit], where: str, code: str) -> None:
    assert refused(standard(*limits)) == {(where, code)}


@pytest.mark.parametrize(
    "limits",
    [
        [limit(minimum="9", maximum="10")],
        [limit(minimum="50")],
        [limit(through_psi=2900), limit(over_psi=2900, maximum="35")],
        [limit(), limit(unit="ppm", maximum="67")],
        [limit(air_source_kind="compressor"), limit(air_source_kind="storage_bank", maximum="35")],
        [limit(unit="deg_f", analyte="dew_point", maximum="-65")],
    ],
)
def test_a_standard_that_can_be(limits: list[AnalyteLimit]) -> None:
    assert refused(standard(*limits)) == set()


@pytest.mark.parametrize("key", ["a/b", " NFPA 1989", "x?y", "Grade\tD", "EN 12021%", "-"])
def test_the_key_of_a_standard_can_stand_in_a_path(key: str) -> None:
    assert refused(standard(key=key)) == {("/standard/key", "wrong-format")}
    assert refused(standard(key="EN 12021:2014 (county)")) == set()


def amended(figure: str = "requalification_grace_months", value: int | str = 12, **fields: Any) -> RuleAmended:
    return RuleAmended(figures=(AmendedFigure(figure=figure, value=value),), reason="notice", **fields)


@pytest.mark.parametrize(
    ("body", "where", "code"),
    [
        (RuleAmended(reason="notice"), "", "nothing-amended"),
        (amended("grace"), "/figures/0/figure", "no-such-figure"),
        (amended(value=25), "/figures/0/value", "out-of-range"),
        (amended(value="2026-01"), "/figures/0/value", "wrong-kind"),
        (amended("star_made_after", 1945), "/figures/0/value", "wrong-kind"),
        (amended("star_made_after", "0000-01"), "/figures/0/value", "no-such-month"),
        (amended(effective_from="2026-04-31"), "/effective_from", "no-such-day"),
        (amended(effective_from="2026-05-01", effective_until="2026-04-30"), "/effective_until", "days-reversed"),
        (
            RuleAmended(sources=(AmendedSource(code="on-holiday", source="s"),), reason="r"),
            "/sources/0/code",
            "no-such-code",
        ),
        # What is only found about a fact quotes its source when it is found: an amendment would change nothing.
        (
            RuleAmended(sources=(AmendedSource(code="over-fill-limit", source="s"),), reason="r"),
            "/sources/0/code",
            "no-such-code",
        ),
        (
            RuleAmended(sources=(AmendedSource(code="on-hold", source="s"),) * 2, reason="r"),
            "/sources/1/code",
            "named-twice",
        ),
        (
            RuleAmended(figures=(AmendedFigure(figure="star_made_after", value="1950-01"),) * 2, reason="r"),
            "/figures/1/figure",
            "named-twice",
        ),
    ],
)
def test_an_amendment_that_cannot_be(body: RuleAmended, where: str, code: str) -> None:
    assert refused(body) == {(where, code)}


@pytest.mark.parametrize("name", sorted(FIGURES))
def test_every_figure_takes_the_values_it_says_it_takes(name: str) -> None:
    figure = FIGURES[name]
    assert refused(amended(name, figure.value)) == set()
    if isinstance(figure, NumberFigure):
        assert figure.lowest <= figure.value <= figure.highest
        assert refused(amended(name, figure.lowest)) == refused(amended(name, figure.highest)) == set()
        assert refused(amended(name, figure.highest + 1)) == {("/figures/0/value", "out-of-range")}
        assert figure.lowest == 0 or refused(amended(name, figure.lowest - 1)) == {("/figures/0/value", "out-of-range")}
    else:
        assert refused(amended(name, "1999-12")) == set()
