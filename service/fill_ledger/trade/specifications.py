"""Which specifications and permits may be filled with breathing air, how often they are tested, how long they live.

Dated data, not code: an entry holds from `effective_from` until `effective_until`, and a change of the law is a further
entry. 49 CFR 173 and 180 were amended by HM-234 (85 FR 85380, 28 December 2020), so paragraph letters of older editions
may have moved.

Honesty about sources: `confidence` says how well an entry is founded. "read": the rule's text was read. "medium": a
secondary source was read, or a primary one in part. "low": from memory, or nothing readable; a judgement that rests on
such an entry says so. The interval and life of a special permit stand in the permit itself (49 CFR 180.205(c)), and a
permit's own text always prevails.
"""

from datetime import date
from functools import lru_cache
from typing import Literal

import msgspec

from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.marks import (
    Material,
    SpecificationFamily,
    SpecificationFault,
    SpecificationMark,
    material_implied,
    parse_specification,
)

Confidence = Literal["read", "medium", "low"]
PressureWall = Literal["steel", "aluminium", "composite"]  # what breathing-air cylinders are made of

BREATHING: tuple[Use, ...] = ("scba", "scuba", "storage")
STORAGE_ONLY: tuple[Use, ...] = ("storage",)
REMEMBERED_MARKS = 8_192


class SpecificationEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What holds for one specification or permit during a time.

    key: a specification family, "UN steel" and so on, "TC 3AAM", or "SP10915". uses: the uses it may be filled for;
    empty means never, and `refusal` says why. interval_years: between requalifications. star_interval_years: with a
    valid star. life_years: from the month of manufacture; None for no limit. plus_allowed: a plus sign raises the fill
    limit to 110 %. confidence: see the top of the file.
    """

    key: str
    uses: tuple[Use, ...] = BREATHING
    interval_years: int | None = None
    star_interval_years: int | None = None
    life_years: int | None = None
    plus_allowed: bool = False
    refusal: str | None = None
    source: str
    confidence: Confidence
    effective_from: date | None = None
    effective_until: date | None = None  # exclusive


_TABLE_1 = "49 CFR 180.209(a), table 1"
_UN = "49 CFR 180.207(c) (2015 edition)"
_MEMORY = "from memory, not verified against the permit"
_PERMIT = "special permit text, not readable here; 49 CFR 180.205(c)"
_NOT_BREATHING = "is not a breathing-air cylinder"

FAMILIES: tuple[SpecificationEntry, ...] = (
    SpecificationEntry(
        key="3A", interval_years=5, star_interval_years=10, plus_allowed=True, source=_TABLE_1, confidence="read"
    ),
    SpecificationEntry(
        key="3AA", interval_years=5, star_interval_years=10, plus_allowed=True, source=_TABLE_1, confidence="read"
    ),
    SpecificationEntry(key="3AL", interval_years=5, source=_TABLE_1, confidence="read"),
    # Large tubes: storage only (from memory: more than 1,000 lb of water).
    SpecificationEntry(
        key="3AX", uses=STORAGE_ONLY, interval_years=5, plus_allowed=True, source=_TABLE_1, confidence="read"
    ),
    SpecificationEntry(
        key="3AAX", uses=STORAGE_ONLY, interval_years=5, plus_allowed=True, source=_TABLE_1, confidence="read"
    ),
    SpecificationEntry(
        key="3T", uses=STORAGE_ONLY, interval_years=5, plus_allowed=True, source=_TABLE_1, confidence="read"
    ),
    SpecificationEntry(
        key="3HT",
        uses=(),
        refusal="is for use in aircraft only, with a count of fills",
        source="49 CFR 180.205(i)(1)(v), 173.302a(a)(2) (2015 edition)",
        confidence="read",
    ),
    SpecificationEntry(
        key="3B", uses=(), refusal=f"{_NOT_BREATHING}: low pressure class", source=_MEMORY, confidence="low"
    ),
    SpecificationEntry(
        key="3BN", uses=(), refusal=f"{_NOT_BREATHING}: low pressure class", source=_MEMORY, confidence="low"
    ),
    SpecificationEntry(
        key="3E",
        uses=(),
        refusal="is a small cylinder that is never requalified",
        source="49 CFR 180.209(a), table 1; 173.301a(b)",
        confidence="medium",
    ),
    SpecificationEntry(
        key="39", uses=(), refusal="may not be refilled", source="49 CFR 178.65, from memory", confidence="low"
    ),
    SpecificationEntry(
        key="4-series", uses=(), refusal=_NOT_BREATHING, source="49 CFR 178.50 to 178.68, titles", confidence="medium"
    ),
    SpecificationEntry(
        key="8-series",
        uses=(),
        refusal="is an acetylene cylinder",
        source="49 CFR 178.59, 178.60, titles",
        confidence="medium",
    ),
    SpecificationEntry(
        key="foreign",
        uses=(),
        refusal="has no DOT, TC or UN mark",
        source="49 CFR 171.23, from memory",
        confidence="low",
    ),
    # An ASME vessel falls outside part 180: it is a bottle of an air source, inspected under state rules.
    SpecificationEntry(
        key="asme",
        uses=(),
        refusal="is a vessel of the station: record it as a storage bottle of an air source",
        source="outside 49 CFR part 180, from memory",
        confidence="low",
    ),
    SpecificationEntry(key="UN steel", interval_years=10, source=_UN, confidence="read"),
    SpecificationEntry(key="UN aluminium", interval_years=10, source=_UN, confidence="read"),
    # The 2015 text ends every UN composite at 15 years; a later one ends it at the life marked on it, which the record
    # does not hold yet. The shorter is safe.
    SpecificationEntry(
        key="UN composite",
        interval_years=5,
        life_years=15,
        confidence="medium",
        source="49 CFR 180.207(c) (2015 edition); a later text goes by the life marked on the cylinder",
    ),
    *(
        SpecificationEntry(
            key=f"TC {design}",
            interval_years=5,
            confidence="low",
            source="49 CFR 171.12(a)(4) and 180.209(a), from memory: as the DOT specification of the same name",
        )
        for design in ("3AM", "3AAM", "3ALM")
    ),
)


def _composite(
    number: int, interval_years: int, life_years: int, confidence: Confidence, source: str
) -> SpecificationEntry:
    return SpecificationEntry(
        key=f"SP{number}", interval_years=interval_years, life_years=life_years, confidence=confidence, source=source
    )


def _refused(number: int, refusal: str, confidence: Confidence, source: str) -> SpecificationEntry:
    return SpecificationEntry(key=f"SP{number}", uses=(), refusal=refusal, confidence=confidence, source=source)


_TEST_METHOD = "is a permit for a test method: enter the construction mark"
_GENERIC_LIFE = "life: generic notice, 59 FR (15 February 1994); interval: from memory"

PERMITS: tuple[SpecificationEntry, ...] = (
    _composite(10915, 5, 15, "medium", "DOT-SP 10915: holder's statement and fire-department manuals; permit not read"),
    _composite(11194, 5, 15, "medium", "DOT-SP 11194: interval and life from memory, same construction as 10915"),
    _composite(10945, 5, 15, "medium", "DOT-SP 10945: interval and life from memory, same construction as 10915"),
    _composite(13583, 5, 15, "low", f"DOT-SP 13583: {_MEMORY}"),
    # Said to be meant for longer than 15 years; the label and the current permit decide.
    _composite(14232, 5, 15, "low", f"DOT-SP 14232: {_MEMORY}; 15 years assumed, the label may say more"),
    _composite(8059, 3, 15, "low", f"DOT-SP 8059: {_GENERIC_LIFE}"),
    _composite(7235, 3, 15, "low", f"DOT-E 7235: {_GENERIC_LIFE}"),
    _composite(7277, 3, 15, "low", f"DOT-E 7277: {_GENERIC_LIFE}"),
    _composite(8162, 3, 15, "low", f"DOT-E 8162: {_GENERIC_LIFE}"),
    # Aluminium forerunners of 3AL, overstamped 3AL from 1982 (secondary).
    SpecificationEntry(
        key="SP6498", interval_years=5, confidence="medium", source="as 3AL; overstamping known from a secondary source"
    ),
    SpecificationEntry(
        key="SP7042", interval_years=5, confidence="medium", source="as 3AL; overstamping known from a secondary source"
    ),
    _refused(6576, "is an expired permit", "medium", "secondary source: expired, no longer legal"),
    _refused(6688, "is an expired permit", "medium", "secondary source: expired, no longer legal"),
    _refused(14206, _TEST_METHOD, "read", "DOT-SP 14206, opening of the 63rd revision"),
    _refused(14175, _TEST_METHOD, "medium", "HM-268O, notice of 1 July 2025"),
    _refused(15720, "is a life extension for the Navy only: enter the construction mark", "read", "agency page"),
    _refused(
        16320,
        "is a life extension that expired in 2019: enter the construction mark",
        "read",
        "PHMSA notice, 24 April 2019",
    ),
)

# Made of 6351-T6 unless the record says another alloy (medium: forerunners of 3AL, secondary source).
PERMITS_TAKEN_AS_6351 = frozenset({"SP6498", "SP7042"})

SPECIFICATIONS: tuple[SpecificationEntry, ...] = FAMILIES + PERMITS

_by_key: dict[str, tuple[SpecificationEntry, ...]] = {
    entry.key: tuple(other for other in SPECIFICATIONS if other.key == entry.key) for entry in SPECIFICATIONS
}


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
    if mark.family is SpecificationFamily.TC:
        return f"TC {mark.design}"
    if mark.family is SpecificationFamily.TC_PERMIT:
        return f"TC-{mark.permit_number}"
    return mark.family.value


def implied_wall(mark: SpecificationMark) -> PressureWall | None:
    """Return the wall material a mark implies, where cylinders for air are made of it."""
    match material_implied(mark):
        case Material.STEEL:
            return "steel"
        case Material.ALUMINIUM:
            return "aluminium"
        case Material.COMPOSITE:
            return "composite"
        case _:
            return None


def entries_for(key: str) -> tuple[SpecificationEntry, ...]:
    """Return all entries of a key, in whatever time they hold; empty where the specification is not known."""
    return _by_key.get(key, ())
