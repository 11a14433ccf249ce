"""The first day: departments, policies, stations, air, members and the inventory go on record."""

import uuid
from datetime import date, timedelta

from demo_seed.air import SAMPLE_INTERVAL_DAYS, sample_body
from demo_seed.fleet import draw_cylinder
from demo_seed.journal import Journal
from demo_seed.plan import TIME_ZONE, DepartmentPlan
from demo_seed.words import person_name
from demo_seed.world import FULL_BANK_PSI, Cylinder, Department, Member, Position, Source, Station, World
from fill_ledger.ledger.credentials import CardSecret, encode_secret
from fill_ledger.ledger.personal import MemberPersonal
from fill_ledger.trade.events import air, cylinders, members, stations

MORNING_S = 7 * 3600
STATION_BOTTLES = 4
TRUCK_BOTTLES = 3
DIVER_SHARE = 0.2
FORGOTTEN_SHARE = 0.06
# A sample interval that leaves the laboratory time to answer within policy's 92 days.
POLICY_SAMPLE_DAYS = 92


def found_departments(world: World, journal: Journal) -> None:
    """Put the whole county as it stands on the first day on record."""
    for number, plan in enumerate(world.plan.departments, start=1):
        department = Department(
            plan=plan,
            department_id=department_id(world, plan.code),
            officer_id=world.identify("officer", plan.code),
            technician_id=world.identify("technician", plan.code),
        )
        world.departments.append(department)
        _set_policy(world, journal, department)
        _register_stations(world, journal, department, number)
        for _ in range(plan.members):
            enrol_member(world, journal, department, MORNING_S)
        _register_fleet(world, journal, department)


def department_id(world: World, code: str) -> uuid.UUID:
    """Return the id of a department by its code."""
    return world.identify("department", code)


def _set_policy(world: World, journal: Journal, department: Department) -> None:
    plan = department.plan
    journal.office(
        department,
        world.at(MORNING_S),
        stations.PolicySet(
            department_id=department.department_id,
            requalification_due="strict" if plan.strict_due else "lenient",
            air_sample_interval_days=POLICY_SAMPLE_DAYS,
            air_sample_interval_source="department policy: quarterly",
            mutual_aid_department_ids=tuple(department_id(world, code) for code in plan.partners),
        ),
    )


def _register_stations(world: World, journal: Journal, department: Department, number: int) -> None:
    plan = department.plan
    names = [(name, False) for name in plan.fixed_stations] + [(name, True) for name in plan.trucks]
    for place, (name, is_truck) in enumerate(names, start=1):
        station = _make_station(world, department, number * 10 + place, name, is_truck=is_truck)
        department.stations.append(station)
        journal.office(
            department,
            world.at(MORNING_S),
            stations.StationRegistered(
                station_id=station.station_id,
                name=name,
                code=station.code,
                station_kind="mobile" if is_truck else "fixed",
                time_zone=TIME_ZONE,
            ),
        )
        for position in station.positions:
            journal.office(
                department,
                world.at(MORNING_S),
                stations.FillPositionRegistered(
                    station_id=station.station_id,
                    fill_position_id=position.fill_position_id,
                    label=position.label,
                    regulator_psi=position.regulator_psi,
                    hose_rating_psi=position.hose_rating_psi,
                ),
            )
        _register_air(world, journal, station)


def _make_station(world: World, department: Department, number: int, name: str, *, is_truck: bool) -> Station:
    code = f"A{number}" if is_truck else f"S{number}"
    ratings = (("Left", 5_500, 6_000), ("Right", 5_500, 6_000), ("Low pressure", 3_000, 4_000))
    morning = world.at(MORNING_S)
    return Station(
        station_id=world.identify("station", code),
        department=department,
        number=number,
        name=name,
        code=code,
        is_truck=is_truck,
        controller_id=world.identify("controller", code),
        stream_id=world.identify("stream", code),
        boot_id=world.identify("boot", code),
        booted_at=morning,
        positions=[
            Position(
                fill_position_id=world.identify("position", code, label),
                label=label,
                regulator_psi=regulator_psi,
                hose_rating_psi=hose_rating_psi,
            )
            for label, regulator_psi, hose_rating_psi in ratings
        ],
        sources=[],
        busy_until=morning,
    )


def _register_air(world: World, journal: Journal, station: Station) -> None:
    """Register a compressor, and a bank of storage bottles, each bottle a cylinder of the inventory as well."""
    department = station.department
    bottles = TRUCK_BOTTLES if station.is_truck else STATION_BOTTLES
    bank = [_register_cylinder(world, journal, station, "storage") for _ in range(bottles)]
    for kind, label in (("storage_bank", "Bank"), ("compressor", "Compressor")):
        source = Source(
            air_source_id=world.identify("source", station.code, kind),
            kind=kind,
            label=label,
            next_sample_on=world.day + timedelta(days=world.rng.randint(2, SAMPLE_INTERVAL_DAYS)),
            run_time_tenths_h=world.rng.randint(800, 9_000) if kind == "compressor" else 0,
        )
        source.changed_filter_at_tenths_h = source.run_time_tenths_h
        if kind == "storage_bank":
            source.bottle_ids = [bottle.cylinder_id for bottle in bank]
            source.bottle_psi = [FULL_BANK_PSI] * len(bank)
        station.sources.append(source)
        registered = air.AirSourceRegistered(
            air_source_id=source.air_source_id,
            station_id=station.station_id,
            air_source_kind="storage_bank" if kind == "storage_bank" else "compressor",
            label=label,
            oil_lubricated=True if kind == "compressor" else None,
            bottles=tuple(
                air.StorageBottle(
                    bottle_id=bottle.cylinder_id,
                    label=f"Bottle {place}",
                    water_volume_ml=bottle.kind.water_volume_ml,
                    service_pressure_psi=bottle.kind.service_pressure_psi,
                )
                for place, bottle in enumerate(bank, start=1)
            )
            or None
            if kind == "storage_bank"
            else None,
        )
        journal.office(department, world.at(MORNING_S), registered)
        taken_on = source.next_sample_on - timedelta(days=SAMPLE_INTERVAL_DAYS)
        first_sample = sample_body(world, source, taken_on, "pass")
        journal.office(department, world.at(MORNING_S), first_sample, by=department.technician_id)


def enrol_member(world: World, journal: Journal, department: Department, seconds: int) -> Member:
    """Enrol a member with a card, and authorise them."""
    rng = world.rng
    number = len(department.members) + 101
    parts = ("member", department.plan.code, number)
    diver = department.plan.scuba_cylinders > 0 and rng.random() < DIVER_SHARE
    member = Member(
        member_id=world.identify(*parts),
        name=person_name(rng),
        badge_number=str(number),
        # Seven bytes, as many cards have; the digits follow from the id.
        card_value="04" + world.identify("card", *parts).hex[:12].upper(),
        is_diver=diver,
        authorised_through=world.day + timedelta(days=rng.randint(20, 365)),
        renews=rng.random() > 0.04,
    )
    department.members.append(member)
    at = world.at(seconds)
    personal = MemberPersonal(name=member.name, badge_number=member.badge_number).encode()
    journal.office(department, at, members.MemberEnrolled(member_id=member.member_id, personal=personal))
    journal.office(
        department,
        at,
        members.CredentialBound(
            member_id=member.member_id,
            credential_id=world.identify("credential", *parts),
            credential_kind="card",
            secret=encode_secret(CardSecret(value=member.card_value)),
        ),
    )
    authorise(world, journal, department, member, seconds)
    return member


def authorise(world: World, journal: Journal, department: Department, member: Member, seconds: int) -> None:
    """Authorise a member for the kinds they are trained for, through the day on their record."""
    through: date = member.authorised_through
    journal.office(
        department,
        world.at(seconds),
        members.MemberAuthorised(
            member_id=member.member_id,
            kinds=("scba", "scuba", "storage") if member.is_diver else ("scba", "storage"),
            through=through.isoformat(),
        ),
    )


def _register_fleet(world: World, journal: Journal, department: Department) -> None:
    plan: DepartmentPlan = department.plan
    for place in range(plan.scba_cylinders):
        _register_cylinder(world, journal, department.stations[place % len(department.stations)], "scba")
    for _ in range(plan.scuba_cylinders):
        _register_cylinder(world, journal, department.stations[0], "scuba")


def _register_cylinder(world: World, journal: Journal, home: Station, use: str) -> Cylinder:
    return register_cylinder(world, journal, home, use, MORNING_S)


def register_cylinder(
    world: World, journal: Journal, home: Station, use: str, seconds: int, *, brand_new: bool = False
) -> Cylinder:
    """Register a cylinder with a tag, at its home station."""
    department, rng = home.department, world.rng
    number = len(department.cylinders) + 1
    serial = f"{department.plan.code[0]}{rng.randrange(100, 999)}{number:04d}"
    drawn = draw_cylinder(rng, use, serial, world.month, brand_new=brand_new)
    parts = ("cylinder", department.plan.code, number)
    cylinder = Cylinder(
        cylinder_id=world.identify(*parts),
        department=department,
        home=home,
        kind=drawn.kind,
        serial=serial,
        maker_lot=drawn.details.maker_lot or "",
        tag=new_tag(world, *parts),
        made=drawn.made,
        last_test=drawn.last_test,
        plus=bool(drawn.stamps) and "+" in (drawn.stamps[-1].marks or ()),
        pressure_psi=drawn.kind.service_pressure_psi,
        named_on=world.day,
        is_forgotten=use != "storage" and rng.random() < FORGOTTEN_SHARE,
    )
    department.cylinders.append(cylinder)
    details = cylinders.CylinderDetails(
        **{name: getattr(drawn.details, name) for name in drawn.details.__struct_fields__ if name != "home_station_id"},
        home_station_id=home.station_id,
    )
    at = world.at(seconds)
    journal.office(
        department,
        at,
        cylinders.CylinderRegistered(
            cylinder_id=cylinder.cylinder_id, details=details, requalifications=drawn.stamps or None
        ),
        by=department.technician_id,
    )
    # A bank's bottles stay where they are and wear no tag.
    if use != "storage":
        journal.device(home, at, cylinders.TagPaired(cylinder_id=cylinder.cylinder_id, tag=cylinder.tag))
    return cylinder


def new_tag(world: World, *parts: object) -> str:
    """Return a tag in canonical form: eight bytes that begin with E0, as all of ISO/IEC 15693 do."""
    return f"iso15693:E000{world.identify('tag', *parts).hex[:12].upper()}"
