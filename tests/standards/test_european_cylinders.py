"""European cylinders: how marks are read, refused as shipped, and judged where a county enters what holds for them.

Sources: the titles of EN 1964, EN 1975, EN 12245, EN ISO 9809 and EN ISO 7866, the pi mark and PW of ADR 6.2.2.7 (all
from memory); 49 CFR 171.23 (from memory): a cylinder without DOT, TC or UN mark is not filled in the United States.
A pressure marked in bar holds at 15 C, which is the trade's habit in Europe (not read). Real air: CoolProp 8.0.0.
"""

from typing import Any

import pytest

from fill_ledger.trade.marks import SpecificationFamily, SpecificationFault, material_implied, parse_specification
from fill_ledger.trade.rulebook import SHIPPED, specification_key
from tests.trade.rules.questions import answer, book, codes, cylinder, stamp

COUNTY = book(
    key="EN composite",
    uses=("scba",),
    interval_years=5,
    reference_temperature_f=59,
    source="national regulation of an invented county",
    confidence="medium",
)
EN_300_BAR: dict[str, Any] = {"specification": "EN 12245", "pressure": "300", "unit": "bar", "manufactured": "2020-03"}


@pytest.mark.parametrize(
    ("text", "standard", "key"),
    [
        ("EN 12245", "EN 12245", "EN composite"),
        ("en12245:2009", "EN 12245", "EN composite"),
        ("CE EN 12245", "EN 12245", "EN composite"),
        ("\N{GREEK SMALL LETTER PI} EN 12245", "EN 12245", "EN composite"),
        ("EN 12245 \N{GREEK SMALL LETTER PI} 0036", "EN 12245", "EN composite"),
        ("PI EN 12257", "EN 12257", "EN composite"),
        ("EN 1964-1", "EN 1964-1", "EN steel"),
        ("EN 1964 - 2", "EN 1964-2", "EN steel"),
        ("EN 1975", "EN 1975", "EN aluminium"),
        ("EN ISO 9809-1", "EN ISO 9809-1", "EN steel"),
        ("EN-ISO 7866", "EN ISO 7866", "EN aluminium"),
        ("EN ISO 11119-2", "EN ISO 11119-2", "EN composite"),
        ("EN 13322-1", "EN 13322-1", "foreign"),
        ("ISO 9809-1", "ISO 9809-1", "foreign"),
    ],
)
def test_marks_are_read(text: str, standard: str, key: str) -> None:
    mark = parse_specification(text)
    assert not isinstance(mark, SpecificationFault)
    assert (mark.family, mark.standard) == (SpecificationFamily.FOREIGN, standard)
    assert specification_key(mark, None) == key
    again = parse_specification(mark.canonical)
    assert not isinstance(again, SpecificationFault)
    assert again.canonical == mark.canonical


def test_the_working_pressure_is_in_bar() -> None:
    mark = parse_specification("EN 12245 PW300 PH450BAR")
    assert not isinstance(mark, SpecificationFault)
    assert mark.service_pressure is not None
    assert (mark.service_pressure.value, mark.service_pressure.unit, mark.canonical) == (
        "300",
        "bar",
        "EN 12245 PW300BAR",
    )


def test_a_un_mark_stays_one() -> None:
    mark = parse_specification("UN ISO 9809-1 PW200 PH300BAR")
    assert not isinstance(mark, SpecificationFault)
    assert specification_key(mark, None) == "UN steel"


def test_the_record_may_name_the_wall_where_the_standard_does_not() -> None:
    mark = parse_specification("EN 13322-1")
    assert not isinstance(mark, SpecificationFault)
    assert material_implied(mark) is None
    assert specification_key(mark, "steel") == "EN steel"


@pytest.mark.parametrize("specification", ["EN 12245", "EN 1964-1", "EN 1975", "EN ISO 9809-1", "EN ISO 7866"])
def test_as_shipped_they_are_refused(specification: str) -> None:
    judged = answer(cylinder=cylinder(stamp("2024-09"), **{**EN_300_BAR, "specification": specification}))
    assert codes(judged) == ["specification-not-fillable"]
    assert judged.display_text == f"Do not fill. {specification} has no DOT, TC or UN mark."
    assert "a county outside the United States may enter" in judged.reasons[0].text
    assert "171.23" in judged.reasons[0].source
    assert "from memory" in judged.reasons[0].source


def test_where_a_county_enters_them_they_are_judged() -> None:
    """300 bar is 4,351 psi, rounded down, at 59 F; by CoolProp 8.0.0 the same air reads 4,497.37 psi at 70 F."""
    judged = answer(cylinder=cylinder(stamp("2024-09"), **EN_300_BAR), rulebook=COUNTY)
    assert judged.decision == "permit"
    assert judged.fill_limit_psi == 4_497
    assert "limit-at-other-temperature" in codes(judged)
    due = answer(cylinder=cylinder(stamp("2021-05"), **EN_300_BAR), rulebook=COUNTY)
    assert due.code == "requalification-due"  # the county's 5 years
    steel = answer(cylinder=cylinder(**{**EN_300_BAR, "specification": "EN 1964-1"}), rulebook=COUNTY)
    assert steel.code == "specification-not-fillable"
    scuba = answer(cylinder=cylinder(**EN_300_BAR, use="scuba"), rulebook=COUNTY)
    assert scuba.code == "specification-wrong-use"


def test_the_shipped_entries_say_where_they_come_from() -> None:
    for wall in ("steel", "aluminium", "composite"):
        (dated,) = SHIPPED.specifications(f"EN {wall}")
        assert (dated.entry.uses, dated.entry.confidence) == ((), "low")
