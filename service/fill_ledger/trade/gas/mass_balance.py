"""Vessels joined by a hose at one temperature: where the air goes.

Equal pressure at equal temperature is equal density, so a balance of mass gives the end in closed form and needs the
gas table only where pressures are read or told. Air flows downhill only: a cylinder above the common level is taken
to be shut off (a check valve, or a hand on the valve), and gives nothing back.
"""

from collections.abc import Iterable, Sequence

import msgspec

from fill_ledger.trade.gas.air_table import density_kg_per_m3, inside, reading_psi
from fill_ledger.trade.gas.contents import MILLILITRES_PER_CUBIC_METRE

# About 1 psi, the least a gauge could show: no hand opens a valve for less.
LEAST_USEFUL_DIFFERENCE_KG_PER_M3 = 0.08


class Vessel(msgspec.Struct, frozen=True, kw_only=True):
    """Air in a rigid vessel. `label` is the caller's name for it."""

    label: str
    water_volume_ml: int
    density_kg_per_m3: float

    @property
    def mass_kg(self) -> float:
        """The mass of its air."""
        return self.density_kg_per_m3 * self.water_volume_ml / MILLILITRES_PER_CUBIC_METRE

    def at(self, density_kg_per_m3: float) -> "Vessel":
        """Return the same vessel with its air at another density."""
        return Vessel(label=self.label, water_volume_ml=self.water_volume_ml, density_kg_per_m3=density_kg_per_m3)


def vessel(label: str, water_volume_ml: int, gauge_psi: int, temperature_f: int) -> Vessel:
    """Return a vessel from its gauge pressure.

    Raises `ValueError` when the volume is not above zero, `BeyondTableError` when the pressure or the temperature is
    outside the table.
    """
    if water_volume_ml <= 0:
        raise ValueError(f"{label}: {water_volume_ml} ml is not a water volume")
    density = inside(density_kg_per_m3(gauge_psi, temperature_f))
    return Vessel(label=label, water_volume_ml=water_volume_ml, density_kg_per_m3=density)


def shown_psi(density: float, temperature_f: int) -> int:
    """Return the gauge pressure of a density, whole psi to the nearest. Raises `BeyondTableError` above the table."""
    return max(0, round(inside(reading_psi(density, temperature_f))))


def total_mass_kg(vessels: Iterable[Vessel]) -> float:
    """Return the mass of air in all of them."""
    return sum(each.mass_kg for each in vessels)


def common_level(source: Vessel, receivers: Sequence[Vessel]) -> float:
    """Return the density at which a source and those receivers that lie below it come to rest together."""
    mass_kg, volume_ml = source.mass_kg, source.water_volume_ml
    level = source.density_kg_per_m3
    for receiver in sorted(receivers, key=lambda each: each.density_kg_per_m3):
        if receiver.density_kg_per_m3 >= level:
            break
        mass_kg += receiver.mass_kg
        volume_ml += receiver.water_volume_ml
        level = mass_kg * MILLILITRES_PER_CUBIC_METRE / volume_ml
    return level


def flow(source: Vessel, receivers: Sequence[Vessel], ceiling_kg_per_m3: float) -> tuple[Vessel, tuple[Vessel, ...]]:
    """Let air flow from a source into receivers until they are level with it or at the ceiling.

    Returns the source and the receivers, in the order given. Receivers at or above the level keep what they have; mass
    is neither made nor lost.
    """
    level = common_level(source, receivers)
    capped = min(level, ceiling_kg_per_m3)
    after = tuple(each.at(max(each.density_kg_per_m3, capped)) for each in receivers)
    if capped == level:
        return source.at(level), after
    given_kg = total_mass_kg(after) - total_mass_kg(receivers)
    return source.at((source.mass_kg - given_kg) * MILLILITRES_PER_CUBIC_METRE / source.water_volume_ml), after


def useful(source: Vessel, receiver: Vessel) -> bool:
    """Say whether the source stands enough above the receiver for its valve to be worth opening."""
    return source.density_kg_per_m3 - receiver.density_kg_per_m3 > LEAST_USEFUL_DIFFERENCE_KG_PER_M3


def levelled(vessels: Sequence[Vessel]) -> tuple[Vessel, ...]:
    """Return vessels that were all opened to each other, and so are all at one density. None stays none."""
    if not vessels:
        return ()
    density = total_mass_kg(vessels) * MILLILITRES_PER_CUBIC_METRE / sum(each.water_volume_ml for each in vessels)
    return tuple(each.at(density) for each in vessels)
