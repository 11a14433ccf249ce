"""Specification marks: loose spelling, one canonical text, and a reason for every refusal."""

import itertools

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.marks import (
    MARK_TEXT_MAX_LENGTH,
    Material,
    SpecificationFamily,
    SpecificationFault,
    SpecificationMark,
    dot_equivalent,
    material_implied,
    parse_specification,
)
from fill_ledger.trade.pressure import PressureUnit, StampedPressure

Family = SpecificationFamily


def mark_of(text: str) -> SpecificationMark:
    mark = parse_specification(text)
    assert isinstance(mark, SpecificationMark), mark
    return mark


def fault_of(text: str) -> SpecificationFault:
    fault = parse_specification(text)
    assert isinstance(fault, SpecificationFault), fault
    return fault


def psi(value: int) -> StampedPressure:
    return StampedPressure(value=str(value), unit=PressureUnit.PSI)


def bar(value: int) -> StampedPressure:
    return StampedPressure(value=str(value), unit=PressureUnit.BAR)


@pytest.mark.parametrize(
    ("text", "canonical", "family", "pressure"),
    [
        ("DOT-3AA2015", "DOT-3AA2015", Family.DOT_3AA, psi(2015)),
        ("3AA 2015", "DOT-3AA2015", Family.DOT_3AA, psi(2015)),
        ("dot 3 aa-2015 psi", "DOT-3AA2015", Family.DOT_3AA, psi(2015)),
        ("D.O.T. 3AA2015", "DOT-3AA2015", Family.DOT_3AA, psi(2015)),
        ("DOT\N{EN DASH}3AA\N{NO-BREAK SPACE}2015", "DOT-3AA2015", Family.DOT_3AA, psi(2015)),
        ("DOT 3AL3000", "DOT-3AL3000", Family.DOT_3AL, psi(3000)),
        ("3AL 207 bar", "DOT-3AL 207BAR", Family.DOT_3AL, bar(207)),
        ("ICC-3A1800", "ICC-3A1800", Family.DOT_3A, psi(1800)),
        ("CTC-3AA2015", "CTC-3AA2015", Family.DOT_3AA, psi(2015)),
        ("3A480", "DOT-3A480", Family.DOT_3A, psi(480)),
        ("DOT-3A480X", "DOT-3A480X", Family.UNKNOWN, psi(480)),
        ("3AX2400", "DOT-3AX2400", Family.DOT_3AX, psi(2400)),
        ("3AAX2400", "DOT-3AAX2400", Family.DOT_3AAX, psi(2400)),
        ("3T2400", "DOT-3T2400", Family.DOT_3T, psi(2400)),
        ("3HT", "DOT-3HT", Family.DOT_3HT, None),
        ("3B400", "DOT-3B400", Family.DOT_3B, psi(400)),
        ("3BN400", "DOT-3BN400", Family.DOT_3BN, psi(400)),
        ("3E1800", "DOT-3E1800", Family.DOT_3E, psi(1800)),
        ("39", "DOT-39", Family.DOT_39, None),
        ("DOT-39 NRC", "DOT-39", Family.DOT_39, None),
        ("DOT-39 1000", "DOT-39-1000", Family.DOT_39, psi(1000)),
        ("4B", "DOT-4B", Family.DOT_4_SERIES, None),
        ("4BW240", "DOT-4BW240", Family.DOT_4_SERIES, psi(240)),
        ("4B240ET", "DOT-4B240ET", Family.DOT_4_SERIES, psi(240)),
        ("4AA480", "DOT-4AA480", Family.DOT_4_SERIES, psi(480)),
        ("DOT-8", "DOT-8", Family.DOT_8_SERIES, None),
        ("8AL", "DOT-8AL", Family.DOT_8_SERIES, None),
        ("TC-3ALM207", "TC-3ALM207", Family.TC, bar(207)),
        ("3alm 207", "TC-3ALM207", Family.TC, bar(207)),
        ("TC-SU1234-230 BAR", "TC-SU1234-230", Family.TC_PERMIT, bar(230)),
        ("UN ISO 9809-1", "UN ISO 9809-1", Family.UN, None),
        ("UN ISO7866 PW200 PH300BAR", "UN ISO 7866 PW200BAR", Family.UN, bar(200)),
        ("un-iso 11119-2:2012", "UN ISO 11119-2", Family.UN, None),
        ("ISO 11119-2", "ISO 11119-2", Family.FOREIGN, None),
        ("CE EN 12245", "EN 12245", Family.FOREIGN, None),
        ("EN 1964-2", "EN 1964-2", Family.FOREIGN, None),
        ("ASME", "ASME", Family.ASME, None),
        ("ASME VIII Div 1 MAWP 6000", "ASME 6000 PSI", Family.ASME, psi(6000)),
        ("ASME U 420 bar", "ASME 420 BAR", Family.ASME, bar(420)),
        ("DOT-3C1800", "DOT-3C1800", Family.UNKNOWN, psi(1800)),
    ],
)
def test_marks_are_read_whatever_their_spelling(
    text: str, canonical: str, family: SpecificationFamily, pressure: StampedPressure | None
) -> None:
    mark = mark_of(text)
    assert (mark.canonical, mark.family, mark.service_pressure) == (canonical, family, pressure)
    again = mark_of(mark.canonical)
    assert (again.canonical, again.family, again.service_pressure) == (canonical, family, pressure)


@pytest.mark.parametrize(
    ("text", "canonical", "number", "pressure"),
    [
        ("DOT-SP10915-4500", "DOT-SP10915-4500", "10915", psi(4500)),
        ("SP 10915", "DOT-SP10915", "10915", None),
        ("dot sp-10915/4500 psig", "DOT-SP10915-4500", "10915", psi(4500)),
        ("DOT-E 10915 4500", "DOT-E10915-4500", "10915", psi(4500)),
        ("DOT-E10915-4500", "DOT-E10915-4500", "10915", psi(4500)),
        ("E-10915", "DOT-E10915", "10915", None),
        ("E 7235", "DOT-E7235", "7235", None),
        ("DOT-SP 14232 - 5500", "DOT-SP14232-5500", "14232", psi(5500)),
    ],
)
def test_special_permits_and_exemptions(
    text: str, canonical: str, number: str, pressure: StampedPressure | None
) -> None:
    mark = mark_of(text)
    assert mark.family is Family.SPECIAL_PERMIT
    assert (mark.canonical, mark.permit_number, mark.service_pressure) == (canonical, number, pressure)
    assert material_implied(mark) is None


def test_what_was_entered_is_kept_and_an_assumed_prefix_is_said() -> None:
    mark = mark_of("  3al \t3000 ")
    assert mark.text == "3al 3000"
    assert mark.authority == "DOT"
    assert mark.notes == ("entered without a prefix; taken as DOT",)
    assert mark_of("DOT-3AL3000").notes == ()


@pytest.mark.parametrize(
    ("text", "others"),
    [
        ("DOT-3AL3000 TC-3ALM207", ("TC-3ALM207",)),
        ("TC-3ALM207/DOT-3AL3000", ("TC-3ALM207",)),
        ("TC-3ALM207; DOT-3AL3000", ("TC-3ALM207",)),
    ],
)
def test_two_marks_on_one_cylinder(text: str, others: tuple[str, ...]) -> None:
    mark = mark_of(text)
    assert (mark.canonical, mark.other_marks, mark.notes) == ("DOT-3AL3000", others, ())


def test_two_marks_that_contradict_each_other_are_said_to() -> None:
    assert mark_of("DOT-3AL2216 TC-3ALM207").notes == ("DOT-3AL2216 and TC-3ALM207 give different service pressures",)


def test_one_specification_under_two_prefixes() -> None:
    mark = mark_of("CTC/DOT-3AL3000")
    assert mark.canonical == "DOT-3AL3000"
    assert mark.notes == ("stamped under the prefix CTC as well",)


@pytest.mark.parametrize("sign", ["+", " +", "*", " \N{BLACK STAR}"])
def test_signs_of_the_requalification_stamp_do_not_change_the_mark(sign: str) -> None:
    mark = mark_of(f"DOT-3AA2015{sign}")
    assert mark.canonical == "DOT-3AA2015"
    assert any("requalification stamp" in note for note in mark.notes)


@pytest.mark.parametrize(
    ("text", "code", "in_suggestion"),
    [
        ("", "empty", "DOT-3AA2015"),
        (" - ", "empty", "DOT-3AA2015"),
        ("steel", "not-a-mark", "DOT-3AA2015"),
        ("10915", "prefix-missing", "DOT-SP10915"),
        ("DOT 10915", "prefix-missing", "DOT-SP10915"),
        ("4500", "prefix-missing", "add the specification"),
        ("8", "prefix-missing", "DOT-8"),
        ("39809+", "prefix-missing", "DOT-39 1000"),
        ("DOT-SP109154500", "permit-number-unclear", "DOT-SP10915-4500"),
        ("SP 123", "permit-number-unclear", "hyphen"),
        ("SP 01234", "permit-number-unclear", "hyphen"),
        ("DOT-3A1800-1234-XY", "trailing-text", "DOT-3A1800"),
        ("DOT-SP10915 rev 3", "trailing-text", "DOT-SP10915"),
        ("DOT-3A18001234XY", "pressure-unclear", "serial number"),
        ("3AA02015", "not-a-number", "DOT-3AA2015"),
        ("3AA99999", "pressure-too-high", "digit too many"),
        ("3AA20", "pressure-too-low", "unit"),
        ("TC-3ALM3000", "pressure-too-high", "psi"),
        ("3AL3OOO", "letter-for-digit", "DOT-3AL3000"),
        ("3AA2O15", "letter-for-digit", "DOT-3AA2015"),
        ("DOT-SP1O915-45OO", "letter-for-digit", "DOT-SP10915-4500"),
        ("UN", "standard-missing", "UN ISO 9809-1"),
        ("UN1002", "un-number", "UN ISO 9809-1"),
        ("UN ISO 9809", "part-missing", "ISO 9809-1"),
        ("UN ISO 11119", "part-missing", "ISO 11119-1"),
        ("UN ISO 6406", "requalification-standard", "UN symbol"),
    ],
)
def test_unclear_marks_are_refused_with_what_to_enter(text: str, code: str, in_suggestion: str) -> None:
    fault = fault_of(text)
    assert fault.code == code
    assert in_suggestion in fault.suggestion


def test_overlong_text_is_cut_in_the_fault() -> None:
    fault = fault_of("X" * 10_000)
    assert fault.code == "too-long"
    assert len(fault.text) == MARK_TEXT_MAX_LENGTH


def test_a_low_figure_raises_a_doubt_about_its_unit() -> None:
    assert mark_of("DOT-3AA153").notes == ("153 psi is low for breathing air: is it 153 bar?",)
    assert mark_of("DOT-4BW240").notes == ()


@pytest.mark.parametrize(
    ("text", "material"),
    [
        ("UN ISO 11119-3", Material.COMPOSITE),
        ("UN ISO 11118", None),
        ("DOT-39", None),
        ("ASME", None),
        ("ISO 9809-1", None),
        ("TC-3AAM153", Material.STEEL),
        ("TC-3FCM310", Material.COMPOSITE),
        ("DOT-4E240", Material.ALUMINIUM),
    ],
)
def test_materials_only_where_the_mark_implies_one(text: str, material: Material | None) -> None:
    assert material_implied(mark_of(text)) is material


def test_canadian_designs_answer_to_their_dot_families() -> None:
    assert dot_equivalent(mark_of("TC-3ALM207")) is Family.DOT_3AL
    assert dot_equivalent(mark_of("TC-3AAXM165")) is Family.DOT_3AAX
    assert dot_equivalent(mark_of("TC-3FCM310")) is Family.TC
    assert dot_equivalent(mark_of("DOT-3AL3000")) is Family.DOT_3AL


@given(
    st.sampled_from(["3A", "3AA", "3AX", "3AAX", "3AL", "3HT", "3T", "4BW", "SP10915-", "E7235-"]),
    st.integers(500, 9_999),
    st.sampled_from(["", "DOT", "DOT-", "dot ", "Dot - "]),
    st.sampled_from(["", " ", "-", " - "]),
    st.sampled_from(["", " psi", "PSIG"]),
)
def test_spelling_never_changes_the_service_pressure(
    design: str, pressure_psi: int, prefix: str, gap: str, unit: str
) -> None:
    text = f"{prefix}{design}{gap if not design.endswith('-') else ''}{pressure_psi}{unit}"
    mark = mark_of(text)
    assert mark.service_pressure == psi(pressure_psi)
    assert mark.canonical == f"DOT-{design}{pressure_psi}"


@given(st.text(alphabet="DOTCSPEUNI0123456789AXLBHM -/+.;", max_size=30))
def test_any_text_gives_a_mark_or_a_fault_and_marks_are_stable(text: str) -> None:
    mark = parse_specification(text)
    if isinstance(mark, SpecificationFault):
        assert mark.code
        assert mark.suggestion
        return
    again = parse_specification(mark.canonical)
    assert isinstance(again, SpecificationMark)
    assert again.canonical == mark.canonical
    assert again.family is mark.family
    assert again.service_pressure == mark.service_pressure


@given(st.text(max_size=200))
def test_no_text_at_all_breaks_the_reader(text: str) -> None:
    assert isinstance(parse_specification(text), SpecificationMark | SpecificationFault)


def test_a_mark_survives_json() -> None:
    for text in ("DOT-3AA2015", "UN ISO 7866 PW200 PH300BAR", "DOT-SP10915-4500", "ASME"):
        mark = mark_of(text)
        assert msgspec.json.decode(msgspec.json.encode(mark), type=SpecificationMark) == mark


def test_families_have_distinct_values() -> None:
    for one, two in itertools.combinations(SpecificationFamily, 2):
        assert one.value != two.value
