"""Is the air good: which source, is it in service, and does a current laboratory sample say so?

A storage bank is judged by samples of its own: a sample of the compressor says nothing of what has stood in the bank.
Policy may let a bank without a current one go by the compressors of its station, which are sampled between purification
and storage (common practice, no source); a failed sample of its own still denies.
"""

from collections.abc import Iterable
from datetime import date, datetime

from fill_ledger.trade.rules.calendar import day_ends_at, day_of, day_starts_at, day_text
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.base import period_at
from fill_ledger.trade.states.stations import AirSourceState, Sample

STORAGE_BANK = "storage_bank"
COMPRESSOR = "compressor"

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


def compressors_of(case: Case, bank: AirSourceState) -> tuple[AirSourceState, ...]:
    """Return the compressors by which policy lets a storage bank be judged: those of its station that are on record."""
    if bank.air_source_kind != STORAGE_BANK or case.question.policy.bank_needs_own_sample:
        return ()
    known = {source.subject_id: source for source in (*case.question.air_sources, *case.question.station_air_sources)}
    return tuple(
        source
        for source in known.values()
        if source.air_source_kind == COMPRESSOR
        and source.station_id == bank.station_id
        and source.registered_at is not None
    )


def goes_by(case: Case, source: AirSourceState) -> tuple[AirSourceState, ...]:
    """Return the compressors whose samples count for a storage bank at the moment; empty where its own ones do."""
    latest = latest_samples(case, source)
    if latest is not None and (_has_failed(latest[1]) or case.at < sample_stops_at(case, latest[0])):
        return ()
    return compressors_of(case, source)


def _has_failed(samples: list[Sample]) -> bool:
    return any(sample.verdict != "pass" for sample in samples)


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
        compressors = goes_by(case, source)
        sample_reason = _reason_of_bank(case, source, compressors) if compressors else _sample_reason(case, source)
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
    if _has_failed(samples):
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


def _reason_of_bank(case: Case, bank: AirSourceState, compressors: tuple[AirSourceState, ...]) -> Reason | None:
    """Say what is wrong with the samples a bank goes by: a failed one first, of whichever compressor.

    A compressor that is out of service fills no bank, so its sample need not be current while another one is in use.
    """
    in_service = [source for source in compressors if period_at(source.outages, case.at) is None]
    for compressor in compressors:
        latest = latest_samples(case, compressor)
        if latest is not None and _has_failed(latest[1]):
            return SAMPLE_FAILED.reason(
                f"{source_name(bank)} goes by {source_name(compressor)}, whose air sample of {latest[0]} failed. Find "
                "and cure the cause; a later sample of either must pass before anything is filled.",
                f"Do not fill. Air sample of {source_name(compressor)} failed {latest[0]}.",
            )
    for compressor in in_service or compressors:
        latest = latest_samples(case, compressor)
        if latest is None:
            return _due(
                case,
                bank,
                f"No air sample of {source_name(compressor)}, by which {source_name(bank)} is judged, is on record",
                f"{source_name(compressor)} has no air sample",
            )
        if case.at >= sample_stops_at(case, latest[0]):
            return _due(
                case,
                bank,
                f"The last air sample of {source_name(compressor)}, by which {source_name(bank)} is judged, was taken "
                f"{latest[0]}",
                f"Air sample of {source_name(compressor)} due: last {latest[0]}",
            )
    return None


def _due(case: Case, source: AirSourceState, what: str, shortly: str) -> Reason:
    """Policy names what its interval rests on, because OSHA sets none and a state or a standard may."""
    policy = case.question.policy
    bank = ""
    if source.air_source_kind == STORAGE_BANK:
        is_own_needed = policy.bank_needs_own_sample
        bank = " A storage bank needs a sample of its own." if is_own_needed else ""
        if not is_own_needed and not compressors_of(case, source):
            bank = " It has no compressor on record to go by."
    return SAMPLE_DUE.reason(
        f"{what}; policy asks for one every {policy.air_sample_interval_days} days.{bank}",
        f"Do not fill. {shortly}.",
        source=policy.air_sample_interval_source,
    )


def _instants(case: Case) -> Iterable[datetime]:
    # A source that is drawn from and one that a bank goes by may be the same: an instant twice does no harm.
    for source in (*case.sources, *(one for bank in case.sources for one in compressors_of(case, bank))):
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
        "bank_needs_own_sample": case.question.policy.bank_needs_own_sample,
    }
    for number, source in enumerate(case.sources, start=1):
        latest = latest_samples(case, source)
        facts[f"source_{number}"] = source.label
        facts[f"source_{number}_registered"] = source.registered_at is not None
        facts[f"source_{number}_kind"] = source.air_source_kind
        facts[f"source_{number}_out_of_service"] = period_at(source.outages, case.at) is not None
        facts[f"source_{number}_latest_sample"] = None if latest is None else str(latest[0])
        facts[f"source_{number}_verdicts"] = None if latest is None else ", ".join(s.verdict for s in latest[1])
        for place, compressor in enumerate(goes_by(case, source), start=1):
            told = latest_samples(case, compressor)
            facts[f"source_{number}_goes_by_{place}"] = compressor.label
            facts[f"source_{number}_goes_by_{place}_sample"] = None if told is None else str(told[0])
    return facts


RULE = Rule(
    name="air",
    concerns="air",
    kinds=(NEEDED, UNKNOWN, OUT_OF_SERVICE, SAMPLE_FAILED, SAMPLE_DUE),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
