"""To what pressure: the least of what the cylinder's marks, policy, the regulator and the hose allow.

The marks and policy bound the pressure once settled at 70 F (21 C); the regulator and the hose bound the reading.
Sources: 49 CFR 173.301a(c) (settled limit at 70 F, 2024 copy); 49 CFR 173.302a(b)(1) to (5) (110 % with a plus sign,
2015 edition). Conversions and the 110 % round down, in whole numbers.
"""

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.reading_checks import GAUGE_TOLERANCE_PSI
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F, stop_at_psi
from fill_ledger.trade.pressure import SERVICE_PRESSURE_MIN_PSI
from fill_ledger.trade.rules.case import Case, has_mark
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.rules.specification import is_fillable
from fill_ledger.trade.rules.station import fill_position

PLUS_MARK = "+"
PLUS_PERCENT = NumberFigure(
    name="plus_percent",
    value=110,
    lowest=100,
    highest=110,
    meaning="With a valid plus sign, this share of the marked service pressure: 49 CFR 173.302a(b) (2015 edition).",
)
GAUGE_TOLERANCE = NumberFigure(
    name="gauge_tolerance_psi",
    value=GAUGE_TOLERANCE_PSI,
    lowest=0,
    highest=GAUGE_TOLERANCE_PSI,
    meaning="A reading less than this over a limit is what gauges differ by: US Navy Diving Manual 7-5.1.1.",
)
FILL_RATE_MAX = NumberFigure(
    name="fill_rate_max_psi_per_minute",
    value=600,
    lowest=50,
    highest=6_000,
    meaning="The greatest fill rate but for fast fills: gas-industry habit, secondary source.",
)
# 49 CFR 173.301(a)(8): at 131 F at most 5/4 of the marked pressure; dry air stays below (1.18 times from 70 to 131 F).
_HOT_NUMERATOR, _HOT_DENOMINATOR = 5, 4

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
    title="Another entry had a plus sign and the latest test has none: the 110 % does not hold",
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
LIMITED_BY_POLICY = ReasonKind(
    code="limit-capped-by-policy",
    effect="advice",
    title="The department's policy allows less than the cylinder's marks",
    source="department policy",
    clears_by="another policy",
)
OTHER_TEMPERATURE = ReasonKind(
    code="limit-at-other-temperature",
    effect="advice",
    title="The cylinder's pressure is marked for another temperature than 70 F; the limit is what it comes to at 70 F",
    source="the specification's reference temperature; real air by CoolProp 8.0.0",
)
REGULATOR_ABOVE = ReasonKind(
    code="regulator-above-limit",
    effect="advice",
    title="The regulator is set above what the cylinder may get",
    source="49 CFR 173.301(a)(5) (2015 edition); a fitting does not protect (inference)",
)

# They tell to what pressure, so they have nothing to say to whoever must not fill.
CODES_OF_A_LIMIT = frozenset({kind.code for kind in (LIMITED_BY_POSITION, LIMITED_BY_POLICY, REGULATOR_ABOVE)})


def has_valid_plus(case: Case) -> bool:
    """Tell whether the plus sign counts: on the latest test, which passed, and the specification allows it.

    Where the month of the test has two entries both must carry it: neither is the later one, so the lower limit holds
    (inference).
    """
    entry, latest = case.entry, case.latest
    if entry is None or not entry.plus_allowed or latest is None or latest.stamp.outcome != "pass":
        return False
    return all(has_mark(known.stamp, PLUS_MARK) for known in case.passes_of_month)


def marked_limit_psi(case: Case) -> int | None:
    """Return the limit by the cylinder's marks in whole gauge psi, or None where its pressure cannot be read.

    It holds at the reference temperature of the specification: 70 F, or 59 F (15 C) for European cylinders.
    """
    service_pressure_psi = case.service_pressure_psi
    if service_pressure_psi is None:
        return None
    return service_pressure_psi * case.number(PLUS_PERCENT) // 100 if has_valid_plus(case) else service_pressure_psi


def own_limit_psi(case: Case) -> int | None:
    """Return the cylinder's own limit, settled at 70 F, in whole gauge psi, or None where it cannot be told."""
    marked_psi = marked_limit_psi(case)
    reference_f = reference_temperature_f(case)
    if marked_psi is None or reference_f == REFERENCE_TEMPERATURE_F:
        return marked_psi
    at_70_f = stop_at_psi(marked_psi, REFERENCE_TEMPERATURE_F, reference_f)
    if not isinstance(at_70_f, OutsideTable):
        return at_70_f
    # Beyond the table nothing is gained from a cooler reference; from a warmer one more is taken off than air needs.
    if reference_f < REFERENCE_TEMPERATURE_F:  # pragma: no mutate - the two are never equal here
        return marked_psi
    return marked_psi * _HOT_DENOMINATOR // _HOT_NUMERATOR


def settled_limit_psi(case: Case) -> int | None:
    """Return what the cylinder may have, settled at 70 F, by its marks and the department's policy; whole gauge psi."""
    own_psi, cap_psi = own_limit_psi(case), case.question.policy.fill_limit_cap_psi
    if own_psi is None or cap_psi is None:
        return own_psi
    return min(own_psi, cap_psi)


def reading_limit_psi(case: Case) -> int | None:
    """Return what no reading may exceed, hot or cold: the lesser of the regulator's setting and the hose's rating.

    Whole gauge psi; None where no fill position is named, or nothing is known of it.
    """
    position = fill_position(case)
    return None if position is None else _least(position.regulator_psi, position.hose_rating_psi)


def fill_limit_psi(case: Case) -> int | None:
    """Return the least of what marks, policy, regulator and hose allow, in whole gauge psi."""
    settled_psi = settled_limit_psi(case)
    return None if settled_psi is None else _least(settled_psi, reading_limit_psi(case))


def reference_temperature_f(case: Case) -> int:
    """Return the temperature at which the marked pressure holds, in whole degrees F."""
    return REFERENCE_TEMPERATURE_F if case.entry is None else case.entry.reference_temperature_f


def gauge_tolerance_psi(case: Case) -> int:
    """Return by how much a reading may be over a limit before anything is made of it; policy may ask for less."""
    by_rule, by_policy = case.number(GAUGE_TOLERANCE), case.question.policy.gauge_tolerance_psi
    return by_rule if by_policy is None else min(by_rule, by_policy)


def fill_rate_max_psi_per_minute(case: Case) -> int:
    """Return the greatest rate of a fill that is not a fast one; policy may ask for less."""
    by_rule, by_policy = case.number(FILL_RATE_MAX), case.question.policy.fill_rate_max_psi_per_minute
    return by_rule if by_policy is None else min(by_rule, by_policy)


def _least(one_psi: int | None, other_psi: int | None) -> int | None:
    if one_psi is None or other_psi is None:
        return other_psi if one_psi is None else one_psi
    return min(one_psi, other_psi)


def _reasons(case: Case) -> tuple[Reason, ...]:
    found: list[Reason] = []
    if is_fillable(case) and case.cylinder is not None and case.cylinder.requalifications:
        found.extend(_plus_reasons(case))
    if is_fillable(case):
        found.extend(_temperature_reasons(case))
    if case.question.policy.fill_limit_cap_psi is not None:
        found.extend(_policy_reasons(case, case.question.policy.fill_limit_cap_psi))
    if case.question.fill_position_id is not None:
        found.extend(_position_reasons(case))
    return tuple(found)


def _plus_reasons(case: Case) -> tuple[Reason, ...]:
    entry, latest = case.entry, case.latest
    if entry is None or latest is None:
        return ()
    if has_mark(latest.stamp, PLUS_MARK) and not entry.plus_allowed:
        return (
            PLUS_NOT_VALID.reason(
                f"A plus sign is on record for test {latest.stamp.month}, but {entry.key} does not allow one. The "
                "marked service pressure holds.",
                "Plus sign is not valid here: marked pressure holds.",
            ),
        )
    if not entry.plus_allowed or not _has_plus(case) or latest.stamp.outcome != "pass" or has_valid_plus(case):
        return ()
    return (
        PLUS_VOID.reason(
            f"The newest test, {latest.stamp.month}, has no plus sign, or not in every entry of that month. A plus in "
            "another entry does not count: the marked pressure holds.",
            f"No plus on test {latest.stamp.month}: marked pressure holds.",
        ),
    )


def _has_plus(case: Case) -> bool:
    """Tell whether a test up to the newest one carries a plus sign."""
    cylinder, latest = case.cylinder, case.latest
    if cylinder is None or latest is None:
        return False
    return any(
        has_mark(known.stamp, PLUS_MARK)
        for known in cylinder.requalifications
        if known.stamp.month <= latest.stamp.month
    )


def _temperature_reasons(case: Case) -> tuple[Reason, ...]:
    reference_f = reference_temperature_f(case)
    if reference_f == REFERENCE_TEMPERATURE_F:
        return ()
    marked_psi, own_psi = marked_limit_psi(case), own_limit_psi(case)
    if marked_psi is None or own_psi is None:  # pragma: no mutate - for types: both are None or neither
        return ()
    return (
        OTHER_TEMPERATURE.reason(
            f"The marked pressure, {marked_psi} psi, holds at {reference_f} F. At {REFERENCE_TEMPERATURE_F} F the same "
            f"air reads {own_psi} psi.",
            f"Marked {marked_psi} psi at {reference_f} F: {own_psi} at {REFERENCE_TEMPERATURE_F} F.",
        ),
    )


def _policy_reasons(case: Case, cap_psi: int) -> tuple[Reason, ...]:
    """Say that policy lowers the limit, where no part of the fill position lowers it further."""
    own_psi, reading_psi = own_limit_psi(case), reading_limit_psi(case)
    if own_psi is None or cap_psi >= own_psi or (reading_psi is not None and reading_psi < cap_psi):
        return ()
    return (
        LIMITED_BY_POLICY.reason(
            f"The cylinder may have {own_psi} psi; the department's policy allows {cap_psi} psi.",
            f"Policy allows {cap_psi} of {own_psi} psi.",
        ),
    )


def _position_reasons(case: Case) -> tuple[Reason, ...]:
    position, settled_psi, reading_psi = fill_position(case), settled_limit_psi(case), reading_limit_psi(case)
    if position is None or reading_psi is None:
        return ()
    if reading_psi < SERVICE_PRESSURE_MIN_PSI:
        return (
            RATING_WRONG.reason(
                f"The fill position has a setting or rating of {reading_psi} psi on record. Correct it.",
                f"Do not fill here. Position rated {reading_psi} psi: correct it.",
            ),
        )
    if settled_psi is None:
        return ()
    if reading_psi < settled_psi:
        is_regulator = position.regulator_psi == reading_psi
        part = "its regulator is set to that" if is_regulator else "its hose is rated for that"
        return (
            LIMITED_BY_POSITION.reason(
                f"The cylinder may have {settled_psi} psi; this fill position allows {reading_psi} psi: {part}.",
                f"{'Regulator' if is_regulator else 'Hose'} allows {reading_psi} of {settled_psi} psi.",
            ),
        )
    # In automatic mode the controller stops at the limit; otherwise a person does, who has to know.
    is_automatic = case.question.mode == "automatic"
    if not is_automatic and position.regulator_psi is not None and position.regulator_psi > settled_psi:
        return (
            REGULATOR_ABOVE.reason(
                f"The regulator is set to {position.regulator_psi} psi; the cylinder may have {settled_psi} psi. Set "
                "it lower before connecting, or stop the fill at the limit.",
                f"Regulator is set to {position.regulator_psi} psi: stop at {settled_psi}.",
            ),
        )
    return ()


def _facts(case: Case) -> Facts:
    position = fill_position(case)
    return {
        "fillable": is_fillable(case),
        "mode": case.question.mode,
        "service_pressure_psi": case.service_pressure_psi,
        "plus_allowed": case.entry is not None and case.entry.plus_allowed,
        "plus_on_latest_test": case.latest is not None and has_mark(case.latest.stamp, PLUS_MARK),
        "plus_on_any_test": _has_plus(case),
        "plus_counts": has_valid_plus(case),
        "reference_temperature_f": reference_temperature_f(case),
        "own_limit_psi": own_limit_psi(case),
        "policy_cap_psi": case.question.policy.fill_limit_cap_psi,
        "regulator_psi": None if position is None else position.regulator_psi,
        "hose_rating_psi": None if position is None else position.hose_rating_psi,
        "fill_limit_psi": fill_limit_psi(case),
    }


# Test months and changes of the fill position are instants of the requalification and station rules already.
RULE = Rule(
    name="fill-limit",
    concerns="fill",
    kinds=(
        RATING_WRONG,
        PLUS_NOT_VALID,
        PLUS_VOID,
        OTHER_TEMPERATURE,
        LIMITED_BY_POLICY,
        LIMITED_BY_POSITION,
        REGULATOR_ABOVE,
    ),
    reasons=_reasons,
    facts=_facts,
    figures=(PLUS_PERCENT, GAUGE_TOLERANCE, FILL_RATE_MAX),
)
