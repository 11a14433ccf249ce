"""Which day a reader of the rulebook asks about.

What the rulebook holds begins and ends with days, and a day begins in the calendar of the station that asks. A reader
of the rulebook names no station, so it names the calendar.
"""

from datetime import UTC, date, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from msgspec import Meta

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.trade_types import ZoneName
from fill_ledger.trade.time_zones import is_time_zone

AtMoment = Annotated[Moment, Meta(description="What holds on the day of this moment; now if left out.")]
InZone = Annotated[
    ZoneName, Meta(description="In whose calendar days begin: the station's time zone; UTC if left out.")
]


def day_asked(at: datetime | None, time_zone: str | None) -> date:
    """Return the day that the calendar of a time zone shows at a moment; now, and in UTC, where none is given.

    Raises:
        Problem: 400 invalid-query for a time zone that is not in the IANA database.
    """
    if time_zone is not None and not is_time_zone(time_zone):
        detail = f"{time_zone} is no time zone of the IANA database; write one such as America/New_York."
        fault = Fault(code="no-such-time-zone", detail=detail, parameter="time_zone")
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault])
    return (at or datetime.now(UTC)).astimezone(UTC if time_zone is None else ZoneInfo(time_zone)).date()
