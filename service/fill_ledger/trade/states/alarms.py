"""The alarms of a station: open until they are ended, whichever of the two facts comes first.

Alarms are folded in the order of their times, so what is kept does not depend on the order of arrival. Of the ended
ones the newest are kept; of the open ones all, up to a bound that only a broken device reaches.
"""

import uuid
from collections import Counter
from datetime import datetime

import msgspec

from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.stations import AlarmAbout, AlarmEnded, AlarmRaised

KEPT_ENDED_ALARMS = 50
KEPT_OPEN_ALARMS = 100

# Carbon monoxide says that the air is bad, heat that it may be: what is not said may be either (inference).
AGAINST_THE_AIR: frozenset[AlarmAbout | None] = frozenset({"air", "temperature", None})


class Alarm(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One alarm. `raised_at` is None where only its end was reported; `ended_at` is None while it is open."""

    alarm_id: uuid.UUID
    alarm_kind: str | None = None
    alarm_about: AlarmAbout | None = None
    air_source_id: uuid.UUID | None = None
    reading: str | None = None
    raised_at: datetime | None = None
    raised_by_event_id: uuid.UUID | None = None
    ended_at: datetime | None = None
    ended_by_event_id: uuid.UUID | None = None

    def is_open_at(self, moment: datetime) -> bool:
        """Tell whether the alarm had been raised and not ended at a moment."""
        if self.raised_at is None or self.raised_at > moment:
            return False
        return self.ended_at is None or moment < self.ended_at

    def speaks_against_air(self) -> bool:
        """Tell whether nothing is to be filled while the alarm is open; one that says nothing of it counts as such."""
        return self.alarm_about in AGAINST_THE_AIR


def raise_alarm(alarms: list[Alarm], body: AlarmRaised, event: Event) -> list[Alarm]:
    """Return the alarms with one more open, oldest first.

    An alarm raised again while it is open stays as it was, unless it speaks against the air only now. One whose end
    came with an earlier time is over: a device that sets its clock turns the two around. One that was raised and ended,
    and is raised again, is open again.
    """
    known = _newest(alarms, body.alarm_id)
    if known is not None and known.raised_at is not None and known.ended_at is None:
        if body.alarm_about in AGAINST_THE_AIR and not known.speaks_against_air():
            _raised(known, body, event)
        return alarms
    if known is not None and known.raised_at is None:
        _raised(known, body, event)
        return _kept(alarms)
    alarm = Alarm(alarm_id=body.alarm_id)
    _raised(alarm, body, event)
    return _kept([*alarms, alarm])


def end_alarm(alarms: list[Alarm], body: AlarmEnded, event: Event) -> list[Alarm]:
    """Return the alarms with this one ended. The first end counts."""
    known = _newest(alarms, body.alarm_id)
    if known is None:
        known = Alarm(alarm_id=body.alarm_id)
        alarms = [*alarms, known]
    if known.ended_at is None:
        known.ended_at, known.ended_by_event_id = event.effective_at, event.event_id
    return _kept(alarms)


def _newest(alarms: list[Alarm], alarm_id: uuid.UUID) -> Alarm | None:
    return next((alarm for alarm in reversed(alarms) if alarm.alarm_id == alarm_id), None)


def _raised(alarm: Alarm, body: AlarmRaised, event: Event) -> None:
    alarm.alarm_kind, alarm.alarm_about = body.alarm_kind, body.alarm_about
    alarm.air_source_id, alarm.reading = body.air_source_id, body.reading
    alarm.raised_at, alarm.raised_by_event_id = event.effective_at, event.event_id


def _kept(alarms: list[Alarm]) -> list[Alarm]:
    """Return the alarms without those that are no longer needed: the longest ended, and of too many open ones the
    oldest that does not speak against the air, or else of an air source that has another one open.
    """
    ended = [alarm for alarm in alarms if alarm.ended_at is not None]
    given_up = {id(alarm) for alarm in ended[:-KEPT_ENDED_ALARMS]}
    open_ones = [alarm for alarm in alarms if alarm.ended_at is None]
    if len(open_ones) > KEPT_OPEN_ALARMS:
        given_up.add(id(_least_needed(open_ones)))
    return [alarm for alarm in alarms if id(alarm) not in given_up] if given_up else alarms


def _least_needed(open_ones: list[Alarm]) -> Alarm:
    about = Counter(alarm.air_source_id for alarm in open_ones)
    advised = (alarm for alarm in open_ones if not alarm.speaks_against_air())
    again = (alarm for alarm in open_ones if about[alarm.air_source_id] > 1)
    return next(advised, None) or next(again, open_ones[0])
