"""Has the service life ended? Unlike a requalification that is due, no test cures it, and a full cylinder comes off."""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.events.cylinders import LifeExtension
from fill_ledger.trade.events.rulebook import SpecificationEntry
from fill_ledger.trade.rulebook import permit_key
from fill_ledger.trade.rules.calendar import day_starts_at
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.specification import is_fillable

LIFE_OVER = ReasonKind(
    code="service-life-over",
    effect="deny",
    title="A cylinder past its service life is not refilled, and is condemned once empty",
    source="49 CFR 180.205(c), 173.301(a)(7) (2015 edition); month rule by inference",
)
MADE_MISSING = ReasonKind(
    code="manufacture-date-missing",
    effect="deny",
    title="The service life counts from manufacture, and that month is not on record",
    source="49 CFR 180.205(c) (2015 edition)",
    clears_by="the month of manufacture from the stamp or label",
)


EXTENSION_NOT_COUNTED = ReasonKind(
    code="life-extension-not-counted",
    effect="advice",
    title="An extension of the service life is on record and does not count: by policy, or its permit is refused",
    source="NIOSH CA-2018-1006-R1 (February 2019): past the maker's life a set loses its approval; PHMSA notice, "
    "24 April 2019: the permit waived neither 42 CFR 84 nor 29 CFR 1910.134",
    clears_by="a policy that accepts extensions",
)
EXTENSION_COUNTED = ReasonKind(
    code="life-extension-counted",
    effect="advice",
    title="The service life is extended, and policy accepts that; the set may have lost its approval",
    source="department policy; NIOSH CA-2018-1006-R1 (February 2019)",
)
SHOWN_PERMIT = 32


def is_life_over(case: Case) -> bool:
    """Tell whether the service life has ended at the case's moment."""
    return case.life_stops_at is not None and case.life_stops_at <= case.at


def _reasons(case: Case) -> tuple[Reason, ...]:
    details, entry = case.details, case.entry
    if details is None or entry is None or not is_fillable(case):  # pragma: no mutate - for types: the last is enough
        return ()
    advice = (*_extension_advice(case), *_refused_extension_advice(case))
    if is_life_over(case):
        # That an extension counts is of no use to whoever holds a cylinder that is past it as well.
        return (_life_over(case), *(reason for reason in advice if reason.code != EXTENSION_COUNTED.code))
    if entry.life_years is None or details.manufactured is not None:
        return advice
    if details.marked_life_ends is not None and entry.marked_life_prevails:
        return advice
    return (
        MADE_MISSING.reason(
            f"Its life is {entry.life_years} years from manufacture, and that month is not on record. Read it "
            "from the stamp or label and enter it.",
            "Do not fill. Enter the month of manufacture from its label.",
        ),
        *advice,
    )


def _life_over(case: Case) -> Reason:
    # Nobody undoes a condemnation, so it does not follow from years that nobody has read.
    once_empty = (
        "compare these years, which are not verified, with its label before it is condemned."
        if _rests_on_years(case) and case.entry is not None and case.entry.confidence == "low"
        else "have it condemned once empty."
    )
    return LIFE_OVER.reason(
        f"{_basis(case)}: it ended {case.life_ends}. No test renews it. Take it out of service even if full, and "
        f"{once_empty}",
        f"Do not fill. Service life ended {case.life_ends}: take it out of service.",
    )


def _basis(case: Case) -> str:
    """Say what the end of the life rests on."""
    details, entry, own_life_ends = case.details, case.entry, case.own_life_ends()
    if case.extension is not None and case.life_ends != own_life_ends:
        return f"Life extended by {plain(case.extension.extension.permit, SHOWN_PERMIT)}"
    # For types: what has a life has both.
    if details is None or entry is None:  # pragma: no mutate - as above
        return ""  # pragma: no mutate - as above
    if own_life_ends == details.marked_life_ends:
        return "Life as marked on the cylinder"
    return f"Made {details.manufactured}, life {entry.life_years} years"


def _rests_on_years(case: Case) -> bool:
    """Tell whether the life ends by the years of the specification, neither as marked nor as extended."""
    marked = None if case.details is None else case.details.marked_life_ends  # pragma: no mutate - for types, as above
    return case.life_ends == case.own_life_ends() and case.life_ends != marked


def _refused_extensions(case: Case) -> list[tuple[LifeExtension, SpecificationEntry]]:
    """Return the extensions on record whose permit is refused, each with what is on file about it, furthest first."""
    known = () if case.cylinder is None else case.cylinder.life_extensions
    refused = [
        (extended.extension, entry)
        for extended in known
        if extended.starts_at <= case.at and (entry := case.refused_permit(extended.extension.permit)) is not None
    ]
    return sorted(refused, key=lambda pair: pair[0].through, reverse=True)


def _refused_extension_advice(case: Case) -> tuple[Reason, ...]:
    """Say of the furthest extension by a refused permit that it does not count, where it would go further."""
    extension, entry = next(iter(_refused_extensions(case)), (None, None))
    if extension is None or entry is None or case.life_ends is None or extension.through <= case.life_ends:
        return ()
    why = "" if entry.refusal is None else f", which {entry.refusal.partition(':')[0]}"
    return (
        EXTENSION_NOT_COUNTED.reason(
            f"An extension of its life through {extension.through} is on record by "
            f"{plain(extension.permit, SHOWN_PERMIT)}{why}. It does not count: its life ends {case.life_ends}.",
            f"Life extension not counted: life ends {case.life_ends}.",
            source=entry.source,
            clears_by="an extension by a permit that is in effect",
        ),
    )


def _extension_advice(case: Case) -> tuple[Reason, ...]:
    if case.extension is None:
        return ()
    extension, own_life_ends = case.extension.extension, case.own_life_ends()
    if own_life_ends is None or extension.through <= own_life_ends:
        return ()
    permit = plain(extension.permit, SHOWN_PERMIT)
    if case.life_ends == own_life_ends:
        return (
            EXTENSION_NOT_COUNTED.reason(
                f"An extension of its life through {extension.through} by {permit} is on record. Policy does not "
                f"accept extensions: its life ends {own_life_ends}.",
                f"Life extension not counted: life ends {own_life_ends}.",
            ),
        )
    return (
        EXTENSION_COUNTED.reason(
            f"Without its extension the life would end {own_life_ends}; policy accepts the one through "
            f"{extension.through} by {permit}. The set may have lost its approval: ask its maker.",
            f"Life extended through {extension.through}: check the approval.",
        ),
    )


def _instants(case: Case) -> Iterable[datetime]:
    if case.life_stops_at is not None:
        yield case.life_stops_at
    if case.cylinder is not None:
        for extended in case.cylinder.life_extensions:
            yield extended.starts_at
            key = permit_key(extended.extension.permit)
            for dated in case.question.rulebook.specifications(key):
                for day in (dated.effective_from, dated.effective_until):
                    if day is not None:
                        yield day_starts_at(day, case.zone)


def _facts(case: Case) -> Facts:
    stops_at, extension = case.life_stops_at, case.extension
    return {
        "fillable": is_fillable(case),
        "manufactured": None if case.details is None else case.details.manufactured,
        "life_years": None if case.entry is None else case.entry.life_years,
        "marked_life_ends": None if case.details is None else case.details.marked_life_ends,
        "marked_life_prevails": case.entry is not None and case.entry.marked_life_prevails,
        "extended_through": None if extension is None else extension.extension.through,
        "extension_refused": ", ".join(extension.permit for extension, _ in _refused_extensions(case)) or None,
        "extensions_accepted": case.question.policy.life_extensions_accepted,
        "life_ends": case.life_ends,
        "filling_stops_at": None if stops_at is None else stops_at.astimezone(case.zone).isoformat(),
    }


RULE = Rule(
    name="service-life",
    concerns="cylinder",
    kinds=(LIFE_OVER, MADE_MISSING, EXTENSION_NOT_COUNTED, EXTENSION_COUNTED),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
