"""Is the air good: which source, is it in service, and does a current laboratory sample say so?

A storage bank is judged by samples of its own: a sample of the compressor says nothing of what has stood in the bank.
"""

from collections.abc import Iterable
from datetime import date, datetime

from fill_ledger.trade.rules.calendar import day_ends_at, day_of, day_starts_at, day_text
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.base import period_at
from fill_ledger.trade.states.stations import AirSourceState, Sample

NEEDED = ReasonKind(
    code="air-source-needed",
    effect="deny",
    title="The station has several air sources and none was named",
    source="inference: the air is judged by its source",
    clears_by="naming the air source",
)
UNKNOWN = ReasonKind(
    code="air-source-unknown",
    effect="deny",
    title="The air source is not one of the station's, or the station has none on record",
    source="inference: the air is judged by its source",
    clears_by="registration of the air source, or naming another",
)
OUT_OF_SERVICE = ReasonKind(
    code="air-source-out-of-service",
    effect="deny",
    title="The air source is out of service",
    source="department record",
    clears_by="returning the air source to service",
)
SAMPLE_FAILED = ReasonKind(
    code="air-sample-failed",
    effect="deny",
    title="A source whose latest air sample failed is out of use until a later sample passes",
    source="NFPA 1989 as summarised by a laboratory (secondary); 29 CFR 1910.134(i)(1)",
    clears_by="a passed sample taken on a later day",
)
SAMPLE_DUE = ReasonKind(
    code="air-sample-due",
    effect="deny",
    title="No passed air sample of this source is within the interval that policy sets",
    source="department policy; 29 CFR 1910.134(i) sets no interval (OSHA letter, 25 April 1994)",
    clears_by="a passed air sample",
)


def latest_samples(case: Case, source: AirSourceState) -> tuple[date, list[Sample]] | None:
    """Return the newest day on which samples were taken, up to the case's moment, and the samples of that day.

    A day is all a sample has, so two of one day have no order: if one failed, the day failed.
    """
    newest: date | None = None
    samples: list[Sample] = []
    for sample in reversed(source.samples):
        taken_on = day_of(sample.taken_on)
        if newest is None and taken_on is not None and day_starts_at(taken_on, case.zone) <= case.at:
            newest = taken_on
        if newest is not None and taken_on != newest:
            break
        if newest is not None:
            samples.append(sample)
    return None if newest is None else (newest, samples)


def sample_stops_at(case: Case, taken_on: date) -> datetime:
    """Return when a sample is no longer current: after the last day of the interval (inclusive, by inference)."""
    return day_ends_at(taken_on, case.zone, case.question.policy.air_sample_interval_days)


def _reasons(case: Case) -> tuple[Reason, ...]:
    if not case.sources:
        return (_no_source(case),)
    found: list[Reason] = []
    for source in case.sources:
        if source.registered_at is None:
            found.append(_unknown())
            continue
        if source.outages and (outage := period_at(source.outages, case.at)) is not None:
            day = day_text(outage.starts_at, case.zone)
            found.append(
                OUT_OF_SERVICE.reason(
                    f"{source_name(source)} has been out of service since {day}.",
                    f"Do not fill. {source_name(source)} is out of service since {day}.",
                    clears_at=outage.ends_at,
                )
            )
        sample_reason = _sample_reason(case, source)
        if sample_reason is not None:
            found.append(sample_reason)
    return tuple(found)


def source_name(source: AirSourceState) -> str:
    """Return what a display calls an air source."""
    return plain(source.label or "Air source")


def _no_source(case: Case) -> Reason:
    sources = case.question.air_sources
    if case.question.air_source_id is not None or not sources:
        return _unknown()
    labels = ", ".join(plain(source.label, 20) if source.label else str(source.subject_id) for source in sources)
    return NEEDED.reason(
        f"The station has {len(sources)} air sources; name the one the fill draws from: {labels}.",
        "Do not fill yet. Name the air source.",
    )


def _unknown() -> Reason:
    return UNKNOWN.reason(
        "The air source is not one of this station's, or none is on record. Register it or name another.",
        "Do not fill. Air source not on record.",
    )


def _sample_reason(case: Case, source: AirSourceState) -> Reason | None:
    latest = latest_samples(case, source)
    if latest is None:
        return _due(
            case,
            source,
            f"No air sample of {source_name(source)} is on record",
            f"{source_name(source)} has no air sample",
        )
    taken_on, samples = latest
    if [sample for sample in samples if sample.verdict != "pass"]:
        return SAMPLE_FAILED.reason(
            f"The air sample of {source_name(source)} taken {taken_on} failed. Find and cure the cause; a sample of a "
            "later day must pass before anything is filled from it.",
            f"Do not fill. Air sample of {taken_on} failed: use another source.",
        )
    if case.at < sample_stops_at(case, taken_on):
        return None
    return _due(
        case,
        source,
        f"The last air sample of {source_name(source)} was taken {taken_on}",
        f"Air sample due: last one {taken_on}",
    )


def _due(case: Case, source: AirSourceState, what: str, shortly: str) -> Reason:
    """Policy names what its interval rests on, because OSHA sets none and a state or a standard may."""
    policy = case.question.policy
    bank = " A storage bank needs a sample of its own." if source.air_source_kind == "storage_bank" else ""
    return SAMPLE_DUE.reason(
        f"{what}; policy asks for one every {policy.air_sample_interval_days} days.{bank}",
        f"Do not fill. {shortly}.",
        source=policy.air_sample_interval_source,
    )


def _instants(case: Case) -> Iterable[datetime]:
    for source in case.sources:
        for outage in source.outages:
            yield outage.starts_at
            if outage.ends_at is not None:
                yield outage.ends_at
        latest = latest_samples(case, source)
        if latest is not None:
            yield sample_stops_at(case, latest[0])
        for sample in reversed(source.samples):
            taken_on = day_of(sample.taken_on)
            if taken_on is not None:
                starts_at = day_starts_at(taken_on, case.zone)
                if starts_at <= case.at:
                    break
                yield starts_at


def _facts(case: Case) -> Facts:
    facts: Facts = {
        "air_sources": len(case.question.air_sources),
        "air_source_named": case.question.air_source_id is not None,
        "interval_days": case.question.policy.air_sample_interval_days,
    }
    for number, source in enumerate(case.sources, start=1):
        latest = latest_samples(case, source)
        facts[f"source_{number}"] = source.label
        facts[f"source_{number}_registered"] = source.registered_at is not None
        facts[f"source_{number}_kind"] = source.air_source_kind
        facts[f"source_{number}_out_of_service"] = period_at(source.outages, case.at) is not None
        facts[f"source_{number}_latest_sample"] = None if latest is None else str(latest[0])
        facts[f"source_{number}_verdicts"] = None if latest is None else ", ".join(s.verdict for s in latest[1])
    return facts


RULE = Rule(
    name="air",
    concerns="air",
    kinds=(NEEDED, UNKNOWN, OUT_OF_SERVICE, SAMPLE_FAILED, SAMPLE_DUE),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
