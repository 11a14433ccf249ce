"""Water volumes of cylinders, kept as whole millilitres.

Water volume is what a cylinder holds of water, the figure all contents are computed from. It is not a limit, so it is
rounded to the nearest millilitre.
"""

import re
import unicodedata
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Annotated

import msgspec
from msgspec import Meta

# Exact: the inch is 2.54 cm (NIST SP 811, appendix B), so a cubic inch is 2.54 cubed cm3.
MILLILITRES_PER_CUBIC_INCH = Fraction(254, 100) ** 3

# The smallest breathing-air bottles hold some 0.1 L (common practice, no source).
WATER_VOLUME_MIN_ML = 100
# ISO 11120 covers seamless tubes up to 3,000 L (its title, as cited in 49 CFR 178.71(j), 2015 edition).
WATER_VOLUME_MAX_ML = 3_000_000
# What a person carries: from some 0.5 L for escape to 20 L under water (common practice, no source). The bounds are
# wider than that; beyond them stands a slip, such as litres taken for millilitres, or free air for water volume.
CARRIED_VOLUME_MIN_ML: dict[str, int] = {"scba": 300, "scuba": WATER_VOLUME_MIN_ML}
CARRIED_VOLUME_MAX_ML = 30_000

WaterVolumeMl = Annotated[
    int, Meta(ge=WATER_VOLUME_MIN_ML, le=WATER_VOLUME_MAX_ML, description="water volume in millilitres")
]

_NUMBER = re.compile(r"(0|[1-9][0-9]{0,7})(\.[0-9]{1,6})?\Z")
_GROUPED_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}(,[0-9]{3})+\Z")
_NUMBER_AND_UNIT = re.compile(r"(?P<number>[0-9][0-9.,]*)\s*(?P<unit>[A-Z][A-Z0-9 .^]*)?\Z")


class VolumeUnit(StrEnum):
    """Units water volume is given in. Values are stored; never rename one."""

    LITRE = "L"
    MILLILITRE = "ml"
    CUBIC_INCH = "in3"


MILLILITRES_PER_UNIT: dict[VolumeUnit, Fraction] = {
    VolumeUnit.LITRE: Fraction(1000),
    VolumeUnit.MILLILITRE: Fraction(1),
    VolumeUnit.CUBIC_INCH: MILLILITRES_PER_CUBIC_INCH,
}

_UNIT_SPELLINGS: dict[str, VolumeUnit] = {
    **dict.fromkeys(("L", "LTR", "LITRE", "LITRES", "LITER", "LITERS", "DM3"), VolumeUnit.LITRE),
    **dict.fromkeys(("ML", "CC", "CM3", "MILLILITRE", "MILLILITRES", "MILLILITERS"), VolumeUnit.MILLILITRE),
    **dict.fromkeys(("IN3", "CUIN", "CI", "CUBICINCH", "CUBICINCHES"), VolumeUnit.CUBIC_INCH),
}
# Cubic feet on a cylinder mean free air at service pressure, not water volume.
_FREE_AIR_SPELLINGS = frozenset({"CF", "CUFT", "FT3", "SCF", "CUBICFEET", "CUBICFOOT"})


class VolumeError(ValueError):
    """A volume that cannot be one; `code` is stable, the message says what to enter."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code


class VolumeFault(msgspec.Struct, frozen=True, kw_only=True):
    """Why a text was not taken as a water volume, and what to enter instead."""

    text: str
    code: str
    detail: str
    suggestion: str


def carried_volume_fault(water_volume_ml: int, use: str) -> VolumeFault | None:
    """Say why a water volume in millilitres cannot be that of a cylinder of a use; None where it can.

    Only cylinders for SCBA and SCUBA are bounded, because a person carries them (common practice, no source).
    """
    least = CARRIED_VOLUME_MIN_ML.get(use)
    if least is None or least <= water_volume_ml <= CARRIED_VOLUME_MAX_ML:
        return None
    return VolumeFault(
        text=str(water_volume_ml),
        code="water-volume-not-for-use",
        detail=(
            f"{water_volume_ml} ml ({Decimal(water_volume_ml) / 1000} L) is no water volume of a cylinder for "
            f"{use.upper()}, which holds {least} to {CARRIED_VOLUME_MAX_ML} ml"
        ),
        suggestion='enter millilitres of water, 6800 for 6.8 L, or "storage" as its use',
    )


def to_millilitres(value: int | Decimal | str, unit: VolumeUnit) -> int:
    """Convert a water volume to whole millilitres, to the nearest, halves up.

    `value` is in `unit`: a whole number, a finite `Decimal` or decimal text. Raises `VolumeError`: `not-a-number`, or
    `volume-too-small` / `volume-too-large` outside 100 ml to 3,000 L. Factors: NIST SP 811, appendix B.
    """
    millilitres = int(_exact(value) * MILLILITRES_PER_UNIT[unit] + Fraction(1, 2))
    if millilitres < WATER_VOLUME_MIN_ML:
        raise VolumeError(
            "volume-too-small", f"{value} {unit} is {millilitres} ml; the least taken is {WATER_VOLUME_MIN_ML} ml"
        )
    if millilitres > WATER_VOLUME_MAX_ML:
        raise VolumeError(
            "volume-too-large", f"{value} {unit} is {millilitres} ml; the most taken is {WATER_VOLUME_MAX_ML} ml"
        )
    return millilitres


def parse_water_volume(text: str, default_unit: VolumeUnit | None = None) -> int | VolumeFault:
    """Read a water volume as people write it ("6.8 L", "6800 ml", "415 cu in") and return whole millilitres.

    Without a unit in the text `default_unit` holds; without that either, the answer is a fault. Cubic feet are
    refused: on a cylinder they mean free air (common practice, no source).
    """
    cleaned = " ".join(unicodedata.normalize("NFKC", text).upper().split())
    match = _NUMBER_AND_UNIT.match(cleaned)
    if match is None:
        return _fault(text, "not-a-volume", "this is not a number with a unit", "for example 6.8 L or 415 in3")
    unit = default_unit
    if match["unit"]:
        spelling = re.sub(r"[ .^]", "", match["unit"])
        if spelling in _FREE_AIR_SPELLINGS:
            detail = "cubic feet mean free air at service pressure, not water volume"
            return _fault(text, "free-air-not-water", detail, "enter the water volume, for example 6.8 L")
        unit = _UNIT_SPELLINGS.get(spelling)
        if unit is None:
            return _fault(text, "unit-unknown", f"{match['unit']!r} is not a unit known here", "use L, ml or in3")
    if unit is None:
        return _fault(text, "unit-missing", "the unit is missing", "write L, ml or in3 after the number")
    number = match["number"]
    if _GROUPED_THOUSANDS.match(number) and unit is not VolumeUnit.LITRE:
        number = number.replace(",", "")
    if "," in number:
        return _fault(text, "decimal-comma", "the comma can be read two ways", "write decimals with a point: 6.8 L")
    try:
        return to_millilitres(number, unit)
    except VolumeError as error:
        return _fault(text, error.code, str(error), "enter the water volume, for example 6.8 L")


def _exact(value: int | Decimal | str) -> Fraction:
    if isinstance(value, str):
        if not _NUMBER.match(value):
            raise VolumeError("not-a-number", f"{value!r} is not a plain decimal number such as 6.8")
        return Fraction(value)
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise VolumeError("not-a-number", f"{value!r} is not a whole number, a decimal or decimal text")
    if isinstance(value, Decimal) and not value.is_finite():
        raise VolumeError("not-a-number", f"{value} is not a finite number")
    return Fraction(value)


def _fault(text: str, code: str, detail: str, suggestion: str) -> VolumeFault:
    return VolumeFault(text=text[:80], code=code, detail=detail, suggestion=suggestion)
