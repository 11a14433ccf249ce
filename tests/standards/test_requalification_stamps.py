"""Requalification stamps against 49 CFR 180.213 and 173.302a(b), 2015 annual edition."""

import pytest

from fill_ledger.trade.marks import SpecificationFamily
from fill_ledger.trade.requalifiers import (
    ReadStamp,
    RequalificationSuffix,
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
