"""Who plays in the live show: stations with their keys, a member each, and cylinders of every sort."""

import uuid

import msgspec

from demo_seed.generator import county_principal_id
from demo_seed.plan import Plan
from demo_seed.world import World
from fill_ledger.database import Database
from fill_ledger.ledger.read import ALL_DEPARTMENTS, seeing
from fill_ledger.trade.events.county import Role

# Carried by no cylinder of the county: its serial part is one no seed gives.
UNKNOWN_TAG = "iso15693:E000FFFFFFFFFFFF"
GOOD_CYLINDERS = 4

_MEMBER = """
SELECT member_id FROM views.member
WHERE department_id = $1 AND standing = 'active' AND 'scba' = ANY (authorised_kinds)
    AND (authorised_through IS NULL OR authorised_through > current_date)
ORDER BY member_id LIMIT 1
"""
# Tagged SCBA cylinders of a department, the oldest or the youngest test first.
_TAGGED = """
SELECT cylinder.cylinder_id, tag.tag, cylinder.inventory_number, cylinder.service_pressure_psi
FROM views.cylinder AS cylinder
JOIN views.tag AS tag ON tag.department_id = cylinder.department_id AND tag.cylinder_id = cylinder.cylinder_id
WHERE cylinder.department_id = $1 AND cylinder.standing = $2 AND cylinder."use" = 'scba'
    AND cylinder.registered_at IS NOT NULL
ORDER BY coalesce(cylinder.last_requalified, cylinder.manufactured) {order}, cylinder.cylinder_id
LIMIT $3
"""


class Asker(msgspec.Struct, frozen=True, kw_only=True):
    """One station in the show: what its controller knows, and the tags somebody will hold to its reader."""

    department_id: uuid.UUID
    department_code: str
    station_id: uuid.UUID
    station_name: str
    controller_id: uuid.UUID
    fill_position_id: uuid.UUID
    air_source_id: uuid.UUID
    member_id: uuid.UUID
    tags: tuple[str, ...]
    # What the cylinder with the first tag may hold.
    first_service_pressure_psi: int
    # One that an officer may put on hold.
    last_cylinder_id: uuid.UUID


class KeyHolder(msgspec.Struct, frozen=True, kw_only=True):
    """One who needs a key, told so that a reader knows whose it is. `department` is a code; None: every department."""

    principal_id: uuid.UUID
    role: Role
    department: str | None
    label: str


class Cast(msgspec.Struct, frozen=True, kw_only=True):
    """Everybody in the show, and the principals of the county."""

    askers: tuple[Asker, ...]
    integrator_id: uuid.UUID
    analyst_id: uuid.UUID
    operator_id: uuid.UUID
    officer_id: uuid.UUID

    def key_holders(self) -> list[KeyHolder]:
        """Return all who need a key, in the order they are told."""
        controllers = [
            KeyHolder(
                principal_id=asker.controller_id,
                role=Role.CONTROLLER,
                department=asker.department_code,
                label=f"Controller of {asker.station_name}",
            )
            for asker in self.askers
        ]
        home = self.askers[0].department_code
        return [
            *controllers,
            KeyHolder(principal_id=self.officer_id, role=Role.OFFICER, department=home, label=f"Air officer of {home}"),
            KeyHolder(principal_id=self.integrator_id, role=Role.INTEGRATOR, department=None, label="County IT"),
            KeyHolder(principal_id=self.analyst_id, role=Role.ANALYST, department=None, label="Analyst"),
            KeyHolder(principal_id=self.operator_id, role=Role.OPERATOR, department=None, label="Operator"),
        ]


async def choose_cast(database: Database, plan: Plan) -> Cast:
    """Choose from what is on record now; ids that follow from the seed are derived, not looked up."""
    world = World(plan)
    department_ids = [world.identify("department", each.code) for each in plan.departments]
    askers: list[Asker] = []
    async with database.lookups.acquire() as connection, seeing(connection, ALL_DEPARTMENTS):
        for number, each in enumerate(plan.departments, start=1):
            own = department_ids[number - 1]
            neighbour = department_ids[number % len(department_ids)]
            member_id = await connection.fetchval(_MEMBER, own)
            good = await connection.fetch(_TAGGED.format(order="DESC NULLS LAST"), own, "in_service", GOOD_CYLINDERS)
            overdue = await connection.fetch(_TAGGED.format(order="ASC NULLS LAST"), own, "in_service", 1)
            held = await connection.fetch(_TAGGED.format(order="DESC NULLS LAST"), own, "held", 1)
            guest = await connection.fetch(_TAGGED.format(order="DESC NULLS LAST"), neighbour, "in_service", 1)
            tags = [row["tag"] for row in (*good[:2], *overdue, *good[2:3], *guest, *held, *good[3:])]
            houses = [(f"S{number}{place}", name) for place, name in enumerate(each.fixed_stations, start=1)]
            trucks = [(f"A{number}{len(houses) + 1}", name) for name in each.trucks[:1]]
            for place, (code, name) in enumerate((houses[0], *trucks)):
                askers.append(
                    Asker(
                        department_id=own,
                        department_code=each.code,
                        station_id=world.identify("station", code),
                        station_name=name,
                        controller_id=world.identify("controller", code),
                        fill_position_id=world.identify("position", code, "Left"),
                        air_source_id=world.identify("source", code, "storage_bank"),
                        member_id=member_id,
                        tags=tuple(tags if place == 0 else [*tags[:2], UNKNOWN_TAG]),
                        first_service_pressure_psi=good[0]["service_pressure_psi"],
                        last_cylinder_id=good[-1]["cylinder_id"],
                    )
                )
    return Cast(
        askers=tuple(askers),
        integrator_id=county_principal_id(world, Role.INTEGRATOR),
        analyst_id=county_principal_id(world, Role.ANALYST),
        operator_id=county_principal_id(world, Role.OPERATOR),
        officer_id=world.identify("officer", plan.departments[0].code),
    )
