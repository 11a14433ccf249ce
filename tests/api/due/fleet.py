"""A fleet in which something is due at every turn, in two departments and two time zones."""

import uuid
from datetime import UTC, datetime
from typing import Any

import httpx
import msgspec

from fill_ledger.trade.events import air, members, stations
from fill_ledger.trade.events.cylinders import (
    CylinderCondemned,
    CylinderDetails,
    CylinderHeld,
    CylinderRegistered,
    RequalificationStamp,
    ServicePressure,
)
from tests.support.county import County

WEST = "America/Denver"


def month(years_ago: int, months_ago: int = 0) -> str:
    """A month of the past as a stamp has it."""
    now = datetime.now(UTC)
    count = (now.year - years_ago) * 12 + now.month - 1 - months_ago
    return f"{count // 12:04d}-{count % 12 + 1:02d}"


class KnownFleet(msgspec.Struct, kw_only=True):
    """What was registered, by what is to be said of it."""

    west_station_id: uuid.UUID
    old_source_id: uuid.UUID
    leaving_member_id: uuid.UUID
    cylinders: dict[str, uuid.UUID]
    neighbours: uuid.UUID


async def register(county: County, tested: str, **fields: Any) -> uuid.UUID:
    """Register a cylinder with one passed test."""
    cylinder_id, department_id = uuid.uuid4(), fields.pop("department_id", None)
    given: dict[str, Any] = {
        "serial": f"F{cylinder_id.hex[:8].upper()}",
        "specification": "DOT-3AA2216",
        "service_pressure": ServicePressure(value="2216", unit="psi"),
        "use": "scba",
        "manufactured": "2005-03",
    }
    body = CylinderRegistered(
        cylinder_id=cylinder_id,
        details=CylinderDetails(**(given | fields)),
        requalifications=(RequalificationStamp(month=tested, outcome="pass"),),
    )
    recorded = await county.record(body, department_id=department_id)
    assert recorded.outcomes[0].outcome == "created", recorded
    return cylinder_id


async def known_fleet(county: County) -> KnownFleet:
    """Register the fleet."""
    west, source, member = uuid.uuid4(), uuid.uuid4(), uuid.uuid4()
    await county.record(
        stations.StationRegistered(station_id=west, name="West", code="W1", station_kind="fixed", time_zone=WEST),
        air.AirSourceRegistered(
            air_source_id=source, station_id=west, air_source_kind="storage_bank", label="Never sampled"
        ),
        members.MemberEnrolled(member_id=member, personal='{"name":"Robin Example"}'),
        members.MemberAuthorised(member_id=member, kinds=("scba",), through=f"{month(0, -1)}-15"),
    )
    composite = {
        "specification": "DOT-SP10915-4500",
        "service_pressure": ServicePressure(value="4500", unit="psi"),
    }
    cylinders = {
        "good": await register(county, month(1)),
        "due this month": await register(county, month(5)),
        "due this month in the west": await register(county, month(5), home_station_id=west, use="scuba"),
        "due next month": await register(county, month(5, -1)),
        "overdue": await register(county, month(6)),
        "life ends in two months": await register(county, month(1), manufactured=month(15, -2), **composite),
        "due, then life over": await register(
            county, month(5, -1), manufactured=month(15, -3), home_station_id=west, **composite
        ),
        "held": await register(county, month(1)),
        "condemned": await register(county, month(1)),
    }
    await county.record(
        CylinderHeld(cylinder_id=cylinders["held"], hold_id=uuid.uuid4(), hold_kind="damage", reason="Dropped."),
        CylinderCondemned(cylinder_id=cylinders["condemned"], reason="Cracked."),
    )
    return KnownFleet(
        west_station_id=west,
        old_source_id=source,
        leaving_member_id=member,
        cylinders=cylinders,
        neighbours=await register(county, month(6), department_id=county.neighbour.department_id),
    )


async def pages(client: httpx.AsyncClient, path: str, **params: Any) -> list[dict[str, Any]]:
    """Follow the links of a list to its end and return every page."""
    found: list[dict[str, Any]] = []
    address: str | None = str(httpx.URL(path, params=params))
    while address is not None:
        response = await client.get(address)
        assert response.status_code == 200, response.text
        found.append(response.json())
        assert ("link" in response.headers) == (found[-1]["next_cursor"] is not None)
        address = response.links["next"]["url"] if "link" in response.headers else None
    return found


async def items(client: httpx.AsyncClient, path: str, **params: Any) -> list[dict[str, Any]]:
    """Return every item of a list."""
    return [item for page in await pages(client, path, **params) for item in page["items"]]
