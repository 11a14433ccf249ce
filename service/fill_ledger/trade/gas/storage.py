"""Filling from stored air: which bottle to open next, and how many cylinders the bank still fills.

The bottle with the lowest pressure that still stands above the cylinder is opened first, and closed before the next
(department fill sheets), so that the high bottles stay high for the end of each fill. Everything happens at one stated
temperature: bottles cool and cylinders warm while air flows, and what is told here holds once they have settled. Only
the limits of cylinders hold at 70 F, as everywhere (49 CFR 173.301a(c)): a cylinder filled in the cold reads less when
it is full.
"""

from collections.abc import Sequence

import msgspec

from fill_ledger.trade.gas.air_table import BeyondTableError, OutsideTable, density_kg_per_m3, inside
from fill_ledger.trade.gas.contents import FreeAir, free_air_of_mass
from fill_ledger.trade.gas.mass_balance import (
    LEAST_USEFUL_DIFFERENCE_KG_PER_M3,
    Vessel,
    flow,
    levelled,
    shown_psi,
    useful,
    vessel,
)
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F

# Nobody fills more from a bank without charging it. Bounds, so that a slip of the pen cannot ask for a million: on the
# fills, and on the fills times the bottles, which is what counting costs.
MAXIMUM_FORECAST_FILLS = 2_000
MAXIMUM_FORECAST_STEPS = 24_000


class Bottle(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A storage bottle as it stands."""

    label: str
    water_volume_ml: int
    pressure_psi: int


class CylinderKind(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Cylinders that are alike: how large, how empty they come, how full they go.

    `start_psi` is read at the temperature of the forecast, `limit_psi` is settled at 70 F. `wanted` is how many there
    are, None when the question is how many the air fills.
    """

    label: str
    water_volume_ml: int
    start_psi: int
    limit_psi: int
    wanted: int | None = None


class Opening(msgspec.Struct, frozen=True, kw_only=True):
    """One bottle opened to one cylinder and closed again. Pressures to the nearest psi, settled."""

    bottle: str
    bottle_before_psi: int
    bottle_after_psi: int
    cylinder_after_psi: int
    air: FreeAir


class BankFill(msgspec.Struct, frozen=True, kw_only=True):
    """One cylinder filled from the bank: what to open in which order, how far it comes, what is left."""

    openings: tuple[Opening, ...]
    end_psi: int
    full: bool
    air: FreeAir
    bottles_after: tuple[Bottle, ...]


class Forecast(msgspec.Struct, frozen=True, kw_only=True):
    """How many cylinders of one kind the bank fills, from numbers alone.

    `full_fills` opens the lowest bottle first; `full_fills_all_open` has all bottles open together, for comparison.
    `limit_reading_psi` is what a full one reads at the temperature of the forecast, `next_end_psi` how far the one
    after the last full one comes. With `more` the counting stopped at its bound or at `wanted`, and the bank fills
    more. `air` went into the full ones. `first_fills` tells the first of them step by step, as many as were asked for.
    """

    kind: str
    limit_reading_psi: int
    full_fills: int
    full_fills_all_open: int
    more: bool
    next_end_psi: int | None
    opening_order: tuple[str, ...]
    air: FreeAir
    bottles_after: tuple[Bottle, ...]
    first_fills: tuple[BankFill, ...] = ()


class BankState(msgspec.Struct, frozen=True, kw_only=True):
    """A bank and a cylinder after a fill, unrounded, with the bottles opened on the way."""

    bottles: tuple[Vessel, ...]
    cylinder: Vessel
    full: bool
    steps: tuple[tuple[Vessel, Vessel, Vessel, Vessel], ...] = ()


def fill_from_bank(
    bottles: Sequence[Bottle],
    kind: CylinderKind,
    temperature_f: int = REFERENCE_TEMPERATURE_F,
) -> BankFill | OutsideTable:
    """Fill one cylinder, lowest useful bottle first, and tell each step.

    A cylinder that starts at or above its limit is full with no bottle opened. Raises `ValueError` on a volume that
    is not above zero.
    """
    try:
        return _fill(bank_of(bottles, temperature_f), kind, temperature_f)[0]
    except BeyondTableError as beyond:
        return beyond.outside


def forecast(
    bottles: Sequence[Bottle], kind: CylinderKind, temperature_f: int = REFERENCE_TEMPERATURE_F
) -> Forecast | OutsideTable:
    """Count the cylinders of one kind that the bank fills by itself, without power.

    Raises `ValueError` when the kind comes full, or on a volume that is not above zero.
    """
    try:
        return _count(bank_of(bottles, temperature_f), kind, temperature_f)[0]
    except BeyondTableError as beyond:
        return beyond.outside


def forecast_together(
    bottles: Sequence[Bottle],
    kinds: Sequence[CylinderKind],
    temperature_f: int = REFERENCE_TEMPERATURE_F,
    *,
    fills_told: int = 0,
) -> tuple[Forecast, ...] | OutsideTable:
    """Forecast several kinds filled one after the other from the same bank.

    The highest limit goes first: what is left in the bank still fills cylinders of a lower one, never the reverse.
    Give `wanted` for every kind but the last, or the first takes what it can get. The answers stand in the order of
    filling, the first `fills_told` of all fills step by step; raises as `forecast` does.
    """
    forecasts: list[Forecast] = []
    try:
        left = bank_of(bottles, temperature_f)
        for kind in sorted(kinds, key=lambda each: -each.limit_psi):
            told = fills_told - sum(len(each.first_fills) for each in forecasts)
            one, left = _count(left, kind, temperature_f, fills_told=told)
            forecasts.append(one)
    except BeyondTableError as beyond:
        return beyond.outside
    return tuple(forecasts)


def comes_full(kind: CylinderKind, temperature_f: int = REFERENCE_TEMPERATURE_F) -> bool | OutsideTable:
    """Say whether a cylinder of this kind is at its limit before anything is filled. Raises as `fill_from_bank`."""
    try:
        cylinder, limit = _cylinder(kind, temperature_f)
    except BeyondTableError as beyond:
        return beyond.outside
    return cylinder.density_kg_per_m3 >= limit


def bank_of(bottles: Sequence[Bottle], temperature_f: int) -> tuple[Vessel, ...]:
    """Return the bottles as vessels, lowest first. Raises `BeyondTableError`, and `ValueError` on a volume."""
    bank = [vessel(each.label, each.water_volume_ml, each.pressure_psi, temperature_f) for each in bottles]
    return tuple(sorted(bank, key=lambda each: each.density_kg_per_m3))


def _cylinder(kind: CylinderKind, temperature_f: int) -> tuple[Vessel, float]:
    """Return the cylinder as it comes, and the density at which it is full."""
    cylinder = vessel(kind.label, kind.water_volume_ml, kind.start_psi, temperature_f)
    return cylinder, inside(density_kg_per_m3(kind.limit_psi, REFERENCE_TEMPERATURE_F))


def _fill(bank: tuple[Vessel, ...], kind: CylinderKind, temperature_f: int) -> tuple[BankFill, tuple[Vessel, ...]]:
    """Fill one cylinder, and return what is left of the bank, unrounded."""
    cylinder, limit = _cylinder(kind, temperature_f)
    state = lowest_first(bank, cylinder, limit)
    openings = tuple(
        Opening(
            bottle=before.label,
            bottle_before_psi=shown_psi(before.density_kg_per_m3, temperature_f),
            bottle_after_psi=shown_psi(after.density_kg_per_m3, temperature_f),
            cylinder_after_psi=shown_psi(filled.density_kg_per_m3, temperature_f),
            air=free_air_of_mass(filled.mass_kg - unfilled.mass_kg),
        )
        for before, after, unfilled, filled in state.steps
    )
    told = BankFill(
        openings=openings,
        end_psi=shown_psi(state.cylinder.density_kg_per_m3, temperature_f),
        full=state.full,
        air=free_air_of_mass(state.cylinder.mass_kg - cylinder.mass_kg),
        bottles_after=as_bottles(state.bottles, temperature_f),
    )
    return told, state.bottles


def _count(
    bank: tuple[Vessel, ...], kind: CylinderKind, temperature_f: int, *, fills_told: int = 0
) -> tuple[Forecast, tuple[Vessel, ...]]:
    """Count what a bank fills, and return what is left of it, unrounded."""
    cylinder, limit = _cylinder(kind, temperature_f)
    if cylinder.density_kg_per_m3 >= limit:
        raise ValueError(f"{kind.label}: {kind.start_psi} psi is not below the limit of {kind.limit_psi} psi")
    most = min(MAXIMUM_FORECAST_FILLS, MAXIMUM_FORECAST_STEPS // max(1, len(bank)))
    if kind.wanted is not None:
        most = min(most, kind.wanted)
    count, left = _count_lowest_first(bank, cylinder, limit, most)
    following = lowest_first(left, cylinder, limit)
    counted = Forecast(
        kind=kind.label,
        limit_reading_psi=shown_psi(limit, temperature_f),
        full_fills=count,
        full_fills_all_open=_count_all_open(bank, cylinder, limit, most),
        more=following.full,
        next_end_psi=None if following.full else shown_psi(following.cylinder.density_kg_per_m3, temperature_f),
        # Filling lowest first never changes which of two bottles is the lower: one order holds for all fills.
        opening_order=tuple(bottle.label for bottle in bank if useful(bottle, cylinder)),
        air=free_air_of_mass(count * (cylinder.at(limit).mass_kg - cylinder.mass_kg)),
        bottles_after=as_bottles(left, temperature_f),
        first_fills=_first_fills(bank, kind, temperature_f, min(count, fills_told)),
    )
    return counted, left


def _first_fills(bank: tuple[Vessel, ...], kind: CylinderKind, temperature_f: int, count: int) -> tuple[BankFill, ...]:
    fills: list[BankFill] = []
    for _ in range(count):
        one, bank = _fill(bank, kind, temperature_f)
        fills.append(one)
    return tuple(fills)


def _count_lowest_first(
    bank: tuple[Vessel, ...], cylinder: Vessel, limit: float, most: int
) -> tuple[int, tuple[Vessel, ...]]:
    """Count full fills, and return the bank after the last of them.

    The same as `lowest_first` again and again, in plain numbers: thousands of bottles are opened here.
    """
    densities = [bottle.density_kg_per_m3 for bottle in bank]
    shares = [cylinder.water_volume_ml / bottle.water_volume_ml for bottle in bank]
    start = cylinder.density_kg_per_m3
    for count in range(most):
        before, reached = densities.copy(), start
        for place, share in enumerate(shares):
            bottle = densities[place]
            if bottle - reached <= LEAST_USEFUL_DIFFERENCE_KG_PER_M3:
                continue
            level = (bottle + reached * share) / (1 + share)
            filled = min(level, limit)
            densities[place] = level if filled == level else bottle - (limit - reached) * share
            reached = filled
            if reached >= limit:
                break
        if reached < limit:
            return count, _at(bank, before)
    return most, _at(bank, densities)


def _at(bank: tuple[Vessel, ...], densities: Sequence[float]) -> tuple[Vessel, ...]:
    return tuple(bottle.at(density) for bottle, density in zip(bank, densities, strict=True))


def lowest_first(bank: tuple[Vessel, ...], cylinder: Vessel, limit: float) -> BankState:
    """Fill a cylinder to a density from bottles that stand lowest first; they still do afterwards, to about 1 psi."""
    after = list(bank)
    steps: list[tuple[Vessel, Vessel, Vessel, Vessel]] = []
    for place, bottle in enumerate(bank):
        if cylinder.density_kg_per_m3 >= limit:
            break
        if not useful(bottle, cylinder):
            continue
        after[place], (filled,) = flow(bottle, (cylinder,), limit)
        steps.append((bottle, after[place], cylinder, filled))
        cylinder = filled
    return BankState(
        bottles=tuple(after), cylinder=cylinder, full=cylinder.density_kg_per_m3 >= limit, steps=tuple(steps)
    )


def _count_all_open(bank: tuple[Vessel, ...], cylinder: Vessel, limit: float, most: int) -> int:
    """Count the full fills with all bottles open to each other and to the cylinder."""
    if not bank:
        return 0
    share = cylinder.water_volume_ml / sum(bottle.water_volume_ml for bottle in bank)
    density, start = levelled(bank)[0].density_kg_per_m3, cylinder.density_kg_per_m3
    count = 0
    while count < most and (density + start * share) / (1 + share) >= limit:
        density -= (limit - start) * share
        count += 1
    return count


def as_bottles(vessels: Sequence[Vessel], temperature_f: int) -> tuple[Bottle, ...]:
    """Return vessels as bottles with their gauge pressure, to the nearest psi."""
    return tuple(
        Bottle(
            label=each.label,
            water_volume_ml=each.water_volume_ml,
            pressure_psi=shown_psi(each.density_kg_per_m3, temperature_f),
        )
        for each in vessels
    )
