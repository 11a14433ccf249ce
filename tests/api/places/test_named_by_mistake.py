"""A device that names a source of another department does not take it away from the ledger it is registered in."""

import uuid

import pytest

from fill_ledger.intake.founding import register_principal
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.air import FilterChanged
from fill_ledger.trade.events.county import Role
from tests.support.county import County


@pytest.mark.parametrize("is_own", [True, False])
async def test_an_air_source_belongs_to_the_department_that_registered_it(county: County, is_own: bool) -> None:
    here, there = (county.own, county.neighbour) if is_own else (county.neighbour, county.own)
    mistaken = FilterChanged(air_source_id=here.air_source_id)
    await county.record(mistaken, department_id=there.department_id, station_id=there.station_id)
    event_id = uuid.uuid4()
    both = (here.department_id, there.department_id)
    officer = await register_principal(county.parts.lanes, Role.OFFICER, "of both", department_ids=both)
    async with county.client(officer) as client:
        path = f"/v1/air-sources/{here.air_source_id}/outages"
        answered = await client.post(path, json={"event_id": str(event_id), "reason": "Belt torn."})
    assert answered.status_code == 201, answered.text
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, both):
        found = await connection.fetchval("SELECT department_id FROM ledger.event WHERE event_id = $1", event_id)
    assert found == here.department_id
