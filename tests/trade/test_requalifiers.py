"""Requalification stamps: the clockwise square, the signs, and what does not fit together."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.marks import SpecificationFamily
from fill_ledger.trade.months import StampMonth
from fill_ledger.trade.requalifiers import (
    SUFFIX_MEANINGS,
    ReadStamp,
    RequalificationSuffix,
    StampFault,
    parse_requalification_stamp,
    read_rin_square,
    read_suffix,
    rin_read_by_rows,
    rin_warning,
    suffix_warnings,
)

Family = SpecificationFamily
Suffix = RequalificationSuffix
NOW = "2026-11"


def stamp_of(text: str) -> ReadStamp:
    stamp = parse_requalification_stamp(text, read_in=NOW)
    assert isinstance(stamp, ReadStamp), stamp
    return stamp


@pytest.mark.parametrize(
    ("text", "month", "rin", "suffixes"),
    [
        ("09 A123 21 +", "2021-09", "A123", (Suffix.PLUS,)),
        ("9 A123 06", "2006-09", "A123", ()),
        ("9-A123-06", "2006-09", "A123", ()),
        ("09A12321+", "2021-09", "A123", (Suffix.PLUS,)),
        ("9 a123 2006 *", "2006-09", "A123", (Suffix.STAR,)),
        ("9 A123 06 \N{BLACK STAR}+", "2006-09", "A123", (Suffix.STAR, Suffix.PLUS)),
        ("9 A123 06 star plus", "2006-09", "A123", (Suffix.STAR, Suffix.PLUS)),
        ("12 B456 19 VE", "2019-12", "B456", (Suffix.EDDY_CURRENT,)),
        ("12 B456 19 UE, AE", "2019-12", "B456", (Suffix.ULTRASONIC, Suffix.ACOUSTIC_EMISSION)),
        ("09/2021 A123 +", "2021-09", "A123", (Suffix.PLUS,)),
        ("2021-09 A123", "2021-09", "A123", ()),
        ("11 A123 26", "2026-11", "A123", ()),
    ],
)
def test_stamps_in_one_row(text: str, month: StampMonth, rin: str, suffixes: tuple[Suffix, ...]) -> None:
    stamp = stamp_of(text)
    assert (stamp.month, stamp.requalifier, stamp.suffixes) == (month, rin, suffixes)
    assert stamp.other_suffixes == ()
    assert stamp.warnings == ()


@pytest.mark.parametrize("text", ["9-06", "9/06", "09/2006", "2006-09"])
def test_a_stamp_without_a_requalifier_is_taken_with_a_warning(text: str) -> None:
    stamp = stamp_of(text)
    assert (stamp.month, stamp.requalifier) == ("2006-09", None)
    assert [warning.code for warning in stamp.warnings] == ["rin-missing"]


def test_signs_not_known_are_kept_and_said() -> None:
    stamp = stamp_of("9 A123 06 QZ +")
    assert stamp.suffixes == (Suffix.PLUS,)
    assert stamp.other_suffixes == ("QZ",)
    assert [warning.code for warning in stamp.warnings] == ["suffix-unknown"]


@pytest.mark.parametrize("rin", ["1234", "AB12", "A12B"])
def test_an_unusual_requalifier_number_is_taken_with_a_warning(rin: str) -> None:
    stamp = stamp_of(f"9 {rin} 06")
    assert stamp.requalifier == rin
    assert [warning.code for warning in stamp.warnings] == ["rin-unusual"]
    assert rin_warning("A123") is None


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "not-a-stamp"),
        ("hello", "not-a-stamp"),
        ("0912321", "not-a-stamp"),
        ("10/21/2021", "not-a-stamp"),
        ("9/06/2020", "not-a-stamp"),
        ("13 A123 21", "month-impossible"),
        ("0 A123 21", "month-impossible"),
        ("12 A123 26", "in-the-future"),
        ("1 A123 2027", "in-the-future"),
        ("11 A123 27", "year-unclear"),
        ("9 A123 06" + " " * 100, "too-long"),
    ],
)
def test_what_is_no_stamp_is_refused(text: str, code: str) -> None:
    fault = parse_requalification_stamp(text, read_in=NOW)
    assert isinstance(fault, StampFault)
    assert fault.code == code
    assert fault.suggestion


@given(
    st.integers(1, 12),
    st.integers(1970, 2025),
    st.from_regex(r"[A-Z][0-9]{3}", fullmatch=True),
    st.lists(st.sampled_from(list(Suffix)), unique=True, max_size=3),
    st.booleans(),
)
def test_a_written_stamp_reads_back(month: int, year: int, rin: str, suffixes: list[Suffix], four_digits: bool) -> None:
    year_text = str(year) if four_digits else f"{year % 100:02d}"
    one_row = f"{month} {rin} {year_text} {' '.join(suffixes)}"
    three_rows = f"{rin[:2]}\n{month} {year_text} {' '.join(suffixes)}\n{rin[3]}{rin[2]}"
    for text in (one_row, three_rows):
        stamp = stamp_of(text)
        assert (stamp.month, stamp.requalifier) == (f"{year}-{month:02d}", rin)
        assert stamp.suffixes == tuple(suffixes)


@given(st.text(max_size=90))
def test_no_text_at_all_breaks_the_reader(text: str) -> None:
    assert isinstance(parse_requalification_stamp(text, read_in=NOW), ReadStamp | StampFault)


@given(st.from_regex(r"[A-Z][0-9]{3}", fullmatch=True))
def test_reading_by_rows_twice_gives_the_first_again(rin: str) -> None:
    assert rin_read_by_rows(rin_read_by_rows(rin)) == rin
    assert read_rin_square(rin[0], rin[1], rin[2], rin[3]) == rin


@pytest.mark.parametrize("corner", ["", "AB", "-", " "])
def test_each_corner_holds_one_sign(corner: str) -> None:
    with pytest.raises(ValueError, match="corner"):
        read_rin_square("A", corner, "2", "3")


def test_reading_by_rows_needs_a_whole_number() -> None:
    with pytest.raises(ValueError, match="A12"):
        rin_read_by_rows("A12")


def codes(family: Family, *suffixes: Suffix) -> list[str]:
    warnings = suffix_warnings(family, suffixes)
    assert all(warning.source and warning.text for warning in warnings)
    return [warning.code for warning in warnings]


def test_signs_that_contradict_each_other_or_their_cylinder() -> None:
    assert codes(Family.DOT_3AA, Suffix.PLUS, Suffix.PROOF_PRESSURE) == ["plus-without-expansion-test"]
    assert codes(Family.DOT_3AL, Suffix.EDDY_CURRENT) == []
    assert codes(Family.DOT_3AA, Suffix.EDDY_CURRENT) == ["eddy-current-not-for-specification"]
    assert codes(Family.DOT_3AA, Suffix.SHELL_AND_FILLER) == ["filler-not-for-specification"]
    assert codes(Family.DOT_8_SERIES, Suffix.SHELL_AND_FILLER) == []
    assert codes(Family.DOT_3AA, Suffix.EXTERNAL_VISUAL) == ["external-visual-only"]
    assert codes(Family.SPECIAL_PERMIT, Suffix.ULTRASONIC) == []
    assert codes(Family.SPECIAL_PERMIT, Suffix.PLUS, Suffix.STAR) == [
        "plus-not-for-specification",
        "star-not-for-specification",
    ]


def test_every_sign_has_a_meaning_and_reads_as_itself() -> None:
    assert set(SUFFIX_MEANINGS) == set(Suffix)
    for suffix in Suffix:
        assert read_suffix(suffix.value) is suffix
        assert read_suffix(f" {suffix.value.lower()} ") is suffix
    assert read_suffix("X") is None
