"""One cylinder on one fill whip: asked, started, filled, and told to the ledger; or denied."""

import uuid
from typing import Literal

import msgspec

from demo_seed.air import draw_air
from demo_seed.journal import Journal
from demo_seed.world import Cylinder, Department, Member, Position, Source, Station, World
from fill_ledger.trade.events import fills
from fill_ledger.trade.gas.readings import stop_at_psi

START_PSI_LEAST = 120
# A reading in a warm cylinder settles lower (common practice, no source for the figures).
GAS_TEMPERATURE_F = (82, 118)
# 400 to 570 psi/min: below the habit of the gas trade, 600 psi/min.
SECONDS_A_1000_PSI = (105, 150)
SHORT_OF_THE_STOP_PSI = (-20, 60)
CHANGEOVER_S = (50, 110)
TAG_ONLY_SHARE = 0.04
FULL_SHARE = 0.9  # 29 CFR 1910.134(h)(3)(iii): recharge at 90 % of the recommended pressure
# Somebody fills in spite of the answer, with a word of why: seldom, and never a condemned or held cylinder.
OVERRIDE_SHARE = 0.12
ABANDONED_SHARE = 0.004
# Somebody who may not, or may no longer, fill tries it first; then a colleague takes over.
STRANGER_SHARE = 0.02
MEMBER_CODES = ("member-deactivated", "authorisation-ended", "member-not-authorised")
TAKING_OVER_S = 90


class Visit(msgspec.Struct, kw_only=True):
    """Somebody at a station who fills cylinders; another takes over where he may not. Seconds count after midnight."""

    station: Station
    member: Member
    begins_s: int


class Named(msgspec.Struct, frozen=True, kw_only=True):
    """What a fact about one attempt names: sometimes the station knows no more of a cylinder than its tag."""

    cylinder_id: uuid.UUID | None
    tag: str
    member_id: uuid.UUID
    fill_position_id: uuid.UUID


def pick_member(world: World, department: Department, *, diver: bool = False, strangers: bool = True) -> Member:
    """Choose who fills: nearly always somebody who may, seldom a stranger to the whip."""
    rng = world.rng
    present = [member for member in department.members if member.quiet_on != world.day]
    able = [
        member
        for member in present
        if member.active and member.authorised_through >= world.day and (member.is_diver or not diver)
    ]
    others = [member for member in present if member not in able]
    if others and (not able or (strangers and rng.random() < STRANGER_SHARE)):
        return rng.choice(others)
    return rng.choice(able)


def needs_air(cylinder: Cylinder) -> bool:
    """Tell whether a cylinder is below the share at which it is filled again."""
    return cylinder.pressure_psi < cylinder.kind.service_pressure_psi * FULL_SHARE


def fill_all(world: World, journal: Journal, visit: Visit, chosen: list[Cylinder]) -> int:
    """Fill cylinders on all positions at once; return when the last one is done, in seconds after midnight."""
    station = visit.station
    free_at = {position.label: visit.begins_s for position in station.positions}
    for cylinder in chosen:
        low = cylinder.kind.service_pressure_psi <= 3_000
        suited = [position for position in station.positions if (position.regulator_psi <= 3_000) == low]
        position = min(suited, key=lambda known: free_at[known.label])
        free_at[position.label] = fill_one(world, journal, visit, cylinder, position, free_at[position.label])
    return max(free_at.values())


def fill_one(world: World, journal: Journal, visit: Visit, cylinder: Cylinder, position: Position, seconds: int) -> int:
    """Fill one cylinder, or note why not; return when the position is free again, in seconds after midnight."""
    rng, station = world.rng, visit.station
    code = denial(world, visit, cylinder)
    overridden = code in ("requalification-due", "member-not-authorised") and rng.random() < OVERRIDE_SHARE
    if code is not None and not overridden:
        _deny(world, journal, visit, cylinder, position, seconds, code)
        if code not in MEMBER_CODES:
            return seconds + 30
        diver = cylinder.kind.use == "scuba"
        visit.member = pick_member(world, station.department, diver=diver, strangers=False)
        if denial(world, visit, cylinder) is not None:
            return seconds + 30
        return fill_one(world, journal, visit, cylinder, position, seconds + TAKING_OVER_S)
    drawn = draw_air(world, journal, station, seconds, cylinder.kind.service_pressure_psi)
    if drawn is None:
        _deny(world, journal, visit, cylinder, position, seconds, "air-source-out-of-service")
        return seconds + 30
    start_psi = max(START_PSI_LEAST, cylinder.pressure_psi)
    attempt_id = world.identify("attempt", station.code, station.facts_sent, world.day)
    gas_temperature_f = rng.randint(*GAS_TEMPERATURE_F)
    end_psi = _stop_reading_psi(cylinder, position, gas_temperature_f) - rng.randint(*SHORT_OF_THE_STOP_PSI)
    duration_s = 40 + max(0, end_psi - start_psi) * rng.randint(*SECONDS_A_1000_PSI) // 1_000
    named = _name(world, cylinder, visit.member, position)
    started = fills.FillStarted(
        cylinder_id=named.cylinder_id,
        tag=named.tag,
        member_id=named.member_id,
        fill_position_id=named.fill_position_id,
        attempt_id=attempt_id,
        start_psi=start_psi,
        mode="automatic",
    )
    journal.device(station, world.at(seconds), started)
    ends_s = seconds + duration_s
    if rng.random() < ABANDONED_SHARE:
        _abandon(world, journal, station, named, attempt_id, ends_s)
        cylinder.pressure_psi = (start_psi + end_psi) // 2
        return ends_s + rng.randint(*CHANGEOVER_S)
    source = drawn[0]
    is_offline = world.day in station.offline_days
    asked_at = world.at(seconds)
    is_permitted = code is None and not is_offline
    filled = fills.Filled(
        cylinder_id=named.cylinder_id,
        tag=named.tag,
        member_id=named.member_id,
        fill_position_id=named.fill_position_id,
        attempt_id=attempt_id,
        mode="automatic",
        sources=(_fill_source(drawn),),
        start_psi=start_psi,
        end_psi=end_psi,
        gas_temperature_f=gas_temperature_f,
        duration_s=duration_s,
        look_over="passed",
        owner_consent=True if cylinder.department is not station.department else None,
        override=fills.Override(reason_code="officer-decided", approved_by=None) if overridden else None,
        permit_reference=(
            journal.permit(station, attempt_id, asked_at, cylinder, visit.member) if is_permitted else None
        ),
        roster_position=journal.roster_position(station.department) if is_offline else None,
    )
    journal.device(station, world.at(ends_s), filled)
    cylinder.pressure_psi = cylinder.kind.service_pressure_psi
    source.filled_since_sample.append(cylinder)
    return ends_s + rng.randint(*CHANGEOVER_S)


def denial(world: World, visit: Visit, cylinder: Cylinder) -> str | None:
    """Return the code with which the service would deny this fill, None where it would permit it."""
    station, member, month = visit.station, visit.member, world.month
    if cylinder.is_gone:
        return "retired"
    if cylinder.holds:
        return "on-hold"
    owner = cylinder.department.plan.code
    if cylinder.department is not station.department and owner not in station.department.plan.partners:
        return "not-shared"
    if cylinder.is_life_over(month):
        return "service-life-over"
    if month > cylinder.last_fill_month():
        return "requalification-due"
    if not member.active:
        return "member-deactivated"
    if member.authorised_through < world.day:
        return "authorisation-ended"
    if cylinder.kind.use == "scuba" and not member.is_diver:
        return "member-not-authorised"
    return None


def _name(world: World, cylinder: Cylinder, member: Member, position: Position) -> Named:
    tag_only = world.rng.random() < TAG_ONLY_SHARE
    return Named(
        cylinder_id=None if tag_only else cylinder.cylinder_id,
        tag=cylinder.tag,
        member_id=member.member_id,
        fill_position_id=position.fill_position_id,
    )


def _stop_reading_psi(cylinder: Cylinder, position: Position, gas_temperature_f: int) -> int:
    """Return where the operator stops: the reading that settles to the limit, or where the regulator ends the fill."""
    stop = stop_at_psi(cylinder.limit_psi(), gas_temperature_f)
    assert isinstance(stop, int)  # the story's limits and temperatures are all in the table of air
    return min(stop, position.regulator_psi)


def _fill_source(drawn: tuple[Source, uuid.UUID | None, int, int]) -> fills.FillSource:
    source, bottle_id, start_psi, end_psi = drawn
    if bottle_id is None:
        return fills.FillSource(air_source_id=source.air_source_id)
    return fills.FillSource(
        air_source_id=source.air_source_id, bottle_id=bottle_id, start_psi=start_psi, end_psi=end_psi
    )


def _deny(
    world: World, journal: Journal, visit: Visit, cylinder: Cylinder, position: Position, seconds: int, code: str
) -> None:
    decided_from: Literal["service", "roster"] = "service"
    if world.day in visit.station.offline_days:
        decided_from = "roster"
    named = _name(world, cylinder, visit.member, position)
    denied = fills.FillDenied(
        cylinder_id=named.cylinder_id,
        tag=named.tag,
        member_id=named.member_id,
        fill_position_id=named.fill_position_id,
        code=code,
        decided_from=decided_from,
    )
    journal.device(visit.station, world.at(seconds), denied)


def _abandon(
    world: World,
    journal: Journal,
    station: Station,
    named: Named,
    attempt_id: uuid.UUID,
    seconds: int,
) -> None:
    body = fills.FillAbandoned(
        cylinder_id=named.cylinder_id,
        tag=named.tag,
        member_id=named.member_id,
        fill_position_id=named.fill_position_id,
        attempt_id=attempt_id,
        note="Called away to an alarm; not filled to the end.",
    )
    journal.device(station, world.at(seconds), body)
