"""To what pressure: the least of what the cylinder's marks, the regulator and the hose allow, settled at 70 F (21 C).

Sources: 49 CFR 173.301a(c) (settled limit at 70 F, 2024 copy); 49 CFR 173.302a(b)(1) to (5) (110 % with a plus sign,
2015 edition). Conversions and the 110 % round down, in whole numbers.
"""

from fill_ledger.trade.pressure import SERVICE_PRESSURE_MIN_PSI
from fill_ledger.trade.rules.case import Case, has_mark
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.specification import is_fillable
from fill_ledger.trade.rules.station import fill_position

PLUS_MARK = "+"
PLUS_TENTHS = 11  # 110 % of the marked service pressure, in tenths

_PLUS = "49 CFR 173.302a(b) (2015 edition)"
_RATED = "common practice, no source: the weakest part sets the limit"

PLUS_NOT_VALID = ReasonKind(
    code="plus-not-valid",
    effect="advice",
    title="A plus sign is on record where the specification does not allow one; it is not counted",
    source=_PLUS,
    clears_by="correction of the record from the stamp",
)
PLUS_VOID = ReasonKind(
    code="plus-void",
    effect="advice",
    title="An earlier test had a plus sign and the latest has none: the 110 % no longer holds",
    source="inference from 49 CFR 173.302a(b)(5) (2015 edition)",
)
RATING_WRONG = ReasonKind(
    code="fill-position-rating-wrong",
    effect="deny",
    title="The regulator setting or hose rating on record is too low to be one",
    source="inference",
    clears_by="correction of the fill position's record",
)
LIMITED_BY_POSITION = ReasonKind(
    code="limit-lowered",
    effect="advice",
    title="The regulator or hose allows less than the cylinder's marks",
    source=_RATED,
)
REGULATOR_ABOVE = ReasonKind(
    code="regulator-above-limit",
    effect="advice",
    title="The regulator is set above what the cylinder may get",
    source="49 CFR 173.301(a)(5) (2015 edition); a fitting does not protect (inference)",
)


def has_valid_plus(case: Case) -> bool:
    """Tell whether the plus sign counts: on the latest test, which passed, and the specification allows it."""
    entry, latest = case.entry, case.latest
    if entry is None or not entry.plus_allowed or latest is None or latest.stamp.outcome != "pass":
        return False
    return has_mark(latest.stamp, PLUS_MARK)


def marked_limit_psi(case: Case) -> int | None:
    """Return the cylinder's own settled limit at 70 F in whole gauge psi, or None where its pressure cannot be read."""
    service_pressure_psi = case.service_pressure_psi
    if service_pressure_psi is None:
        return None
    return service_pressure_psi * PLUS_TENTHS // 10 if has_valid_plus(case) else service_pressure_psi


def fill_limit_psi(case: Case) -> int | None:
    """Return the least of the cylinder's limit, the regulator's setting and the hose's rating, in whole gauge psi."""
    limit_psi = marked_limit_psi(case)
    position = fill_position(case)
    if limit_psi is None or position is None:
        return limit_psi
    if position.regulator_psi is not None:
        limit_psi = min(limit_psi, position.regulator_psi)
    if position.hose_rating_psi is not None:
        limit_psi = min(limit_psi, position.hose_rating_psi)
    return limit_psi


def _reasons(case: Case) -> tuple[Reason, ...]:
    found: list[Reason] = []
    if is_fillable(case) and case.cylinder is not None and case.cylinder.requalifications:
        found.extend(_plus_reasons(case))
    if case.question.fill_position_id is not None:
        found.extend(_position_reasons(case))
    return tuple(found)


def _plus_reasons(case: Case) -> tuple[Reason, ...]:
    entry, latest, cylinder = case.entry, case.latest, case.cylinder
    if entry is None or latest is None or cylinder is None:
        return ()
    if has_mark(latest.stamp, PLUS_MARK):
        if entry.plus_allowed:
            return ()
        return (
            PLUS_NOT_VALID.reason(
                f"A plus sign is on record for test {latest.stamp.month}, but {entry.key} does not allow one. The "
                "marked service pressure holds.",
                "Plus sign is not valid here: marked pressure holds.",
            ),
        )
    earlier = any(
        has_mark(known.stamp, PLUS_MARK)
        for known in cylinder.requalifications
        if known.stamp.month < latest.stamp.month
    )
    if not entry.plus_allowed or not earlier or latest.stamp.outcome != "pass":
        return ()
    return (
        PLUS_VOID.reason(
            f"The test of {latest.stamp.month} has no plus sign, so that of an earlier test no longer holds.",
            f"No plus on test {latest.stamp.month}: marked pressure holds.",
        ),
    )


def _position_reasons(case: Case) -> tuple[Reason, ...]:
    position, marked_psi = fill_position(case), marked_limit_psi(case)
    if position is None:
        return ()
    ratings = [psi for psi in (position.regulator_psi, position.hose_rating_psi) if psi is not None]
    if any(psi < SERVICE_PRESSURE_MIN_PSI for psi in ratings):
        return (
            RATING_WRONG.reason(
                f"The fill position has a setting or rating of {min(ratings)} psi on record. Correct it.",
                f"Do not fill here. Position rated {min(ratings)} psi: correct it.",
            ),
        )
    if marked_psi is None:
        return ()
    if ratings and min(ratings) < marked_psi:
        return (
            LIMITED_BY_POSITION.reason(
                f"The cylinder may have {marked_psi} psi; this fill position allows {min(ratings)} psi.",
                f"Fill position allows {min(ratings)} of {marked_psi} psi.",
            ),
        )
    if position.regulator_psi is not None and position.regulator_psi > marked_psi:
        return (
            REGULATOR_ABOVE.reason(
                f"The regulator is set to {position.regulator_psi} psi; the cylinder may have {marked_psi} psi. Set it "
                "lower before connecting, or stop the fill at the limit.",
                f"Regulator is set to {position.regulator_psi} psi: stop at {marked_psi}.",
            ),
        )
    return ()


def _facts(case: Case) -> Facts:
    position = fill_position(case)
    return {
        "service_pressure_psi": case.service_pressure_psi,
        "plus_counts": has_valid_plus(case),
        "regulator_psi": None if position is None else position.regulator_psi,
        "hose_rating_psi": None if position is None else position.hose_rating_psi,
        "fill_limit_psi": fill_limit_psi(case),
    }


# Test months and changes of the fill position are instants of the requalification and station rules already.
RULE = Rule(
    name="fill-limit",
    kinds=(RATING_WRONG, PLUS_NOT_VALID, PLUS_VOID, LIMITED_BY_POSITION, REGULATOR_ABOVE),
    reasons=_reasons,
    facts=_facts,
    parameters=(("plus_percent", str(PLUS_TENTHS * 10)),),
)
