"""Write the table of dry air that the service interpolates, and points to check it by, from CoolProp.

Run by `make gas-table` after `pip install 'fill-ledger[gas-table]'`. The service itself never imports CoolProp: it
takes about 90 MB of memory and seconds to load, and the table answers in microseconds.
"""

import importlib.metadata
import random
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

from CoolProp.CoolProp import PropsSI

FLUID = "Air"
ROOT = Path(__file__).parents[2]
TABLE = ROOT / "service/fill_ledger/trade/gas/table_values.py"
POINTS = ROOT / "tests/trade/gas/coolprop_points.py"
COMMAND = "make gas-table"

PASCALS_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2  # NIST SP 811, appendix B
ATMOSPHERE_PSI = 14.7  # what gauge readings stand on throughout the table
GREATEST_PSI = 8_000

LEAST_TEMPERATURE_F, GREATEST_TEMPERATURE_F, TEMPERATURE_STEP_F = -20, 150, 10
# 8,000 psig at -20 F is 554.7 kg/m3, the densest the table must reach.
GREATEST_DENSITY_KG_PER_M3, DENSITY_STEP_KG_PER_M3 = 555, 5

CHECK_POINTS = 160
SEED = 8_000  # any number would do; a fixed one makes the points the same every time

TABLE_HEADER = '''"""Dry air from CoolProp {version}, fluid `Air`: written by `{command}`, not by hand.

`PRESSURE_OVER_DENSITY` holds p / rho in tenths of a joule per kilogram, p being absolute. A paragraph is an isotherm,
headed by its temperature; in it stand all densities, from 0 on, where the limit of the ideal gas stands: R T.

The equation of state behind it is the one CoolProp lists as Lemmon-JPCRD-2000, with air as one pseudo-pure fluid (from
memory: Lemmon, Jacobsen, Penoncello and Friend, J. Phys. Chem. Ref. Data 29 (2000) 331).
"""

LEAST_TEMPERATURE_F = {least_f}
GREATEST_TEMPERATURE_F = {greatest_f}
TEMPERATURE_STEP_F = {step_f}
GREATEST_DENSITY_KG_PER_M3 = {greatest_density}
DENSITY_STEP_KG_PER_M3 = {step_density}

PRESSURE_OVER_DENSITY = """
{rows}"""
'''

POINTS_HEADER = '''"""Points of dry air from CoolProp {version}, fluid `Air`: written by `{command}`, not by hand.

Drawn at random and none on a line of the table, besides its corners. Each: gauge psi (over 14.7 psi), whole degrees F,
density in kg/m3.
"""

COOLPROP_POINTS = (
'''


def kelvin(temperature_f: float) -> float:
    """Return a temperature in kelvin (NIST SP 811, appendix B)."""
    return (temperature_f + 459.67) / 1.8


def pressure_over_density(temperature_f: int, density_kg_per_m3: int) -> int:
    """Return p / rho in tenths of a joule per kilogram, rounded to the nearest."""
    temperature_k = kelvin(temperature_f)
    if density_kg_per_m3 == 0:
        joules_per_kg = PropsSI("gas_constant", FLUID) / PropsSI("molar_mass", FLUID) * temperature_k
    else:
        joules_per_kg = PropsSI("P", "T", temperature_k, "D", density_kg_per_m3, FLUID) / density_kg_per_m3
    return round(joules_per_kg * 10)


def density_kg_per_m3(gauge_psi: float, temperature_f: float) -> float:
    """Return the density of air at a gauge pressure."""
    absolute_pa = (gauge_psi + ATMOSPHERE_PSI) * PASCALS_PER_PSI
    return float(PropsSI("D", "T", kelvin(temperature_f), "P", absolute_pa, FLUID))


def table_text() -> str:
    """Return the text of the module that holds the table."""
    rows = []
    for temperature_f in range(LEAST_TEMPERATURE_F, GREATEST_TEMPERATURE_F + 1, TEMPERATURE_STEP_F):
        values = " ".join(
            str(pressure_over_density(temperature_f, density))
            for density in range(0, GREATEST_DENSITY_KG_PER_M3 + 1, DENSITY_STEP_KG_PER_M3)
        )
        rows.append(f"{temperature_f} F\n" + textwrap.fill(values, width=119) + "\n")
    return TABLE_HEADER.format(
        version=importlib.metadata.version("CoolProp"),
        command=COMMAND,
        least_f=LEAST_TEMPERATURE_F,
        greatest_f=GREATEST_TEMPERATURE_F,
        step_f=TEMPERATURE_STEP_F,
        greatest_density=GREATEST_DENSITY_KG_PER_M3,
        step_density=DENSITY_STEP_KG_PER_M3,
        rows="\n".join(rows),
    )


def check_points() -> Iterator[tuple[int, int]]:
    """Yield the gauge psi and degrees F of the check points: the corners, then points between the lines."""
    for gauge_psi in (0, GREATEST_PSI):
        yield gauge_psi, LEAST_TEMPERATURE_F
        yield gauge_psi, GREATEST_TEMPERATURE_F
    drawn = random.Random(SEED)
    while True:
        temperature_f = drawn.randint(LEAST_TEMPERATURE_F, GREATEST_TEMPERATURE_F)
        if temperature_f % TEMPERATURE_STEP_F:
            yield drawn.randint(0, GREATEST_PSI), temperature_f


def points_text() -> str:
    """Return the text of the test module that holds the check points."""
    lines = [POINTS_HEADER.format(version=importlib.metadata.version("CoolProp"), command=COMMAND)]
    for (gauge_psi, temperature_f), _ in zip(check_points(), range(CHECK_POINTS), strict=False):
        lines.append(f"    ({gauge_psi}, {temperature_f}, {density_kg_per_m3(gauge_psi, temperature_f):.6f}),\n")
    return "".join([*lines, ")\n"])


def main() -> None:
    """Write both files."""
    for path, text in ((TABLE, table_text()), (POINTS, points_text())):
        path.write_text(text, encoding="utf-8")
        sys.stdout.write(f"wrote {path.relative_to(ROOT)}\n")


if __name__ == "__main__":
    main()
