"""The air itself: samples each quarter and what follows a bad one, charging, the hour meter, the filter."""

import uuid
from datetime import date, timedelta
from typing import Literal

from demo_seed.journal import Journal
from demo_seed.world import FULL_BANK_PSI, Cylinder, Source, Station, World
from fill_ledger.trade.events import air, cylinders, stations

SAMPLE_INTERVAL_DAYS = 84
FAIL_SHARE = 0.025
LABORATORY = "Gorse Hill Air Laboratory"
STANDARD = "NFPA 1989"
# Filters are changed by the hour meter (common practice, no source for the figure).
FILTER_LIFE_TENTHS_H = 500
CHARGE_BELOW_PSI = 4_200
CHARGE_TENTHS_H = 12
CARBON_MONOXIDE_FOUND_PPM = 9  # above NFPA 1989's 5 ppm, within the 10 ppm of Grade D in 29 CFR 1910.134(i)(1)
LONGEST_TRACE = 14  # cylinders put on hold after a bad sample


def sample_body(world: World, source: Source, taken_on: date, verdict: Literal["pass", "fail"]) -> air.AirSourceSampled:
    """Return a laboratory's result, with figures that fit its verdict."""
    rng = world.rng
    monoxide = CARBON_MONOXIDE_FOUND_PPM if verdict == "fail" else rng.randint(0, 2)
    return air.AirSourceSampled(
        air_source_id=source.air_source_id,
        sample_id=world.identify("sample", source.air_source_id, taken_on),
        taken_on=taken_on.isoformat(),
        verdict=verdict,
        standard=STANDARD,
        laboratory=LABORATORY,
        results=(
            air.AnalyteResult(analyte="oxygen", value=f"20.{rng.randint(7, 9)}", unit="percent"),
            air.AnalyteResult(analyte="carbon_monoxide", value=str(monoxide), unit="ppm"),
            air.AnalyteResult(analyte="carbon_dioxide", value=str(rng.randint(350, 520)), unit="ppm"),
            air.AnalyteResult(analyte="oil", value=f"0.{rng.randint(0, 9)}", unit="mg_per_m3"),
            air.AnalyteResult(analyte="dew_point", value=str(-rng.randint(66, 90)), unit="deg_f"),
            air.AnalyteResult(analyte="odour", unit="none", text="none noticed"),
        ),
    )


def keep_air(world: World, journal: Journal) -> None:
    """Do what the day asks for at every air source."""
    for station in world.stations:
        for source in station.sources:
            if world.day >= source.next_sample_on:
                _take_sample(world, journal, station, source)
        if world.day.weekday() == station.number % 7:
            _read_meters(world, journal, station)


def _take_sample(world: World, journal: Journal, station: Station, source: Source) -> None:
    """Take a sample today; the laboratory answers in a few days."""
    taken_on = world.day
    source.next_sample_on = taken_on + timedelta(days=SAMPLE_INTERVAL_DAYS)
    verdict: Literal["pass", "fail"] = "fail" if world.rng.random() < FAIL_SHARE else "pass"
    answered_on = taken_on + timedelta(days=world.rng.randint(3, 5))
    world.later(answered_on, lambda: _report_sample(world, journal, station, source, taken_on, verdict))


def _report_sample(
    world: World, journal: Journal, station: Station, source: Source, taken_on: date, verdict: Literal["pass", "fail"]
) -> None:
    """Enter the laboratory's answer; after a bad one everything with that air is held and a second sample taken."""
    department = station.department
    answered_at = world.at(10 * 3600)
    body = sample_body(world, source, taken_on, verdict)
    journal.office(department, answered_at, body, by=department.technician_id)
    if verdict == "pass":
        source.filled_since_sample.clear()
        return
    source.in_service = False
    reason = "Carbon monoxide over the limit in the quarterly sample."
    out = air.AirSourceOutOfService(air_source_id=source.air_source_id, reason=reason)
    journal.office(department, answered_at + timedelta(minutes=10), out)
    held = _hold_filled(world, journal, station, source)
    again_on = world.day + timedelta(days=3)
    world.later(again_on, lambda: _change_filter(world, journal, station, source, "Changed after the failed sample."))
    world.later(again_on + timedelta(days=4), lambda: _clear(world, journal, station, source, again_on, held))


def _clear(
    world: World,
    journal: Journal,
    station: Station,
    source: Source,
    taken_on: date,
    held: list[tuple[Cylinder, uuid.UUID]],
) -> None:
    """The second sample passed: the source and the cylinders are in service again."""
    department = station.department
    cleared_at = world.at(11 * 3600)
    journal.office(department, cleared_at, sample_body(world, source, taken_on, "pass"), by=department.technician_id)
    back = air.AirSourceReturnedToService(air_source_id=source.air_source_id, reason="Second sample passed.")
    journal.office(department, cleared_at, back)
    # Used again from the next day, so that no fill falls before the entry.
    world.later(world.day + timedelta(days=1), lambda: _put_back(source))
    source.next_sample_on = taken_on + timedelta(days=SAMPLE_INTERVAL_DAYS)
    source.filled_since_sample.clear()
    for cylinder, hold_id in held:
        if cylinder.is_gone:
            continue
        del cylinder.holds[hold_id]
        cylinder.quiet_on = world.day
        cylinder.pressure_psi = 0
        released = cylinders.CylinderHoldReleased(
            cylinder_id=cylinder.cylinder_id, hold_id=hold_id, reason="Emptied, to be filled with good air."
        )
        journal.office(department, cleared_at, released)


def _put_back(source: Source) -> None:
    source.in_service = True


def _hold_filled(world: World, journal: Journal, station: Station, source: Source) -> list[tuple[Cylinder, uuid.UUID]]:
    """Hold the department's own cylinders that may hold the suspect air."""
    held: list[tuple[Cylinder, uuid.UUID]] = []
    suspects = {cylinder.cylinder_id: cylinder for cylinder in source.filled_since_sample[-LONGEST_TRACE:]}
    for cylinder in suspects.values():
        if cylinder.department is not station.department or cylinder.is_gone:
            continue
        hold_id = world.identify("hold", "air", cylinder.cylinder_id, world.day)
        cylinder.holds[hold_id] = "air"
        cylinder.quiet_on = world.day
        held.append((cylinder, hold_id))
        body = cylinders.CylinderHeld(
            cylinder_id=cylinder.cylinder_id,
            hold_id=hold_id,
            hold_kind="air",
            reason="Filled from a source whose sample failed.",
            clears_by="a passed sample of the source, and new air",
        )
        journal.office(station.department, world.at(10 * 3600 + 900), body)
    return held


def _change_filter(world: World, journal: Journal, station: Station, source: Source, note: str | None = None) -> None:
    """Change a compressor's filter; for a bank nothing is changed."""
    if source.kind != "compressor":
        return
    source.changed_filter_at_tenths_h = source.run_time_tenths_h
    changed = air.FilterChanged(
        air_source_id=source.air_source_id,
        run_time_tenths_h=source.run_time_tenths_h,
        cartridge="purification cartridge",
        note=note,
    )
    journal.device(station, world.at(9 * 3600), changed)


def _read_meters(world: World, journal: Journal, station: Station) -> None:
    """Once a week: bottle gauges by eye, the hour meter, and the filter when its hours are up."""
    for source in station.sources:
        if source.kind == "storage_bank":
            for bottle_id, psi in zip(source.bottle_ids, source.bottle_psi, strict=True):
                body = air.StorageBottleRead(air_source_id=source.air_source_id, bottle_id=bottle_id, pressure_psi=psi)
                journal.device(station, world.at(8 * 3600), body)
            continue
        journal.device(
            station,
            world.at(8 * 3600 + 120),
            air.CompressorHoursRead(air_source_id=source.air_source_id, run_time_tenths_h=source.run_time_tenths_h),
        )
        if source.run_time_tenths_h - source.changed_filter_at_tenths_h >= FILTER_LIFE_TENTHS_H:
            _change_filter(world, journal, station, source)
    journal.device(
        station,
        world.at(8 * 3600 + 400),
        stations.ClockRead(station_id=station.station_id, ahead_ms=world.rng.randint(-900, 900)),
    )


def draw_air(
    world: World, journal: Journal, station: Station, seconds: int, wanted_psi: int
) -> tuple[Source, uuid.UUID | None, int, int] | None:
    """Choose a source and, in a bank, the lowest bottle that still exceeds the cylinder; None without good air.

    Returns the source, the bottle, and its gauge before and after. The bank is charged when it runs low.
    """
    bank = next((source for source in station.sources if source.kind == "storage_bank"), None)
    compressor = next((source for source in station.sources if source.kind == "compressor"), None)
    if bank is not None and bank.in_service:
        if max(bank.bottle_psi) < min(wanted_psi + 150, FULL_BANK_PSI - 100) and compressor is not None:
            charge_bank(world, journal, station, bank, compressor, seconds)
        enough = [place for place, psi in enumerate(bank.bottle_psi) if psi >= wanted_psi]
        if enough:
            place = min(enough, key=lambda known: bank.bottle_psi[known])
            before = bank.bottle_psi[place]
            bank.bottle_psi[place] = before - world.rng.randint(90, 260)
            return bank, bank.bottle_ids[place], before, bank.bottle_psi[place]
    if compressor is not None and compressor.in_service:
        compressor.run_time_tenths_h += 1
        return compressor, None, 0, 0
    return None


def charge_bank(
    world: World, journal: Journal, station: Station, bank: Source, compressor: Source, seconds: int
) -> None:
    """Charge a bank from the compressor, if that is in service."""
    if not compressor.in_service:
        return
    start_psi = min(bank.bottle_psi)
    bank.bottle_psi = [FULL_BANK_PSI - world.rng.randint(0, 60) for _ in bank.bottle_psi]
    compressor.run_time_tenths_h += CHARGE_TENTHS_H
    journal.device(
        station,
        world.at(seconds),
        air.StorageCharged(
            air_source_id=bank.air_source_id,
            from_air_source_id=compressor.air_source_id,
            bottle_ids=tuple(bank.bottle_ids),
            start_psi=start_psi,
            end_psi=min(bank.bottle_psi),
        ),
    )


def top_up_banks(world: World, journal: Journal) -> None:
    """In the small hours the automatic charge brings low banks back to full."""
    for station in world.stations:
        bank = next(source for source in station.sources if source.kind == "storage_bank")
        compressor = next(source for source in station.sources if source.kind == "compressor")
        if min(bank.bottle_psi) < CHARGE_BELOW_PSI:
            charge_bank(world, journal, station, bank, compressor, 2 * 3600 + station.number * 60)
