"""Which kinds of cylinders a member may fill at a station at a moment, apart from any one cylinder."""

import uuid
from datetime import datetime
from zoneinfo import ZoneInfo

from fill_ledger.trade.rules.calendar import day_ends_at, day_of
from fill_ledger.trade.states.base import period_at
from fill_ledger.trade.states.members import MemberState


def is_active(member: MemberState, at: datetime) -> bool:
    """Tell whether a member is enrolled and not deactivated at a moment."""
    enrolled = member.enrolled_at is not None and member.enrolled_at <= at
    return enrolled and period_at(member.absences, at) is None


def allowed_kinds(member: MemberState, at: datetime, zone: ZoneInfo, station_id: uuid.UUID) -> tuple[str, ...]:
    """Return the kinds an active member is authorised for; the last day counts, in the station's calendar."""
    if not is_active(member, at):
        return ()
    authorisation = period_at(member.authorisations, at)
    if authorisation is None:
        return ()
    if authorisation.station_ids is not None and station_id not in authorisation.station_ids:
        return ()
    if authorisation.through is not None:
        day = day_of(authorisation.through)
        if day is None or day_ends_at(day, zone) <= at:
            return ()
    return authorisation.kinds
