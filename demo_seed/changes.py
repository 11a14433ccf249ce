"""What changes in two years besides the air: tags move, cylinders are bought and given away, members come and go."""

from datetime import timedelta

from demo_seed.founding import authorise, enrol_member, new_tag, register_cylinder
from demo_seed.journal import Journal
from demo_seed.occasions import HOUR_S
from demo_seed.world import Department, World
from fill_ledger.trade.events import cylinders, members

TAGS_MOVED_ON_DAY = 14
TAGS_RENEWED_ON_DAY = 22
DELIVERED_AT_ONCE = 3
LEAVERS_A_MEMBER_YEAR = 0.05
RETURNERS_SHARE = 0.25
TRANSFER_DAYS_BEFORE_END = (9, 30, 75)
RENEWAL_LEAD_DAYS = 10


def change(world: World, journal: Journal) -> None:
    """Do what this day brings."""
    for department in world.departments:
        _move_tags(world, journal, department)
        _deliver(world, journal, department)
        _come_and_go(world, journal, department)
        _renew(world, journal, department)
    _transfer(world, journal)


def _move_tags(world: World, journal: Journal, department: Department) -> None:
    """A label is torn off: the cylinder gets a spare, or the tag of one that was set aside."""
    in_use = [cylinder for cylinder in department.cylinders if cylinder.is_at_hand(world.day)]
    if world.day.day == TAGS_RENEWED_ON_DAY and in_use:
        cylinder = world.rng.choice(in_use)
        at = world.at(16 * HOUR_S)
        off = cylinders.TagUnpaired(cylinder_id=cylinder.cylinder_id, tag=cylinder.tag)
        journal.device(cylinder.home, at, off)
        cylinder.quiet_on = cylinder.named_on = world.day
        cylinder.tag = new_tag(world, "renewed", cylinder.cylinder_id, world.day)
        on = cylinders.TagPaired(cylinder_id=cylinder.cylinder_id, tag=cylinder.tag)
        journal.device(cylinder.home, at + timedelta(seconds=40), on)
    if world.day.day == TAGS_MOVED_ON_DAY and world.day.month % 3 == 0 and len(in_use) > 1:
        # Two tags were swapped by mistake years ago and are now put right by pairing each where it hangs.
        one, other = world.rng.sample(in_use, 2)
        one.tag, other.tag = other.tag, one.tag
        at = world.at(16 * HOUR_S + 600)
        for cylinder in (one, other):
            cylinder.quiet_on = cylinder.named_on = world.day
            paired = cylinders.TagPaired(cylinder_id=cylinder.cylinder_id, tag=cylinder.tag)
            journal.device(cylinder.home, at, paired)


def _deliver(world: World, journal: Journal, department: Department) -> None:
    """New cylinders replace the ones that have ended."""
    gone = sum(1 for cylinder in department.cylinders if cylinder.is_gone and cylinder.kind.use == "scba")
    bought = sum(1 for cylinder in department.cylinders if cylinder.is_replacement)
    if world.day.day != 25 or gone - bought < DELIVERED_AT_ONCE:
        return
    for _ in range(DELIVERED_AT_ONCE):
        home = world.rng.choice(department.stations)
        cylinder = register_cylinder(world, journal, home, "scba", 12 * HOUR_S, brand_new=True)
        cylinder.is_replacement = True
        cylinder.quiet_on = world.day


def _come_and_go(world: World, journal: Journal, department: Department) -> None:
    rng = world.rng
    if rng.random() > LEAVERS_A_MEMBER_YEAR * department.plan.members / 365:
        return
    active = [member for member in department.members if member.active]
    if len(active) < 3:
        return
    leaver = rng.choice(active)
    at = world.at(12 * HOUR_S)
    journal.office(department, at, members.MemberDeactivated(member_id=leaver.member_id, reason="Left the department."))
    leaver.active = False
    leaver.quiet_on = world.day
    if rng.random() < RETURNERS_SHARE:
        back_on = world.day + timedelta(days=rng.randint(40, 160))

        def come_back() -> None:
            body = members.MemberReactivated(member_id=leaver.member_id, reason="Back from leave.")
            journal.office(department, world.at(12 * HOUR_S), body)
            leaver.active = True
            leaver.quiet_on = world.day

        world.later(back_on, come_back)
    elif rng.random() < 0.8:
        enrol_member(world, journal, department, 13 * HOUR_S).quiet_on = world.day


def _renew(world: World, journal: Journal, department: Department) -> None:
    """Authorisations are renewed for a year after training; one in a while is forgotten until it is missed."""
    for member in department.members:
        days_left = (member.authorised_through - world.day).days
        due = days_left == RENEWAL_LEAD_DAYS if member.renews else days_left == -30
        if member.active and due:
            member.authorised_through = world.day + timedelta(days=365)
            member.quiet_on = world.day
            authorise(world, journal, department, member, 17 * HOUR_S)


def _transfer(world: World, journal: Journal) -> None:
    """A few cylinders are given to a neighbour near the end of the history."""
    days_left = (world.plan.reference_day - world.day).days
    if days_left not in TRANSFER_DAYS_BEFORE_END or len(world.departments) < 2:
        return
    giver, taker = world.departments[0], world.departments[1]
    spare = [cylinder for cylinder in giver.cylinders if cylinder.is_at_hand(world.day) and not cylinder.holds]
    if not spare:
        return
    cylinder = world.rng.choice(spare)
    body = cylinders.CylinderTransferredOut(
        cylinder_id=cylinder.cylinder_id, to_department_id=taker.department_id, note="Given to a partner in need."
    )
    journal.office(giver, world.at(15 * HOUR_S), body)
    cylinder.is_gone = True
