"""Is this kind of cylinder filled with breathing air at all, and for this use?"""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.marks import SpecificationFamily, SpecificationFault, SpecificationMark
from fill_ledger.trade.rules.calendar import day_starts_at
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import USE_WORDS, Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule

_AUTHORISED = "49 CFR 173.301(a)(1), 173.302(a) (2015 edition)"

UNREADABLE = ReasonKind(
    code="specification-unreadable",
    effect="deny",
    title="The specification on record cannot be read as a mark",
    source=_AUTHORISED,
    clears_by="correction of the record from the stamp",
)
UNKNOWN = ReasonKind(
    code="specification-unknown",
    effect="deny",
    title="Nothing is on file about this specification",
    source=_AUTHORISED,
    clears_by="the full mark on record, or the specification entered for the county: POST /v1/specifications",
)
PERMIT_UNKNOWN = ReasonKind(
    code="permit-unknown",
    effect="deny",
    title="Nothing is on file about this special permit",
    source="49 CFR 180.205(c) (2015 edition): as the permit says",
    clears_by="the permit entered for the county: POST /v1/specifications",
)
NOT_FILLABLE = ReasonKind(
    code="specification-not-fillable",
    effect="deny",
    title="Cylinders of this specification are not filled with breathing air here",
    source=_AUTHORISED,
)
WRONG_USE = ReasonKind(
    code="specification-wrong-use",
    effect="deny",
    title="Cylinders of this specification are not filled for this use",
    source=_AUTHORISED,
    clears_by="correction of the use on record, if it is wrong",
)
UNVERIFIED = ReasonKind(
    code="permit-data-unverified",
    effect="advice",
    title="The interval or life used is not verified against the permit",
    source="special permit text, not readable; the permit and the label prevail",
    clears_by="comparing with the permit or the regulation",
)


def is_fillable(case: Case) -> bool:
    """Tell whether the specification is known and may be filled for the cylinder's use at the case's moment."""
    return case.details is not None and case.entry is not None and case.details.use in case.entry.uses


def _reasons(case: Case) -> tuple[Reason, ...]:
    details, mark, entry = case.details, case.mark, case.entry
    if details is None or mark is None:
        return ()
    if isinstance(mark, SpecificationFault):
        return (
            UNREADABLE.reason(
                f"{plain(mark.text)}: {mark.detail}; {mark.suggestion}.",
                f"Do not fill. Specification {plain(mark.text, 16)} cannot be read: correct it.",
            ),
        )
    if entry is None:
        return (_not_on_file(case, mark),)
    if details.use in entry.uses and entry.confidence != "low":
        return ()
    name = plain(mark.canonical)
    if not entry.uses:
        refusal = entry.refusal or "is not filled here"
        return (
            NOT_FILLABLE.reason(
                f"{name} {refusal}.", f"Do not fill. {name} {refusal.partition(':')[0]}.", source=entry.source
            ),
        )
    if details.use not in entry.uses:
        uses = " and ".join(USE_WORDS[use] for use in entry.uses)
        doubt = "" if entry.confidence == "read" else " If its own text says otherwise, enter what it says."
        return (
            WRONG_USE.reason(
                f"{name} is filled here for {uses} only; the record says {USE_WORDS[details.use]}.{doubt}",
                f"Do not fill. {name} is for {uses} only.",
                source=entry.source,
            ),
        )
    life = "" if entry.life_years is None else f", life {entry.life_years} years"
    return (
        UNVERIFIED.reason(
            f"{name} is judged by: test every {entry.interval_years} years{life}. These figures are not verified; "
            "compare them with its label.",
            f"Compare {name} with its label: data not verified.",
            source=entry.source,
        ),
    )


def _not_on_file(case: Case, mark: SpecificationMark) -> Reason:
    name = plain(mark.canonical)
    if case.entries:
        return _not_in_effect(case, name)
    if mark.family in (SpecificationFamily.SPECIAL_PERMIT, SpecificationFamily.TC_PERMIT):
        return PERMIT_UNKNOWN.reason(
            f"Nothing is on file about {name}. Enter {case.key} for the county: the permit's requalification interval "
            "and service life, whether it allows a plus, and its revision.",
            f"Do not fill. Permit {name} is not on file.",
        )
    if mark.family is SpecificationFamily.UN and case.key is None:
        return UNKNOWN.reason(
            f"{name} does not say what the cylinder is made of. Enter the material: steel, aluminium or composite.",
            "Do not fill. Enter the material: steel, aluminium or composite.",
            clears_by="the material on record",
        )
    return UNKNOWN.reason(
        f"Nothing is on file about {name}. Enter the whole mark as stamped, for example DOT-3AA2015 or "
        "DOT-SP10915-4500.",
        f"Do not fill. Nothing is on file about {name}.",
    )


def _not_in_effect(case: Case, name: str) -> Reason:
    days = [day for dated in case.entries if (day := dated.effective_from) is not None]
    begins_on = min((day for day in days if day_starts_at(day, case.zone) > case.at), default=None)
    if begins_on is None:
        return NOT_FILLABLE.reason(
            f"Nothing that is on file about {name} is in effect any more. Enter for the county what holds now.",
            f"Do not fill. {name} is no longer in effect.",
            clears_by="the specification entered as it holds now: POST /v1/specifications",
        )
    return NOT_FILLABLE.reason(
        f"What is on file about {name} holds from {begins_on} on, not yet.",
        f"Do not fill. {name} is in effect from {begins_on} on.",
        clears_by="waiting for that day",
        clears_at=day_starts_at(begins_on, case.zone),
    )


def _instants(case: Case) -> Iterable[datetime]:
    for dated in case.entries:
        if dated.effective_from is not None:
            yield day_starts_at(dated.effective_from, case.zone)
        if dated.effective_until is not None:
            yield day_starts_at(dated.effective_until, case.zone)


def _facts(case: Case) -> Facts:
    if case.details is None:
        return {}
    entry = case.entry
    return {
        "specification": case.details.specification,
        "read_as": case.key,
        "use": case.details.use,
        "interval_years": None if entry is None else entry.interval_years,
        "life_years": None if entry is None else entry.life_years,
        "confidence": None if entry is None else entry.confidence,
        "source": None if entry is None else entry.source,
    }


RULE = Rule(
    name="specification",
    concerns="cylinder",
    kinds=(UNREADABLE, UNKNOWN, PERMIT_UNKNOWN, NOT_FILLABLE, WRONG_USE, UNVERIFIED),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
