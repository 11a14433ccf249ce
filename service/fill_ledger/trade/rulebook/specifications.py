"""The specifications and permits that a release brings: which may be filled, how often tested, how long they live.

Data, not code: the county enters further ones, or others in their place. 49 CFR 173 and 180 were amended by HM-234
(85 FR 85380, 28 December 2020), so paragraph letters of older editions may have moved.

Honesty about sources: `confidence` says how well an entry is founded. "read": the rule's text was read. "medium": a
secondary source was read, or a primary one in part. "low": from memory, or nothing readable; a judgement that rests on
such an entry says so. The interval and life of a special permit stand in the permit itself (49 CFR 180.205(c)), and a
permit's own text always prevails.
"""

from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.events.rulebook import Confidence, SpecificationEntry

STORAGE_ONLY: tuple[Use, ...] = ("storage",)
# Permits of fibre-wrapped cylinders exclude use under water (from memory): the permit's own text prevails.
NOT_UNDER_WATER: tuple[Use, ...] = ("scba", "storage")


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
        key="3B",
        uses=(),
        refusal=f"{_NOT_BREATHING}: low pressure class",
        source="49 CFR 178.38, from memory",
        confidence="low",
    ),
    SpecificationEntry(
        key="3BN",
        uses=(),
        refusal=f"{_NOT_BREATHING}: low pressure class",
        source="49 CFR 178.39, from memory",
        confidence="low",
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
    # A county elsewhere may enter these: its interval, uses, and 59 F (15 C), at which European pressures are marked.
    *(
        SpecificationEntry(
            key=f"EN {wall}",
            uses=(),
            reference_temperature_f=59,
            refusal="has no DOT, TC or UN mark: a county outside the United States may enter what holds for it",
            source="49 CFR 171.23, from memory",
            confidence="low",
        )
        for wall in ("steel", "aluminium", "composite")
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
    # The 2015 text ends every UN composite at 15 years; a later one ends it at the life marked on it.
    SpecificationEntry(
        key="UN composite",
        interval_years=5,
        life_years=15,
        marked_life_prevails=True,
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


# The guideline for full-wrap carbon over aluminium ends at this service pressure (a comparison sheet, secondary). The
# opening of 10915 and of 11194 says they are of that construction (read); 10945 is of the same family from memory.
FULL_WRAP_CARBON_MAX_PSI = 5_000
_FULL_WRAP_CARBON = frozenset({10915, 11194, 10945})


def _composite(
    number: int,
    interval_years: int,
    life_years: int,
    confidence: Confidence,
    source: str,
    *,
    marked_life_prevails: bool = False,
) -> SpecificationEntry:
    return SpecificationEntry(
        key=f"SP{number}",
        uses=NOT_UNDER_WATER,
        interval_years=interval_years,
        life_years=life_years,
        marked_life_prevails=marked_life_prevails,
        service_pressure_max_psi=FULL_WRAP_CARBON_MAX_PSI if number in _FULL_WRAP_CARBON else None,
        confidence=confidence,
        source=f"{source}; not for use under water: from memory",
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
    # Its holder says it is meant for longer than 15 years (secondary): what a person read on the label decides.
    _composite(
        14232,
        5,
        15,
        "low",
        f"DOT-SP 14232: {_MEMORY}; 15 years assumed, the label may say more",
        marked_life_prevails=True,
    ),
    _composite(8059, 3, 15, "low", f"DOT-SP 8059: {_GENERIC_LIFE}"),
    _composite(7235, 3, 15, "low", f"DOT-E 7235: {_GENERIC_LIFE}"),
    _composite(7277, 3, 15, "low", f"DOT-E 7277: {_GENERIC_LIFE}"),
    _composite(8162, 3, 15, "low", f"DOT-E 8162: {_GENERIC_LIFE}"),
    # Aluminium forerunners of 3AL, overstamped 3AL from 1982 (secondary).
    SpecificationEntry(
        key="SP6498",
        interval_years=5,
        taken_as_6351=True,
        confidence="medium",
        source="as 3AL; overstamping known from a secondary source",
    ),
    SpecificationEntry(
        key="SP7042",
        interval_years=5,
        taken_as_6351=True,
        confidence="medium",
        source="as 3AL; overstamping known from a secondary source",
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

SPECIFICATIONS: tuple[SpecificationEntry, ...] = FAMILIES + PERMITS
