"""Dry air as a real gas: density and gauge pressure from each other, at whole degrees F.

Between the lines of the table p / rho is taken as straight in temperature and in density. Pressure is then a quadratic
of density within a cell, so its inverse is exact, and both rise without a step. Within 0.1 % of CoolProp over 0 to
8,000 psig and -20 to 150 F (it is within 0.01 %). Beyond, the answer is `OutsideTable`, never a number.

Gauges are taken to stand on 14.7 psi of atmosphere wherever they are: at 5,000 ft that is 2.5 psi too much.
"""

from bisect import bisect_right
from functools import cache
from math import sqrt
from typing import Literal, NamedTuple, TypeVar

import msgspec

from fill_ledger.trade.gas.table_values import (
    DENSITY_STEP_KG_PER_M3,
    GREATEST_DENSITY_KG_PER_M3,
    GREATEST_TEMPERATURE_F,
    LEAST_TEMPERATURE_F,
    PRESSURE_OVER_DENSITY,
    TEMPERATURE_STEP_F,
)
from fill_ledger.trade.pressure import PASCALS_PER_PSI

Figure = TypeVar("Figure", int, float)

ATMOSPHERE_PSI = 14.7
LEAST_READING_PSI = 0
GREATEST_READING_PSI = 8_000
# A sum that should be exactly the bound may come out a rounding error beyond it.
_BOUND_SLACK_PSI = 1e-6

_TENTHS_JOULE_PER_KG_AND_PSI = 10 * float(PASCALS_PER_PSI)


class OutsideTable(msgspec.Struct, frozen=True, kw_only=True):
    """What was asked lies where the table says nothing.

    `given` is the figure asked about, None when it is the result that lies outside. `least` and `greatest` are the
    bounds, in the unit at the end of `quantity`.
    """

    quantity: Literal["gas_temperature_f", "reading_psi", "result_psi"]
    given: int | None
    least: int
    greatest: int

    @property
    def text(self) -> str:
        """One sentence for a person."""
        if self.quantity == "gas_temperature_f":
            return f"{self.given} F is outside the gas table, {self.least} to {self.greatest} F"
        if self.quantity == "reading_psi":
            return f"{self.given} psi is outside the gas table, {self.least} to {self.greatest} psi"
        return f"the pressure this comes to is above the gas table, which ends at {self.greatest} psi"


class BeyondTableError(Exception):
    """Carries an `OutsideTable` up through a calculation of many steps, to be answered at the top of it."""

    def __init__(self, outside: OutsideTable) -> None:
        super().__init__(outside.text)
        self.outside = outside


class _Isotherm(NamedTuple):
    """One temperature: at each density of the table p / rho in psi m3/kg, and p in absolute psi, rising."""

    psi_m3_per_kg: tuple[float, ...]
    absolute_psi: tuple[float, ...]


def temperature_fault(temperature_f: int) -> OutsideTable | None:
    """Say so when the table has no such temperature."""
    if LEAST_TEMPERATURE_F <= temperature_f <= GREATEST_TEMPERATURE_F:
        return None
    return OutsideTable(
        quantity="gas_temperature_f", given=temperature_f, least=LEAST_TEMPERATURE_F, greatest=GREATEST_TEMPERATURE_F
    )


def reading_fault(reading_psi: int) -> OutsideTable | None:
    """Say so when the table has no such gauge pressure."""
    if LEAST_READING_PSI <= reading_psi <= GREATEST_READING_PSI:
        return None
    return OutsideTable(
        quantity="reading_psi", given=reading_psi, least=LEAST_READING_PSI, greatest=GREATEST_READING_PSI
    )


def inside(value: Figure | OutsideTable) -> Figure:
    """Return the figure. Raises `BeyondTableError` when there is none."""
    if isinstance(value, OutsideTable):
        raise BeyondTableError(value)
    return value


def density_kg_per_m3(reading_psi: int, temperature_f: int) -> float | OutsideTable:
    """Return the density of air that shows this gauge pressure, in kg/m3."""
    fault = temperature_fault(temperature_f) or reading_fault(reading_psi)
    if fault is not None:
        return fault
    isotherm = _isotherm(temperature_f)
    absolute_psi = reading_psi + ATMOSPHERE_PSI
    # The last line is only reached by pressures above the table, so the cell to its left always has a right side.
    left = min(bisect_right(isotherm.absolute_psi, absolute_psi), len(isotherm.absolute_psi) - 1) - 1
    at_zero, slope = _straight_line(isotherm, left)
    # p = rho (at_zero + slope rho), solved so that a slope near nothing divides by nothing small.
    return 2 * absolute_psi / (at_zero + sqrt(at_zero * at_zero + 4 * slope * absolute_psi))


def reading_psi(density: float, temperature_f: int) -> float | OutsideTable:
    """Return the gauge pressure that air of a density in kg/m3 shows, in psi, not rounded.

    Thin air shows less than nothing: down to -14.7 psi at density 0. Raises `ValueError` on a negative density, which
    nothing has.
    """
    if density < 0:
        raise ValueError(f"{density} kg/m3 is not a density")
    fault = temperature_fault(temperature_f)
    if fault is not None:
        return fault
    if density <= GREATEST_DENSITY_KG_PER_M3:
        isotherm = _isotherm(temperature_f)
        left = min(int(density / DENSITY_STEP_KG_PER_M3), len(isotherm.absolute_psi) - 2)
        at_zero, slope = _straight_line(isotherm, left)
        gauge_psi = density * (at_zero + slope * density) - ATMOSPHERE_PSI
        if gauge_psi <= GREATEST_READING_PSI + _BOUND_SLACK_PSI:
            return gauge_psi
    return OutsideTable(quantity="result_psi", given=None, least=LEAST_READING_PSI, greatest=GREATEST_READING_PSI)


def _straight_line(isotherm: _Isotherm, left: int) -> tuple[float, float]:
    """Return p / rho in a cell as a line over density: its value at density 0, and its slope."""
    ratios = isotherm.psi_m3_per_kg
    slope = (ratios[left + 1] - ratios[left]) / DENSITY_STEP_KG_PER_M3
    return ratios[left] - slope * left * DENSITY_STEP_KG_PER_M3, slope


@cache
def _isotherm(temperature_f: int) -> _Isotherm:
    """Return the isotherm of one whole degree within the table; there are 171."""
    cooler, beyond = divmod(temperature_f - LEAST_TEMPERATURE_F, TEMPERATURE_STEP_F)
    below = _rows()[cooler]
    above = _rows()[min(cooler + 1, len(_rows()) - 1)]
    share = beyond / TEMPERATURE_STEP_F
    ratios = tuple(
        (low + (high - low) * share) / _TENTHS_JOULE_PER_KG_AND_PSI for low, high in zip(below, above, strict=True)
    )
    pressures = tuple(ratio * index * DENSITY_STEP_KG_PER_M3 for index, ratio in enumerate(ratios))
    return _Isotherm(psi_m3_per_kg=ratios, absolute_psi=pressures)


@cache
def _rows() -> tuple[tuple[int, ...], ...]:
    """Return the isotherms of the table, coldest first, in tenths of a joule per kilogram."""
    paragraphs = PRESSURE_OVER_DENSITY.strip().split("\n\n")
    return tuple(tuple(int(figure) for figure in paragraph.split()[2:]) for paragraph in paragraphs)
