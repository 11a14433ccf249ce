"""How much air a cylinder holds, and how much a fill put into it, as free air.

Free air is the volume the same mass takes at 70 F and 14.7 psia, the reference of the American trade's standard cubic
foot (common practice, no source; CGA and EN use others). A cylinder at 0 psi still holds its own volume of it.
"""

from decimal import ROUND_HALF_UP, Decimal

import msgspec

from fill_ledger.trade.gas.air_table import OutsideTable, density_kg_per_m3
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F

LITRES_PER_CUBIC_FOOT = 28.3168  # NIST SP 811, appendix B: 2.831 685 E-02 m3, cut to the digits the trade uses
MILLILITRES_PER_LITRE = 1_000
MILLILITRES_PER_CUBIC_METRE = 1_000_000
_TENTH = Decimal("0.1")


class FreeAir(msgspec.Struct, frozen=True, kw_only=True):
    """An amount of air: whole litres and tenths of a standard cubic foot at 70 F and 14.7 psia, each to the nearest.

    Negative when air went out.
    """

    litres: int
    standard_cubic_feet: Decimal


def free_air(litres: float) -> FreeAir:
    """Return an amount in litres of free air, rounded for a person."""
    feet = Decimal(litres / LITRES_PER_CUBIC_FOOT).quantize(_TENTH, rounding=ROUND_HALF_UP)
    # Adding nothing turns a negative zero into plain zero.
    return FreeAir(litres=round(litres), standard_cubic_feet=feet + 0)


def free_air_of_mass_litres(mass_kg: float) -> float:
    """Return the litres of free air, not rounded, that a mass of air in kg makes."""
    return mass_kg / _free_air_density_kg_per_m3() * MILLILITRES_PER_LITRE


def free_air_of_mass(mass_kg: float) -> FreeAir:
    """Return a mass of air in kg as free air, rounded for a person."""
    return free_air(free_air_of_mass_litres(mass_kg))


def mass_of_free_air_kg(litres: float) -> float:
    """Return the mass in kg of an amount of free air in litres."""
    return litres / MILLILITRES_PER_LITRE * _free_air_density_kg_per_m3()


def free_air_litres(gauge_psi: int, gas_temperature_f: int, water_volume_ml: int) -> float | OutsideTable:
    """Return the free air in a cylinder, in litres, not rounded."""
    density = density_kg_per_m3(gauge_psi, gas_temperature_f)
    if isinstance(density, OutsideTable):
        return density
    return free_air_of_mass_litres(density * water_volume_ml / MILLILITRES_PER_CUBIC_METRE)


def free_air_cubic_feet(gauge_psi: int, gas_temperature_f: int, water_volume_ml: int) -> float | OutsideTable:
    """Return the free air in a cylinder, in standard cubic feet, not rounded."""
    litres = free_air_litres(gauge_psi, gas_temperature_f, water_volume_ml)
    return litres if isinstance(litres, OutsideTable) else litres / LITRES_PER_CUBIC_FOOT


def content(gauge_psi: int, gas_temperature_f: int, water_volume_ml: int) -> FreeAir | OutsideTable:
    """Return the free air in a cylinder."""
    litres = free_air_litres(gauge_psi, gas_temperature_f, water_volume_ml)
    return litres if isinstance(litres, OutsideTable) else free_air(litres)


def air_delivered(
    start_psi: int,
    end_psi: int,
    water_volume_ml: int,
    start_temperature_f: int = REFERENCE_TEMPERATURE_F,
    end_temperature_f: int = REFERENCE_TEMPERATURE_F,
) -> FreeAir | OutsideTable:
    """Return the free air a fill put into a cylinder, each reading taken at the temperature of the gas at that moment.

    A temperature left out is 70 F. For a reading of hot gas that overstates: 4,500 psi at 100 F is 6 % less air.
    """
    before = free_air_litres(start_psi, start_temperature_f, water_volume_ml)
    after = free_air_litres(end_psi, end_temperature_f, water_volume_ml)
    if isinstance(before, OutsideTable):
        return before
    return after if isinstance(after, OutsideTable) else free_air(after - before)


def air_of_fill_litres(start_psi: int, end_psi: int, water_volume_ml: int, end_temperature_f: int | None) -> int | None:
    """Return the free air a recorded fill put into a cylinder, in whole litres, or None where the readings do not say.

    Nobody gauges the temperature before a fill. The gas is taken at 70 F then, or as cold as after the fill where that
    is colder, because filling warms it (inference). Without a temperature both readings are taken at 70 F, which for
    hot gas overstates: 4,500 psi at 100 F is 6 % less air. Readings by which air went out say nothing of a fill.
    """
    after_f = REFERENCE_TEMPERATURE_F if end_temperature_f is None else end_temperature_f
    before_f = min(REFERENCE_TEMPERATURE_F, after_f)
    delivered = air_delivered(start_psi, end_psi, water_volume_ml, before_f, after_f)
    return None if isinstance(delivered, OutsideTable) or delivered.litres < 0 else delivered.litres


def _free_air_density_kg_per_m3() -> float:
    density = density_kg_per_m3(0, REFERENCE_TEMPERATURE_F)
    assert not isinstance(density, OutsideTable)  # 0 psi at 70 F is in every table
    return density
