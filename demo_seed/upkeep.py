"""What keeps a fleet fit: requalification as it comes due, a recall, tags that move, cylinders that end."""

from collections.abc import Callable

from demo_seed.fleet import RECALLED_LOT, stamp
from demo_seed.journal import Journal
from demo_seed.occasions import HOUR_S
from demo_seed.world import Cylinder, World
from fill_ledger.trade.events import cylinders

LEAD_MONTHS = 1
AWAY_DAYS = (8, 16)
CONDEMNED_SHARE = 0.02
REJECTED_SHARE = 0.01
# A forgotten cylinder is found some months later, at the latest when it is denied at the whip.
FOUND_SHARE = 0.25
RECALL_AFTER_SHARE = 0.55  # of the history
RECALL_LASTS_DAYS = 60


def look_ahead(world: World, journal: Journal) -> None:
    """On the fifth of a month, send to the requalifier what comes due, and retire what has ended."""
    if world.day.day != 5:
        return
    for department in world.departments:
        for cylinder in department.cylinders:
            if cylinder.is_gone or cylinder.is_away:
                continue
            if cylinder.is_life_over(world.month + LEAD_MONTHS):
                if not cylinder.is_forgotten or world.rng.random() < FOUND_SHARE:
                    _end_life(world, journal, cylinder)
                continue
            if world.month + LEAD_MONTHS < cylinder.last_fill_month():
                continue
            if cylinder.is_forgotten:
                cylinder.is_forgotten = world.rng.random() > FOUND_SHARE or world.month <= cylinder.last_fill_month()
                continue
            _send_away(world, journal, cylinder)


def _send_away(world: World, journal: Journal, cylinder: Cylinder) -> None:
    # A bank's bottles are tested in place of each other; the bank goes on.
    cylinder.is_away = True
    back_on = world.day.fromordinal(world.day.toordinal() + world.rng.randint(*AWAY_DAYS))
    world.later(back_on, lambda: _come_back(world, journal, cylinder))


def _come_back(world: World, journal: Journal, cylinder: Cylinder) -> None:
    """The requalifier's result is entered when the cylinder comes back."""
    cylinder.is_away = False
    cylinder.quiet_on = world.day
    if cylinder.is_gone:
        return
    department, draw = cylinder.department, world.rng.random()
    at = world.at(14 * HOUR_S)
    if draw < CONDEMNED_SHARE and cylinder.kind.use == "scba":
        bad = cylinders.CylinderRequalified(
            cylinder_id=cylinder.cylinder_id, stamp=stamp(cylinder.kind, world.month, outcome="condemned")
        )
        journal.office(department, at, bad, by=department.technician_id)
        reason = "Failed at the requalifier: permanent expansion over the limit."
        condemned = cylinders.CylinderCondemned(cylinder_id=cylinder.cylinder_id, reason=reason)
        journal.office(department, at, condemned)
        _take_out(world, journal, cylinder)
        return
    if draw < CONDEMNED_SHARE + REJECTED_SHARE and cylinder.kind.use == "scba":
        rejected = cylinders.CylinderRequalified(
            cylinder_id=cylinder.cylinder_id, stamp=stamp(cylinder.kind, world.month, outcome="rejected")
        )
        journal.office(department, at, rejected, by=department.technician_id)
        # Repaired and tested again; in one month the worse result would stand, so the result is of a later month.
        cylinder.is_away = True
        again_on = world.day.fromordinal(world.day.toordinal() + 33)
        world.later(again_on, lambda: _pass(world, journal, cylinder))
        return
    _pass(world, journal, cylinder)


def _pass(world: World, journal: Journal, cylinder: Cylinder) -> None:
    cylinder.is_away = False
    cylinder.quiet_on = world.day
    if cylinder.is_gone:
        return
    plus = cylinder.plus and world.rng.random() < 0.8
    cylinder.plus, cylinder.last_test = plus, world.month
    cylinder.pressure_psi = 0 if cylinder.kind.use != "storage" else cylinder.pressure_psi
    body = cylinders.CylinderRequalified(
        cylinder_id=cylinder.cylinder_id, stamp=stamp(cylinder.kind, world.month, plus=plus)
    )
    department = cylinder.department
    journal.office(department, world.at(14 * HOUR_S), body, by=department.technician_id)


def _end_life(world: World, journal: Journal, cylinder: Cylinder) -> None:
    department = cylinder.department
    body = cylinders.CylinderRetired(cylinder_id=cylinder.cylinder_id, reason="End of service life.")
    journal.office(department, world.at(15 * HOUR_S), body)
    _take_out(world, journal, cylinder)


def _take_out(world: World, journal: Journal, cylinder: Cylinder) -> None:
    cylinder.is_gone = True
    off = cylinders.TagUnpaired(cylinder_id=cylinder.cylinder_id, tag=cylinder.tag)
    if cylinder.kind.use != "storage":
        journal.device(cylinder.home, world.at(15 * HOUR_S + 300), off)


def recall(world: World, journal: Journal) -> None:
    """A maker recalls a lot: every cylinder of it is held, and most come back after a look inside."""
    gone_by = (world.day - world.plan.first_day).days
    if gone_by != int(world.plan.days * RECALL_AFTER_SHARE):
        return
    for department in world.departments:
        for cylinder in department.cylinders:
            if cylinder.maker_lot != RECALLED_LOT or cylinder.is_gone:
                continue
            hold_id = world.identify("hold", "recall", cylinder.cylinder_id)
            cylinder.holds[hold_id] = "recall"
            cylinder.quiet_on = world.day
            body = cylinders.CylinderHeld(
                cylinder_id=cylinder.cylinder_id,
                hold_id=hold_id,
                hold_kind="recall",
                reason=f"The maker recalls lot {RECALLED_LOT}: neck threads to be examined.",
                clears_by="an internal inspection",
            )
            journal.office(department, world.at(11 * HOUR_S), body)
            if world.rng.random() < 0.7:
                ends_on = world.day.fromordinal(
                    world.day.toordinal() + world.rng.randint(RECALL_LASTS_DAYS // 3, RECALL_LASTS_DAYS)
                )
                world.later(ends_on, _examination(world, journal, cylinder))


def _examination(world: World, journal: Journal, cylinder: Cylinder) -> Callable[[], None]:
    def examine() -> None:
        hold_id = world.identify("hold", "recall", cylinder.cylinder_id)
        if cylinder.is_gone or hold_id not in cylinder.holds:
            return
        department = cylinder.department
        inspected = cylinders.CylinderInspected(
            cylinder_id=cylinder.cylinder_id, inspection_kind="visual_internal", outcome="pass"
        )
        journal.office(department, world.at(13 * HOUR_S), inspected, by=department.technician_id)
        released = cylinders.CylinderHoldReleased(
            cylinder_id=cylinder.cylinder_id, hold_id=hold_id, reason="Threads examined and sound."
        )
        journal.office(department, world.at(13 * HOUR_S + 600), released)
        del cylinder.holds[hold_id]
        cylinder.quiet_on = world.day

    return examine


def inspect_inside(world: World, journal: Journal) -> None:
    """Every SCUBA cylinder is looked into once a year (usual practice; CGA P-5 as cited by a divers' association)."""
    if world.day.day != 12 or world.day.month != 4:
        return
    for department in world.departments:
        for cylinder in department.cylinders:
            if cylinder.kind.use != "scuba" or not cylinder.is_at_hand(world.day):
                continue
            body = cylinders.CylinderInspected(
                cylinder_id=cylinder.cylinder_id, inspection_kind="visual_internal", outcome="pass"
            )
            journal.office(department, world.at(10 * HOUR_S), body, by=department.technician_id)


def release_repaired(world: World, journal: Journal) -> None:
    """On the twentieth the repair shop sends back what was set aside."""
    if world.day.day != 20:
        return
    for department in world.departments:
        for cylinder in department.cylinders:
            for hold_id in [known for known, kind in cylinder.holds.items() if kind == "damage"]:
                if cylinder.is_gone:
                    continue
                at = world.at(14 * HOUR_S + 1_200)
                passed = cylinders.CylinderInspected(
                    cylinder_id=cylinder.cylinder_id, inspection_kind="monthly", outcome="pass"
                )
                journal.office(department, at, passed, by=department.technician_id)
                released = cylinders.CylinderHoldReleased(
                    cylinder_id=cylinder.cylinder_id, hold_id=hold_id, reason="New valve; sound."
                )
                journal.office(department, at, released, by=department.technician_id)
                del cylinder.holds[hold_id]
                cylinder.quiet_on = world.day
