"""What a specification mark is made of: families, materials, the mark taken apart, and the fault when it is none."""

from enum import StrEnum
from typing import Annotated

import msgspec
from msgspec import Meta

from fill_ledger.trade.pressure import StampedPressure

MARK_TEXT_MAX_LENGTH = 120

SpecificationText = Annotated[
    str,
    Meta(min_length=1, max_length=MARK_TEXT_MAX_LENGTH, description="as stamped", examples=["DOT-3AA2015"]),
]

GENERAL_SUGGESTION = "enter the mark as stamped, for example DOT-3AA2015, DOT-SP10915-4500 or UN ISO 11119-2"


class SpecificationFamily(StrEnum):
    """What a mark belongs to. Values are stored and sent; never rename one.

    The DOT families are those of 49 CFR 178.36 to 178.68 and of 180.209(a), table 1. `foreign` is a standard named
    without a DOT, TC or UN mark; `unknown` carries a known prefix and a design not known here.
    """

    DOT_3A = "3A"
    DOT_3AA = "3AA"
    DOT_3AX = "3AX"
    DOT_3AAX = "3AAX"
    DOT_3AL = "3AL"
    DOT_3B = "3B"
    DOT_3BN = "3BN"
    DOT_3E = "3E"
    DOT_3HT = "3HT"
    DOT_3T = "3T"
    DOT_39 = "39"
    DOT_4_SERIES = "4-series"
    DOT_8_SERIES = "8-series"
    SPECIAL_PERMIT = "special_permit"
    UN = "un"
    ASME = "asme"
    TC = "tc"
    TC_PERMIT = "tc_permit"
    FOREIGN = "foreign"
    UNKNOWN = "unknown"


class Material(StrEnum):
    """What the pressure wall is made of, as far as a mark implies it. Values are stored; never rename one."""

    STEEL = "steel"
    ALUMINIUM = "aluminium"
    NICKEL = "nickel"
    COMPOSITE = "composite"


class SpecificationMark(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A specification mark, taken apart.

    text: as entered, trimmed. canonical: one spelling per mark, for comparing. authority: the prefix as stamped, or DOT
    (TC) where a DOT (TC) design was entered without one, and then `notes` says so; UN for UN receptacles; None for
    standards without the UN symbol and for ASME. design: the part after the authority ("3AL", "4BW", "3ALM").
    permit_number: digits of a special permit or exemption ("10915"), "SU1234" for a Canadian one. standard: "ISO
    11119-2", "EN 12245" or "ASME". service_pressure: None where the text carries none. test_pressure: only UN marks
    carry one ("PH300BAR"). other_marks: canonical texts of further marks in the same text.
    """

    text: str
    canonical: str
    family: SpecificationFamily
    authority: str | None = None
    design: str | None = None
    permit_number: str | None = None
    standard: str | None = None
    service_pressure: StampedPressure | None = None
    test_pressure: StampedPressure | None = None
    other_marks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class SpecificationFault(msgspec.Struct, frozen=True, kw_only=True):
    """Why a text was not taken as a specification mark, and what to enter instead. `code` is stable."""

    text: str
    code: str
    detail: str
    suggestion: str


class MarkRefused(Exception):
    """Carries a fault's parts from the place where it is found to `parse_specification`."""

    def __init__(self, code: str, detail: str, suggestion: str = GENERAL_SUGGESTION) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail
        self.suggestion = suggestion
