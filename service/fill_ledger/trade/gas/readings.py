"""What a gauge reads at another gas temperature, the content of a rigid cylinder staying the same.

Not reckoned with: the stretch of the cylinder (small), the wall being cooler or warmer than the gas, and moisture.
"""

from math import floor

from fill_ledger.trade.gas.air_table import (
    OutsideTable,
    density_kg_per_m3,
    reading_fault,
    reading_psi,
    temperature_fault,
)

REFERENCE_TEMPERATURE_F = 70  # 49 CFR 173.301a(c), 2024 copy: a DOT limit holds at 70 F (21 C)
# European cylinders state their pressure at 15 C (the trade's habit in Europe; EN and ISO text not read).
EN_REFERENCE_TEMPERATURE_F = 59

# Far above what floating point loses on the way, far below what a gauge could show.
_ROUNDING_SLACK_PSI = 1e-6


def settled_psi(
    gauge_psi: int, gas_temperature_f: int, reference_temperature_f: int = REFERENCE_TEMPERATURE_F
) -> int | OutsideTable:
    """Return what a cylinder reads once its gas has come to the reference temperature.

    Whole gauge psi to the nearest, halves up; a gauge that would fall below nothing shows 0. Unlike a limit this is
    an expected reading, so it is not rounded down.
    """
    settled = at_other_temperature_psi(gauge_psi, gas_temperature_f, reference_temperature_f)
    if isinstance(settled, OutsideTable):
        return settled
    return max(0, floor(settled + 0.5))


def stop_at_psi(
    limit_psi: int, gas_temperature_f: int, reference_temperature_f: int = REFERENCE_TEMPERATURE_F
) -> int | OutsideTable:
    """Return the gauge reading to stop at, so that a cylinder settles to its limit at the reference temperature.

    Whole gauge psi, rounded DOWN as every limit: filled to it, a cylinder never settles above `limit_psi`. With
    `reference_temperature_f` 59 and a gas temperature of 70 F this is the limit at 70 F of a European cylinder. (A
    limit may be passed while the gas is hot, PHMSA letter 03-0159, if it is kept at 70 F.)
    """
    hot = at_other_temperature_psi(limit_psi, reference_temperature_f, gas_temperature_f)
    if isinstance(hot, OutsideTable):
        return hot
    return max(0, floor(hot + _ROUNDING_SLACK_PSI))


def at_other_temperature_psi(gauge_psi: int, from_temperature_f: int, to_temperature_f: int) -> float | OutsideTable:
    """Return the gauge pressure, not rounded, that a reading at one gas temperature becomes at another."""
    fault = temperature_fault(from_temperature_f) or temperature_fault(to_temperature_f) or reading_fault(gauge_psi)
    if fault is not None:
        return fault
    if from_temperature_f == to_temperature_f:
        return float(gauge_psi)
    density = density_kg_per_m3(gauge_psi, from_temperature_f)
    return density if isinstance(density, OutsideTable) else reading_psi(density, to_temperature_f)
