"""What a specification mark says about the rest of a cylinder's record, and what it rules out."""

from collections.abc import Iterable
from functools import lru_cache

from fill_ledger.trade.mark_types import SpecificationFamily, SpecificationFault, SpecificationMark
from fill_ledger.trade.marks import MARKED_PRESSURES_AGREE_PERCENT, material_implied, parse_specification
from fill_ledger.trade.pressure import PASCALS_PER_UNIT, StampedPressure, decimal_value
from fill_ledger.trade.requalifiers import RequalificationSuffix, StampWarning, suffix_warnings

# Texts differ by hand, not by cylinder: a fleet has some dozens of them.
_REMEMBERED_TEXTS = 4_096
# The regulation lists the specifications that may carry the sign: 49 CFR 173.302a(b), 180.209(b) (2015 edition).
_RULED_OUT = frozenset({"plus-not-for-specification", "star-not-for-specification", "plus-without-expansion-test"})
# A permit may allow what the list does not name, so a person decides.
_MAY_SAY_OTHERWISE = frozenset(
    {SpecificationFamily.SPECIAL_PERMIT, SpecificationFamily.TC_PERMIT, SpecificationFamily.UNKNOWN}
)


@lru_cache(maxsize=_REMEMBERED_TEXTS)
def read_mark(text: str) -> SpecificationMark | SpecificationFault:
    """Return what a specification text says; the same text is read once."""
    return parse_specification(text)


def canonical_specification(text: str) -> str:
    """Return the one spelling of a specification, or the text itself where it cannot be read."""
    mark = read_mark(text)
    return text if isinstance(mark, SpecificationFault) else mark.canonical


def pressure_contradiction(mark: SpecificationMark, stamped: StampedPressure) -> str | None:
    """Say how a service pressure contradicts the mark, or None where it agrees or the mark carries none.

    A mark in bar and a pressure in psi may differ by the rounding of the stamps: `MARKED_PRESSURES_AGREE_PERCENT`.
    """
    marked = mark.service_pressure
    if marked is None or marked == stamped:
        return None
    marked_pascals = decimal_value(marked.value) * PASCALS_PER_UNIT[marked.unit]
    stamped_pascals = decimal_value(stamped.value) * PASCALS_PER_UNIT[stamped.unit]
    tolerance = 0 if marked.unit is stamped.unit else MARKED_PRESSURES_AGREE_PERCENT
    if abs(stamped_pascals - marked_pascals) * 100 <= tolerance * marked_pascals:
        return None
    return (
        f"The specification is marked {marked.text}; the service pressure says {stamped.text}. Leave service_pressure "
        "out to take it from the mark, or correct the specification: the stamp on the cylinder decides. A plus mark "
        "belongs to a requalification, not to the service pressure."
    )


def above_test_pressure(mark: SpecificationMark, stamped: StampedPressure) -> str | None:
    """Say that a working pressure is more than two thirds of the test pressure in the mark, or None.

    49 CFR 173.302b(b) (2015 edition). Only UN marks carry a test pressure, in whole bar, so two thirds of it may fall
    just below the working pressure: `MARKED_PRESSURES_AGREE_PERCENT`.
    """
    tested = mark.test_pressure
    if tested is None:
        return None
    stamped_pascals = decimal_value(stamped.value) * PASCALS_PER_UNIT[stamped.unit]
    allowed_pascals = decimal_value(tested.value) * PASCALS_PER_UNIT[tested.unit] * 2 / 3
    if stamped_pascals * 100 <= allowed_pascals * (100 + MARKED_PRESSURES_AGREE_PERCENT):
        return None
    return (
        f"{stamped.text} is more than two thirds of the test pressure in the mark, {tested.text} (49 CFR 173.302b(b)). "
        "Read both from the stamp again."
    )


def material_contradiction(mark: SpecificationMark, material: str) -> str | None:
    """Say how a material contradicts the mark, or None (titles of 49 CFR 178.36 to 178.46, see `material_implied`)."""
    implied = material_implied(mark)
    if implied is None or implied.value == material:
        return None
    return f"A cylinder marked {mark.canonical} is of {implied.value}, not of {material}."


def ruled_out_signs(mark: SpecificationMark, signs: Iterable[str]) -> tuple[StampWarning, ...]:
    """Return what the regulation rules out among the signs after a stamp; a permit may say otherwise.

    Signs that are no codes of 49 CFR 180.213(f) are left out here.
    """
    codes = {code.value for code in RequalificationSuffix}
    suffixes = tuple(RequalificationSuffix(sign) for sign in signs if sign in codes)
    if mark.family in _MAY_SAY_OTHERWISE:
        return ()
    return tuple(warning for warning in suffix_warnings(mark.family, suffixes) if warning.code in _RULED_OUT)
