"""Alarms as a station's state keeps them: by the times of the facts, bounded, and never losing an open one lightly."""

import uuid
from datetime import UTC, datetime, timedelta

from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.events.stations import AlarmAbout, AlarmEnded, AlarmRaised
from fill_ledger.trade.states.alarms import KEPT_ENDED_ALARMS, KEPT_OPEN_ALARMS
from fill_ledger.trade.states.stations import StationState, station_fold
from tests.trade.rules.questions import DEPARTMENT_ID, EVENT_ID, SOURCE_ID, STATION_ID

NOON = datetime(2026, 6, 15, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
FIRST, SECOND = uuid.UUID(int=1), uuid.UUID(int=2)


def raised(
    alarm_id: uuid.UUID = FIRST,
    source_id: uuid.UUID | None = None,
    reading: str | None = None,
    about: AlarmAbout | None = None,
) -> AlarmRaised:
    return AlarmRaised(
        station_id=STATION_ID,
        alarm_id=alarm_id,
        alarm_about=about,
        alarm_kind="carbon monoxide",
        air_source_id=source_id,
        reading=reading,
    )


def ended(alarm_id: uuid.UUID = FIRST) -> AlarmEnded:
    return AlarmEnded(station_id=STATION_ID, alarm_id=alarm_id)


def folded(*bodies: Body, told_by_station_id: uuid.UUID | None = None) -> StationState:
    """Fold bodies, one a minute, from a person or from a device of a station."""
    state = station_fold.empty(DEPARTMENT_ID, STATION_ID)
    for number, body in enumerate(bodies):
        at = NOON + number * MINUTE
        event = Event(
            department_id=DEPARTMENT_ID,
            event_id=uuid.UUID(int=1000 + number),
            occurred_at=at,
            effective_at=at,
            recorded_by=EVENT_ID,
            body=body,
            station_id=told_by_station_id,
        )
        station_fold.apply(state, event)
    return state


def test_an_alarm_is_open_from_its_beginning_to_its_end() -> None:
    (alarm,) = folded(raised(reading="12 ppm"), ended()).alarms
    assert (alarm.alarm_kind, alarm.reading) == ("carbon monoxide", "12 ppm")
    assert [alarm.is_open_at(NOON + at * MINUTE) for at in (-1, 0, 1)] == [False, True, False]


def test_a_device_of_another_station_may_raise_an_alarm_and_never_ends_one() -> None:
    told = (raised(), ended())
    (own,) = folded(*told, told_by_station_id=STATION_ID).alarms
    (foreign,) = folded(*told, told_by_station_id=uuid.UUID(int=99)).alarms
    assert own.ended_at == NOON + MINUTE
    assert foreign.is_open_at(NOON + 9 * MINUTE)


def test_what_is_told_twice_counts_once() -> None:
    (alarm,) = folded(raised(reading="12 ppm"), raised(reading="15 ppm"), ended(), ended()).alarms
    assert (alarm.raised_at, alarm.reading, alarm.ended_at) == (NOON, "12 ppm", NOON + 2 * MINUTE)


def test_an_end_that_bears_the_earlier_time_ends_the_alarm() -> None:
    (alarm,) = folded(ended(), raised()).alarms
    assert not any(alarm.is_open_at(NOON + at * MINUTE) for at in (0, 1, 2))


def test_an_alarm_raised_again_after_its_end_is_open_again() -> None:
    first, again = folded(raised(), ended(), raised(), raised()).alarms
    assert first.ended_at == NOON + MINUTE
    assert again.is_open_at(NOON + 9 * MINUTE)
    assert [alarm.ended_at is None for alarm in folded(raised(), ended(), raised(), ended()).alarms] == [False, False]


def test_the_newest_ended_alarms_are_kept_and_every_open_one() -> None:
    many = [uuid.UUID(int=100 + number) for number in range(KEPT_ENDED_ALARMS + 10)]
    bodies = [body for alarm_id in many for body in (raised(alarm_id), ended(alarm_id))]
    state = folded(raised(FIRST), *bodies)
    assert [alarm.alarm_id for alarm in state.alarms] == [FIRST, *many[10:]]
    assert state.alarms[0].ended_at is None


def test_of_too_many_open_alarms_one_of_a_source_that_has_another_is_given_up() -> None:
    """A broken device may raise one after another; the alarm of another source must not get lost for it."""
    many = [uuid.UUID(int=100 + number) for number in range(KEPT_OPEN_ALARMS + 20)]
    state = folded(raised(SECOND, SOURCE_ID), *[raised(alarm_id) for alarm_id in many])
    assert len(state.alarms) == KEPT_OPEN_ALARMS
    assert state.alarms[0].alarm_id == SECOND
    assert state.alarms[1:] == folded(raised(SECOND, SOURCE_ID), *[raised(each) for each in many]).alarms[1:]
    assert [alarm.alarm_id for alarm in state.alarms[1:]] == many[-(KEPT_OPEN_ALARMS - 1) :]


def test_an_open_alarm_that_comes_to_speak_against_the_air_counts_from_then() -> None:
    """Not the other way round: what was said against the air stands until it is ended."""
    (alarm,) = folded(raised(about="pressure"), raised(about="air", reading="12 ppm")).alarms
    assert (alarm.alarm_about, alarm.raised_at, alarm.reading) == ("air", NOON + MINUTE, "12 ppm")
    (alarm,) = folded(raised(about="pressure"), raised()).alarms
    assert alarm.speaks_against_air()
    (alarm,) = folded(raised(about="air"), raised(about="pressure")).alarms
    assert (alarm.alarm_about, alarm.raised_at) == ("air", NOON)
    (alarm,) = folded(raised(about="pressure"), raised(about="power")).alarms
    assert (alarm.alarm_about, alarm.raised_at) == ("pressure", NOON)


def test_of_too_many_open_alarms_one_that_stops_nothing_is_given_up_first() -> None:
    against = [raised(uuid.UUID(int=number)) for number in range(1, KEPT_OPEN_ALARMS)]
    told = folded(*against, raised(uuid.UUID(int=500), about="power"), raised(uuid.UUID(int=501))).alarms
    assert len(told) == KEPT_OPEN_ALARMS
    assert {alarm.alarm_about for alarm in told} == {None}
    assert told[0].alarm_id == uuid.UUID(int=1)
