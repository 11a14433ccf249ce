"""What can be said of a fill only once it has happened: how far it went, how fast, and what was left undone.

Nothing here refuses a fill. Figures that cannot be true are kept as they came and found; each check that compares two
gauge readings lets pass what gauges differ by.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.gas.air_table import temperature_fault
from fill_ledger.trade.gas.reading_checks import GAUGE_TOLERANCE_PSI, EndReadingVerdict, judge_end_reading
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F
from fill_ledger.trade.pressure import SERVICE_PRESSURE_MIN_PSI
from fill_ledger.trade.rules import finding_kinds as kinds
from fill_ledger.trade.rules.calendar import month_starts_at
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.limits import fill_rate_max_psi_per_minute, gauge_tolerance_psi, settled_limit_psi
from fill_ledger.trade.rules.moment import outside_calendar
from fill_ledger.trade.rules.ownership import CONSENT
from fill_ledger.trade.rules.station import fill_position

if TYPE_CHECKING:
    from fill_ledger.trade.judgement import Judgement, Question

# 49 CFR 173.301(a)(8): pressure at 131 F may reach 5/4 of service pressure. Asked only where the table of air ends.
HOT_LIMIT_NUMERATOR, HOT_LIMIT_DENOMINATOR = 5, 4

# ASME B40.100, from memory: a gauge is chosen so that its working pressure lies about the middle of its scale.
GAUGE_SCALE_OF_RATING = 2
# Gauges on fill stations read to 10,000 psi (common practice, no source).
GAUGE_SCALE_PSI = 10_000

# Makers claim empty to 4,500 psi in 45 s for a fast fill (secondary source); twice that no station does.
FAST_FILL_PSI_PER_MINUTE = 6_000
IMPOSSIBLE_PSI_PER_MINUTE = 2 * FAST_FILL_PSI_PER_MINUTE
# A short rise says little of a rate: gauges and whole seconds round, and bottles equalise at once.
RATE_RISE_MIN_PSI = 500
IMPOSSIBLE_RISE_MIN_PSI = 1_000
# Tolerance of the rate (common practice, no source): a tenth, the gauge's tolerance on the rise, a second on the time.
RATE_TOLERANCE_PERCENT = 10
DURATION_TOLERANCE_S = 1
# Fills take minutes; a trickle left on over night is possible, a day is not (inference).
DURATION_MAX_S = 86_400
SECONDS_PER_MINUTE = 60


def codes_after_the_fact(body: Filled, question: "Question", judgement: "Judgement") -> Iterator[str]:
    """Yield a code for each thing that is wrong with a fill beyond its having been denied.

    `question` and `judgement` are those of the fill. A device that says nothing of the look-over has not said that it
    was left out; consent has to be reported.
    """
    if body.look_over == "failed":
        yield kinds.LOOK_OVER_FAILED.code
    elif body.look_over == "not_done":
        yield kinds.LOOK_OVER_NOT_DONE.code
    if body.override is not None:
        yield kinds.OVERRIDE_USED.code
    is_consent_due = any(obligation.code == CONSENT.code for obligation in judgement.obligations)
    if is_consent_due and body.owner_consent is None:
        yield kinds.CONSENT_NOT_REPORTED.code
    if body.gas_temperature_f is not None and temperature_fault(body.gas_temperature_f) is not None:
        yield kinds.GAS_TEMPERATURE_OUTSIDE_TABLE.code
    if body.duration_s is not None and not _is_duration(body.duration_s):
        yield kinds.DURATION_UNBELIEVABLE.code
    if outside_calendar(question.at) is None:
        yield from _codes_of_the_case(body, Case(question))


def _codes_of_the_case(body: Filled, case: Case) -> Iterator[str]:
    made_at = None if case.manufactured is None else month_starts_at(case.manufactured, case.zone)
    if made_at is not None and case.at < made_at:
        yield kinds.DATED_BEFORE_MANUFACTURE.code
    if body.end_psi is not None:
        yield from _codes_of_the_end(body.end_psi, body.gas_temperature_f, case)
    if body.start_psi is None:
        return
    is_start_shown = 0 <= body.start_psi <= _scale_psi(case)
    if not is_start_shown:
        yield kinds.START_READING_IMPOSSIBLE.code
    if body.end_psi is None:
        return
    rise_psi = body.end_psi - body.start_psi
    if rise_psi <= -GAUGE_TOLERANCE_PSI:
        yield kinds.START_ABOVE_END.code
    # A reading that no gauge shows says nothing of how fast the pressure rose.
    if is_start_shown and body.duration_s is not None and _is_duration(body.duration_s):
        yield from _codes_of_the_rate(rise_psi, body.duration_s, body.mode == "fast", case)


def is_over_limit(end_psi: int, limit_psi: int, gas_temperature_f: int | None, tolerance_psi: int) -> bool:
    """Tell whether a cylinder is above its limit once settled at 70 F; pressures in whole gauge psi.

    Without a temperature, and with one that the table of air does not have, what heat up to 131 F could explain is not
    called an overfill. Where the table does not reach the pressures, the regulation's own hot limit is taken.
    """
    if gas_temperature_f is not None and temperature_fault(gas_temperature_f) is not None:
        gas_temperature_f = None
    verdict = judge_end_reading(end_psi, limit_psi, gas_temperature_f, tolerance_psi=tolerance_psi).verdict
    if verdict is not EndReadingVerdict.OUTSIDE_TABLE:
        return verdict is EndReadingVerdict.OVER_LIMIT
    if gas_temperature_f is not None and gas_temperature_f <= REFERENCE_TEMPERATURE_F:
        return _is_over(end_psi, limit_psi, tolerance_psi)
    return end_psi * HOT_LIMIT_DENOMINATOR > limit_psi * HOT_LIMIT_NUMERATOR


def _is_over(reading_psi: int, limit_psi: int, tolerance_psi: int) -> bool:
    """Tell whether a reading is over a limit by the tolerance or more; over it at all where there is no tolerance."""
    return reading_psi > limit_psi and reading_psi >= limit_psi + tolerance_psi


def _believable(rating_psi: int | None) -> int | None:
    """Return a setting or rating, or None where it is too low to be one, which the rules say of the position."""
    return None if rating_psi is None or rating_psi < SERVICE_PRESSURE_MIN_PSI else rating_psi


def _is_duration(duration_s: int) -> bool:
    return 0 <= duration_s <= DURATION_MAX_S


def _scale_psi(case: Case) -> int:
    """Return the most that a gauge shows on the hose of the fill, in whole psi."""
    position = fill_position(case)
    hose_psi = None if position is None else _believable(position.hose_rating_psi)
    return GAUGE_SCALE_PSI if hose_psi is None else hose_psi * GAUGE_SCALE_OF_RATING


def _codes_of_the_end(end_psi: int, gas_temperature_f: int | None, case: Case) -> Iterator[str]:
    tolerance_psi, limit_psi, position = gauge_tolerance_psi(case), settled_limit_psi(case), fill_position(case)
    regulator_psi = None if position is None else _believable(position.regulator_psi)
    hose_psi = None if position is None else _believable(position.hose_rating_psi)
    if limit_psi is not None and is_over_limit(end_psi, limit_psi, gas_temperature_f, tolerance_psi):
        yield kinds.OVER_FILL_LIMIT.code
    if not 0 <= end_psi <= _scale_psi(case):
        yield kinds.END_READING_IMPOSSIBLE.code
        return
    if hose_psi is not None and _is_over(end_psi, hose_psi, tolerance_psi):
        yield kinds.HOSE_RATING_EXCEEDED.code
    if regulator_psi is not None and _is_over(end_psi, regulator_psi, tolerance_psi):
        yield kinds.REGULATOR_SETTING_EXCEEDED.code


def _codes_of_the_rate(rise_psi: int, duration_s: int, is_fast_mode: bool, case: Case) -> Iterator[str]:
    if rise_psi >= IMPOSSIBLE_RISE_MIN_PSI and _is_faster(rise_psi, duration_s, IMPOSSIBLE_PSI_PER_MINUTE):
        yield kinds.DURATION_IMPOSSIBLE.code
        return
    is_fast = is_fast_mode and case.question.policy.fast_fills_allowed
    rate_max = FAST_FILL_PSI_PER_MINUTE if is_fast else fill_rate_max_psi_per_minute(case)
    counted_rise_psi, counted_s = rise_psi - GAUGE_TOLERANCE_PSI, duration_s + DURATION_TOLERANCE_S
    if rise_psi >= RATE_RISE_MIN_PSI and _is_faster(
        counted_rise_psi * 100, counted_s, rate_max * (100 + RATE_TOLERANCE_PERCENT)
    ):
        yield kinds.FILLED_TOO_FAST.code


def _is_faster(rise: int, duration_s: int, rate_per_minute: int) -> bool:
    return rise * SECONDS_PER_MINUTE > rate_per_minute * duration_s
