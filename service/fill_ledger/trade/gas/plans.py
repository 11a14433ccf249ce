"""A staged plan for cylinders with different limits on one supply.

All cylinders below the lowest limit are opened and brought to it, those that are full are closed, and the rest go on
to the next limit (common practice, no source). Within a stage stored air comes first because it is quick, the lowest
bottle that still helps before the next, then the compressor. Where a limit lies above what the compressor reaches it is
the other way round, so that the bottles stay high for what only they can do. Mass is balanced with real air at one
temperature.
"""

from collections.abc import Iterable, Sequence
from math import ceil, floor

import msgspec

from fill_ledger.trade.gas.air_table import BeyondTableError, OutsideTable, density_kg_per_m3, inside
from fill_ledger.trade.gas.contents import LITRES_PER_CUBIC_FOOT, free_air_of_mass, free_air_of_mass_litres
from fill_ledger.trade.gas.mass_balance import Vessel, flow, shown_psi, total_mass_kg, useful, vessel
from fill_ledger.trade.gas.plan_advice import advice_for, ends_of
from fill_ledger.trade.gas.plan_types import Compressor, Connection, FillPlan, PressureChange, Stage, Supply
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F, at_other_temperature_psi, stop_at_psi
from fill_ledger.trade.gas.storage import as_bottles, bank_of, lowest_first

SECONDS_PER_MINUTE = 60
# A hundredth of a gram is some eight millilitres of free air: rounding, not a flow.
_NO_FLOW_KG = 1e-5


class _Conditions(msgspec.Struct, frozen=True, kw_only=True):
    """What holds for the whole plan."""

    compressor: Compressor | None
    compressor_ceiling_kg_per_m3: float
    compressor_first: bool
    temperature_f: int
    gas_temperature_f: int | None
    fill_rate_psi_per_minute: int | None


class _Flows(msgspec.Struct, frozen=True, kw_only=True):
    """What flows in one stage: bank and cylinders after it, and from each supply the mass and the greatest rise."""

    bank: tuple[Vessel, ...]
    filled: Sequence[Vessel]
    storage_kg: float
    compressor_kg: float
    storage_rise_psi: int
    compressor_rise_psi: int


class _Progress(msgspec.Struct, frozen=True, kw_only=True):
    """Cylinders by label and the bank, lowest first, after the stages so far; sums of the air used. Unrounded."""

    cylinders: dict[str, Vessel]
    bank: tuple[Vessel, ...]
    storage_kg: float = 0.0
    compressor_kg: float = 0.0


def plan_fills(
    connections: Sequence[Connection],
    supply: Supply,
    *,
    temperature_f: int = REFERENCE_TEMPERATURE_F,
    gas_temperature_f: int | None = None,
    fill_rate_psi_per_minute: int | None = None,
) -> FillPlan | OutsideTable:
    """Plan the fill of several cylinders from one supply.

    Pressures in and out hold at `temperature_f`, limits at 70 F; a rating lowers the limit behind it. With
    `gas_temperature_f`, how warm the gas gets, each stage says at what reading to stop; with
    `fill_rate_psi_per_minute`, the fastest rise allowed, how long stored air takes. Raises `ValueError` on labels that
    are not unique, and on volumes or rates that are not above zero.
    """
    _check(connections, supply, fill_rate_psi_per_minute)
    try:
        connections = [_within_rating(each, temperature_f) for each in connections]
        limits = {
            each.label: inside(density_kg_per_m3(each.limit_psi, REFERENCE_TEMPERATURE_F)) for each in connections
        }
        compressor_ceiling = _compressor_ceiling(supply.compressor, temperature_f)
        conditions = _Conditions(
            compressor=supply.compressor,
            compressor_ceiling_kg_per_m3=compressor_ceiling,
            compressor_first=supply.compressor is not None and max(limits.values(), default=0) > compressor_ceiling,
            temperature_f=temperature_f,
            gas_temperature_f=gas_temperature_f,
            fill_rate_psi_per_minute=fill_rate_psi_per_minute,
        )
        return _plan(connections, supply, limits, conditions)
    except BeyondTableError as beyond:
        return beyond.outside


def _check(connections: Sequence[Connection], supply: Supply, fill_rate_psi_per_minute: int | None) -> None:
    for labels in ([each.label for each in connections], [each.label for each in supply.bottles]):
        if len(set(labels)) != len(labels):
            raise ValueError("labels must be unique: " + ", ".join(labels))
    if supply.compressor is not None and not supply.compressor.rate_scfm > 0:
        raise ValueError(f"{supply.compressor.rate_scfm} scfm is not a rate")
    if fill_rate_psi_per_minute is not None and fill_rate_psi_per_minute <= 0:
        raise ValueError(f"{fill_rate_psi_per_minute} psi a minute is not a rate")


def _within_rating(connection: Connection, temperature_f: int) -> Connection:
    """Return the connection with the limit that its rating leaves. Raises `BeyondTableError`.

    The plan lets a cylinder come to its limit at `temperature_f`: warmer than 70 F that is a higher reading, and the
    limit is lowered until the rating holds there too. The cold is no reason to fill to more than the rating.
    """
    if connection.rating_psi is None:
        return connection
    settled_psi = floor(inside(at_other_temperature_psi(connection.rating_psi, temperature_f, REFERENCE_TEMPERATURE_F)))
    limit_psi = min(connection.limit_psi, connection.rating_psi, settled_psi)
    return msgspec.structs.replace(connection, limit_psi=limit_psi)


def _compressor_ceiling(compressor: Compressor | None, temperature_f: int) -> float:
    """Return the density a compressor can reach: none without one. Raises `BeyondTableError`."""
    return 0.0 if compressor is None else inside(density_kg_per_m3(compressor.maximum_psi, temperature_f))


def _plan(
    connections: Sequence[Connection], supply: Supply, limits: dict[str, float], conditions: _Conditions
) -> FillPlan:
    temperature_f = conditions.temperature_f
    for limit in limits.values():
        shown_psi(limit, temperature_f)  # every pressure of the plan lies below: none can leave the table later
    start = _Progress(
        cylinders={
            each.label: vessel(each.label, each.water_volume_ml, each.present_psi, temperature_f)
            for each in connections
        },
        bank=bank_of(supply.bottles, temperature_f),
    )
    lacking = [each for each in connections if start.cylinders[each.label].density_kg_per_m3 < limits[each.label]]
    progress = start
    stages: list[Stage] = []
    for ceiling_psi in sorted({each.limit_psi for each in lacking}):
        stage, progress = _stage(len(stages) + 1, ceiling_psi, lacking, progress, conditions)
        if stage is not None:
            stages.append(stage)
        if stage is None or not stage.reached:
            break
    one_by_one = _count_one_by_one([start.cylinders[each.label] for each in lacking], limits, start.bank)
    unopened = {each.label for each in connections} - {each.label for each in lacking}
    ends = ends_of(connections, supply, progress.cylinders, limits, unopened, temperature_f)
    durations = [stage.duration_s for stage in stages]
    return FillPlan(
        stages=tuple(stages),
        ends=ends,
        bottles_after=as_bottles(progress.bank, temperature_f),
        from_storage=free_air_of_mass(progress.storage_kg),
        from_compressor=free_air_of_mass(progress.compressor_kg),
        compressor_s=sum(stage.compressor_s for stage in stages),
        duration_s=None if None in durations else sum(each for each in durations if each is not None),
        advice=advice_for(connections, supply, ends, one_by_one, conditions.gas_temperature_f),
    )


def _stage(
    number: int, ceiling_psi: int, lacking: Sequence[Connection], before: _Progress, conditions: _Conditions
) -> tuple[Stage | None, _Progress]:
    """Bring all that lie below a ceiling and may pass it or reach it to it. None when no air could flow."""
    temperature_f = conditions.temperature_f
    ceiling = inside(density_kg_per_m3(ceiling_psi, REFERENCE_TEMPERATURE_F))
    opened = sorted(
        (
            before.cylinders[each.label]
            for each in lacking
            if each.limit_psi >= ceiling_psi and before.cylinders[each.label].density_kg_per_m3 < ceiling
        ),
        key=lambda each: each.density_kg_per_m3,
    )
    flows = _flows(before.bank, opened, ceiling, conditions)
    if flows.storage_kg + flows.compressor_kg < _NO_FLOW_KG:
        return None, before
    after = _Progress(
        cylinders=before.cylinders | {each.label: each for each in flows.filled},
        bank=flows.bank,
        storage_kg=before.storage_kg + flows.storage_kg,
        compressor_kg=before.compressor_kg + flows.compressor_kg,
    )
    reached = all(each.density_kg_per_m3 >= ceiling for each in flows.filled)
    compressor_s, duration_s = _times(flows, conditions)
    at_ceiling = {each.label for each in lacking if each.limit_psi == ceiling_psi}
    open_now = {each.label for each in opened}
    ratings = [each.rating_psi for each in lacking if each.label in open_now and each.rating_psi is not None]
    stage = Stage(
        number=number,
        ceiling_psi=ceiling_psi,
        stop_at_psi=_stop_at_psi(ceiling_psi, ratings, conditions.gas_temperature_f),
        opened=tuple(each.label for each in opened),
        closed=tuple(each.label for each in opened if reached and each.label in at_ceiling),
        reached=reached,
        cylinders=_changes(opened, flows.filled, temperature_f),
        bottles=_changes(before.bank, flows.bank, temperature_f, only_changed=True),
        compressor_first=conditions.compressor_first,
        from_storage=free_air_of_mass(flows.storage_kg),
        from_compressor=free_air_of_mass(flows.compressor_kg),
        compressor_s=compressor_s,
        duration_s=duration_s,
    )
    return stage, after


def _stop_at_psi(ceiling_psi: int, ratings_psi: Sequence[int], gas_temperature_f: int | None) -> int | None:
    """Return the reading to stop a stage at in gas of some temperature, never above what is open is rated for."""
    if gas_temperature_f is None:
        return None
    stop = stop_at_psi(ceiling_psi, gas_temperature_f)
    return None if isinstance(stop, OutsideTable) else min([stop, *ratings_psi])


def _flows(bank: tuple[Vessel, ...], opened: Sequence[Vessel], ceiling: float, conditions: _Conditions) -> _Flows:
    """Let stored air and the compressor work one after the other, towards a ceiling."""
    compressed_to = min(ceiling, conditions.compressor_ceiling_kg_per_m3)
    if conditions.compressor_first:
        between = _compressed(opened, compressed_to)
        bank_after, filled = _from_bank(bank, between, ceiling)
        stored, compressed = (between, filled), (opened, between)
    else:
        bank_after, between = _from_bank(bank, opened, ceiling)
        filled = _compressed(between, compressed_to)
        stored, compressed = (opened, between), (between, filled)
    return _Flows(
        bank=bank_after,
        filled=filled,
        storage_kg=total_mass_kg(stored[1]) - total_mass_kg(stored[0]),
        compressor_kg=total_mass_kg(compressed[1]) - total_mass_kg(compressed[0]),
        storage_rise_psi=_rise_psi(*stored, conditions.temperature_f),
        compressor_rise_psi=_rise_psi(*compressed, conditions.temperature_f),
    )


def _compressed(cylinders: Sequence[Vessel], density_kg_per_m3: float) -> Sequence[Vessel]:
    return [each.at(max(each.density_kg_per_m3, density_kg_per_m3)) for each in cylinders]


def _from_bank(
    bank: tuple[Vessel, ...], cylinders: Sequence[Vessel], ceiling: float
) -> tuple[tuple[Vessel, ...], Sequence[Vessel]]:
    """Let each bottle that helps flow into the cylinders together, lowest bottle first."""
    after = list(bank)
    filled: Sequence[Vessel] = cylinders
    for place, bottle in enumerate(bank):
        lowest = min(filled, key=lambda each: each.density_kg_per_m3)
        if lowest.density_kg_per_m3 < ceiling and useful(bottle, lowest):
            after[place], filled = flow(bottle, filled, ceiling)
    return tuple(after), filled


def _times(flows: _Flows, conditions: _Conditions) -> tuple[int, int | None]:
    """Return the seconds the compressor runs and the seconds of the stage, each rounded up.

    Both wait for the fastest rise allowed, if one is given: the cylinder that rises most sets the time.
    """
    rate = conditions.fill_rate_psi_per_minute
    by_compressor = 0.0
    if conditions.compressor is not None:
        litres = free_air_of_mass_litres(flows.compressor_kg)
        by_compressor = litres / LITRES_PER_CUBIC_FOOT / conditions.compressor.rate_scfm
        if rate is not None:
            by_compressor = max(by_compressor, flows.compressor_rise_psi / rate)
    compressor_s = ceil(by_compressor * SECONDS_PER_MINUTE)
    if rate is not None:
        return compressor_s, compressor_s + ceil(flows.storage_rise_psi / rate * SECONDS_PER_MINUTE)
    return compressor_s, compressor_s if flows.storage_kg < _NO_FLOW_KG else None


def _rise_psi(before: Sequence[Vessel], after: Sequence[Vessel], temperature_f: int) -> int:
    return max(change.after_psi - change.before_psi for change in _changes(before, after, temperature_f))


def _changes(
    before: Iterable[Vessel], after: Iterable[Vessel], temperature_f: int, *, only_changed: bool = False
) -> tuple[PressureChange, ...]:
    return tuple(
        PressureChange(
            label=earlier.label,
            before_psi=shown_psi(earlier.density_kg_per_m3, temperature_f),
            after_psi=shown_psi(later.density_kg_per_m3, temperature_f),
            air=free_air_of_mass(abs(later.mass_kg - earlier.mass_kg)),
        )
        for earlier, later in zip(before, after, strict=True)
        if not only_changed or earlier != later
    )


def _count_one_by_one(cylinders: Sequence[Vessel], limits: dict[str, float], bank: tuple[Vessel, ...]) -> int:
    """Count the cylinders that stored air alone fills one after the other, the one that needs least air first."""
    by_need = sorted(cylinders, key=lambda each: each.at(limits[each.label]).mass_kg - each.mass_kg)
    count = 0
    for cylinder in by_need:
        state = lowest_first(bank, cylinder, limits[cylinder.label])
        if state.full:
            count += 1
            bank = state.bottles
    return count
