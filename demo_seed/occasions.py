"""Why cylinders are filled: working fires, training nights, the monthly look at every set, dives."""

from demo_seed.filling import Visit, fill_all, needs_air, pick_member
from demo_seed.journal import Journal
from demo_seed.world import WINDOW_DAYS, Cylinder, Department, Station, World
from fill_ledger.trade.events import cylinders, stations

HOUR_S = 3600
LATEST_S = 24 * HOUR_S - 60
# 8.6 structure fires a station and year (computed: 487,500 fires in 2013, NFPA, over about 57,000 stations).
WORKING_FIRES_A_STATION_YEAR = 9.0
FIRE_CYLINDERS = (10, 26)
GUEST_SHARE = 0.4
GUEST_CYLINDERS = (4, 10)
TRAINING_CYLINDERS = (5, 12)
TRAINING_SHARE = 0.92
LEAK_SHARE = 0.16
DAMAGE_SHARE = 0.002
DIVES_A_WEEK_DAY = 5  # Saturday


def fight_fires(world: World, journal: Journal) -> None:
    """Perhaps a working fire somewhere today: many cylinders in a short time, some of them a neighbour's."""
    rng = world.rng
    for department in world.departments:
        chance = WORKING_FIRES_A_STATION_YEAR * len(department.houses) / 365
        if rng.random() < chance:
            _fight_fire(world, journal, department)


def _fight_fire(world: World, journal: Journal, department: Department) -> None:
    rng = world.rng
    nearest = rng.choice(department.houses)
    place = rng.choice(department.trucks) if department.trucks else nearest
    begins_s = rng.randint(0, LATEST_S - 3 * HOUR_S)
    used = _take(world, department, nearest, rng.randint(*FIRE_CYLINDERS))
    partners = [other for other in world.departments if other.plan.code in department.plan.partners]
    if partners and rng.random() < GUEST_SHARE:
        guest = rng.choice(partners)
        brought = _take(world, guest, rng.choice(guest.houses), rng.randint(*GUEST_CYLINDERS))
        # Only what its owner's ledger surely knows by this name already.
        used += [cylinder for cylinder in brought if _is_long_named(world, cylinder)]
        rng.shuffle(used)
    _breathe(world, used)
    begins_s = max(begins_s + rng.randint(1_500, 2_700), _free_from(world, place))
    visit = Visit(station=place, member=pick_member(world, department), begins_s=begins_s)
    _keep_busy(world, place, fill_all(world, journal, visit, used))
    # A large fire takes a second round of the same cylinders.
    if len(used) > 18:
        again = rng.sample(used, len(used) // 2)
        _breathe(world, again)
        begins_s = _free_from(world, place) + 900
        second = Visit(station=place, member=pick_member(world, department), begins_s=begins_s)
        _keep_busy(world, place, fill_all(world, journal, second, again))


def train(world: World, journal: Journal) -> None:
    """A training night at each station once a week."""
    rng = world.rng
    for department in world.departments:
        for house in department.houses:
            if world.day.weekday() != house.number % 5 or rng.random() > TRAINING_SHARE:
                continue
            used = _take(world, department, house, rng.randint(*TRAINING_CYLINDERS))
            _breathe(world, used)
            begins_s = max(20 * HOUR_S + rng.randint(0, 1_800), _free_from(world, house))
            visit = Visit(station=house, member=pick_member(world, department), begins_s=begins_s)
            _keep_busy(world, house, fill_all(world, journal, visit, used))


def inspect_monthly(world: World, journal: Journal) -> None:
    """Every set is looked over once a month (29 CFR 1910.134(h)(3)(i)(B)) and topped off where it has lost air."""
    for station in world.stations:
        if world.day.day != 3 + station.number % 24:
            continue
        department = station.department
        homed = [
            cylinder for cylinder in department.cylinders if cylinder.home is station and cylinder.is_at_hand(world.day)
        ]
        seconds = 9 * HOUR_S
        low: list[Cylinder] = []
        for cylinder in homed:
            seconds += 40
            passed = world.rng.random() > DAMAGE_SHARE
            body = cylinders.CylinderInspected(
                cylinder_id=cylinder.cylinder_id, inspection_kind="monthly", outcome="pass" if passed else "fail"
            )
            journal.office(department, world.at(seconds), body, by=department.technician_id)
            if not passed:
                _set_aside(world, journal, cylinder, seconds)
                continue
            if world.rng.random() < LEAK_SHARE:
                cylinder.pressure_psi = cylinder.pressure_psi * world.rng.randint(78, 89) // 100
            if needs_air(cylinder):
                low.append(cylinder)
        place = station if not station.is_truck else department.houses[0]
        begins_s = max(seconds + 300, _free_from(world, place))
        divers = any(cylinder.kind.use == "scuba" for cylinder in low)
        visit = Visit(station=place, member=pick_member(world, department, diver=divers), begins_s=begins_s)
        _keep_busy(world, place, fill_all(world, journal, visit, low))


def _set_aside(world: World, journal: Journal, cylinder: Cylinder, seconds: int) -> None:
    """A gouge or a bad valve: on hold until the repair shop has seen it."""
    hold_id = world.identify("hold", "damage", cylinder.cylinder_id, world.day)
    cylinder.holds[hold_id] = "damage"
    cylinder.quiet_on = world.day
    body = cylinders.CylinderHeld(
        cylinder_id=cylinder.cylinder_id,
        hold_id=hold_id,
        hold_kind="damage",
        reason="Found damaged at the monthly look-over.",
        clears_by="the repair shop's word",
    )
    department = cylinder.department
    journal.office(department, world.at(seconds + 20), body, by=department.technician_id)


def dive(world: World, journal: Journal) -> None:
    """The dive team trains every second Saturday and fills its own cylinders."""
    if world.day.weekday() != DIVES_A_WEEK_DAY or world.day.toordinal() % 14 >= 7:
        return
    for department in world.departments:
        divers = [
            cylinder
            for cylinder in department.cylinders
            if cylinder.kind.use == "scuba" and cylinder.is_at_hand(world.day)
        ]
        if not divers:
            continue
        used = world.rng.sample(divers, min(len(divers), world.rng.randint(4, 8)))
        _breathe(world, used)
        house = department.houses[0]
        begins_s = max(15 * HOUR_S, _free_from(world, house))
        visit = Visit(station=house, member=pick_member(world, department, diver=True), begins_s=begins_s)
        _keep_busy(world, house, fill_all(world, journal, visit, used))


def raise_alarms(world: World, journal: Journal) -> None:
    """Now and then a compressor runs hot."""
    for station in world.stations:
        if world.rng.random() > 1 / 120:
            continue
        compressor = next(source for source in station.sources if source.kind == "compressor")
        alarm_id = world.identify("alarm", station.code, world.day)
        seconds = world.rng.randint(8 * HOUR_S, 20 * HOUR_S)
        raised = stations.AlarmRaised(
            station_id=station.station_id,
            alarm_id=alarm_id,
            alarm_kind="high temperature",
            alarm_about="temperature",
            air_source_id=compressor.air_source_id,
            reading=f"{world.rng.randint(310, 345)} F",
        )
        journal.device(station, world.at(seconds), raised)
        ended = stations.AlarmEnded(station_id=station.station_id, alarm_id=alarm_id)
        journal.device(station, world.at(seconds + world.rng.randint(300, 2_400)), ended)


def _take(world: World, department: Department, house: Station, count: int) -> list[Cylinder]:
    """Take SCBA cylinders off the engines of a house, and of the others when they are not enough.

    Nobody looks at the test date on the way out, so one that is overdue comes to the whip now and then.
    """
    at_hand = [
        cylinder
        for cylinder in department.cylinders
        if cylinder.is_at_hand(world.day) and cylinder.kind.use == "scba" and not cylinder.holds
    ]
    near = [cylinder for cylinder in at_hand if cylinder.home is house]
    far = [cylinder for cylinder in at_hand if cylinder.home is not house]
    world.rng.shuffle(near)
    world.rng.shuffle(far)
    return (near + far)[:count]


def _is_long_named(world: World, cylinder: Cylinder) -> bool:
    first = cylinder.named_on == world.plan.first_day
    return first or (world.day - cylinder.named_on).days > WINDOW_DAYS


def _breathe(world: World, used: list[Cylinder]) -> None:
    for cylinder in used:
        cylinder.pressure_psi = cylinder.kind.service_pressure_psi * world.rng.randint(5, 55) // 100


def _free_from(world: World, station: Station) -> int:
    """Return when a station is free today, in seconds after midnight."""
    return max(0, int((station.busy_until - world.at(0)).total_seconds()))


def _keep_busy(world: World, station: Station, until_s: int) -> None:
    station.busy_until = max(station.busy_until, world.at(until_s))
