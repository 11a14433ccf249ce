"""Judging one air sample by one standard of air, analyte by analyte.

Pure: figures are decimal text and are compared as decimal numbers, so that 10 is within "at most 10" and 10.1 is not.
Units are converted only where that is exact: parts per million and percent by volume. Water in ppm, water in mg/m3 and
a dew point say the same in three ways, and turning one into another needs pressure and temperature and a table of
vapour pressures; they are compared only with a limit in the same unit.
"""

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Literal

import msgspec

from fill_ledger.trade.events.air import AirSourceKind, Analyte, AnalyteResult, AnalyteUnit
from fill_ledger.trade.events.rulebook import AirStandard, AnalyteLimit

# within: meets the limit. over, under: does not. not-reported: the sample does not say. not-comparable: it says it in
# another unit, in words that are not understood, or the pressure that picks the limit is not known.
Verdict = Literal["within", "over", "under", "not-reported", "not-comparable"]

PPM_IN_PERCENT = Decimal(10_000)

# What laboratories write for nothing found (common practice, no source): below what the method can tell.
_NOTHING_FOUND = frozenset(
    {"none", "none detected", "not detected", "nd", "n.d.", "nil", "none noted", "below detection limit", "bdl"}
)
# "< 0.5": a plain number below which the method cannot tell. An exponent would take arithmetic out of its bounds.
_BELOW = re.compile(r"< ?([0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9})\Z")
_ODOUR_RANKS: dict[str, Decimal] = {
    **dict.fromkeys((*_NOTHING_FOUND, "none noticeable", "no odour", "no odor", "odourless", "odorless"), Decimal(0)),
    **dict.fromkeys(("slight", "faint", "slight odour", "slight odor"), Decimal(1)),
    **dict.fromkeys(
        ("noticeable", "moderate", "pronounced", "strong", "objectionable", "significant", "foul"), Decimal(2)
    ),
}
# One analyte reported in one of these ways is reported.
_SAID_IN_SEVERAL_WAYS: tuple[frozenset[Analyte], ...] = (frozenset({"water", "dew_point"}),)

_UNIT_WORDS: dict[AnalyteUnit, str] = {
    "percent": " %",
    "ppm": " ppm",
    "mg_per_m3": " mg/m3",
    "deg_f": " F",
    "none": "",
}
_ODOUR_WORDS = {"0": "none", "1": "at most slight"}


class AnalyteVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """What a standard says of one analyte of a sample. `limit` and `result` are those the verdict rests on."""

    analyte: Analyte
    verdict: Verdict
    limit: AnalyteLimit
    result: AnalyteResult | None = None

    @property
    def fails(self) -> bool:
        """Tell whether the sample breaks the limit."""
        return self.verdict in ("over", "under")


class _Found(msgspec.Struct, frozen=True):
    """A result as a number in the unit of a limit; `at_most` where only an upper bound is known ("< 0.5")."""

    number: Decimal
    at_most: bool = False


def judge_sample(
    results: Sequence[AnalyteResult],
    standard: AirStandard,
    *,
    air_source_kind: AirSourceKind | None = None,
    storage_psi: int | None = None,
) -> tuple[AnalyteVerdict, ...]:
    """Return one verdict for every analyte that a standard limits, in its order.

    air_source_kind: of the source that was sampled. storage_psi: gauge pressure at which the air is stored, which picks
    among limits that depend on it; None where it is not known, and then only what breaks or meets all of them is told.
    Of several results for one analyte the worst stands.
    """
    analytes = dict.fromkeys(limit.analyte for limit in standard.limits)
    verdicts: list[AnalyteVerdict] = []
    for analyte in analytes:
        limits = [
            limit
            for limit in standard.limits
            if limit.analyte == analyte and limit.air_source_kind in (None, air_source_kind)
        ]
        verdict = _of_analyte(limits, [result for result in results if result.analyte == analyte], storage_psi)
        if verdict is not None:
            verdicts.append(verdict)
    return tuple(_without_other_ways(verdicts))


def limit_words(limit: AnalyteLimit) -> str:
    """Return a limit for a person: "19.5 to 23.5 %", "at most 5 ppm", "at most slight"."""
    unit = _UNIT_WORDS[limit.unit]
    if limit.analyte == "odour" and limit.maximum is not None:
        return _ODOUR_WORDS.get(limit.maximum, "any")
    if limit.minimum is not None and limit.maximum is not None:
        return f"{limit.minimum} to {limit.maximum}{unit}"
    return f"at least {limit.minimum}{unit}" if limit.minimum is not None else f"at most {limit.maximum}{unit}"


def result_words(result: AnalyteResult) -> str:
    """Return a result for a person: "9 ppm", or the laboratory's own words."""
    return result.text or "" if result.value is None else f"{result.value}{_UNIT_WORDS[result.unit]}"


def analyte_words(analyte: Analyte) -> str:
    """Return an analyte as a person calls it."""
    return analyte.replace("_", " ")


def _of_analyte(
    limits: Sequence[AnalyteLimit], results: Sequence[AnalyteResult], storage_psi: int | None
) -> AnalyteVerdict | None:
    """Return the verdict for one analyte, or None where the standard has no limit for air of this kind and pressure."""
    applying = limits if storage_psi is None else [limit for limit in limits if _is_for(limit, storage_psi)]
    if not applying:
        return None
    if not results:
        return AnalyteVerdict(analyte=applying[0].analyte, verdict="not-reported", limit=applying[0])
    # Only where the pressure is not known can several ranges of it apply at once.
    in_doubt = storage_psi is None and any(
        limit.over_psi is not None or limit.through_psi is not None for limit in limits
    )
    verdicts = [_worst([_compared(limit, result) for result in results]) for limit in applying]
    worst = _worst(verdicts)
    if in_doubt and worst.fails and not all(verdict.fails for verdict in verdicts):
        return AnalyteVerdict(analyte=worst.analyte, verdict="not-comparable", limit=worst.limit, result=worst.result)
    return worst


def _is_for(limit: AnalyteLimit, storage_psi: int) -> bool:
    if limit.over_psi is not None and storage_psi <= limit.over_psi:
        return False
    return limit.through_psi is None or storage_psi <= limit.through_psi


def _worst(verdicts: Sequence[AnalyteVerdict]) -> AnalyteVerdict:
    """Return a failed verdict before a met one, and a met one before one that cannot be told."""
    return min(verdicts, key=lambda verdict: (not verdict.fails, verdict.verdict != "within"))


def _compared(limit: AnalyteLimit, result: AnalyteResult) -> AnalyteVerdict:
    verdict: Verdict = "within"
    found = _number(limit, result)
    minimum = None if limit.minimum is None else Decimal(limit.minimum)
    maximum = None if limit.maximum is None else Decimal(limit.maximum)
    if found is None:
        verdict = "not-comparable"
    elif found.at_most:
        # Less than something: it meets a maximum that is no lower, and says nothing else for sure.
        verdict = "within" if minimum is None and (maximum is None or found.number <= maximum) else "not-comparable"
    elif maximum is not None and found.number > maximum:
        verdict = "over"
    elif minimum is not None and found.number < minimum:
        verdict = "under"
    return AnalyteVerdict(analyte=limit.analyte, verdict=verdict, limit=limit, result=result)


def _number(limit: AnalyteLimit, result: AnalyteResult) -> _Found | None:
    """Return a result in the unit of a limit, or None where it cannot be compared with it."""
    if result.value is not None:
        number = _converted(Decimal(result.value), result.unit, limit.unit)
        return None if number is None else _Found(number)
    if result.text is None:
        return None
    words = " ".join(result.text.casefold().split()).removesuffix(".")
    if limit.analyte == "odour":
        rank = _ODOUR_RANKS.get(words)
        return None if rank is None else _Found(rank)
    if limit.unit == "deg_f":
        return None  # no word for nothing: a temperature is always some number
    if words in _NOTHING_FOUND:
        return _Found(Decimal(0), at_most=True)
    below = _BELOW.match(words)
    if below is None:
        return None
    number = _converted(Decimal(below[1]), result.unit, limit.unit)
    return None if number is None else _Found(number, at_most=True)


def _converted(number: Decimal, unit: AnalyteUnit, wanted: AnalyteUnit) -> Decimal | None:
    if unit == wanted:
        return number
    if (unit, wanted) == ("percent", "ppm"):
        return number * PPM_IN_PERCENT
    if (unit, wanted) == ("ppm", "percent"):
        return number / PPM_IN_PERCENT
    return None


def _without_other_ways(verdicts: Sequence[AnalyteVerdict]) -> Iterable[AnalyteVerdict]:
    """Leave out what the sample does not say, or not comparably, where it says the same in another way."""
    for verdict in verdicts:
        ways = next((ways for ways in _SAID_IN_SEVERAL_WAYS if verdict.analyte in ways), frozenset())
        told = any(
            other.analyte in ways and other.analyte != verdict.analyte and (other.fails or other.verdict == "within")
            for other in verdicts
        )
        if not told or verdict.fails or verdict.verdict == "within":
            yield verdict
