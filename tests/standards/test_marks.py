"""Specification marks against the regulation's own examples. CFR text: 2015 annual edition."""

import pytest

from fill_ledger.trade.marks import (
    Material,
    SpecificationFamily,
    SpecificationFault,
    SpecificationMark,
    material_implied,
    parse_specification,
)
from fill_ledger.trade.pressure import PressureUnit, StampedPressure


def read(text: str) -> SpecificationMark:
    mark = parse_specification(text)
    assert isinstance(mark, SpecificationMark), mark
    return mark


def test_specification_first_then_service_pressure() -> None:
    # 49 CFR 178.35(f)(1)(i): "For example, DOT-3A1800"; (iv) says DOT-3A is the specification, 1800 the pressure.
    mark = read("DOT-3A1800")
    assert mark.authority == "DOT"
    assert mark.design == "3A"
    assert mark.service_pressure == StampedPressure(value="1800", unit=PressureUnit.PSI)


@pytest.mark.parametrize("whole_stamp", ["DOT-3A18001234XYAB 5-95", "DOT-3A1800-1234-XYAB 5-95"])
def test_a_whole_stamp_with_serial_and_maker_is_not_guessed_at(whole_stamp: str) -> None:
    # 49 CFR 178.35(f)(1)(iv), both examples: the digits of pressure and serial run together in the first.
    assert isinstance(parse_specification(whole_stamp), SpecificationFault)


@pytest.mark.parametrize(
    ("design", "material"),
    # Titles of the sections of 49 CFR part 178, subpart C.
    [
        ("3A", Material.STEEL),  # 178.36 Specification 3A and 3AX seamless steel cylinders
        ("3AX", Material.STEEL),
        ("3AA", Material.STEEL),  # 178.37 Specification 3AA and 3AAX seamless steel cylinders
        ("3AAX", Material.STEEL),
        ("3B", Material.STEEL),  # 178.38 Specification 3B seamless steel cylinders
        ("3BN", Material.NICKEL),  # 178.39 Specification 3BN seamless nickel cylinders
        ("3E", Material.STEEL),  # 178.42 Specification 3E seamless steel cylinders
        ("3HT", Material.STEEL),  # 178.44 Specification 3HT seamless steel cylinders for aircraft use
        ("3T", Material.STEEL),  # 178.45 Specification 3T seamless steel cylinder
        ("3AL", Material.ALUMINIUM),  # 178.46 Specification 3AL seamless aluminum cylinders
        ("4DS", Material.STEEL),  # 178.47 Specification 4DS welded stainless steel cylinders for aircraft use
        ("4B", Material.STEEL),  # 178.50 Specification 4B welded or brazed steel cylinders
        ("4BA", Material.STEEL),  # 178.51
        ("4D", Material.STEEL),  # 178.53
        ("4AA480", Material.STEEL),  # 178.56
        ("4DA", Material.STEEL),  # 178.58
        ("8", Material.STEEL),  # 178.59 Specification 8 steel cylinders with porous fillings for acetylene
        ("8AL", Material.STEEL),  # 178.60: steel, despite its letters
        ("4BW", Material.STEEL),  # 178.61
        ("39", None),  # 178.65 Specification 39 non-reusable (non-refillable) cylinders: no material in the title
        ("4E", Material.ALUMINIUM),  # 178.68 Specification 4E welded aluminum cylinders
    ],
)
def test_materials_as_the_titles_say(design: str, material: Material | None) -> None:
    assert material_implied(read(f"DOT-{design}")) is material


@pytest.mark.parametrize(
    ("standard", "material"),
    # 49 CFR 178.71(f) to (l) names the construction standards with their titles.
    [
        ("ISO 9809-1", Material.STEEL),
        ("ISO 9809-2", Material.STEEL),
        ("ISO 9809-3", Material.STEEL),
        ("ISO 7866", Material.ALUMINIUM),
        ("ISO 11120", Material.STEEL),
        ("ISO 4706", Material.STEEL),
        ("ISO 20703", Material.ALUMINIUM),
        ("ISO 11119-1", Material.COMPOSITE),
        ("ISO 11119-2", Material.COMPOSITE),
        ("ISO 11119-3", Material.COMPOSITE),
    ],
)
def test_un_construction_standards(standard: str, material: Material) -> None:
    mark = read(f"UN {standard}")
    assert mark.family is SpecificationFamily.UN
    assert mark.standard == standard
    assert mark.notes == ()
    assert material_implied(mark) is material


def test_un_pressures_are_in_bar_between_letters() -> None:
    # 49 CFR 178.71(q)(6): test pressure in bar, preceded by PH and followed by BAR; (q)(10): working pressure after PW.
    mark = read("PW200 PH300BAR UN ISO 9809-1 USA/M1234 AB 2006/04")
    assert mark.service_pressure == StampedPressure(value="200", unit=PressureUnit.BAR)
    assert mark.test_pressure == StampedPressure(value="300", unit=PressureUnit.BAR)
    # The bottom row goes on with approval, inspector and first inspection, (r)(3): said to be unread, not dropped.
    assert mark.notes == ("not read as part of the specification: USA/M1234 AB 2006/04",)


@pytest.mark.parametrize("standard", ["ISO 6406", "ISO 10461", "ISO 11623"])
def test_requalification_standards_are_no_construction_marks(standard: str) -> None:
    # 49 CFR 180.207 names these three for the requalification of UN receptacles.
    fault = parse_specification(f"UN {standard}")
    assert isinstance(fault, SpecificationFault)
    assert fault.code == "requalification-standard"


def test_ctc_in_place_of_dot() -> None:
    # 49 CFR 171.12(a)(4)(ii)(A): same markings as for DOT, originally marked with CTC in place of DOT.
    assert read("CTC-3AA2015").family is read("DOT-3AA2015").family


def test_canadian_marks_carry_bar() -> None:
    # A published cylinder marking guide (secondary): TC-3ALM207 is aluminium at a service pressure of 207 bar.
    mark = read("TC-3ALM207")
    assert mark.service_pressure == StampedPressure(value="207", unit=PressureUnit.BAR)
    assert material_implied(mark) is Material.ALUMINIUM
