"""Under which key of the rulebook a mark stands."""

import re
from functools import lru_cache
from typing import Literal, get_args

from fill_ledger.trade.marks import (
    Material,
    SpecificationFamily,
    SpecificationFault,
    SpecificationMark,
    is_european,
    material_implied,
    parse_specification,
)

PressureWall = Literal["steel", "aluminium", "composite"]  # what breathing-air cylinders are made of

_WALLS: dict[Material | None, PressureWall] = {
    Material.STEEL: "steel",
    Material.ALUMINIUM: "aluminium",
    Material.COMPOSITE: "composite",
}

REMEMBERED_MARKS = 8_192
# Special permits have four or five digits; no other number in what people write of one is as long.
_PERMIT_NUMBER = re.compile(r"(?<![0-9])[0-9]{4,5}(?![0-9])")


@lru_cache(maxsize=REMEMBERED_MARKS)
def read_mark(text: str) -> SpecificationMark | SpecificationFault:
    """Take a specification mark apart, remembering the answer: a fleet has few different marks."""
    return parse_specification(text)


def specification_key(mark: SpecificationMark, material: str | None) -> str | None:
    """Return the key under which a mark's data stands, or None where the mark does not say enough.

    A UN mark needs the material of the pressure wall; it is taken from the record, else from the construction standard.
    """
    if mark.family is SpecificationFamily.SPECIAL_PERMIT:
        return f"SP{mark.permit_number}"
    if mark.family is SpecificationFamily.UN:
        wall = material or implied_wall(mark)
        return None if wall is None else f"UN {wall}"
    if is_european(mark):
        wall = material or implied_wall(mark)
        return mark.family.value if wall is None else f"EN {wall}"
    if mark.family is SpecificationFamily.TC:
        return f"TC {mark.design}"
    if mark.family is SpecificationFamily.TC_PERMIT:
        return f"TC-{mark.permit_number}"
    return mark.family.value


def permit_key(text: str) -> str | None:
    """Return the key of the special permit that a text names, as people write it, or None where it names none.

    "DOT-SP 16320", "E16320" and "16320" are one. A number under a Canadian permit ("TC") is another one's.
    """
    number = None if "TC" in text.upper() else _PERMIT_NUMBER.search(text)
    return None if number is None else f"SP{number.group()}"


def implied_wall(mark: SpecificationMark) -> PressureWall | None:
    """Return the wall material a mark implies, where cylinders for air are made of it."""
    return _WALLS.get(material_implied(mark))


def key_meant(text: str) -> str | None:
    """Return the key that a text names or a mark in it is read as; None where no mark leads to one.

    "3AA", "UN steel" and "SP10915" are keys themselves; "DOT-SP10915-4500" is a mark that is read as the last one.
    """
    if text in _KEYS_WITHOUT_NUMBER:
        return text
    mark = read_mark(text)
    if isinstance(mark, SpecificationFault) or mark.family is SpecificationFamily.UNKNOWN:
        return None
    return specification_key(mark, None)


# Families that are keys as they stand, and marks whose key names the material of the pressure wall.
_KEYS_WITHOUT_NUMBER = frozenset(
    {
        *(
            family.value
            for family in SpecificationFamily
            if family
            not in (
                SpecificationFamily.SPECIAL_PERMIT,
                SpecificationFamily.UN,
                SpecificationFamily.TC,
                SpecificationFamily.TC_PERMIT,
                SpecificationFamily.UNKNOWN,
            )
        ),
        *(f"{prefix} {wall}" for prefix in ("UN", "EN") for wall in get_args(PressureWall)),
    }
)
