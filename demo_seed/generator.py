"""The history of the invented county, day by day. The same plan always gives the same claims."""

import uuid
from collections.abc import Iterator
from datetime import timedelta

import msgspec

from demo_seed import air, changes, founding, mishaps, occasions, upkeep
from demo_seed.journal import Journal, Window
from demo_seed.plan import COUNTY_NAME, TIME_ZONE, Plan
from demo_seed.world import World
from fill_ledger.intake.claims import Claim
from fill_ledger.intake.founding import FOUNDER_ID
from fill_ledger.ledger.handles import PermitReferences
from fill_ledger.trade.events.county import DepartmentRegistered, PrincipalRegistered, Role
from fill_ledger.trade.events.envelope import Body

FOUNDED_S = 6 * 3600


class History(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that is recorded: first the departments, then window after window, last who may use it."""

    world: World
    departments: tuple[Claim, ...]
    windows: tuple[Window, ...]
    principals: tuple[Claim, ...]

    def __len__(self) -> int:
        events = sum(len(claims) for window in self.windows for claims in window.claims.values())
        return len(self.departments) + events + len(self.principals)


def invent_history(plan: Plan, references: PermitReferences) -> History:
    """Invent the county's history from its first day to the day before the reference day.

    `references` signs the permits that fills quote.
    """
    world = World(plan)
    journal = Journal(world, references)
    founding.found_departments(world, journal)
    for ahead in range(1, plan.days):
        world.wake(plan.first_day + timedelta(days=ahead))
        _live_a_day(world, journal)
    return History(
        world=world,
        departments=tuple(_departments(world)),
        windows=tuple(journal.windows()),
        principals=tuple(_principals(world)),
    )


def _live_a_day(world: World, journal: Journal) -> None:
    """Let one day pass. The order is part of what makes two runs alike."""
    mishaps.lose_networks(world)
    air.top_up_banks(world, journal)
    air.keep_air(world, journal)
    upkeep.look_ahead(world, journal)
    upkeep.recall(world, journal)
    upkeep.inspect_inside(world, journal)
    upkeep.release_repaired(world, journal)
    changes.change(world, journal)
    occasions.inspect_monthly(world, journal)
    occasions.dive(world, journal)
    mishaps.slip(world, journal)
    mishaps.cut_power(world, journal)
    occasions.train(world, journal)
    occasions.fight_fires(world, journal)
    occasions.raise_alarms(world, journal)


def _departments(world: World) -> Iterator[Claim]:
    for department in world.departments:
        plan = department.plan
        body = DepartmentRegistered(
            department_id=department.department_id, name=plan.name, code=plan.code, time_zone=TIME_ZONE
        )
        yield _county_claim(world, body, "department", plan.code)


def _principals(world: World) -> Iterator[Claim]:
    """Everybody who uses the service: each station's controller, each department's people, and the county's."""
    for department in world.departments:
        own = (department.department_id,)
        code = department.plan.code
        for station in department.stations:
            yield _principal(
                world, station.controller_id, Role.CONTROLLER, f"Controller of {station.name}", own, station.station_id
            )
        yield _principal(world, department.officer_id, Role.OFFICER, f"Air officer of {code}", own)
        yield _principal(world, department.technician_id, Role.TECHNICIAN, f"Technician of {code}", own)
    for role in (Role.INTEGRATOR, Role.ANALYST, Role.OPERATOR):
        yield _principal(world, county_principal_id(world, role), role, f"{COUNTY_NAME} {role}", None)


def county_principal_id(world: World, role: Role) -> uuid.UUID:
    """Return the id of a principal that may act for every department."""
    return world.identify("county", role)


def _principal(
    world: World,
    principal_id: uuid.UUID,
    role: Role,
    label: str,
    department_ids: tuple[uuid.UUID, ...] | None,
    station_id: uuid.UUID | None = None,
) -> Claim:
    body = PrincipalRegistered(
        principal_id=principal_id, role=role, label=label, department_ids=department_ids, station_id=station_id
    )
    return _county_claim(world, body, "principal", principal_id)


def _county_claim(world: World, body: Body, *parts: object) -> Claim:
    """Return an entry in the county ledger, dated before everything else: what is registered there was there first."""
    return Claim(
        event_id=world.identify("county-event", *parts),
        body=body,
        recorded_by=FOUNDER_ID,
        occurred_at=world.at(FOUNDED_S, world.plan.first_day),
    )
