"""Does the latest air sample meet the standard that policy names, analyte by analyte?

A laboratory's fail stays a fail whatever the figures say, and its pass does not help where a figure breaks the limit of
the standard that the department goes by. What the sample does not tell is advice, not a denial: the laboratory judged
the sample as a whole, and its report may carry less than it measured.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from fill_ledger.trade.air_quality import (
    AnalyteVerdict,
    analyte_words,
    judge_sample,
    limit_words,
    result_words,
)
from fill_ledger.trade.events.rulebook import AirStandard
from fill_ledger.trade.rules.air import goes_by, latest_samples, source_name
from fill_ledger.trade.rules.calendar import day_starts_at
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.stations import AirSourceState, Sample

NAMED_ANALYTES = 4
SHOWN_KEY = 40
SHOWN_RESULT = 30
MAXIMUM_FACT = 500

OVER_LIMIT = ReasonKind(
    code="air-sample-over-limit",
    effect="deny",
    title="The latest air sample does not meet the standard of air that policy names",
    source="the standard of air that policy names",
    clears_by="a sample of a later day that meets the standard",
)
STANDARD_UNKNOWN = ReasonKind(
    code="air-standard-unknown",
    effect="deny",
    title="Policy names a standard of air that is not on file",
    source="department policy",
    clears_by="the standard entered for the county: POST /v1/air-standards; or a policy that names another",
)
INCOMPLETE = ReasonKind(
    code="air-sample-incomplete",
    effect="advice",
    title="The latest air sample does not tell all that the standard limits, or not in its units",
    source="inference: the laboratory's verdict stands for what its report does not tell",
    clears_by="the missing figures from the laboratory",
)

# Whoever fills can do nothing about these: they are told on the due list of the air source, and to who asks why.
CODES_FOR_THE_OFFICE = frozenset({INCOMPLETE.code})


def asked_standards(case: Case) -> tuple[str, ...]:
    """Return the keys of the standards that the air must meet: policy's, and for a SCUBA cylinder its own as well."""
    policy = case.question.policy
    is_scuba = case.details is not None and case.details.use == "scuba"
    named = (policy.air_standard, policy.scuba_air_standard if is_scuba else None)
    return tuple(dict.fromkeys(key for key in named if key is not None))


def standard_of(case: Case, key: str) -> AirStandard | None:
    """Return the standard of this key that holds at the case's moment, or None."""
    found: AirStandard | None = None
    for dated in case.question.rulebook.air_standards(key):
        if case.is_in_effect(dated.effective_from, dated.effective_until):
            found = dated.standard
    return found


def storage_psi(case: Case, source: AirSourceState) -> int | None:
    """Return the gauge pressure a bank stores air at: that of its strongest bottle (inference), None where unknown."""
    pressures = [bottle.service_pressure_psi for bottle in source.bottles if bottle.covers(case.at)]
    return max(pressures, default=None)


def _reasons(case: Case) -> tuple[Reason, ...]:
    found: list[Reason] = []
    for key in asked_standards(case):
        standard = standard_of(case, key)
        if standard is None:
            found.append(_unknown(case, key))
            continue
        for source in _sampled(case):
            found.extend(_of_source(case, source, standard))
    return tuple(found)


def _sampled(case: Case) -> tuple[AirSourceState, ...]:
    """Return the sources whose samples count: those the fill draws from, and the compressors that a bank goes by."""
    counted = {source.subject_id: source for source in case.sources}
    for source in case.sources:
        counted |= {compressor.subject_id: compressor for compressor in goes_by(case, source)}
    return tuple(counted.values())


def _of_source(case: Case, source: AirSourceState, standard: AirStandard) -> list[Reason]:
    latest = latest_samples(case, source)
    if latest is None:
        return []
    taken_on, samples = latest
    judged = _judged(case, source, samples, standard)
    failed = {verdict.analyte: verdict for verdicts in judged for verdict in verdicts if verdict.fails}
    if failed:
        return [_over(source, str(taken_on), standard, verdict) for verdict in failed.values()]
    told = {verdict.analyte for verdicts in judged for verdict in verdicts if verdict.verdict == "within"}
    untold = {verdict.analyte: verdict for verdicts in judged for verdict in verdicts if verdict.analyte not in told}
    if not untold or any(sample.verdict != "pass" for sample in samples):
        return []
    return [_incomplete(source, str(taken_on), standard, list(untold.values()))]


def _judged(
    case: Case, source: AirSourceState, samples: Sequence[Sample], standard: AirStandard
) -> list[tuple[AnalyteVerdict, ...]]:
    return [
        judge_sample(
            sample.results or (),
            standard,
            air_source_kind=source.air_source_kind,  # type: ignore[arg-type]  # what the event's type has checked
            storage_psi=storage_psi(case, source),
        )
        for sample in samples
    ]


def _over(source: AirSourceState, taken_on: str, standard: AirStandard, verdict: AnalyteVerdict) -> Reason:
    result = ""  # pragma: no mutate - for types: what is over a limit has a result
    if verdict.result is not None:  # pragma: no mutate - as above
        result = plain(result_words(verdict.result), SHOWN_RESULT)
    analyte, limit = analyte_words(verdict.analyte), limit_words(verdict.limit)
    return OVER_LIMIT.reason(
        f"Air sample of {source_name(source)}, {taken_on}: {analyte} {result}. {plain(standard.key, SHOWN_KEY)} wants "
        f"{limit}. Cure the cause; a sample of a later day must meet it.",
        f"Do not fill. Air: {analyte} {result}, limit {limit.removeprefix('at most ')}.",
        source=verdict.limit.source or standard.source,
    )


def _incomplete(source: AirSourceState, taken_on: str, standard: AirStandard, untold: list[AnalyteVerdict]) -> Reason:
    names = [analyte_words(verdict.analyte) for verdict in untold]
    more = len(names) - NAMED_ANALYTES
    listed = ", ".join(names[:NAMED_ANALYTES]) + (f" and {more} more" if more > 0 else "")
    return INCOMPLETE.reason(
        f"The passed sample of {source_name(source)}, {taken_on}, does not tell, in the units of "
        f"{plain(standard.key, SHOWN_KEY)}: {listed}. Ask the laboratory.",
        f"Air sample of {taken_on} lacks {len(names)} {'figure' if len(names) == 1 else 'figures'}: ask the lab.",
    )


def _unknown(case: Case, key: str) -> Reason:
    name = plain(key, SHOWN_KEY)
    known = case.question.rulebook.air_standards(key)
    what = "was not in effect at that time" if known else "is not on file"
    return STANDARD_UNKNOWN.reason(
        f"Policy asks for air by {name}, which {what}. Enter it for the county with its limits, or let policy name "
        "one that is on file.",
        f"Do not fill. Air standard {plain(key)} {'not in effect' if known else 'is not on file'}.",
    )


def _instants(case: Case) -> Iterable[datetime]:
    """The days of samples are instants of the air rule already; here come those of the standards and of bottles."""
    for key in asked_standards(case):
        for dated in case.question.rulebook.air_standards(key):
            for day in (dated.effective_from, dated.effective_until):
                if day is not None:
                    yield day_starts_at(day, case.zone)
    if asked_standards(case):
        for source in case.sources:
            for bottle in source.bottles:
                yield bottle.starts_at
                if bottle.ends_at is not None:
                    yield bottle.ends_at


def _facts(case: Case) -> Facts:
    facts: Facts = {}
    for place, key in enumerate(asked_standards(case), start=1):
        standard = standard_of(case, key)
        facts[f"standard_{place}"] = key
        facts[f"standard_{place}_on_file"] = standard is not None
        for number, source in enumerate(_sampled(case), start=1):
            latest = latest_samples(case, source)
            if standard is not None and latest is not None:
                told = [
                    _told(verdict) for verdicts in _judged(case, source, latest[1], standard) for verdict in verdicts
                ]
                facts[f"source_{number}_by_standard_{place}"] = "; ".join(told)[:MAXIMUM_FACT]
                facts[f"source_{number}_verdicts"] = ", ".join(sample.verdict for sample in latest[1])
    return facts


def _told(verdict: AnalyteVerdict) -> str:
    result = "" if verdict.result is None else f" {result_words(verdict.result)}"
    return f"{analyte_words(verdict.analyte)}{result} {verdict.verdict} ({limit_words(verdict.limit)})"


RULE = Rule(
    name="air-standard",
    concerns="air",
    kinds=(OVER_LIMIT, STANDARD_UNKNOWN, INCOMPLETE),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
