"""A neighbour's cylinder is known at every fill, not only at the first one."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest

from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.stations import PolicySet
from tests.support.county import County

TAG = "iso15693:E000000000000A01"


@pytest.mark.parametrize("by", ["id", "tag"])
async def test_every_fill_of_a_neighbours_cylinder_is_judged_by_the_owners_record(county: County, by: str) -> None:
    cylinder_id = await county.cylinder(department_id=county.neighbour.department_id, tag=TAG)
    partners = (county.neighbour.department_id,)
    long_ago = datetime.now(UTC) - timedelta(days=100)
    policy = PolicySet(department_id=county.own.department_id, mutual_aid_department_ids=partners)
    await county.record(policy, occurred_at=long_ago)
    event_ids = [uuid.uuid4() for _ in range(3)]
    for event_id in event_ids:
        body = Filled(
            cylinder_id=cylinder_id if by == "id" else None,
            tag=TAG if by == "tag" else None,
            member_id=county.own.member_id,
            owner_consent=True,
            end_psi=2216,
        )
        await county.record(body, station_id=county.own.station_id, event_ids=[event_id])
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, (county.own.department_id,)):
        rows = await connection.fetch("SELECT owner_department_id, decision, attributed_by FROM views.fill")
    assert [tuple(row) for row in rows] == [(county.neighbour.department_id, "permit", by)] * len(event_ids)
