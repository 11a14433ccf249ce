"""Filling from stored air: which bottle to open next, and how many cylinders the bank still fills.

The bottle with the lowest pressure that still stands above the cylinder is opened first, and closed before the next
(department fill sheets), so that the high bottles stay high for the end of each fill. Everything happens at one stated
temperature: bottles cool and cylinders warm while air flows, and what is told here holds once they have settled.
"""

from collections.abc import Sequence

import msgspec

from fill_ledger.trade.gas.air_table import BeyondTableError, OutsideTable, density_kg_per_m3, inside
from fill_ledger.trade.gas.contents import FreeAir, free_air_of_mass
from fill_ledger.trade.gas.mass_balance import Vessel, flow, levelled, shown_psi, useful, vessel
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F

# Nobody fills more from a bank without charging it. A bound, so that a slip of the pen cannot ask for a million.
MAXIMUM_FORECAST_FILLS = 2_000


class Bottle(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A storage bottle as it stands."""

    label: str
    water_volume_ml: int
    pressure_psi: int


class CylinderKind(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Cylinders that are alike: how large, how empty they come, how full they go.

    `wanted` is how many there are, None when the question is how many the air fills.
    """

    label: str
    water_volume_ml: int
    start_psi: int
    target_psi: int
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
    `next_end_psi` is how far the one after the last full one comes. With `more` the counting stopped at
    `MAXIMUM_FORECAST_FILLS` or at `wanted`, and the bank fills more.
    """

    kind: str
    full_fills: int
    full_fills_all_open: int
    more: bool
    next_end_psi: int | None
    opening_order: tuple[str, ...]
    bottles_after: tuple[Bottle, ...]


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

    A cylinder that starts at or above its target is full with no bottle opened. Raises `ValueError` on a volume that
    is not above zero.
    """
    try:
        return _fill(bank_of(bottles, temperature_f), kind, temperature_f)
    except BeyondTableError as beyond:
        return beyond.outside


def forecast(
    bottles: Sequence[Bottle], kind: CylinderKind, temperature_f: int = REFERENCE_TEMPERATURE_F
) -> Forecast | OutsideTable:
    """Count the cylinders of one kind that the bank fills by itself, without power.

    Raises `ValueError` when the kind starts at or above its target, or on a volume that is not above zero.
    """
    try:
        return _count(bank_of(bottles, temperature_f), kind, temperature_f)[0]
    except BeyondTableError as beyond:
        return beyond.outside


def forecast_together(
    bottles: Sequence[Bottle], kinds: Sequence[CylinderKind], temperature_f: int = REFERENCE_TEMPERATURE_F
) -> tuple[Forecast, ...] | OutsideTable:
    """Forecast several kinds filled one after the other from the same bank.

    The highest target goes first: what is left in the bank still fills cylinders of a lower one, never the reverse.
    Give `wanted` for every kind but the last, or the first takes what it can get. The answers stand in the order of
    filling; raises as `forecast` does.
    """
    forecasts: list[Forecast] = []
    try:
        left = bank_of(bottles, temperature_f)
        for kind in sorted(kinds, key=lambda each: -each.target_psi):
            one, left = _count(left, kind, temperature_f)
            forecasts.append(one)
    except BeyondTableError as beyond:
        return beyond.outside
    return tuple(forecasts)


def bank_of(bottles: Sequence[Bottle], temperature_f: int) -> tuple[Vessel, ...]:
    """Return the bottles as vessels, lowest first. Raises `BeyondTableError`, and `ValueError` on a volume."""
    bank = [vessel(each.label, each.water_volume_ml, each.pressure_psi, temperature_f) for each in bottles]
    return tuple(sorted(bank, key=lambda each: each.density_kg_per_m3))


def _cylinder(kind: CylinderKind, temperature_f: int) -> tuple[Vessel, float]:
    """Return the cylinder as it comes, and the density at which it is full."""
    cylinder = vessel(kind.label, kind.water_volume_ml, kind.start_psi, temperature_f)
    return cylinder, inside(density_kg_per_m3(kind.target_psi, temperature_f))


def _fill(bank: tuple[Vessel, ...], kind: CylinderKind, temperature_f: int) -> BankFill:
    cylinder, target = _cylinder(kind, temperature_f)
    state = lowest_first(bank, cylinder, target)
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
    return BankFill(
        openings=openings,
        end_psi=shown_psi(state.cylinder.density_kg_per_m3, temperature_f),
        full=state.full,
        air=free_air_of_mass(state.cylinder.mass_kg - cylinder.mass_kg),
        bottles_after=as_bottles(state.bottles, temperature_f),
    )


def _count(bank: tuple[Vessel, ...], kind: CylinderKind, temperature_f: int) -> tuple[Forecast, tuple[Vessel, ...]]:
    """Count what a bank fills, and return what is left of it, unrounded."""
    if kind.start_psi >= kind.target_psi:
        raise ValueError(f"{kind.label}: {kind.start_psi} psi is not below the target of {kind.target_psi} psi")
    cylinder, target = _cylinder(kind, temperature_f)
    most = MAXIMUM_FORECAST_FILLS if kind.wanted is None else min(kind.wanted, MAXIMUM_FORECAST_FILLS)
    left = bank
    count = 0
    state = lowest_first(left, cylinder, target)
    while state.full and count < most:
        count += 1
        left = state.bottles
        state = lowest_first(left, cylinder, target)
    counted = Forecast(
        kind=kind.label,
        full_fills=count,
        full_fills_all_open=_count_all_open(bank, cylinder, target, most),
        more=state.full,
        next_end_psi=None if state.full else shown_psi(state.cylinder.density_kg_per_m3, temperature_f),
        # Filling lowest first never changes which of two bottles is the lower: one order holds for all fills.
        opening_order=tuple(bottle.label for bottle in bank if useful(bottle, cylinder)),
        bottles_after=as_bottles(left, temperature_f),
    )
    return counted, left


def lowest_first(bank: tuple[Vessel, ...], cylinder: Vessel, target: float) -> BankState:
    """Fill a cylinder to a density from bottles that stand lowest first; they still do afterwards, to about 1 psi."""
    after = list(bank)
    steps: list[tuple[Vessel, Vessel, Vessel, Vessel]] = []
    for place, bottle in enumerate(bank):
        if cylinder.density_kg_per_m3 >= target:
            break
        if not useful(bottle, cylinder):
            continue
        after[place], (filled,) = flow(bottle, (cylinder,), target)
        steps.append((bottle, after[place], cylinder, filled))
        cylinder = filled
    return BankState(
        bottles=tuple(after), cylinder=cylinder, full=cylinder.density_kg_per_m3 >= target, steps=tuple(steps)
    )


def _count_all_open(bank: tuple[Vessel, ...], cylinder: Vessel, target: float, most: int) -> int:
    """Count the full fills with all bottles open to each other and to the cylinder."""
    if not bank:
        return 0
    volume_ml = sum(each.water_volume_ml for each in bank)
    whole = Vessel(label="", water_volume_ml=volume_ml, density_kg_per_m3=levelled(bank)[0].density_kg_per_m3)
    count = 0
    while count < most:
        whole, (filled,) = flow(whole, (cylinder,), target)
        if filled.density_kg_per_m3 < target:
            break
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
