"""Is the moment asked about one that the station's calendar can tell?"""

from collections.abc import Iterable
from datetime import UTC, datetime

from fill_ledger.trade.months import YEAR_MAX, YEAR_MIN
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule

OUT_OF_RANGE = ReasonKind(
    code="moment-out-of-range",
    effect="deny",
    title="The moment asked about lies outside the calendar",
    source="inference: stamped months run from 1900 to 2200",
    clears_by="asking about another moment",
)
ZONE_UNKNOWN = ReasonKind(
    code="time-zone-unknown",
    effect="deny",
    title="The station's calendar is not known, so no due month can be told",
    source="inference: a stamp counts in the station's calendar",
    clears_by="an IANA time zone on the station's record",
)


# One year inside the bounds of stamped months, so that no conversion between time zones leaves them.
CALENDAR_BEGINS_AT = datetime(YEAR_MIN + 1, 1, 1, tzinfo=UTC)
CALENDAR_ENDS_AT = datetime(YEAR_MAX, 1, 1, tzinfo=UTC)


def outside_calendar(at: datetime) -> Reason | None:
    """Return the reason to deny where no calendar reaches, else None."""
    if CALENDAR_BEGINS_AT <= at < CALENDAR_ENDS_AT:
        return None
    return OUT_OF_RANGE.reason(
        f"The moment asked about is not between the years {YEAR_MIN + 1} and {YEAR_MAX - 1}.",
        "Do not fill. The clock is wrong: set date and time.",
    )


def _reasons(case: Case) -> tuple[Reason, ...]:
    if (outside := outside_calendar(case.at)) is not None:
        return (outside,)
    if case.zone_known:
        return ()
    return (
        ZONE_UNKNOWN.reason(
            f"{plain(case.question.time_zone)} is no time zone. Enter one such as America/New_York.",
            "Do not fill. The station's time zone is not known.",
        ),
    )


def _instants(case: Case) -> Iterable[datetime]:
    return (CALENDAR_ENDS_AT,)


def _facts(case: Case) -> Facts:
    return {"at": case.at.astimezone(case.zone).isoformat(), "time_zone": case.question.time_zone}


RULE = Rule(
    name="moment",
    concerns="fill",
    kinds=(OUT_OF_RANGE, ZONE_UNKNOWN),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
