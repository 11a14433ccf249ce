"""In whose calendar a fill is judged when it is taken."""

import uuid
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.members import MemberAuthorised
from fill_ledger.trade.events.stations import StationRegistered
from tests.support.county import TIME_ZONE, County


async def test_a_station_without_a_time_zone_is_judged_by_its_departments_calendar(county: County) -> None:
    """A member authorised through a day may fill until midnight there, as the question before the fill says too."""
    station_id = uuid.uuid4()
    station = StationRegistered(station_id=station_id, name="Own Two", code="S2", station_kind="fixed")
    zone = ZoneInfo(TIME_ZONE)
    midnight = datetime.combine(datetime.now(zone).date() - timedelta(days=20), time(), zone)
    last_day = (midnight - timedelta(days=1)).date().isoformat()
    authorised = MemberAuthorised(member_id=county.own.member_id, kinds=("scba",), through=last_day)
    await county.record(station, authorised, occurred_at=midnight - timedelta(days=100))
    cylinder_id = await county.cylinder()
    body = Filled(cylinder_id=cylinder_id, member_id=county.own.member_id, end_psi=2216)
    for moment in (midnight - timedelta(minutes=30), midnight + timedelta(minutes=30)):
        await county.record(body, station_id=station_id, occurred_at=moment)
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, (county.own.department_id,)):
        rows = await connection.fetch("SELECT found_at FROM views.finding WHERE code = 'authorisation-ended'")
    assert [row["found_at"] for row in rows] == [midnight + timedelta(minutes=30)]
