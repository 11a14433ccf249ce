"""Events of the county ledger about what the rules go by: specifications and permits, standards of air, figures.

All of it is dated: an entry holds from `effective_from` until `effective_until` (exclusive), and a change of the law is
a further entry. What a release brings is installed as one event; what the county enters itself goes before it.
"""

from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.air import AirSourceKind, Analyte, AnalyteUnit, DecimalText
from fill_ledger.trade.events.envelope import Body, Day, Month, Nature, ShortText, Use, event
from fill_ledger.trade.identifiers import Subject, rulebook_subject

RuleName = Annotated[str, Meta(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*\Z", max_length=64)]
FigureName = Annotated[str, Meta(pattern=r"^[a-z0-9]+(_[a-z0-9]+)*\Z", max_length=64)]
SpecificationKey = Annotated[
    str, Meta(min_length=1, max_length=64, description='"3AA", "UN steel", "SP10915": what a mark is read as')
]
StandardKey = Annotated[
    str, Meta(min_length=1, max_length=64, description='a standard of air, such as "NFPA 1989-2019"')
]
Years = Annotated[int, Meta(ge=1, le=100)]
DesignPsi = Annotated[int, Meta(ge=40, le=15_000)]
Confidence = Annotated[
    Literal["read", "medium", "low"],
    Meta(
        description="How well an entry is founded: its text was read (read); a secondary source was, or the text in "
        "part (medium); from memory, or nothing readable (low)."
    ),
]


class SpecificationEntry(Body, frozen=True, kw_only=True):
    """What holds for one specification or special permit during a time.

    uses: the uses it may be filled for; empty means never, and `refusal` says why. interval_years: between
    requalifications. star_interval_years: with a valid star (49 CFR 180.209(b)). life_years: from the month of
    manufacture; None for no limit. marked_life_prevails: a life marked on the cylinder stands in place of `life_years`.
    plus_allowed: a plus sign raises the fill limit to 110 % (49 CFR 173.302a(b)). reference_temperature_f: at which the
    marked pressure holds: 70 F in America, 59 F (15 C) for European cylinders. service_pressure_max_psi: the highest
    its design allows, gauge, None where that is not known. taken_as_6351: made of that alloy unless the record says
    another.
    """

    key: SpecificationKey
    uses: Annotated[tuple[Use, ...], Meta(max_length=3)] = ("scba", "scuba", "storage")
    interval_years: Years | None = None
    star_interval_years: Years | None = None
    life_years: Years | None = None
    marked_life_prevails: bool = False
    plus_allowed: bool = False
    reference_temperature_f: Annotated[int, Meta(ge=32, le=100)] = 70
    service_pressure_max_psi: DesignPsi | None = None
    taken_as_6351: bool = False
    refusal: ShortText | None = None
    source: ShortText
    confidence: Confidence
    effective_from: Day | None = None
    effective_until: Day | None = None


class AnalyteLimit(Body, frozen=True, kw_only=True):
    """Between what a standard of air wants one analyte, both ends included; None where it sets no such end.

    over_psi and through_psi: the limit is for air stored above and up to these gauge pressures, where the standard sets
    several (EN 12021 does for water). air_source_kind: it is for air of this kind of source only. An odour has the unit
    "none" and is ranked: 0 none, 1 slight, 2 more.
    """

    analyte: Analyte
    unit: AnalyteUnit
    minimum: DecimalText | None = None
    maximum: DecimalText | None = None
    over_psi: Annotated[int, Meta(ge=0, le=15_000)] | None = None
    through_psi: Annotated[int, Meta(ge=0, le=15_000)] | None = None
    air_source_kind: AirSourceKind | None = None
    source: ShortText | None = None


class AirStandard(Body, frozen=True, kw_only=True):
    """The limits one authority sets for breathing air during a time."""

    key: StandardKey
    title: ShortText
    limits: Annotated[tuple[AnalyteLimit, ...], Meta(min_length=1, max_length=40)]
    source: ShortText
    confidence: Confidence
    effective_from: Day | None = None
    effective_until: Day | None = None


class AmendedFigure(Body, frozen=True, kw_only=True):
    """A figure of a rule and the value it has instead: a whole number in the unit of its name, or a month."""

    figure: FigureName
    value: Annotated[int, Meta(ge=0, le=10_000_000)] | Month


class AmendedSource(Body, frozen=True, kw_only=True):
    """The source a code is quoted with instead: a paragraph has moved, or another edition holds."""

    code: RuleName
    source: ShortText


class RulebookBody(Body, frozen=True, kw_only=True):
    """Base of events that change the rulebook."""

    def folds_into(self) -> Iterable[Subject]:
        return (rulebook_subject(),)


@event("rulebook.installed", Nature.LEDGER)
class RulebookInstalled(RulebookBody, frozen=True, kw_only=True):
    """What a release of the service brings, whole, in place of what an earlier release brought."""

    release: ShortText
    specifications: Annotated[tuple[SpecificationEntry, ...], Meta(max_length=500)]
    air_standards: Annotated[tuple[AirStandard, ...], Meta(max_length=100)] = ()


@event("specification.entered", Nature.OFFICE)
class SpecificationEntered(RulebookBody, frozen=True, kw_only=True):
    """The county enters a specification or permit, as its text says. It goes before what the release brings."""

    entry: SpecificationEntry


@event("air_standard.entered", Nature.OFFICE)
class AirStandardEntered(RulebookBody, frozen=True, kw_only=True):
    """The county enters a standard of air. It goes before what the release brings."""

    standard: AirStandard


@event("rule.amended", Nature.OFFICE)
class RuleAmended(RulebookBody, frozen=True, kw_only=True):
    """Figures of the rules, or the sources of codes, are others during a time; `reason` says by what authority."""

    figures: Annotated[tuple[AmendedFigure, ...], Meta(max_length=20)] = ()
    sources: Annotated[tuple[AmendedSource, ...], Meta(max_length=20)] = ()
    reason: ShortText
    effective_from: Day | None = None
    effective_until: Day | None = None
