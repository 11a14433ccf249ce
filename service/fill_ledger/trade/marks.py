"""Specification marks: what a cylinder says it was built to, as stamped on metal or printed on a label.

`parse_specification` reads a mark loosely (case, spaces, hyphens) and answers with its parts, or says what to enter.
It knows how marks are written, not which cylinders may be filled: that is a matter of the rules.
"""

import re
import unicodedata
from collections.abc import Callable

import msgspec

from fill_ledger.trade.mark_forms import (
    read_asme,
    read_canadian_mark,
    read_dot_specification,
    read_special_permit,
    read_standard,
    read_unknown_design,
)
from fill_ledger.trade.mark_types import (
    GENERAL_SUGGESTION,
    MARK_TEXT_MAX_LENGTH,
    MarkRefused,
    Material,
    SpecificationFamily,
    SpecificationFault,
    SpecificationMark,
    SpecificationText,
)

__all__ = [
    "MARK_TEXT_MAX_LENGTH",
    "Material",
    "SpecificationFamily",
    "SpecificationFault",
    "SpecificationMark",
    "SpecificationText",
    "dot_equivalent",
    "is_european",
    "material_implied",
    "parse_specification",
]

# Two marks on one cylinder give one pressure in two units, each rounded; further apart they contradict each other.
MARKED_PRESSURES_AGREE_PERCENT = 1

# A form is tried only after those whose text it could mistake for its own.
_READERS: tuple[Callable[[str], SpecificationMark | None], ...] = (
    read_special_permit,
    read_canadian_mark,
    read_dot_specification,
    read_standard,
    read_asme,
    read_unknown_design,
)

_HYPHENS = re.compile("[\N{HYPHEN}\N{NON-BREAKING HYPHEN}\N{FIGURE DASH}\N{EN DASH}\N{EM DASH}\N{MINUS SIGN}_]")
_DOTTED_LETTERS = re.compile(r"(?<=[A-Z])\.(?=[A-Z]|[ -]|\Z)")
# "CTC/DOT-3AL3000": one specification under two prefixes.
_TWO_PREFIXES = re.compile(r"(?:(?P<before>C?TC) ?/ ?DOT|DOT ?/ ?(?P<after>C?TC))(?=[ -]*[348])")
# The operational row of a UN receptacle may be read out before its bottom row, 49 CFR 178.71(r).
_PRESSURES_FIRST = re.compile(r"(?P<pressures>(?:P[WH] ?[0-9]+ ?(?:BAR|PSI)?[ ,;/]*)+)(?P<mark>UN\b.*)\Z")
_NEXT_MARK = re.compile(r" ?[/;,|]? ?(?<![A-Z])(?=(?:DOT|ICC|CTC|TC)(?:[ -]|SP|SU|[0-9])|UN[ -]*ISO)")
_LETTERS_FOR_DIGITS = re.compile(r"(?<=[0-9])[OI]+(?![A-Z])")
_DIGITS_MEANT = str.maketrans("OI", "01")

_STEEL_FAMILIES = frozenset(
    {
        SpecificationFamily.DOT_3A,
        SpecificationFamily.DOT_3AA,
        SpecificationFamily.DOT_3AX,
        SpecificationFamily.DOT_3AAX,
        SpecificationFamily.DOT_3B,
        SpecificationFamily.DOT_3E,
        SpecificationFamily.DOT_3HT,
        SpecificationFamily.DOT_3T,
        SpecificationFamily.DOT_8_SERIES,
    }
)
_MATERIAL_BY_DESIGN: dict[str, Material] = {
    "4AA480": Material.STEEL,
    "4BW": Material.STEEL,
    "4D": Material.STEEL,
    "4DA": Material.STEEL,
    "4DS": Material.STEEL,
    "4B": Material.STEEL,
    "4BA": Material.STEEL,
    "4E": Material.ALUMINIUM,
    # Canadian composite designs, hoop-wrapped and full-wrapped: from memory.
    "3HWM": Material.COMPOSITE,
    "3FCM": Material.COMPOSITE,
}
_MATERIAL_BY_ISO_NUMBER: dict[str, Material] = {
    "4706": Material.STEEL,
    "9809": Material.STEEL,
    "11120": Material.STEEL,
    "18172": Material.STEEL,
    "7866": Material.ALUMINIUM,
    "20703": Material.ALUMINIUM,
    "11119": Material.COMPOSITE,
}
# European standards by their titles, from memory: 1964 refillable seamless steel, 1975 refillable seamless aluminium,
# 12245 fully wrapped composite, 12257 hoop wrapped composite; EN ISO numbers are those of the ISO standards.
_MATERIAL_BY_EN_NUMBER: dict[str, Material] = {
    "1964": Material.STEEL,
    "1975": Material.ALUMINIUM,
    "12245": Material.COMPOSITE,
    "12257": Material.COMPOSITE,
}
_CANADIAN_EQUIVALENTS: dict[str, SpecificationFamily] = {
    f"{family.value}M": family
    for family in (
        SpecificationFamily.DOT_3A,
        SpecificationFamily.DOT_3AA,
        SpecificationFamily.DOT_3AX,
        SpecificationFamily.DOT_3AAX,
        SpecificationFamily.DOT_3AL,
        SpecificationFamily.DOT_3HT,
        SpecificationFamily.DOT_3T,
        SpecificationFamily.DOT_39,
    )
}


def parse_specification(text: str) -> SpecificationMark | SpecificationFault:
    """Read a specification mark as stamped, loosely: "DOT-3AA2015", "3al 3000", "sp 10915", "UN ISO 11119-2".

    Service pressures are in psi on DOT marks and in bar on TC and UN marks unless the text names the unit. Nothing is
    guessed: text that could be two things is a `SpecificationFault` that says what to enter. A letter O or I where a
    digit belongs is such a fault, with the mark that was probably meant. Sources: see `mark_forms`.
    """
    if len(text) > MARK_TEXT_MAX_LENGTH:
        detail = f"a mark has at most {MARK_TEXT_MAX_LENGTH} characters"
        return SpecificationFault(
            text=text[:MARK_TEXT_MAX_LENGTH], code="too-long", detail=detail, suggestion=GENERAL_SUGGESTION
        )
    trimmed = " ".join(text.split())
    cleaned = _clean(text)
    try:
        mark = _read_all(cleaned)
    except MarkRefused as refusal:
        meant = _with_digits_meant(cleaned)
        if meant is not None:
            return _letter_fault(trimmed, meant)
        return SpecificationFault(text=trimmed, code=refusal.code, detail=refusal.detail, suggestion=refusal.suggestion)
    return _replaced(mark, text=trimmed)


def material_implied(mark: SpecificationMark) -> Material | None:
    """Return the wall material a mark implies, or None when it implies none (permits, 39, ASME, 4L, ISO 11118).

    Sources: titles of 49 CFR 178.36 to 178.68 ("Specification 3AL seamless aluminum cylinders") and of the ISO
    standards as cited in 178.71(f) to (l), 2015 edition; Canadian designs follow their DOT equivalents.
    """
    family = dot_equivalent(mark)
    if family in _STEEL_FAMILIES:
        return Material.STEEL
    if family is SpecificationFamily.DOT_3AL:
        return Material.ALUMINIUM
    if family is SpecificationFamily.DOT_3BN:
        return Material.NICKEL
    if family is SpecificationFamily.UN and mark.standard is not None:
        return _MATERIAL_BY_ISO_NUMBER.get(_number_of(mark.standard))
    if is_european(mark) and mark.standard is not None:
        by_number = _MATERIAL_BY_ISO_NUMBER if " ISO " in mark.standard else _MATERIAL_BY_EN_NUMBER
        return by_number.get(_number_of(mark.standard))
    return _MATERIAL_BY_DESIGN.get(mark.design or "")


def is_european(mark: SpecificationMark) -> bool:
    """Tell whether a mark names a European standard, such as EN 12245, and no DOT, TC or UN mark."""
    return mark.family is SpecificationFamily.FOREIGN and (mark.standard or "").startswith("EN ")


def _number_of(standard: str) -> str:
    """Return the number of a standard without its part: "ISO 9809-1" gives "9809"."""
    return standard.rpartition(" ")[2].partition("-")[0]


def dot_equivalent(mark: SpecificationMark) -> SpecificationFamily:
    """Return the DOT family a Canadian design corresponds to, or the mark's own family.

    TC-3ALM corresponds to 3AL and so on: 3ALM from a published marking guide (secondary), the others from memory. It
    says what a design is like, not that it may be filled.
    """
    if mark.family is SpecificationFamily.TC and mark.design is not None:
        return _CANADIAN_EQUIVALENTS.get(mark.design, SpecificationFamily.TC)
    return mark.family


def _clean(text: str) -> str:
    """Return upper case with plain hyphens, single spaces and no dots inside abbreviations ("D.O.T.")."""
    upper = _HYPHENS.sub("-", unicodedata.normalize("NFKC", text)).upper()
    return " ".join(_DOTTED_LETTERS.sub("", upper).split()).strip(" -'\"")


def _read_all(cleaned: str) -> SpecificationMark:
    """Read one mark, or several in one text; the first that is not Canadian is the cylinder's mark."""
    second_prefix = None
    if (prefixes := _TWO_PREFIXES.match(cleaned)) is not None:
        second_prefix = prefixes["before"] or prefixes["after"]
        cleaned = f"DOT{cleaned[prefixes.end() :]}"
    cleaned = _PRESSURES_FIRST.sub(r"\g<mark> \g<pressures>", cleaned).strip()
    starts = sorted({0, *(found.end() for found in _NEXT_MARK.finditer(cleaned))})
    pieces = [cleaned[start:end] for start, end in zip(starts, [*starts[1:], len(cleaned)], strict=True)]
    marks = [_read_one(piece.strip(" /;,|")) for piece in pieces if piece.strip(" /;,|")]
    if not marks:
        raise MarkRefused("empty", "there is no mark")
    marks.sort(key=lambda mark: mark.authority == "TC")
    first, others = marks[0], marks[1:]
    notes = first.notes
    if second_prefix is not None:
        notes += (f"stamped under the prefix {second_prefix} as well",)
    notes += tuple(_disagreement(first, other) for other in others if not _pressures_agree(first, other))
    return _replaced(first, other_marks=tuple(other.canonical for other in others), notes=notes)


def _read_one(cleaned: str) -> SpecificationMark:
    for reader in _READERS:
        mark = reader(cleaned)
        if mark is not None:
            return mark
    raise MarkRefused("not-a-mark", "this is not written like any specification mark known here")


def _with_digits_meant(cleaned: str) -> SpecificationMark | None:
    """Return the mark that is there if letters O and I after digits were meant as 0 and 1, or None."""
    corrected = _LETTERS_FOR_DIGITS.sub(lambda found: found[0].translate(_DIGITS_MEANT), cleaned)
    if corrected == cleaned:
        return None
    try:
        return _read_all(corrected)
    except MarkRefused:
        return None


def _letter_fault(trimmed: str, meant: SpecificationMark) -> SpecificationFault:
    return SpecificationFault(
        text=trimmed,
        code="letter-for-digit",
        detail="a letter O or I stands where a digit belongs",
        suggestion=f"if the stamp says so, enter {meant.canonical}",
    )


def _pressures_agree(first: SpecificationMark, other: SpecificationMark) -> bool:
    if first.service_pressure is None or other.service_pressure is None:
        return True
    first_psi, other_psi = first.service_pressure.psi, other.service_pressure.psi
    return abs(first_psi - other_psi) * 100 <= MARKED_PRESSURES_AGREE_PERCENT * max(first_psi, other_psi)


def _disagreement(first: SpecificationMark, other: SpecificationMark) -> str:
    return f"{first.canonical} and {other.canonical} give different service pressures"


def _replaced(mark: SpecificationMark, **changes: object) -> SpecificationMark:
    return msgspec.structs.replace(mark, **changes)
