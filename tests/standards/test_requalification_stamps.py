"""Requalification stamps against 49 CFR 180.213 and 173.302a(b), 2015 annual edition."""

import pytest

from fill_ledger.trade.marks import SpecificationFamily
from fill_ledger.trade.requalifiers import (
    SUFFIX_MEANINGS,
    ReadStamp,
    RequalificationSuffix,
    StampFault,
    parse_requalification_stamp,
    read_rin_square,
    rin_read_by_rows,
    suffix_warnings,
)

READ_IN = "2015-10"
# 49 CFR 180.213(d), as printed there: upper row, month and year, lower row.
EXAMPLE_ROWS = "A1\n9 06\n32"


def test_the_example_of_the_regulation() -> None:
    # 180.213(d): September 2006, RIN A123; first character upper left, second upper right, third lower right, fourth
    # lower left.
    assert read_rin_square("A", "1", "2", "3") == "A123"
    stamp = parse_requalification_stamp(EXAMPLE_ROWS, read_in=READ_IN)
    assert isinstance(stamp, ReadStamp)
    assert (stamp.month, stamp.requalifier) == ("2006-09", "A123")
    assert [warning.code for warning in stamp.warnings] == ["rin-read-clockwise"]


def test_the_square_read_by_rows_is_another_requalifier() -> None:
    # The lower row is printed "32": whoever reads on from left to right gets A132.
    assert rin_read_by_rows("A123") == "A132"
    slashed = parse_requalification_stamp("9 A1/32 06", read_in=READ_IN)
    assert isinstance(slashed, ReadStamp)
    assert slashed.requalifier == "A123"


@pytest.mark.parametrize(
    ("sign", "suffix"),
    [
        ("\N{BLACK STAR}", RequalificationSuffix.STAR),  # 180.213(f)(2): five-point star
        ("+", RequalificationSuffix.PLUS),  # (f)(3)
        ("S", RequalificationSuffix.PROOF_PRESSURE),  # (f)(4), and (f)(6) for the shell of the 8 series
        ("E", RequalificationSuffix.EXTERNAL_VISUAL),  # (f)(5)
        ("FS", RequalificationSuffix.SHELL_AND_FILLER),  # (f)(7)
        ("AE", RequalificationSuffix.ACOUSTIC_EMISSION),  # (f)(8)
        ("UE", RequalificationSuffix.ULTRASONIC),  # (f)(8)
        ("VE", RequalificationSuffix.EDDY_CURRENT),  # (f)(9)
    ],
)
def test_the_sign_stands_where_the_example_has_x(sign: str, suffix: RequalificationSuffix) -> None:
    stamp = parse_requalification_stamp(f"A1\n9 06 {sign}\n32", read_in=READ_IN)
    assert isinstance(stamp, ReadStamp)
    assert stamp.suffixes == (suffix,)


def test_plus_only_where_the_regulation_lists_it() -> None:
    # 173.302a(b): specification 3A, 3AX, 3AA, 3AAX and 3T.
    listed = {"3A", "3AX", "3AA", "3AAX", "3T"}
    for family in SpecificationFamily:
        codes = [warning.code for warning in suffix_warnings(family, (RequalificationSuffix.PLUS,))]
        assert ("plus-not-for-specification" not in codes) == (family.value in listed), family


def test_star_only_where_the_regulation_lists_it() -> None:
    # 180.209(b), read in secondary quotation: specification 3A and 3AA.
    for family in SpecificationFamily:
        codes = [warning.code for warning in suffix_warnings(family, (RequalificationSuffix.STAR,))]
        assert ("star-not-for-specification" not in codes) == (family.value in {"3A", "3AA"}), family


def test_both_signs_may_stand_together() -> None:
    # Star and plus have separate conditions (180.209(b); 173.302a(b)); that they combine is inferred.
    both = (RequalificationSuffix.STAR, RequalificationSuffix.PLUS)
    assert suffix_warnings(SpecificationFamily.DOT_3AA, both) == ()


@pytest.mark.parametrize(
    "text",
    [
        # The square as printed, with the spaces and line ends of whoever copied it.
        "A1\n9 06\n32",
        "A1\r\n9    06\r\n32",
        "  a1\n 9  06\n  32 ",
        "A1\n09 2006\n32",
        "A1\n9-06\n32",
        "A1\n9/06\n32\n",
        # The square in one row, the lower row still from left to right: a slash stands between the rows.
        "9 A1/32 06",
        "09 A1/32 2006",
        # In clockwise order already, as a certificate or a label prints it.
        "9 A123 06",
        "09A12306",
        "9-A123-06",
        "9/A123/06",
        "9.A123.06",
        "09 A123 2006",
        "2006-09 A123",
        "09/2006 A123",
        "9/06 a123",
    ],
)
def test_however_the_example_is_keyed_it_is_a123_in_september_2006(text: str) -> None:
    # 180.213(d): the example; that people key it in these ways is common practice, no source.
    stamp = parse_requalification_stamp(text, read_in=READ_IN)
    assert isinstance(stamp, ReadStamp), stamp
    assert (stamp.month, stamp.requalifier, stamp.suffixes) == ("2006-09", "A123", ())


@pytest.mark.parametrize(("upper", "lower", "rin"), [("A1", "32", "A123"), ("B7", "09", "B790"), ("K0", "40", "K004")])
def test_clockwise_and_never_by_rows(upper: str, lower: str, rin: str) -> None:
    # 180.213(d), by hand: upper left, upper right, lower right, lower left.
    stamp = parse_requalification_stamp(f"{upper}\n10 14\n{lower}", read_in=READ_IN)
    assert isinstance(stamp, ReadStamp)
    assert stamp.requalifier == rin == read_rin_square(upper[0], upper[1], lower[1], lower[0])
    by_rows = upper + lower
    assert by_rows != rin
    assert rin_read_by_rows(rin) == by_rows
    # Two like characters below hide the mistake: both readings are the same.
    assert rin_read_by_rows("A122") == "A122"


@pytest.mark.parametrize(
    ("text", "suffixes"),
    [
        ("9 A123 06+", (RequalificationSuffix.PLUS,)),
        ("9 A123 06 plus", (RequalificationSuffix.PLUS,)),
        ("9 A123 06*", (RequalificationSuffix.STAR,)),
        ("9 A123 06 \N{WHITE STAR}", (RequalificationSuffix.STAR,)),
        ("9 A123 06 STAR +", (RequalificationSuffix.STAR, RequalificationSuffix.PLUS)),
        ("9 A123 06 +*", (RequalificationSuffix.PLUS, RequalificationSuffix.STAR)),
        ("9 A123 06 ve", (RequalificationSuffix.EDDY_CURRENT,)),
        ("9 A123 06VE", (RequalificationSuffix.EDDY_CURRENT,)),
        ("9 A123 06 E", (RequalificationSuffix.EXTERNAL_VISUAL,)),
        ("9 A123 06 S", (RequalificationSuffix.PROOF_PRESSURE,)),
        ("A1\n9 06 VE\n32", (RequalificationSuffix.EDDY_CURRENT,)),
        ("9 A123 06 + +", (RequalificationSuffix.PLUS,)),
    ],
)
def test_signs_as_people_key_them(text: str, suffixes: tuple[RequalificationSuffix, ...]) -> None:
    # 180.213(f) for the signs; the spellings are common practice, no source.
    stamp = parse_requalification_stamp(text, read_in=READ_IN)
    assert isinstance(stamp, ReadStamp), stamp
    assert (stamp.suffixes, stamp.other_suffixes) == (suffixes, ())


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("13 A123 06", "month-impossible"),
        ("0 A123 06", "month-impossible"),
        ("11 A123 15", "in-the-future"),  # read in October 2015
        ("10 A123 2016", "in-the-future"),
        ("9/31/2006 A123", "not-a-stamp"),  # 180.213(d): no day is stamped
        ("A123", "not-a-stamp"),
        ("9 A12 06", "not-a-stamp"),
        ("9 A1234 06", "not-a-stamp"),
    ],
)
def test_what_the_rule_leaves_no_room_for(text: str, code: str) -> None:
    fault = parse_requalification_stamp(text, read_in=READ_IN)
    assert isinstance(fault, StampFault), fault
    assert fault.code == code


def test_a_stamp_without_a_requalifier_is_doubted() -> None:
    # 180.213(d) demands a RIN; PHMSA letter 18-0127: a UN receptacle retested abroad without one is not valid here.
    stamp = parse_requalification_stamp("9/06", read_in=READ_IN)
    assert isinstance(stamp, ReadStamp)
    assert [warning.code for warning in stamp.warnings] == ["rin-missing"]
    other_form = parse_requalification_stamp("9 12AB 06", read_in=READ_IN)
    assert isinstance(other_form, ReadStamp)
    # The form letter and three digits is inferred from one example, so another is taken, with a warning.
    assert [warning.code for warning in other_form.warnings] == ["rin-unusual"]


def test_every_sign_of_the_rule_has_a_meaning() -> None:
    # 180.213(f)(2) to (9), as listed there.
    assert {suffix.value for suffix in SUFFIX_MEANINGS} == {"star", "+", "S", "E", "FS", "AE", "UE", "VE"}


def test_signs_on_what_cannot_carry_them() -> None:
    # 180.205(f)(4): eddy current is for aluminium alloy; 180.213(f)(7): FS for the porous filler of acetylene.
    def found(family: SpecificationFamily, *suffixes: RequalificationSuffix) -> list[str]:
        return [warning.code for warning in suffix_warnings(family, suffixes)]

    assert found(SpecificationFamily.DOT_3AA, RequalificationSuffix.EDDY_CURRENT) == [
        "eddy-current-not-for-specification"
    ]
    assert found(SpecificationFamily.DOT_3AL, RequalificationSuffix.EDDY_CURRENT) == []
    assert found(SpecificationFamily.DOT_3AL, RequalificationSuffix.SHELL_AND_FILLER) == [
        "filler-not-for-specification"
    ]
    # 173.302a(b): the plus rests on elastic expansion taken in a water jacket, so not on a proof pressure test.
    assert found(SpecificationFamily.DOT_3AA, RequalificationSuffix.PLUS, RequalificationSuffix.PROOF_PRESSURE) == [
        "plus-without-expansion-test"
    ]
