"""Pressures as stamped, and their exact conversion to whole gauge psi.

A limit is only ever rounded down: a cylinder stamped 310 bar may hold 4,496 psi, never 4,497. All arithmetic is exact
(`Fraction`), so no limit moves by one because of binary rounding.
"""

import re
import unicodedata
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

import msgspec
from msgspec import Meta

# The three exact definitions a psi is made of: the international pound and inch (1959 agreement, NIST SP 811,
# appendix B) and standard gravity (3rd CGPM, 1901; NIST SP 811).
KILOGRAMS_PER_POUND = Fraction(45_359_237, 100_000_000)
METRES_PER_INCH = Fraction(254, 10_000)
STANDARD_GRAVITY_M_PER_S2 = Fraction(980_665, 100_000)
PASCALS_PER_PSI = KILOGRAMS_PER_POUND * STANDARD_GRAVITY_M_PER_S2 / METRES_PER_INCH**2

# Lowest service pressure of any DOT cylinder specification: 4L, at least 40 psig, 49 CFR 178.57(a) (2015 edition).
SERVICE_PRESSURE_MIN_PSI = 40
# Breathing-air cylinders are marked up to 5,500 psi and storage bottles up to about 7,000 (common practice, no
# source). Anything over this is a slip of the pen or a unit taken for another: 2,216 bar would be 32,140 psi.
SERVICE_PRESSURE_MAX_PSI = 10_000
# Gauges on fill stations read to 10,000 psi (common practice, no source); no reading beyond this can be true.
GAUGE_READING_MAX_PSI = 15_000
# A stamp says psi or bar only sometimes. The usual figures hardly meet: bar stamps run from about 150 to 450 and psi
# stamps on breathing-air cylinders start at 1,800 (common practice, no source). Used for a doubt, never to convert.
USUAL_BAR_STAMP_MAX = 450
USUAL_BAR_STAMP_MIN = 140

# Longest decimal accepted as a stamped pressure; the most digits any unit needs is kPa, "37921.2".
STAMPED_VALUE_MAX_LENGTH = 10
STAMPED_VALUE_PATTERN = r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,3})?$"

StampedValue = Annotated[
    str,
    Meta(
        pattern=STAMPED_VALUE_PATTERN,
        max_length=STAMPED_VALUE_MAX_LENGTH,
        description="the number exactly as stamped, as decimal text",
        examples=["4500", "310"],
    ),
]

_STAMPED_VALUE = re.compile(STAMPED_VALUE_PATTERN.removesuffix("$") + r"\Z")
_GROUPED_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}(,[0-9]{3})+\Z")
_NUMBER_AND_UNIT = re.compile(r"(?P<number>[0-9][0-9., ]*?)\s*(?P<unit>[A-Z][A-Z2 ./]*)?\Z")


class PressureUnit(StrEnum):
    """The units cylinders are stamped in. Values are stored and sent; never rename one."""

    PSI = "psi"
    BAR = "bar"
    KILOPASCAL = "kpa"
    MEGAPASCAL = "mpa"

    @property
    def symbol(self) -> str:
        """The unit as a person writes it: psi, bar, kPa, MPa."""
        return {"kpa": "kPa", "mpa": "MPa"}.get(self.value, self.value)


PASCALS_PER_UNIT: dict[PressureUnit, Fraction] = {
    PressureUnit.PSI: PASCALS_PER_PSI,
    PressureUnit.BAR: Fraction(100_000),
    PressureUnit.KILOPASCAL: Fraction(1_000),
    PressureUnit.MEGAPASCAL: Fraction(1_000_000),
}

_UNIT_SPELLINGS: dict[str, PressureUnit] = {
    "PSI": PressureUnit.PSI,
    "PSIG": PressureUnit.PSI,
    "LB/IN2": PressureUnit.PSI,
    "LBS/IN2": PressureUnit.PSI,
    "LBS": PressureUnit.PSI,
    "BAR": PressureUnit.BAR,
    "BARS": PressureUnit.BAR,
    "BARG": PressureUnit.BAR,
    "KPA": PressureUnit.KILOPASCAL,
    "MPA": PressureUnit.MEGAPASCAL,
}


class PressureError(ValueError):
    """A pressure that cannot be one; `code` is stable, the message says what to enter."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code


class PressureFault(msgspec.Struct, frozen=True, kw_only=True):
    """Why a text or number was not taken as a pressure, and what to enter instead."""

    text: str
    code: str
    detail: str
    suggestion: str


class StampedPressure(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A pressure exactly as stamped, with its unit; gauge pressure, as all cylinder marks are.

    Raises `PressureError` when `value` is not plain decimal text such as "4500" or "31.5".
    """

    value: StampedValue
    unit: PressureUnit

    def __post_init__(self) -> None:
        decimal_value(self.value)

    @property
    def psi(self) -> int:
        """The same pressure in whole gauge psi, rounded down."""
        return to_psi_floor(self.value, self.unit)

    @property
    def text(self) -> str:
        """The pressure as a person would write it, for example "310 bar"."""
        return f"{self.value} {self.unit.symbol}"


def decimal_value(value: int | Decimal | str) -> Fraction:
    """Return a stamped number as an exact fraction.

    Accepts a whole number, a finite `Decimal`, or decimal text with at most 6 digits before and 3 after the point.
    Raises `PressureError` (`not-a-number`, `negative`) otherwise. Binary floating point is not accepted: 0.1 is not
    one tenth there.
    """
    if isinstance(value, str):
        if not _STAMPED_VALUE.match(value) or len(value) > STAMPED_VALUE_MAX_LENGTH:
            raise PressureError("not-a-number", f"{value!r} is not a plain decimal number such as 4500 or 31.5")
        return Fraction(value)
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise PressureError("not-a-number", f"{value!r} is not a whole number, a decimal or decimal text")
    if isinstance(value, Decimal) and not value.is_finite():
        raise PressureError("not-a-number", f"{value} is not a finite number")
    if value < 0:
        raise PressureError("negative", f"{value} is below zero; gauge pressure of a cylinder starts at 0")
    return Fraction(value)


def to_psi_floor(value: int | Decimal | str, unit: PressureUnit) -> int:
    """Convert a gauge pressure to whole psi, rounding down.

    `value` is in `unit`; the result never exceeds the true pressure and is less than 1 psi below it. Raises
    `PressureError` as `decimal_value` does. Factors: NIST SP 811, appendix B (exact definitions of the pound, the inch
    and standard gravity).
    """
    return int(decimal_value(value) * PASCALS_PER_UNIT[unit] // PASCALS_PER_PSI)


def service_pressure_fault(pressure: StampedPressure) -> PressureFault | None:
    """Say why a stamped service pressure cannot be one, or None when it may.

    Bounds in gauge psi: `SERVICE_PRESSURE_MIN_PSI` (49 CFR 178.57(a)) and `SERVICE_PRESSURE_MAX_PSI` (common
    practice, no source).
    """
    figure = pressure.text if pressure.unit is PressureUnit.PSI else f"{pressure.text} ({pressure.psi} psi)"
    if pressure.psi < SERVICE_PRESSURE_MIN_PSI:
        return PressureFault(
            text=pressure.text,
            code="pressure-too-low",
            detail=f"{figure} cannot be: no cylinder is marked below {SERVICE_PRESSURE_MIN_PSI} psi",
            suggestion="enter the service pressure as stamped, with the unit it is stamped in",
        )
    if pressure.psi > SERVICE_PRESSURE_MAX_PSI:
        unit_hint = "is the number in psi?" if pressure.unit is not PressureUnit.PSI else "is there a digit too many?"
        return PressureFault(
            text=pressure.text,
            code="pressure-too-high",
            detail=f"{figure} cannot be: no cylinder is marked above {SERVICE_PRESSURE_MAX_PSI} psi",
            suggestion=f"enter the service pressure as stamped, with its unit; {unit_hint}",
        )
    return None


def unit_doubt(pressure: StampedPressure) -> str | None:
    """Return a question to ask when a psi figure looks like one in bar, else None (common practice, no source)."""
    if pressure.unit is not PressureUnit.PSI:
        return None
    if USUAL_BAR_STAMP_MIN <= decimal_value(pressure.value) <= USUAL_BAR_STAMP_MAX:
        return f"{pressure.value} psi is low for breathing air: is it {pressure.value} bar?"
    return None


def parse_pressure(text: str, default_unit: PressureUnit | None = None) -> StampedPressure | PressureFault:
    """Read a pressure as people write it: "4500", "4,500 PSIG", "310 bar", "31 MPa".

    Without a unit in the text `default_unit` holds; without that either, the answer is a fault (`unit-missing`). A
    decimal comma is refused because "4,500" would then have two meanings. The result is not yet checked against the
    bounds of service pressures: see `service_pressure_fault`.
    """
    cleaned = " ".join(unicodedata.normalize("NFKC", text).upper().split())
    match = _NUMBER_AND_UNIT.match(cleaned)
    if match is None:
        return _fault(text, "not-a-pressure", "this is not a number with a unit", "for example 4500 psi or 310 bar")
    unit = default_unit
    if match["unit"]:
        unit = _UNIT_SPELLINGS.get(match["unit"].replace(".", "").strip())
        if unit is None:
            detail = f"{match['unit'].strip()!r} is not a unit of pressure known here"
            return _fault(text, "unit-unknown", detail, "use psi, bar, kPa or MPa")
    if unit is None:
        return _fault(text, "unit-missing", "the unit is missing", "write psi or bar after the number")
    number = match["number"].strip()
    if _GROUPED_THOUSANDS.match(number):
        number = number.replace(",", "")
    if "," in number:
        return _fault(text, "decimal-comma", "the comma can be read two ways", "write decimals with a point: 310.5 bar")
    try:
        return StampedPressure(value=number, unit=unit)
    except PressureError as error:
        return _fault(text, error.code, str(error), "for example 4500 psi or 310 bar")


def _fault(text: str, code: str, detail: str, suggestion: str) -> PressureFault:
    return PressureFault(text=text[:80], code=code, detail=detail, suggestion=suggestion)
