"""The alarms of a station: raised and ended by its devices, and by a person where a device cannot.

While an alarm about the air or the temperature is open, or one that does not say what it is about, nothing is permitted
from the air source it names, or from any where it names none. The others are told as advice.
"""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, event_id_for
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment, StrictStruct
from fill_ledger.api.period_texts import NO_TEXT, texts_of
from fill_ledger.api.places.place_entries import post_entry, record_entry_at, station_subject
from fill_ledger.api.states import read_state
from fill_ledger.api.trade_types import EXAMPLE_AIR_SOURCE_ID, Reason, SealedText, ShownReason
from fill_ledger.trade.events import stations
from fill_ledger.trade.events.stations import AlarmAbout
from fill_ledger.trade.identifiers import derived_id
from fill_ledger.trade.states.alarms import KEPT_ENDED_ALARMS, KEPT_OPEN_ALARMS, Alarm
from fill_ledger.trade.states.stations import StationState

MAXIMUM_ALARMS = KEPT_ENDED_ALARMS + KEPT_OPEN_ALARMS

AlarmKind = Annotated[
    str,
    Meta(min_length=1, max_length=200, description="What it is about, in plain words.", examples=["carbon monoxide"]),
]
AlarmSubject = Annotated[
    AlarmAbout,
    Meta(
        description="What it is about; null: not said. While one about air or temperature is open, or one that does "
        "not say, nothing is permitted; the others are advice.",
        examples=["air"],
    ),
]
AlarmReading = Annotated[
    str, Meta(min_length=1, max_length=200, description="What the monitor showed, with its unit.", examples=["12 ppm"])
]


class AlarmView(Struct, frozen=True, kw_only=True):
    """One alarm, open while `ended_at` is null.

    `raised_at` and `alarm_kind` are null where only its end was reported. `reason` is why a person ended it, and null
    for callers who may not read names, and where it was erased.
    """

    alarm_id: uuid.UUID
    alarm_kind: AlarmKind | None
    alarm_about: AlarmSubject | None
    air_source_id: uuid.UUID | None
    reading: AlarmReading | None
    raised_at: Moment | None
    ended_at: Moment | None
    reason: ShownReason | None
    reason_erased: bool


class AlarmList(Struct, frozen=True, kw_only=True):
    """The open alarms of a station and those ended last, newest first. Older ones stand in the station's history."""

    items: Annotated[list[AlarmView], Meta(max_length=MAXIMUM_ALARMS)]


class AlarmQuery(StrictStruct, frozen=True, kw_only=True):
    """Filter of the alarms of a station."""

    open: Annotated[bool, Meta(description="Only alarms that are open now, or only those that are over.")] | None = None


class NewAlarm(Entry, frozen=True, kw_only=True):
    """An alarm that a person heard or saw and no device reports. Without `air_source_id`: the whole station."""

    alarm_kind: AlarmKind
    alarm_about: AlarmSubject | None = None
    air_source_id: uuid.UUID | None = None
    reading: AlarmReading | None = None
    note: Reason | None = None
    alarm_id: uuid.UUID | None = None


class AlarmEnding(Entry, frozen=True, kw_only=True):
    """Why the alarm is over: what the cause was and how it was cured."""

    reason: Reason


EXAMPLE_ALARM = AlarmView(
    alarm_id=uuid.UUID("7d0a2c4b-6d8f-4013-a5b7-c9d1e3f5070c"),
    alarm_kind="carbon monoxide",
    alarm_about="air",
    air_source_id=EXAMPLE_AIR_SOURCE_ID,
    reading="12 ppm",
    raised_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    ended_at=None,
    reason=None,
    reason_erased=False,
)


@get(
    "/v1/stations/{station_id}/alarms",
    right=rights.AIR_READ,
    tag="stations",
    summary="List the alarms of a station",
    answers=answer(AlarmList, "Its alarms.", example=AlarmList(items=[EXAMPLE_ALARM])),
)
async def list_alarms(
    request: AnyRequest, station_id: uuid.UUID, query: AlarmQuery, principal: Principal
) -> Reply[AlarmList]:
    """Return the alarms of a station that are open, and the newest that are over."""
    known = await read_state(request, principal, station_subject(station_id))
    station: StationState = known.state
    if station.registered_at is None:
        raise Problem(problem_types.NOT_FOUND, "No station has this id.")
    alarms = [alarm for alarm in station.alarms if query.open is None or (alarm.ended_at is None) == query.open]
    endings = [alarm.ended_by_event_id for alarm in alarms if alarm.ended_by_event_id is not None]
    reasons = await texts_of(request, principal, known.department_id, endings, "reason")
    return Reply(AlarmList(items=[_view(alarm, reasons) for alarm in reversed(alarms)]))


def _view(alarm: Alarm, reasons: Mapping[uuid.UUID, SealedText]) -> AlarmView:
    text = NO_TEXT if alarm.ended_by_event_id is None else reasons.get(alarm.ended_by_event_id, NO_TEXT)
    return AlarmView(
        alarm_id=alarm.alarm_id,
        alarm_kind=alarm.alarm_kind,
        alarm_about=alarm.alarm_about,
        air_source_id=alarm.air_source_id,
        reading=alarm.reading,
        raised_at=alarm.raised_at,
        ended_at=alarm.ended_at,
        reason=text.text,
        reason_erased=text.erased,
    )


@post_entry(
    "/v1/stations/{station_id}/alarms",
    right=rights.AIR_WRITE,
    tag="stations",
    summary="Enter an alarm",
    body_example=NewAlarm(
        alarm_kind="carbon monoxide", alarm_about="air", air_source_id=EXAMPLE_AIR_SOURCE_ID, reading="12 ppm"
    ),
)
async def enter_alarm(
    request: AnyRequest, station_id: uuid.UUID, body: NewAlarm, principal: Principal
) -> Reply[Receipt]:
    """Enter an alarm that no device reports. Nothing is permitted from the air it speaks against until it is ended."""
    source = event_id_for(request, principal, body.event_id)
    alarm_id = body.alarm_id or derived_id("alarm", source.event_id)
    event = stations.AlarmRaised(
        station_id=station_id,
        alarm_id=alarm_id,
        alarm_kind=body.alarm_kind,
        alarm_about=body.alarm_about,
        air_source_id=body.air_source_id,
        reading=body.reading,
        note=body.note,
    )
    return await record_entry_at(
        request, principal, station_subject(station_id), body, event, subject_id=alarm_id, source=source
    )


@post_entry(
    "/v1/stations/{station_id}/alarms/{alarm_id}/endings",
    right=rights.AIR_WRITE,
    tag="stations",
    summary="End an alarm",
    body_example=AlarmEnding(reason="Intake moved away from the apparatus bay; monitor reads 0 ppm."),
)
async def end_alarm(
    request: AnyRequest, station_id: uuid.UUID, alarm_id: uuid.UUID, body: AlarmEnding, principal: Principal
) -> Reply[Receipt]:
    """End an alarm whose device does not: it was replaced, or it died before it could tell."""
    event = stations.AlarmEnded(station_id=station_id, alarm_id=alarm_id, reason=body.reason)
    return await record_entry_at(request, principal, station_subject(station_id), body, event, subject_id=alarm_id)


HANDLERS: list[HTTPRouteHandler] = [list_alarms, enter_alarm, end_alarm]
