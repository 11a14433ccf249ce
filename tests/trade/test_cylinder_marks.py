"""What a mark says about pressure, material and signs, and what it rules out."""

import pytest

from fill_ledger.trade.cylinder_marks import (
    canonical_specification,
    material_contradiction,
    pressure_contradiction,
    read_mark,
    ruled_out_signs,
)
from fill_ledger.trade.mark_types import SpecificationMark
from fill_ledger.trade.pressure import PressureUnit, StampedPressure


def mark_of(text: str) -> SpecificationMark:
    """Return a mark that can be read."""
    mark = read_mark(text)
    assert isinstance(mark, SpecificationMark), mark
    return mark


@pytest.mark.parametrize(
    ("specification", "signs", "codes"),
    [
        # 49 CFR 173.302a(b) (2015 edition) names 3A, 3AX, 3AA, 3AAX and 3T for the plus sign.
        ("3AL3000", ["+"], ["plus-not-for-specification"]),
        ("UN ISO 11119-2", ["+"], ["plus-not-for-specification"]),
        ("3AA2015", ["+"], []),
        ("3AX2400", ["+"], []),
        ("3T2400", ["+"], []),
        # 49 CFR 180.209(b): the star is for 3A and 3AA (secondary quotation).
        ("3AA2015", ["star", "+"], []),
        ("3AAX2400", ["star"], ["star-not-for-specification"]),
        # 173.302a(b): the plus sign rests on the elastic expansion, which a proof pressure test does not measure.
        ("3AA2015", ["+", "S"], ["plus-without-expansion-test"]),
        # "Unless the permit says so": a person decides.
        ("SP10915", ["+"], []),
        # 180.205(f)(4): eddy current is told as a warning elsewhere, and keeps no record out.
        ("3AA2015", ["VE"], []),
    ],
)
def test_the_regulation_rules_out_signs_by_specification(
    specification: str, signs: list[str], codes: list[str]
) -> None:
    assert [warning.code for warning in ruled_out_signs(mark_of(specification), signs)] == codes


@pytest.mark.parametrize(
    ("specification", "value", "unit", "agrees"),
    [
        ("3AA2015", "2015", PressureUnit.PSI, True),
        ("3AA2015", "2014", PressureUnit.PSI, False),
        ("3AA2015", "2216", PressureUnit.PSI, False),  # 110 percent belongs to the plus sign, not to the mark
        ("3AL3000", "207", PressureUnit.BAR, True),  # 207 bar = 3002.3 psi (NIST SP 811): the same, rounded
        ("3AL3000", "200", PressureUnit.BAR, False),
        ("TC-3ALM207", "3000", PressureUnit.PSI, True),
        ("SP10915", "4500", PressureUnit.PSI, True),  # the mark carries no pressure
    ],
)
def test_a_service_pressure_agrees_with_the_mark_or_contradicts_it(
    specification: str, value: str, unit: PressureUnit, agrees: bool
) -> None:
    stamped = StampedPressure(value=value, unit=unit)
    assert (pressure_contradiction(mark_of(specification), stamped) is None) is agrees


def test_a_material_that_the_specification_excludes_is_told() -> None:
    # Titles of 49 CFR 178.37 (3AA, seamless steel) and 178.46 (3AL, seamless aluminum).
    assert material_contradiction(mark_of("3AA2015"), "aluminium") is not None
    assert material_contradiction(mark_of("3AL3000"), "aluminium") is None
    assert material_contradiction(mark_of("SP10915"), "composite") is None


def test_one_spelling_a_mark() -> None:
    assert {canonical_specification(text) for text in ("3aa 2015", "DOT-3AA2015", "D.O.T. 3AA-2015")} == {"DOT-3AA2015"}
    assert canonical_specification("no such mark") == "no such mark"
