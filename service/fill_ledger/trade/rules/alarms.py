"""Is an alarm open that speaks against the air? It is over when the device or an officer ends it.

One that says it is about something else, such as a low bank, is told and stops nothing: another rule or the gauge does.
"""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.rules.calendar import day_text
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.alarms import Alarm

SHOWN_READING = 24

ALARM_OPEN = ReasonKind(
    code="air-alarm-open",
    effect="deny",
    title="An alarm about the air or its temperature is open, or one that does not say what it is about",
    source="29 CFR 1910.134(i)(7) (2015 edition) asks for alarms; that an open one stops filling is inference",
    clears_by="the end of the alarm, told by the device or entered by an officer once the cause is cured",
)
OTHER_ALARM_OPEN = ReasonKind(
    code="alarm-open",
    effect="advice",
    title="An alarm about something else than the air or its temperature is open",
    source="inference: such an alarm says nothing against the air",
    clears_by="the end of the alarm, told by the device or entered by an officer once the cause is cured",
)


def open_alarms(case: Case) -> list[Alarm]:
    """Return the alarms that are open at the case's moment and concern the air sources of this fill.

    An alarm concerns the source it names; where it names none, or none of this station's, all of them.
    """
    station = case.question.station
    if station is None or not station.alarms:
        return []
    drawn_from = {source.subject_id for source in case.sources}
    return [
        alarm
        for alarm in station.alarms
        if alarm.is_open_at(case.at)
        and (
            alarm.air_source_id is None
            or alarm.air_source_id in drawn_from
            or alarm.air_source_id not in station.air_source_ids
        )
    ]


def _reasons(case: Case) -> tuple[Reason, ...]:
    return tuple(_reason(case, alarm) for alarm in open_alarms(case))


def _reason(case: Case, alarm: Alarm) -> Reason:
    kind = plain(alarm.alarm_kind or "not named")
    reading = "" if alarm.reading is None else f", reading {plain(alarm.reading, SHOWN_READING)}"
    label = next((source.label for source in case.sources if source.subject_id == alarm.air_source_id), None)
    where = "the station" if label is None else plain(label)
    since = "" if alarm.raised_at is None else f" since {day_text(alarm.raised_at, case.zone)}"
    if not alarm.speaks_against_air():
        return OTHER_ALARM_OPEN.reason(
            f"An alarm of {where} about {_about(alarm)} is open{since}: {kind}{reading}. It says nothing against the "
            "air; find the cause.",
            f"Alarm is open: {kind}{since}.",
            clears_at=alarm.ended_at,
        )
    return ALARM_OPEN.reason(
        f"An alarm of {where} is open{since}: {kind}{reading}. Cure the cause; the device or an officer ends it.",
        f"Do not fill. Alarm is open: {kind}{since}.",
        clears_at=alarm.ended_at,
    )


def _about(alarm: Alarm) -> str:
    return "something else" if alarm.alarm_about in (None, "other") else str(alarm.alarm_about)


def _instants(case: Case) -> Iterable[datetime]:
    station = case.question.station
    for alarm in () if station is None else station.alarms:
        if alarm.raised_at is not None:
            yield alarm.raised_at
        if alarm.ended_at is not None:
            yield alarm.ended_at


def _facts(case: Case) -> Facts:
    alarms = open_alarms(case)
    return {
        "open_alarms": len(alarms),
        "open_against_the_air": sum(alarm.speaks_against_air() for alarm in alarms),
        "alarm_kinds": ", ".join(plain(alarm.alarm_kind or "not named") for alarm in alarms) or None,
    }


RULE = Rule(
    name="alarms",
    concerns="air",
    kinds=(ALARM_OPEN, OTHER_ALARM_OPEN),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
)
