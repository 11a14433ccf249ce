"""Are the filter and the carbon monoxide monitor of a compressor looked after, as far as policy asks for it?

29 CFR 1910.134(i)(5)(iii) asks that filters be replaced as the maker says, and (iv) that a tag tells the date of the
last change; how long a filter lasts is the maker's to say, so policy carries the figures and nothing is asked where it
carries none. Where it does and the record does not tell, unknown is a reason to deny.
"""

from collections.abc import Iterable
from datetime import date, datetime

from fill_ledger.trade.rules.air import source_name
from fill_ledger.trade.rules.calendar import day_ends_at, day_of, day_starts_at, day_text
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.stations import AirSourceState, CoCalibration, FilterChange, Reading

COMPRESSOR = "compressor"
TENTHS_IN_AN_HOUR = 10

_MAKER = "29 CFR 1910.134(i)(5)(iii) (2015 edition); policy has the figure; the maker's instructions prevail"

FILTER_DUE = ReasonKind(
    code="filter-due",
    effect="deny",
    title="The purification filter of the compressor has served as long as policy lets it",
    source=_MAKER,
    clears_by="a filter change",
)
FILTER_RECORD_MISSING = ReasonKind(
    code="filter-record-missing",
    effect="deny",
    title="Policy limits how long a filter serves, and the record does not tell how long it has",
    source="29 CFR 1910.134(i)(5)(iv) (2015 edition): the date of the last change is kept at the compressor",
    clears_by="the last filter change with the hour meter, and a reading of the hour meter",
)
CALIBRATION_DUE = ReasonKind(
    code="co-calibration-due",
    effect="deny",
    title="The carbon monoxide monitor of the compressor is due for calibration",
    source="department policy; common practice, no source; the maker's instructions prevail",
    clears_by="a calibration of the carbon monoxide monitor",
)

METER_READ_WITHIN_DAYS = NumberFigure(
    name="hour_meter_read_within_days",
    value=31,
    lowest=1,
    highest=366,
    meaning="Where policy limits the hours of a filter, the hour meter is read within so many days (common practice, "
    "no source).",
)
METER_NOT_READ = ReasonKind(
    code="hour-meter-not-read",
    effect="advice",
    title="Policy limits the hours a filter runs, and the hour meter has not been read for a while",
    source="inference: hours that nobody reads are not counted; how often it is read is common practice, no source",
    clears_by="a reading of the hour meter",
)


def last_filter_change(case: Case, source: AirSourceState) -> FilterChange | None:
    """Return the last change of the filter before the case's moment, or None."""
    return next((change for change in reversed(source.filter_changes) if change.changed_at <= case.at), None)


def filter_stops_at(case: Case, change: FilterChange) -> datetime | None:
    """Return when the filter has served the days that policy lets it; the last day counts. None where it sets none."""
    days = case.question.policy.filter_life_days
    if days is None:
        return None
    return day_ends_at(change.changed_at.astimezone(case.zone).date(), case.zone, days)


def filter_run_tenths_h(case: Case, source: AirSourceState, change: FilterChange) -> int | None:
    """Return how long the compressor has run since the change, in tenths of an hour; None where it cannot be told.

    The meter counts from what it showed at the change. A reading below that is of another meter.
    """
    if change.run_time_tenths_h is None:
        return None
    reading = _meter_reading(case, source)
    if reading is None or reading.read_at < change.changed_at:
        return 0
    run_tenths_h = reading.value - change.run_time_tenths_h
    return None if run_tenths_h < 0 else run_tenths_h


def meter_told_at(case: Case, source: AirSourceState, change: FilterChange) -> datetime:
    """Return when the hours of a filter were last told: by a reading of the meter since its change, else by that."""
    reading = _meter_reading(case, source)
    return change.changed_at if reading is None else max(change.changed_at, reading.read_at)


def meter_reading_due_at(case: Case, source: AirSourceState, change: FilterChange) -> datetime:
    """Return when the hour meter should have been read again; the last day counts."""
    told_on = meter_told_at(case, source, change).astimezone(case.zone).date()
    return day_ends_at(told_on, case.zone, case.number(METER_READ_WITHIN_DAYS))


def last_calibration(case: Case, source: AirSourceState) -> tuple[date, CoCalibration] | None:
    """Return the last calibration whose day has begun, with the day, or None."""
    for calibration in reversed(source.co_calibrations):
        calibrated_on = day_of(calibration.calibrated_on)
        if calibrated_on is not None and day_starts_at(calibrated_on, case.zone) <= case.at:
            return calibrated_on, calibration
    return None


def calibration_stops_at(case: Case, calibrated_on: date, calibration: CoCalibration) -> datetime | None:
    """Return when a calibration is no longer current: the earlier of policy's interval and what the label says."""
    days = case.question.policy.co_calibration_interval_days
    if days is None:
        return None
    by_policy = day_ends_at(calibrated_on, case.zone, days)
    due_on = None if calibration.due_on is None else day_of(calibration.due_on)
    return by_policy if due_on is None else min(by_policy, day_ends_at(due_on, case.zone))


def _meter_reading(case: Case, source: AirSourceState) -> Reading | None:
    return next((reading for reading in reversed(source.run_time_readings) if reading.read_at <= case.at), None)


def _compressors(case: Case) -> list[AirSourceState]:
    return [
        source for source in case.sources if source.air_source_kind == COMPRESSOR and source.registered_at is not None
    ]


def _asks_for_filter(case: Case) -> bool:
    policy = case.question.policy
    return policy.filter_life_days is not None or policy.filter_life_tenths_h is not None


def _reasons(case: Case) -> tuple[Reason, ...]:
    asks_for_filter = _asks_for_filter(case)
    asks_for_calibration = case.question.policy.co_calibration_interval_days is not None
    if not (asks_for_filter or asks_for_calibration):
        return ()
    found: list[Reason] = []
    for source in _compressors(case):
        filter_reason = (_filter_reason(case, source) or _meter_reason(case, source)) if asks_for_filter else None
        calibration_reason = _calibration_reason(case, source) if asks_for_calibration else None
        found.extend(reason for reason in (filter_reason, calibration_reason) if reason is not None)
    return tuple(found)


def _filter_reason(case: Case, source: AirSourceState) -> Reason | None:
    change, life_tenths_h = last_filter_change(case, source), case.question.policy.filter_life_tenths_h
    if change is None:
        return FILTER_RECORD_MISSING.reason(
            f"Policy limits how long the filter of {source_name(source)} serves, and no change of it is on record. "
            "Enter the last change from the tag.",
            f"Do not fill. Enter the last filter change of {source_name(source)}.",
        )
    changed_on = day_text(change.changed_at, case.zone)
    stops_at = filter_stops_at(case, change)
    if stops_at is not None and stops_at <= case.at:
        return FILTER_DUE.reason(
            f"The filter of {source_name(source)} was changed {changed_on}; policy lets it serve "
            f"{case.question.policy.filter_life_days} days. Change it.",
            f"Do not fill. Change the filter: last changed {changed_on}.",
        )
    if life_tenths_h is None:
        return None
    run_tenths_h = filter_run_tenths_h(case, source, change)
    if run_tenths_h is None:
        return FILTER_RECORD_MISSING.reason(
            f"Policy limits the hours a filter runs, and the change of {changed_on} does not tell them for "
            f"{source_name(source)}. Enter the change with what the hour meter showed.",
            f"Do not fill. Enter the hour meter at the filter change of {changed_on}.",
        )
    if run_tenths_h < life_tenths_h:
        return None
    return FILTER_DUE.reason(
        f"{source_name(source)} has run {_hours(run_tenths_h)} h since its filter was changed {changed_on}; policy "
        f"lets it run {_hours(life_tenths_h)} h. Change it.",
        f"Do not fill. Change the filter: {_hours(run_tenths_h)} of {_hours(life_tenths_h)} h.",
    )


def _meter_reason(case: Case, source: AirSourceState) -> Reason | None:
    """Say that the hours which policy limits are not known any more, where the filter is not due for all that is."""
    change, life_tenths_h = last_filter_change(case, source), case.question.policy.filter_life_tenths_h
    if change is None or life_tenths_h is None or case.at < meter_reading_due_at(case, source, change):
        return None
    told_on = day_text(meter_told_at(case, source, change), case.zone)
    return METER_NOT_READ.reason(
        f"Policy lets the filter of {source_name(source)} run {_hours(life_tenths_h)} h, and the last that is known of "
        f"its hour meter is of {told_on}. Hours since then are not counted: read the meter and enter it.",
        f"Read the hour meter: nothing is known since {told_on}.",
    )


def _hours(tenths_h: int) -> str:
    whole, tenth = divmod(tenths_h, TENTHS_IN_AN_HOUR)
    return f"{whole}.{tenth}"


def _calibration_reason(case: Case, source: AirSourceState) -> Reason | None:
    latest = last_calibration(case, source)
    days = case.question.policy.co_calibration_interval_days
    if latest is None:
        return CALIBRATION_DUE.reason(
            f"No calibration of the carbon monoxide monitor of {source_name(source)} is on record; policy asks for "
            f"one every {days} days.",
            "Do not fill. CO monitor: no calibration is on record.",
        )
    stops_at = calibration_stops_at(case, *latest)
    if stops_at is None or case.at < stops_at:
        return None
    due_on = "" if latest[1].due_on is None else f", due {latest[1].due_on} by its label"
    return CALIBRATION_DUE.reason(
        f"The carbon monoxide monitor of {source_name(source)} was calibrated {latest[0]}{due_on}; policy asks for a "
        f"calibration every {days} days.",
        f"Do not fill. CO monitor: last calibrated {latest[0]}.",
    )


def _instants(case: Case) -> Iterable[datetime]:
    for source in _compressors(case):
        if _asks_for_filter(case):
            for change in source.filter_changes:
                yield change.changed_at
            for reading in source.run_time_readings:
                yield reading.read_at
            last_change = last_filter_change(case, source)
            stops_at = None if last_change is None else filter_stops_at(case, last_change)
            if stops_at is not None:
                yield stops_at
            if last_change is not None and case.question.policy.filter_life_tenths_h is not None:
                yield meter_reading_due_at(case, source, last_change)
        if case.question.policy.co_calibration_interval_days is not None:
            yield from _calibration_instants(case, source)


def _calibration_instants(case: Case, source: AirSourceState) -> Iterable[datetime]:
    for calibration in source.co_calibrations:
        calibrated_on = day_of(calibration.calibrated_on)
        if calibrated_on is not None:
            yield day_starts_at(calibrated_on, case.zone)
    latest = last_calibration(case, source)
    stops_at = None if latest is None else calibration_stops_at(case, *latest)
    if stops_at is not None:
        yield stops_at


def _facts(case: Case) -> Facts:
    policy = case.question.policy
    facts: Facts = {
        "filter_life_tenths_h": policy.filter_life_tenths_h,
        "filter_life_days": policy.filter_life_days,
        "co_calibration_interval_days": policy.co_calibration_interval_days,
    }
    for number, source in enumerate(_compressors(case), start=1):
        change, latest = last_filter_change(case, source), last_calibration(case, source)
        facts[f"compressor_{number}"] = source.label
        facts[f"compressor_{number}_filter_changed"] = (
            None if change is None else day_text(change.changed_at, case.zone)
        )
        facts[f"compressor_{number}_filter_run_tenths_h"] = (
            None if change is None else filter_run_tenths_h(case, source, change)
        )
        facts[f"compressor_{number}_co_calibrated"] = None if latest is None else str(latest[0])
    return facts


RULE = Rule(
    name="air-upkeep",
    concerns="air",
    kinds=(FILTER_DUE, FILTER_RECORD_MISSING, CALIBRATION_DUE, METER_NOT_READ),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
    figures=(METER_READ_WITHIN_DAYS,),
)
