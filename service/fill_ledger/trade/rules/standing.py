"""Does the cylinder stand under a verdict or a hold: condemned, retired, transferred, rejected, on hold?"""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.rules.calendar import day_text, month_starts_at
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule

CONDEMNED = ReasonKind(
    code="condemned",
    effect="deny",
    title="A condemned cylinder is never filled again, by any procedure",
    source="49 CFR 180.205(i) (2015 edition)",
)
RETIRED = ReasonKind(
    code="retired",
    effect="deny",
    title="The department took the cylinder out of use",
    source="department record",
)
TRANSFERRED = ReasonKind(
    code="transferred",
    effect="deny",
    title="The cylinder now belongs to another department, whose record decides",
    source="department record",
    clears_by="asking with the new owner's record",
)
REJECTED = ReasonKind(
    code="requalification-rejected",
    effect="deny",
    title="A cylinder rejected at its latest requalification is not filled until repaired and requalified",
    source="49 CFR 180.205(h) (2015 edition)",
    clears_by="repair and a passed requalification",
)
ON_HOLD = ReasonKind(
    code="on-hold",
    effect="deny",
    title="A hold stands until a person releases it",
    source="department record",
    clears_by="release of the hold",
)


def is_condemned(case: Case) -> bool:
    """Tell whether the cylinder was condemned by the case's moment, by an entry of its own or at a requalification."""
    cylinder = case.cylinder
    if cylinder is None:
        return False
    if cylinder.condemned_at is not None and cylinder.condemned_at <= case.at:
        return True
    for known in cylinder.requalifications:
        if known.stamp.outcome == "condemned":
            starts_at = month_starts_at(known.stamp.month, case.zone)
            # A month that cannot be read must not hide a condemnation.
            if starts_at is None or starts_at <= case.at:
                return True
    return False


def _reasons(case: Case) -> tuple[Reason, ...]:
    cylinder = case.cylinder
    if cylinder is None:
        return ()
    found: list[Reason] = []
    if is_condemned(case):
        found.append(
            CONDEMNED.reason(
                "The cylinder is condemned: no procedure makes it fillable again. Keep it out of service; nobody may "
                "remove the condemned mark.",
                "Do not fill. Condemned: keep it out of service for good.",
            )
        )
    if cylinder.retired_at is not None and cylinder.retired_at <= case.at:
        day = day_text(cylinder.retired_at, case.zone)
        found.append(
            RETIRED.reason(
                f"The department took the cylinder out of use on {day}. Its record and number stay.",
                f"Do not fill. Retired {day}: take it out of the rack.",
            )
        )
    if cylinder.transferred_at is not None and cylinder.transferred_at <= case.at:
        day = day_text(cylinder.transferred_at, case.zone)
        found.append(
            TRANSFERRED.reason(
                f"The cylinder went to another department on {day}. That department's record decides.",
                f"Do not fill. Went to another department on {day}.",
            )
        )
    latest = case.latest
    if latest is not None and latest.stamp.outcome == "rejected":
        month = latest.stamp.month
        found.append(
            REJECTED.reason(
                f"Rejected at the requalification of {month}. It may be filled only after repair and a passed "
                "requalification.",
                f"Do not fill. Rejected {month}: repair and requalify first.",
            )
        )
    if cylinder.holds:
        found.extend(_holds(case))
    return tuple(found)


def _holds(case: Case) -> Iterable[Reason]:
    if case.cylinder is None:
        return
    for hold in case.cylinder.holds_at(case.at):
        day = day_text(hold.starts_at, case.zone)
        until = "" if hold.clears_by is None else f" Clears by: {hold.clears_by.rstrip('.')}."
        yield ON_HOLD.reason(
            f"On hold since {day} ({hold.hold_kind}).{until}",
            f"Do not fill. On hold since {day}: {hold.hold_kind}.",
            clears_by=hold.clears_by,
            clears_at=hold.ends_at,
        )


def _instants(case: Case) -> Iterable[datetime]:
    cylinder = case.cylinder
    if cylinder is None:
        return
    for moment in (cylinder.condemned_at, cylinder.retired_at, cylinder.transferred_at):
        if moment is not None:
            yield moment
    for hold in cylinder.holds:
        yield hold.starts_at
        if hold.ends_at is not None:
            yield hold.ends_at
    for known in reversed(cylinder.requalifications):
        starts_at = month_starts_at(known.stamp.month, case.zone)
        if starts_at is not None:
            if starts_at <= case.at:
                break
            yield starts_at


def _facts(case: Case) -> Facts:
    cylinder = case.cylinder
    if cylinder is None:
        return {}
    return {
        "condemned": is_condemned(case),
        "retired_at": None if cylinder.retired_at is None else cylinder.retired_at.isoformat(),
        "transferred_at": None if cylinder.transferred_at is None else cylinder.transferred_at.isoformat(),
        "latest_outcome": None if case.latest is None else case.latest.stamp.outcome,
        "holds": len(cylinder.holds_at(case.at)),
    }


RULE = Rule(
    name="standing",
    concerns="cylinder",
    kinds=(CONDEMNED, RETIRED, TRANSFERRED, REJECTED, ON_HOLD),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
