"""Requalification stamps: month, requalifier's number (RIN), year and the signs after it.

49 CFR 180.213(d) sets the four characters of the RIN in a square between month and year, read clockwise from the upper
left. Its example, September 2006 by requalifier A123, looks like this on the metal:

        A1
      9    06 X
        32

Read row by row that is A132, which is another requalifier. Text entered as one row ("9 A123 06 X") is taken to be
in clockwise order already; only text in three rows, or with a slash inside the square ("9 A1/32 06"), is turned round.
All paragraphs are those of the 2015 edition.
"""

import re
import unicodedata
from enum import StrEnum

import msgspec

from fill_ledger.trade.mark_types import SpecificationFamily
from fill_ledger.trade.months import StampMonth, compare_months, make_month, parse_month, year_of_two_digits

STAMP_TEXT_MAX_LENGTH = 80
RIN_LENGTH = 4
# Two digits that would mean a test longer ago than this are refused: a slip or a date to come is likelier than a
# cylinder tested that long ago and not since (common practice, no source).
TWO_DIGIT_YEAR_AGE_MAX = 75
# Inferred from the one example in 49 CFR 180.213(d), A123; others are taken with a warning.
_RIN_USUAL = re.compile(r"[A-Z][0-9]{3}\Z")
_RIN_POSSIBLE = re.compile(r"[A-Z0-9]{4}\Z")


class RequalificationSuffix(StrEnum):
    """The signs after the date, 49 CFR 180.213(f). Values are stored and sent; never rename one."""

    PLUS = "+"
    STAR = "star"
    PROOF_PRESSURE = "S"
    EXTERNAL_VISUAL = "E"
    SHELL_AND_FILLER = "FS"
    ACOUSTIC_EMISSION = "AE"
    ULTRASONIC = "UE"
    EDDY_CURRENT = "VE"


SUFFIX_MEANINGS: dict[RequalificationSuffix, str] = {
    RequalificationSuffix.PLUS: "may be filled to 110 percent of the marked service pressure",
    RequalificationSuffix.STAR: "ten years to the next requalification instead of five",
    RequalificationSuffix.PROOF_PRESSURE: "proof pressure test, or shell of an 8-series cylinder",
    RequalificationSuffix.EXTERNAL_VISUAL: "external visual inspection only",
    RequalificationSuffix.SHELL_AND_FILLER: "shell and porous filler of an acetylene cylinder",
    RequalificationSuffix.ACOUSTIC_EMISSION: "acoustic emission examination and visual inspection",
    RequalificationSuffix.ULTRASONIC: "ultrasonic examination and visual inspection",
    RequalificationSuffix.EDDY_CURRENT: "eddy current examination and visual inspection",
}


class StampWarning(msgspec.Struct, frozen=True, kw_only=True):
    """Something about a stamp that a person should look at; `code` is stable, `source` names the rule."""

    code: str
    text: str
    source: str


class ReadStamp(msgspec.Struct, frozen=True, kw_only=True):
    """A requalification stamp, taken apart.

    month: of the test. requalifier: the RIN in clockwise order, None when the text has none. suffixes: in the order
    read, each once. other_suffixes: signs that are no code known here, kept as read.
    """

    month: StampMonth
    requalifier: str | None = None
    suffixes: tuple[RequalificationSuffix, ...] = ()
    other_suffixes: tuple[str, ...] = ()
    warnings: tuple[StampWarning, ...] = ()


class StampFault(msgspec.Struct, frozen=True, kw_only=True):
    """Why a text was not taken as a requalification stamp, and what to enter instead. `code` is stable."""

    text: str
    code: str
    detail: str
    suggestion: str


_PLUS_FAMILIES = frozenset(
    {
        SpecificationFamily.DOT_3A,
        SpecificationFamily.DOT_3AX,
        SpecificationFamily.DOT_3AA,
        SpecificationFamily.DOT_3AAX,
        SpecificationFamily.DOT_3T,
    }
)
_STAR_FAMILIES = frozenset({SpecificationFamily.DOT_3A, SpecificationFamily.DOT_3AA})
_SHELL_FAMILIES = frozenset({SpecificationFamily.DOT_8_SERIES, SpecificationFamily.UN})
_ALUMINIUM_POSSIBLE = frozenset(
    {
        SpecificationFamily.DOT_3AL,
        SpecificationFamily.SPECIAL_PERMIT,
        SpecificationFamily.TC,
        SpecificationFamily.TC_PERMIT,
        SpecificationFamily.UNKNOWN,
    }
)
# Without a water-jacket test there is no elastic expansion, which the plus sign rests on: 173.302a(b).
_NO_VOLUMETRIC_TEST = frozenset({RequalificationSuffix.PROOF_PRESSURE, RequalificationSuffix.EXTERNAL_VISUAL})

_SUFFIX_SPELLINGS: dict[str, RequalificationSuffix] = {
    **{suffix.value.upper(): suffix for suffix in RequalificationSuffix},
    "PLUS": RequalificationSuffix.PLUS,
    "*": RequalificationSuffix.STAR,
    "\N{BLACK STAR}": RequalificationSuffix.STAR,
    "\N{WHITE STAR}": RequalificationSuffix.STAR,
    "\N{WHITE MEDIUM STAR}": RequalificationSuffix.STAR,
}
_SIGNS = re.compile("([+*\N{BLACK STAR}\N{WHITE STAR}\N{WHITE MEDIUM STAR}])")

_ROWS = re.compile(r"([A-Z0-9]{2})\n([0-9]{1,2})[ /-]*([0-9]{2}|[0-9]{4})\b([^\n]*)\n([A-Z0-9]{2})\Z")
_SLASHED_SQUARE = re.compile(r"(?<![A-Z0-9])([A-Z][0-9])/([0-9]{2})(?![0-9])")
_IN_ORDER = re.compile(
    r"(?P<month>[0-9]{1,2})(?:[ ./-]+(?=[A-Z0-9]{4}[ ./-])|(?=[A-Z]))(?P<rin>[A-Z0-9]{4})[ ./-]*"
    r"(?P<year>(?:19|20)[0-9]{2}|[0-9]{2})(?![0-9])(?P<rest>.*)\Z"
)
_DATE_FIRST = re.compile(
    r"(?P<month>[0-9]{1,2})[ ]?[/.-][ ]?(?P<year>(?:19|20)[0-9]{2}|[0-9]{2})(?![0-9/.-])"
    r"(?:[ ]+(?P<rin>[A-Z][0-9]{3})(?![A-Z0-9]))?(?P<rest>.*)\Z"
)
_YEAR_FIRST = re.compile(
    r"(?P<year>(?:19|20)[0-9]{2})[ ]?[/.-][ ]?(?P<month>[0-9]{1,2})(?![0-9/.-])"
    r"(?:[ ]+(?P<rin>[A-Z][0-9]{3})(?![A-Z0-9]))?(?P<rest>.*)\Z"
)


def parse_requalification_stamp(text: str, *, read_in: StampMonth) -> ReadStamp | StampFault:
    """Read a stamp as it stands on the cylinder: "9 A123 06 +", "09A12321*", three rows, or "9/06".

    `read_in` is the month in which it is read: a two-digit year is the latest that is not after it, and a stamp after
    it is refused. A stamp without a RIN is taken with a warning, since 180.213(d) demands one. Raises `MonthError`
    only when `read_in` itself is no month.
    """
    read_year, _ = parse_month(read_in)
    if len(text) > STAMP_TEXT_MAX_LENGTH:
        return _fault(text, "too-long", f"a stamp has at most {STAMP_TEXT_MAX_LENGTH} characters")
    cleaned, from_rows = _in_reading_order(text)
    match = _IN_ORDER.match(cleaned) or _YEAR_FIRST.match(cleaned) or _DATE_FIRST.match(cleaned)
    if match is None:
        return _fault(text, "not-a-stamp", "month, requalifier and year cannot be told apart")
    month_number, year_text = int(match["month"]), match["year"]
    if not 1 <= month_number <= 12:
        return _fault(text, "month-impossible", f"there is no month {month_number}")
    year = int(year_text)
    if len(year_text) == 2:
        year = year_of_two_digits(year, not_after_year=read_year)
        if read_year - year > TWO_DIGIT_YEAR_AGE_MAX:
            return _fault(text, "year-unclear", f"{year_text} is in the future, or {year}: write four digits")
    month = make_month(year, month_number)
    if compare_months(month, read_in) > 0:
        return _fault(text, "in-the-future", f"{month} is after {read_in}, the month in which it was read")
    suffixes, other_suffixes = _read_suffixes(match["rest"])
    warnings = tuple(_stamp_warnings(match["rin"], other_suffixes, from_rows=from_rows))
    return ReadStamp(
        month=month,
        requalifier=match["rin"],
        suffixes=suffixes,
        other_suffixes=other_suffixes,
        warnings=warnings,
    )


def read_rin_square(upper_left: str, upper_right: str, lower_right: str, lower_left: str) -> str:
    """Return the RIN from the four corners of its square: clockwise from the upper left, 49 CFR 180.213(d).

    Raises `ValueError` unless each corner is one letter or digit.
    """
    corners = [corner.strip().upper() for corner in (upper_left, upper_right, lower_right, lower_left)]
    if any(len(corner) != 1 or not _RIN_POSSIBLE.match(corner * RIN_LENGTH) for corner in corners):
        raise ValueError("each corner of the square is one letter or digit")
    return "".join(corners)


def rin_read_by_rows(rin: str) -> str:
    """Return what this RIN becomes, or came from, when the square is read row by row: A123 and A132.

    For a hint when a RIN is not in the list of requalifiers but its mistaken reading is. Raises `ValueError` unless
    the RIN has four letters or digits.
    """
    if not _RIN_POSSIBLE.match(rin):
        raise ValueError(f"{rin!r} is not four letters or digits in upper case")
    return rin[0] + rin[1] + rin[3] + rin[2]


def rin_warning(rin: str) -> StampWarning | None:
    """Return a warning for a RIN not of the form letter, digit, digit, digit; None for one that is."""
    if _RIN_USUAL.match(rin):
        return None
    return StampWarning(
        code="rin-unusual",
        text=f"{rin} is not a letter and three digits, as the example A123 is; compare it with the stamp",
        source="49 CFR 180.213(d), inferred from its example",
    )


def rin_fault(rin: str) -> StampFault | None:
    """Say why a text cannot be a RIN: it has four letters or digits, 49 CFR 180.213(d). None where it may be one."""
    if _RIN_POSSIBLE.match(rin):
        return None
    return StampFault(
        text=rin[:STAMP_TEXT_MAX_LENGTH],
        code="requalifier-impossible",
        detail=f"{rin!r} is no requalifier's number: it has four letters or digits (49 CFR 180.213(d))",
        suggestion="enter it in upper case as in the square of the stamp, clockwise from the upper left, such as A123",
    )


def suffix_warnings(
    family: SpecificationFamily, suffixes: tuple[RequalificationSuffix, ...]
) -> tuple[StampWarning, ...]:
    """Return what does not fit between a specification and the signs after its stamp.

    `+` only on 3A, 3AX, 3AA, 3AAX, 3T (173.302a(b)) and only after a test that measured elastic expansion
    (173.302a(b)); star only on 3A and 3AA (180.209(b)); FS only on 8-series and UN cylinders (180.213(f)(7)); E is
    for cylinders of 180.209(g), which breathing air is not; VE is for aluminium (180.205(f)(4)). Special permits may
    say otherwise; the warning then stands until a person has looked.
    """
    present = set(suffixes)
    checks = (
        (
            RequalificationSuffix.PLUS in present and family not in _PLUS_FAMILIES,
            "plus-not-for-specification",
            f"the plus sign is only for 3A, 3AX, 3AA, 3AAX and 3T, not for {family.value}",
            "49 CFR 173.302a(b)",
        ),
        (
            RequalificationSuffix.PLUS in present and bool(present & _NO_VOLUMETRIC_TEST),
            "plus-without-expansion-test",
            "the plus sign needs a test that measures elastic expansion; this stamp names another",
            "49 CFR 173.302a(b)",
        ),
        (
            RequalificationSuffix.STAR in present and family not in _STAR_FAMILIES,
            "star-not-for-specification",
            f"the star is only for 3A and 3AA, not for {family.value}",
            "49 CFR 180.209(b)",
        ),
        (
            RequalificationSuffix.SHELL_AND_FILLER in present and family not in _SHELL_FAMILIES,
            "filler-not-for-specification",
            f"FS is for acetylene cylinders, not for {family.value}",
            "49 CFR 180.213(f)(7)",
        ),
        (
            RequalificationSuffix.EXTERNAL_VISUAL in present,
            "external-visual-only",
            "E is an external visual inspection in place of a test; it does not requalify for breathing air",
            "49 CFR 180.213(f)(5), 180.209(g)",
        ),
        (
            RequalificationSuffix.EDDY_CURRENT in present and family not in _ALUMINIUM_POSSIBLE,
            "eddy-current-not-for-specification",
            f"VE is for cylinders of aluminium alloy, not for {family.value}",
            "49 CFR 180.205(f)(4)",
        ),
    )
    return tuple(StampWarning(code=code, text=text, source=source) for wrong, code, text, source in checks if wrong)


def read_suffix(text: str) -> RequalificationSuffix | None:
    """Return the suffix a sign or word stands for ("+", "plus", "*", "star", "VE"), or None for any other."""
    return _SUFFIX_SPELLINGS.get(unicodedata.normalize("NFKC", text).strip().upper())


def _in_reading_order(text: str) -> tuple[str, bool]:
    """Return the text as one row with the RIN in clockwise order, and whether a square was turned round."""
    lines = [" ".join(line.split()) for line in unicodedata.normalize("NFKC", text).upper().splitlines()]
    rows = _ROWS.match("\n".join(line for line in lines if line))
    if rows is not None:
        upper, month, year, rest, lower = rows.groups()
        rin = read_rin_square(upper[0], upper[1], lower[1], lower[0])
        return f"{month} {rin} {year}{rest}", True
    single = " ".join(" ".join(lines).split())
    turned = _SLASHED_SQUARE.sub(
        lambda found: read_rin_square(found[1][0], found[1][1], found[2][1], found[2][0]), single, count=1
    )
    return turned, turned != single


def _read_suffixes(rest: str) -> tuple[tuple[RequalificationSuffix, ...], tuple[str, ...]]:
    known: dict[RequalificationSuffix, None] = {}
    other: dict[str, None] = {}
    for word in _SIGNS.sub(r" \1 ", rest).replace(",", " ").split():
        suffix = read_suffix(word)
        if suffix is not None:
            known[suffix] = None
        else:
            other[word] = None
    return tuple(known), tuple(other)


def _stamp_warnings(rin: str | None, other_suffixes: tuple[str, ...], *, from_rows: bool) -> list[StampWarning]:
    warnings: list[StampWarning] = []
    if rin is None:
        text = "the stamp has no requalifier's number"
        warnings.append(StampWarning(code="rin-missing", text=text, source="49 CFR 180.213(d)"))
    else:
        if from_rows:
            text = f"the square was read clockwise from the upper left as {rin}"
            warnings.append(StampWarning(code="rin-read-clockwise", text=text, source="49 CFR 180.213(d)"))
        if (unusual := rin_warning(rin)) is not None:
            warnings.append(unusual)
    warnings.extend(
        StampWarning(
            code="suffix-unknown", text=f"{word} is no sign known here after a stamp", source="49 CFR 180.213(f)"
        )
        for word in other_suffixes
    )
    return warnings


def _fault(text: str, code: str, detail: str) -> StampFault:
    suggestion = "enter month, requalifier, year and signs as stamped, for example 9 A123 06 +"
    return StampFault(text=text[:STAMP_TEXT_MAX_LENGTH], code=code, detail=detail, suggestion=suggestion)
