"""Real air against a handbook and against two other equations of state, written out here.

The table of this project was made from CoolProp; this file asks those who know nothing of it. The handbook: Perry's
Chemical Engineers' Handbook, "Compressibility factors for air", values from memory, not looked up. The equations: Lee
and Kesler, AIChE Journal 21 (1975) 510, and Peng and Robinson, Ind. Eng. Chem. Fundam. 15 (1976) 59, both with their
constants from memory. Critical data of air as one pseudo-pure fluid and its acentric factor are from memory as well.
"""

from collections.abc import Callable
from math import exp, sqrt

import pytest

from fill_ledger.trade.gas.air_table import density_kg_per_m3, inside
from fill_ledger.trade.gas.contents import free_air_litres
from fill_ledger.trade.gas.reading_checks import GAUGE_TOLERANCE_PSI, EndReadingVerdict, judge_end_reading
from fill_ledger.trade.gas.readings import at_other_temperature_psi, settled_psi
from fill_ledger.trade.pressure import PASCALS_PER_PSI

PASCALS = float(PASCALS_PER_PSI)
ATMOSPHERE_PSI = 14.7
GAS_CONSTANT_J_PER_MOL_K = 8.314462618  # CODATA 2018, exact
# Dry air: ISO 2533 standard atmosphere gives 28.964420 g/mol (from memory); newer figures differ in the fourth digit.
MOLAR_MASS_KG_PER_MOL = 0.0289647
CRITICAL_TEMPERATURE_K = 132.53
CRITICAL_PRESSURE_PA = 3.786e6
ACENTRIC_FACTOR = 0.0335

# The handbook prints four decimals and rests on older data: more than this between it and the table is a fault.
HANDBOOK_AGREEMENT = 0.0015


def kelvin(temperature_f: float) -> float:
    return (temperature_f + 459.67) / 1.8  # NIST SP 811, appendix B


def fahrenheit(temperature_k: float) -> float:
    return temperature_k * 1.8 - 459.67


def table_compressibility(pressure_pa: float, temperature_k: float) -> float:
    """Z of the project's table at any point, by straight lines between the whole psi and degrees around it."""
    gauge_psi, temperature_f = pressure_pa / PASCALS - ATMOSPHERE_PSI, fahrenheit(temperature_k)
    below_psi, below_f = int(gauge_psi // 1), int(temperature_f // 1)
    part_psi, part_f = gauge_psi - below_psi, temperature_f - below_f

    def z_at(psi: int, degrees_f: int) -> float:
        density = inside(density_kg_per_m3(psi, degrees_f))
        moles_per_m3 = density / MOLAR_MASS_KG_PER_MOL
        return (psi + ATMOSPHERE_PSI) * PASCALS / (moles_per_m3 * GAS_CONSTANT_J_PER_MOL_K * kelvin(degrees_f))

    def along_pressure(degrees_f: int) -> float:
        return z_at(below_psi, degrees_f) * (1 - part_psi) + z_at(below_psi + 1, degrees_f) * part_psi

    return along_pressure(below_f) * (1 - part_f) + along_pressure(below_f + 1) * part_f


# Perry's, "Compressibility factors for air", pressures in bar; from memory.
PERRY_PRESSURES_BAR = (1, 5, 10, 20, 40, 60, 80, 100, 150, 200, 250, 300, 400, 500)
PERRY = {
    250: (
        *(0.9992, 0.9957, 0.9911, 0.9822, 0.9671, 0.9549, 0.9463),
        *(0.9411, 0.9450, 0.9713, 1.0152, 1.0702, 1.1990, 1.3392),
    ),
    300: (
        *(0.9999, 0.9987, 0.9974, 0.9950, 0.9917, 0.9901, 0.9903),
        *(0.9930, 1.0074, 1.0326, 1.0669, 1.1089, 1.2073, 1.3163),
    ),
}


@pytest.mark.parametrize(
    ("temperature_k", "pressure_bar", "z"),
    [
        (temperature_k, bar, z)
        for temperature_k, row in PERRY.items()
        for bar, z in zip(PERRY_PRESSURES_BAR, row, strict=True)
        # At 1 bar the gauge stands below the 14.7 psi it is reckoned from.
        if bar > 1
    ],
)
def test_handbook_table(temperature_k: int, pressure_bar: int, z: float) -> None:
    """Perry's, from memory: 300 K is 80.33 F, 250 K is -9.67 F."""
    assert table_compressibility(pressure_bar * 1e5, temperature_k) == pytest.approx(z, rel=HANDBOOK_AGREEMENT)


def test_handbook_at_one_bar() -> None:
    """Perry's, from memory: 0.9999 at 300 K and 1 bar. The nearest gauge the table has is 0 psi, 1.0135 bar."""
    gauge_zero_pa = ATMOSPHERE_PSI * PASCALS
    assert table_compressibility(gauge_zero_pa, 300) == pytest.approx(PERRY[300][0], rel=HANDBOOK_AGREEMENT)
    assert table_compressibility(gauge_zero_pa, 250) == pytest.approx(PERRY[250][0], rel=HANDBOOK_AGREEMENT)


def solve_density(pressure_at: Callable[[float], float], pressure_pa: float) -> float:
    """Return the moles per cubic metre at which a pressure that rises with density reaches a value."""
    low, high = 0.0, 30_000.0
    for _ in range(80):
        middle = (low + high) / 2
        if pressure_at(middle) < pressure_pa:
            low = middle
        else:
            high = middle
    return low


def peng_robinson_z(pressure_pa: float, temperature_k: float) -> float:
    kappa = 0.37464 + 1.54226 * ACENTRIC_FACTOR - 0.26992 * ACENTRIC_FACTOR**2
    alpha = (1 + kappa * (1 - sqrt(temperature_k / CRITICAL_TEMPERATURE_K))) ** 2
    rt_critical = GAS_CONSTANT_J_PER_MOL_K * CRITICAL_TEMPERATURE_K
    attraction = 0.45724 * rt_critical**2 / CRITICAL_PRESSURE_PA * alpha
    covolume = 0.07780 * rt_critical / CRITICAL_PRESSURE_PA
    rt = GAS_CONSTANT_J_PER_MOL_K * temperature_k

    def pressure_at(moles_per_m3: float) -> float:
        if moles_per_m3 == 0:
            return 0.0
        volume = 1 / moles_per_m3
        return rt / (volume - covolume) - attraction / (volume**2 + 2 * covolume * volume - covolume**2)

    return pressure_pa / (solve_density(pressure_at, pressure_pa) * rt)


# Lee and Kesler's constants for the simple fluid and for the reference fluid (octane), from memory.
SIMPLE = (0.1181193, 0.265728, 0.154790, 0.030323, 0.0236744, 0.0186984, 0.0, 0.042724, 1.55488e-5, 6.23689e-5)
SIMPLE_BETA, SIMPLE_GAMMA = 0.65392, 0.060167
OCTANE = (0.2026579, 0.331511, 0.027655, 0.203488, 0.0313385, 0.0503618, 0.016901, 0.041577, 4.8736e-5, 7.40336e-6)
OCTANE_BETA, OCTANE_GAMMA = 1.226, 0.03754
OCTANE_ACENTRIC_FACTOR = 0.3978


def lee_kesler_fluid_z(
    constants: tuple[float, ...], beta: float, gamma: float, reduced_pressure: float, reduced_temperature: float
) -> float:
    b1, b2, b3, b4, c1, c2, c3, c4, d1, d2 = constants
    t = reduced_temperature
    b = b1 - b2 / t - b3 / t**2 - b4 / t**3
    c = c1 - c2 / t + c3 / t**3
    d = d1 + d2 / t

    def z_of(reduced_density: float) -> float:
        square = reduced_density**2
        last = c4 * square / t**3 * (beta + gamma * square) * exp(-gamma * square)
        return 1 + b * reduced_density + c * square + d * reduced_density**5 + last

    low, high = 0.0, 3.0 / 0.2901
    for _ in range(80):
        middle = (low + high) / 2
        if z_of(middle) * middle * t < reduced_pressure:
            low = middle
        else:
            high = middle
    return z_of(low)


def lee_kesler_z(pressure_pa: float, temperature_k: float) -> float:
    reduced = (pressure_pa / CRITICAL_PRESSURE_PA, temperature_k / CRITICAL_TEMPERATURE_K)
    simple = lee_kesler_fluid_z(SIMPLE, SIMPLE_BETA, SIMPLE_GAMMA, *reduced)
    octane = lee_kesler_fluid_z(OCTANE, OCTANE_BETA, OCTANE_GAMMA, *reduced)
    return simple + ACENTRIC_FACTOR / OCTANE_ACENTRIC_FACTOR * (octane - simple)


def lee_kesler_reading_psi(gauge_psi: float, from_f: int, to_f: int) -> float:
    """Return what a gauge shows at another temperature of the same gas, by Lee and Kesler alone."""
    absolute_pa, temperature_k = (gauge_psi + ATMOSPHERE_PSI) * PASCALS, kelvin(from_f)
    rt = GAS_CONSTANT_J_PER_MOL_K * temperature_k
    wanted = absolute_pa / (lee_kesler_z(absolute_pa, temperature_k) * rt)
    low, high = 1e4, 1.5e8
    for _ in range(60):
        middle = (low + high) / 2
        if middle / (lee_kesler_z(middle, kelvin(to_f)) * GAS_CONSTANT_J_PER_MOL_K * kelvin(to_f)) < wanted:
            low = middle
        else:
            high = middle
    return low / PASCALS - ATMOSPHERE_PSI


@pytest.mark.parametrize("temperature_f", [0, 32, 70, 100, 130])
@pytest.mark.parametrize(
    ("gauge_psi", "agreement"), [(500, 0.001), (2_216, 0.002), (3_000, 0.003), (4_500, 0.009), (5_500, 0.013)]
)
def test_lee_and_kesler(gauge_psi: int, agreement: float, temperature_f: int) -> None:
    """Lee and Kesler claim 1 to 2 % (from memory); for air it is better. The ideal gas would be 12 % off at 4,500."""
    absolute_pa, temperature_k = (gauge_psi + ATMOSPHERE_PSI) * PASCALS, kelvin(temperature_f)
    z = table_compressibility(absolute_pa, temperature_k)
    assert z == pytest.approx(lee_kesler_z(absolute_pa, temperature_k), rel=agreement)


@pytest.mark.parametrize(("gauge_psi", "agreement"), [(500, 0.012), (2_216, 0.03), (3_000, 0.035)])
@pytest.mark.parametrize("temperature_f", [0, 70, 130])
def test_peng_and_robinson(gauge_psi: int, agreement: float, temperature_f: int) -> None:
    """Known to give dense gas too small a volume by some percent (from memory), so asked up to 3,000 psi only."""
    absolute_pa, temperature_k = (gauge_psi + ATMOSPHERE_PSI) * PASCALS, kelvin(temperature_f)
    theirs, ours = peng_robinson_z(absolute_pa, temperature_k), table_compressibility(absolute_pa, temperature_k)
    assert theirs < ours < theirs * (1 + agreement)


@pytest.mark.parametrize(("gauge_psi", "agreement"), [(2_216, 0.001), (3_000, 0.001), (4_500, 0.005), (5_500, 0.008)])
@pytest.mark.parametrize("temperature_f", [0, 32, 100, 130])
def test_gauge_at_another_temperature_by_lee_and_kesler(gauge_psi: int, agreement: float, temperature_f: int) -> None:
    ours = inside(at_other_temperature_psi(gauge_psi, 70, temperature_f))
    assert ours == pytest.approx(lee_kesler_reading_psi(gauge_psi, 70, temperature_f), rel=agreement)


@pytest.mark.parametrize(
    ("temperature_f", "ideal_psi"), [(-20, 3_733), (0, 3_903), (32, 4_176), (100, 4_756), (130, 5_011), (131, 5_020)]
)
def test_the_ideal_gas_is_not_what_a_gauge_shows(temperature_f: int, ideal_psi: int) -> None:
    """Charles's law by hand for 4,500 psig at 70 F: 4,514.7 psia times T / 529.67 R, less 14.7."""
    by_hand = 4_514.7 * (temperature_f + 459.67) / 529.67 - ATMOSPHERE_PSI
    assert by_hand == pytest.approx(ideal_psi, abs=0.6)
    real = inside(at_other_temperature_psi(4_500, 70, temperature_f))
    # Real air swings half as far again as ideal gas: 13.3 against 8.5 psi per degree at 70 F.
    assert abs(real - 4_500) > 1.4 * abs(by_hand - 4_500)


@pytest.mark.parametrize(
    ("temperature_f", "least_percent", "most_percent"),
    [(100, 6.95, 8.35), (120, 10.95, 13.05)],
)
def test_how_low_a_hot_fill_settles(temperature_f: int, least_percent: float, most_percent: float) -> None:
    """Calculated with CoolProp 8.0.0: 7.0 to 8.3 % at 100 F and 11 to 13 % at 120 F over the usual pressures.

    A diving club's page says "about 10 %" (secondary).
    """
    for limit_psi in (2_216, 3_000, 4_500, 5_500):
        loss_percent = (1 - inside(settled_psi(limit_psi, temperature_f)) / limit_psi) * 100
        assert least_percent < loss_percent < most_percent


@pytest.mark.parametrize(
    ("end_psi", "verdict"),
    [
        (4_500, EndReadingVerdict.WITHIN_LIMIT),
        (4_549, EndReadingVerdict.WITHIN_TOLERANCE),
        (4_550, EndReadingVerdict.OVER_LIMIT),
    ],
)
def test_fifty_over_the_rating_is_bled_off(end_psi: int, verdict: EndReadingVerdict) -> None:
    """US Navy Diving Manual 7-5.1.1: at 50 psi or more over the rating, bleed off and gauge again."""
    assert GAUGE_TOLERANCE_PSI == 50
    assert judge_end_reading(end_psi, 4_500, 70).verdict is verdict


def test_a_reading_taken_hot_cries_no_wolf() -> None:
    """PHMSA letter 03-0159: over the mark while hot is allowed where it settles within the limit at 70 F."""
    hot = judge_end_reading(4_510, 4_500, 96)
    assert hot.verdict is EndReadingVerdict.WITHIN_LIMIT
    assert hot.settled_psi is not None
    assert hot.settled_psi < 4_250
    # The same reading in the cold is far too much: 4,946 from the mark itself at 40 F (calculated).
    assert judge_end_reading(4_500, 4_500, 40).verdict is EndReadingVerdict.OVER_LIMIT


def test_seconds_of_service_by_the_machine_rate() -> None:
    """42 CFR 84.53 and 84.95: classes of 30, 45 and 60 minutes; 40 L/min as municipal bid texts quote it (secondary).

    Nominal volumes (from memory): 4.7 L, 6.8 L and 9.0 L at 4,500 psi hold at least the 1,200, 1,800 and 2,400 litres.
    """
    for volume_ml, minutes in ((4_700, 30), (6_800, 45), (9_000, 60)):
        litres = inside(free_air_litres(4_500, 70, volume_ml))
        assert minutes * 40 < litres < minutes * 40 * 1.1
