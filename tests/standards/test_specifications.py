"""Which specifications are filled with breathing air, and the figures on file for them.

Sources: 49 CFR 180.209(a) table 1; 180.207(c) (2015 edition); 180.205(c): a special permit's interval and life stand in
the permit, and those were not readable, so the figures below are secondary or from memory and the data must say so.
"""

from datetime import UTC, datetime

import pytest

from fill_ledger.trade.events.rulebook import SpecificationEntry
from fill_ledger.trade.judgement import judge, rules_version
from fill_ledger.trade.rulebook import SHIPPED, Rulebook
from fill_ledger.trade.rulebook.specifications import PERMITS, SPECIFICATIONS
from tests.trade.rules.questions import answer, codes, cylinder, question, stamp


# 49 CFR 180.209(a) table 1, rows for what holds air at high pressure: five years each.
@pytest.mark.parametrize(
    ("specification", "use"),
    [
        ("DOT-3A2216", "scba"),
        ("DOT-3AA2216", "scuba"),
        ("DOT-3AA2216", "storage"),
        ("DOT-3AL2216", "scba"),
        ("DOT-3AX2216", "storage"),
        ("DOT-3AAX2216", "storage"),
        ("DOT-3T2216", "storage"),
        ("TC-3ALM153", "scba"),
        ("TC-3AAM153", "scba"),
    ],
)
def test_five_years(specification: str, use: str) -> None:
    good = cylinder(stamp("2021-06"), specification=specification, use=use)
    late = cylinder(stamp("2021-05"), specification=specification, use=use)
    assert answer(cylinder=good).decision == "permit"
    assert answer(cylinder=late).code == "requalification-due"


@pytest.mark.parametrize(
    ("specification", "code"),
    [
        ("DOT-3HT1850", "specification-not-fillable"),
        ("DOT-39", "specification-not-fillable"),
        ("DOT-3E1800", "specification-not-fillable"),
        ("DOT-3B400", "specification-not-fillable"),
        ("DOT-4BA240", "specification-not-fillable"),
        ("DOT-8AL", "specification-not-fillable"),
        ("ISO 9809-1", "specification-not-fillable"),
        ("ASME", "specification-not-fillable"),
        ("DOT-E6576-2216", "specification-not-fillable"),
        ("DOT-E6688-2216", "specification-not-fillable"),
        ("DOT-SP16320", "specification-not-fillable"),
        ("DOT-SP14206", "specification-not-fillable"),
        ("DOT-SP12345-4500", "permit-unknown"),
        ("TC-SU4957-310", "permit-unknown"),
        ("TC-3FCM310", "specification-unknown"),
        ("UN ISO 11118", "specification-unknown"),
        ("DOT-3AL2O16", "specification-unreadable"),
    ],
)
def test_refused(specification: str, code: str) -> None:
    judged = answer(cylinder=cylinder(specification=specification, pressure="2216"))
    assert codes(judged)[0] == code
    assert judged.fill_limit_psi is None


@pytest.mark.parametrize("specification", ["DOT-3AX2216", "DOT-3AAX2216", "DOT-3T2216"])
def test_large_tubes_are_storage_only(specification: str) -> None:
    assert answer(cylinder=cylinder(specification=specification)).code == "specification-wrong-use"


def test_what_to_enter_is_said() -> None:
    unknown_permit = answer(cylinder=cylinder(specification="DOT-SP12345-2216")).reasons[0]
    assert "interval and service life" in unknown_permit.text
    no_material = answer(cylinder=cylinder(specification="UN ISO 11118")).reasons[0]
    assert "Enter the material" in no_material.text
    misread = answer(cylinder=cylinder(specification="DOT-3AL2O16")).reasons[0]
    assert "DOT-3AL2016" in misread.text


def test_a_un_mark_without_material_is_judged_by_the_record() -> None:
    judged = answer(cylinder=cylinder(stamp("2017-06"), specification="UN ISO 11118", details_material="steel"))
    assert judged.decision == "permit"


@pytest.mark.parametrize("permit", [entry for entry in PERMITS if entry.uses], ids=lambda entry: entry.key)
def test_permit_data_says_how_well_it_is_founded(permit: SpecificationEntry) -> None:
    """No permit's own interval and life were readable, so none may claim to be."""
    assert permit.confidence in ("medium", "low")
    judged = answer(
        cylinder=cylinder(specification=f"DOT-{permit.key}-2216", manufactured="2019-01", details_alloy="6061-T6")
    )
    assert judged.decision == "permit"
    advice = {reason.code: reason for reason in judged.advice}
    assert ("permit-data-unverified" in advice) == (permit.confidence == "low")
    if permit.confidence == "low":
        assert advice["permit-data-unverified"].source == permit.source


def test_entries_are_whole() -> None:
    for entry in SPECIFICATIONS:
        assert entry.source
        assert (entry.refusal is not None) == (entry.uses == ())
        assert (entry.interval_years is not None) == (entry.uses != ())


def test_an_entry_holds_only_in_its_time() -> None:
    """Invented data: a permit of five years' interval until 2 March 2026, of three years from then on, until 2027."""
    key = "SP98765"
    entries = (
        SpecificationEntry(
            key=key, interval_years=5, source="invented", confidence="read", effective_until="2026-03-02"
        ),
        SpecificationEntry(
            key=key,
            interval_years=3,
            source="invented",
            confidence="read",
            effective_from="2026-03-02",
            effective_until="2027-01-01",
        ),
    )
    rulebook = Rulebook(entries, ())
    subject = cylinder(stamp("2022-09"), specification=f"DOT-{key}-2216")
    before = question(at=datetime(2026, 3, 1, 12, tzinfo=UTC), cylinder=subject, air_sources=(), rulebook=rulebook)
    changes_at = judge(before).valid_until
    assert changes_at == datetime(2026, 3, 2, 5, tzinfo=UTC)
    assert "requalification-due" not in codes(judge(before))
    after = question(at=changes_at, cylinder=subject, air_sources=(), rulebook=rulebook)
    assert "requalification-due" in codes(judge(after))
    ended = question(at=datetime(2027, 1, 1, 5, tzinfo=UTC), cylinder=subject, air_sources=(), rulebook=rulebook)
    assert "specification-not-fillable" in codes(judge(ended))


def test_the_version_is_a_digest_of_the_data() -> None:
    assert len(rules_version(SHIPPED)) == 12
    assert int(rules_version(SHIPPED), 16) >= 0


EVERY_USE, NO_SCUBA, STORAGE = ("scba", "scuba", "storage"), ("scba", "storage"), ("storage",)
# Key: uses, years between tests, years with a star, years of life, whether a plus counts, how well it is founded.
ON_FILE: dict[str, tuple[tuple[str, ...], int, int | None, int | None, bool, str]] = {
    # 49 CFR 180.209(a) table 1, (b) for the star; 173.302a(b) for the plus (2015 edition). Tubes are storage only.
    "3A": (EVERY_USE, 5, 10, None, True, "read"),
    "3AA": (EVERY_USE, 5, 10, None, True, "read"),
    "3AL": (EVERY_USE, 5, None, None, False, "read"),
    "3AX": (STORAGE, 5, None, None, True, "read"),
    "3AAX": (STORAGE, 5, None, None, True, "read"),
    "3T": (STORAGE, 5, None, None, True, "read"),
    # 49 CFR 180.207(c) (2015 edition).
    "UN steel": (EVERY_USE, 10, None, None, False, "read"),
    "UN aluminium": (EVERY_USE, 10, None, None, False, "read"),
    "UN composite": (EVERY_USE, 5, None, 15, False, "medium"),
    # 49 CFR 171.12(a)(4), from memory: as the DOT specification of the same name.
    "TC 3AM": (EVERY_USE, 5, None, None, False, "low"),
    "TC 3AAM": (EVERY_USE, 5, None, None, False, "low"),
    "TC 3ALM": (EVERY_USE, 5, None, None, False, "low"),
    # Permits not read: secondary for 10915, from memory for the others; not under water, from memory.
    "SP10915": (NO_SCUBA, 5, None, 15, False, "medium"),
    "SP11194": (NO_SCUBA, 5, None, 15, False, "medium"),
    "SP10945": (NO_SCUBA, 5, None, 15, False, "medium"),
    "SP13583": (NO_SCUBA, 5, None, 15, False, "low"),
    "SP14232": (NO_SCUBA, 5, None, 15, False, "low"),
    # Life: 59 FR (15 February 1994), a generic notice; interval from memory.
    "SP8059": (NO_SCUBA, 3, None, 15, False, "low"),
    "SP7235": (NO_SCUBA, 3, None, 15, False, "low"),
    "SP7277": (NO_SCUBA, 3, None, 15, False, "low"),
    "SP8162": (NO_SCUBA, 3, None, 15, False, "low"),
    # Forerunners of 3AL, secondary.
    "SP6498": (EVERY_USE, 5, None, None, False, "medium"),
    "SP7042": (EVERY_USE, 5, None, None, False, "medium"),
}


def test_the_figures_on_file_are_those_of_the_sources() -> None:
    on_file = {
        entry.key: (
            entry.uses,
            entry.interval_years,
            entry.star_interval_years,
            entry.life_years,
            entry.plus_allowed,
            entry.confidence,
        )
        for entry in SHIPPED.every_specification()
        if entry.uses
    }
    assert on_file == ON_FILE


def test_what_holds_for_a_few_only() -> None:
    """71 FR 51122: alloy 6351 (secondary); 180.207(c), a later text; 15 C for European cylinders, ISO 9809 (memory)."""
    every = list(SHIPPED.every_specification())
    # 3AL is asked for its alloy instead: not every one is of 6351.
    assert {entry.key for entry in every if entry.taken_as_6351} == {"SP6498", "SP7042"}
    # Of SP14232 the label may say more than the 15 years assumed.
    assert {entry.key for entry in every if entry.marked_life_prevails} == {"UN composite", "SP14232"}
    assert {entry.key for entry in every if entry.reference_temperature_f == 59} == {
        "EN steel",
        "EN aluminium",
        "EN composite",
    }
    assert {entry.reference_temperature_f for entry in every} == {59, 70}
    # The guideline for full-wrap carbon over aluminium ends at 5,000 psi (a comparison sheet, secondary).
    assert {entry.key: entry.service_pressure_max_psi for entry in every if entry.service_pressure_max_psi} == {
        "SP10915": 5_000,
        "SP11194": 5_000,
        "SP10945": 5_000,
    }
