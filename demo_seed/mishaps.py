"""What goes wrong: no network, no power, a slip of the finger, and a cylinder filled too far."""

import uuid
from datetime import timedelta

import msgspec

from demo_seed.filling import needs_air, pick_member
from demo_seed.journal import Journal
from demo_seed.occasions import HOUR_S
from demo_seed.world import Station, World
from fill_ledger.trade.events import corrections, fills

OFFLINE_A_STATION_YEAR = 1.5
OFFLINE_DAYS = (1, 3)
POWER_CUT_AFTER_SHARE = 0.7  # of the history
POWER_CUT_FILLS = 7
SLIPS_A_STATION_YEAR = 0.8
OVERFILLS_A_STATION_YEAR = 0.4


def lose_networks(world: World) -> None:
    """Now and then a station is cut off for some days; what it notes arrives late."""
    for station in world.stations:
        if world.rng.random() < OFFLINE_A_STATION_YEAR / 365:
            for ahead in range(world.rng.randint(*OFFLINE_DAYS)):
                day = world.day + timedelta(days=ahead)
                # What is late by a day must still arrive within the history.
                if day + timedelta(days=1) < world.plan.reference_day:
                    station.offline_days.add(day)


def cut_power(world: World, journal: Journal) -> None:
    """One winter night without power: cylinders are filled by hand valves from the bank, and entered next morning."""
    if (world.day - world.plan.first_day).days != int(world.plan.days * POWER_CUT_AFTER_SHARE):
        return
    department = world.departments[-1]
    house = department.houses[-1]
    bank = house.sources[0]
    member = pick_member(world, department)
    chosen = [
        cylinder
        for cylinder in department.cylinders
        if cylinder.is_at_hand(world.day)
        and not cylinder.holds
        and cylinder.kind.service_pressure_psi <= 4_500
        and world.month <= cylinder.last_fill_month()
    ][:POWER_CUT_FILLS]
    was_offline = world.day in house.offline_days
    house.offline_days.add(world.day)
    seconds = 19 * HOUR_S
    for cylinder in chosen:
        start_psi = cylinder.pressure_psi if needs_air(cylinder) else cylinder.kind.service_pressure_psi // 3
        body = fills.FilledByHand(
            cylinder_id=cylinder.cylinder_id,
            tag=cylinder.tag,
            member_id=member.member_id,
            mode="manual",
            sources=(fills.FillSource(air_source_id=bank.air_source_id),),
            start_psi=start_psi,
            end_psi=cylinder.kind.service_pressure_psi - world.rng.randint(50, 300),
            duration_s=world.rng.randint(300, 540),
            look_over="passed",
            note="Power cut: filled by hand valves from the bank, noted on paper.",
        )
        journal.device(house, world.at(seconds), body)
        seconds += 700
    if not was_offline:
        house.offline_days.discard(world.day)


def slip(world: World, journal: Journal) -> None:
    """A fill is entered for the wrong cylinder, and taken back the next morning; or a steel one is filled too far."""
    for station in world.stations:
        draw = world.rng.random() * 365
        if draw < SLIPS_A_STATION_YEAR:
            event_id = _wrong_cylinder(world, journal, station)
            if event_id is not None:
                world.later(world.day + timedelta(days=1), _taking_back(world, journal, station, event_id).run)
        elif draw < SLIPS_A_STATION_YEAR + OVERFILLS_A_STATION_YEAR:
            _overfill(world, journal, station)


class _TakingBack(msgspec.Struct, frozen=True):
    """A retraction to come."""

    world: World
    journal: Journal
    station: Station
    event_id: uuid.UUID

    def run(self) -> None:
        department = self.station.department
        body = corrections.EventRetracted(
            retracted_event_id=self.event_id, reason="Entered for the wrong cylinder; the right one is on record."
        )
        self.journal.office(department, self.world.at(8 * HOUR_S), body)


def _taking_back(world: World, journal: Journal, station: Station, event_id: uuid.UUID) -> _TakingBack:
    return _TakingBack(world, journal, station, event_id)


def _wrong_cylinder(world: World, journal: Journal, station: Station) -> uuid.UUID | None:
    department = station.department
    at_hand = [cylinder for cylinder in department.cylinders if cylinder.is_at_hand(world.day) and not cylinder.holds]
    if not at_hand or not station.sources[0].in_service:
        return None
    cylinder = world.rng.choice(at_hand)
    body = fills.Filled(
        cylinder_id=cylinder.cylinder_id,
        member_id=pick_member(world, department).member_id,
        mode="manual",
        sources=(fills.FillSource(air_source_id=station.sources[0].air_source_id),),
        end_psi=cylinder.kind.service_pressure_psi,
        look_over="passed",
    )
    return journal.device(station, world.at(18 * HOUR_S), body)


def _overfill(world: World, journal: Journal, station: Station) -> None:
    department = station.department
    low = [
        cylinder
        for cylinder in department.cylinders
        if cylinder.is_at_hand(world.day) and cylinder.kind.service_pressure_psi < 2_300 and not cylinder.holds
    ]
    if not low or not station.sources[0].in_service:
        return
    cylinder = world.rng.choice(low)
    body = fills.Filled(
        cylinder_id=cylinder.cylinder_id,
        tag=cylinder.tag,
        member_id=pick_member(world, department).member_id,
        fill_position_id=station.positions[0].fill_position_id,
        mode="manual",
        sources=(fills.FillSource(air_source_id=station.sources[0].air_source_id),),
        start_psi=400,
        end_psi=world.rng.randint(3_050, 3_600),
        gas_temperature_f=world.rng.randint(88, 110),
        duration_s=210,
        look_over="passed",
    )
    journal.device(station, world.at(18 * HOUR_S + 900), body)
