"""A small county on a fresh database, served in this process: departments, stations, and a key for every role."""

import os
import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import msgspec

from fill_ledger.api.access.principals import KeyDoorkeeper
from fill_ledger.api.http.service import Service, create_service
from fill_ledger.api.parts import PARTS_KEY, Parts
from fill_ledger.api.resources import HANDLERS, TAGS
from fill_ledger.app import make_parts
from fill_ledger.database import Database
from fill_ledger.intake.claims import Claim, Recorded, Unit
from fill_ledger.intake.founding import NewPrincipal, record_entries, register_principal
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.trade.events import air, cylinders, members, stations
from fill_ledger.trade.events.county import DepartmentRegistered, Role
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import COUNTY_ID

TIME_ZONE = "America/New_York"
LONG_AGO = timedelta(days=400)


class Department(msgspec.Struct, kw_only=True):
    """One department of the test county and what it has."""

    department_id: uuid.UUID
    station_id: uuid.UUID
    air_source_id: uuid.UUID
    member_id: uuid.UUID
    keys: dict[Role, NewPrincipal]


class County:
    """The county: two departments, `own` and `neighbour`, and ways to record and to call."""

    def __init__(self, parts: Parts, service: Service) -> None:
        self.parts = parts
        self.service = service
        self.own: Department
        self.neighbour: Department
        self.keys: dict[Role, NewPrincipal] = {}

    def client(self, key: NewPrincipal | str | None) -> httpx.AsyncClient:
        """Return an HTTP client that presents a key (None: no key at all)."""
        plain = key.plain_key if isinstance(key, NewPrincipal) else key
        headers = {} if plain is None else {"authorization": f"Bearer {plain}"}
        transport = httpx.ASGITransport(app=self.service, raise_app_exceptions=False)
        return httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=headers)

    async def record(
        self,
        *bodies: Body,
        department_id: uuid.UUID | None = None,
        station_id: uuid.UUID | None = None,
        occurred_at: datetime | None = None,
        event_ids: list[uuid.UUID] | None = None,
        atomic: bool = False,
    ) -> Recorded:
        """Record bodies through the service's own lanes, for `own` unless told otherwise."""
        claims = tuple(
            Claim(
                event_id=uuid.uuid4() if event_ids is None else event_ids[place],
                body=body,
                recorded_by=uuid.UUID(int=1),
                occurred_at=occurred_at,
                station_id=station_id,
            )
            for place, body in enumerate(bodies)
        )
        return await self.parts.lanes.record(
            Unit(department_id=department_id or self.own.department_id, claims=claims, atomic=atomic)
        )

    async def cylinder(
        self, *, department_id: uuid.UUID | None = None, tag: str | None = None, **details: Any
    ) -> uuid.UUID:
        """Register a cylinder that may be filled: steel, made and tested two years ago; details may be overridden."""
        cylinder_id = uuid.uuid4()
        tested = (datetime.now(UTC) - timedelta(days=730)).strftime("%Y-%m")
        given = {
            "serial": f"T{uuid.uuid4().hex[:8].upper()}",
            "specification": "DOT-3AA2216",
            "service_pressure": cylinders.ServicePressure(value="2216", unit="psi"),
            "use": "scba",
            "manufactured": tested,
            **details,
        }
        bodies: list[Body] = [
            cylinders.CylinderRegistered(
                cylinder_id=cylinder_id,
                details=cylinders.CylinderDetails(**given),
                requalifications=(cylinders.RequalificationStamp(month=tested, outcome="pass"),),
            )
        ]
        if tag is not None:
            bodies.append(cylinders.TagPaired(cylinder_id=cylinder_id, tag=tag))
        await record_entries(
            self.parts.lanes,
            department_id or self.own.department_id,
            bodies,
            occurred_at=datetime.now(UTC) - timedelta(days=300),
        )
        return cylinder_id


@asynccontextmanager
async def open_county(database: Database) -> AsyncIterator[County]:
    """Found the county on an open, empty, migrated database."""
    key_ring = KeyRing(os.urandom(32))
    parts = make_parts(database, key_ring)
    service = create_service(
        HANDLERS, doorkeeper=KeyDoorkeeper(), cursor_key=key_ring.cursor_keys[0], tags=TAGS, state={PARTS_KEY: parts}
    )
    county = County(parts, service)
    county.own = await _department(county, "OWN", "Own Department")
    county.neighbour = await _department(county, "NEIGH", "Neighbour Department")
    for role in (Role.OPERATOR, Role.INTEGRATOR, Role.ANALYST):
        county.keys[role] = await register_principal(parts.lanes, role, f"county {role}", department_ids=None)
    try:
        yield county
    finally:
        await parts.lanes.close()
        parts.passcode_hasher.close()


async def _department(county: County, code: str, name: str) -> Department:
    lanes = county.parts.lanes
    department_id, station_id, air_source_id, member_id = (uuid.uuid4() for _ in range(4))
    long_ago = datetime.now(UTC) - LONG_AGO
    await record_entries(
        lanes,
        COUNTY_ID,
        (DepartmentRegistered(department_id=department_id, name=name, code=code, time_zone=TIME_ZONE),),
        occurred_at=long_ago,
    )
    await record_entries(
        lanes,
        department_id,
        (
            stations.StationRegistered(
                station_id=station_id, name=f"{name} One", code="S1", station_kind="fixed", time_zone=TIME_ZONE
            ),
            air.AirSourceRegistered(
                air_source_id=air_source_id, station_id=station_id, air_source_kind="compressor", label="Compressor"
            ),
            members.MemberEnrolled(member_id=member_id, personal='{"name":"Avery Example","badge_number":"101"}'),
            members.MemberAuthorised(member_id=member_id, kinds=("scba", "scuba", "storage")),
        ),
        occurred_at=long_ago,
    )
    sampled = (datetime.now(UTC) - timedelta(days=10)).strftime("%Y-%m-%d")
    await record_entries(
        lanes,
        department_id,
        (
            air.AirSourceSampled(
                air_source_id=air_source_id,
                sample_id=uuid.uuid4(),
                taken_on=sampled,
                verdict="pass",
                standard="NFPA 1989",
            ),
        ),
    )
    keys: dict[Role, NewPrincipal] = {
        role: await register_principal(
            lanes,
            role,
            f"{code} {role}",
            department_ids=(department_id,),
            station_id=station_id if role is Role.CONTROLLER else None,
        )
        for role in Role
        if role is not Role.OPERATOR
    }
    return Department(
        department_id=department_id,
        station_id=station_id,
        air_source_id=air_source_id,
        member_id=member_id,
        keys=keys,
    )
