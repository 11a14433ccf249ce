"""Unit words as they stand in headers and cells, and the quantities read with them."""

import re
from collections.abc import Iterable, Iterator
from decimal import Decimal
from fractions import Fraction

from fill_ledger.intake.inventory.cells import Cell, meant_text, shown
from fill_ledger.intake.inventory.faults import Trouble
from fill_ledger.intake.inventory.limits import GREATEST_CARRIED_WATER_VOLUME_ML, LEAST_SERVICE_PRESSURE_PSI
from fill_ledger.intake.inventory.numbers import DecimalSign, number_readings, plain_decimal, split_unit
from fill_ledger.trade.marks import MARKED_PRESSURES_AGREE_PERCENT
from fill_ledger.trade.pressure import (
    PASCALS_PER_UNIT,
    PressureUnit,
    StampedPressure,
    service_pressure_fault,
    unit_doubt,
)
from fill_ledger.trade.volumes import VolumeError, VolumeUnit, to_millilitres

PRESSURE_UNITS: dict[str, PressureUnit] = {
    **dict.fromkeys(("psi", "psig", "lbs", "lb/in2", "lbs/in2", "poundspersquareinch"), PressureUnit.PSI),
    **dict.fromkeys(("bar", "bars", "barg"), PressureUnit.BAR),
    **dict.fromkeys(("kpa",), PressureUnit.KILOPASCAL),
    **dict.fromkeys(("mpa",), PressureUnit.MEGAPASCAL),
}
VOLUME_UNITS: dict[str, VolumeUnit] = {
    **dict.fromkeys(("l", "lt", "ltr", "ltrs", "litre", "litres", "liter", "liters", "dm3"), VolumeUnit.LITRE),
    **dict.fromkeys(("ml", "cc", "ccm", "cm3", "millilitre", "millilitres", "milliliters"), VolumeUnit.MILLILITRE),
    **dict.fromkeys(("in3", "cuin", "ci", "cubicinch", "cubicinches", "cu.in"), VolumeUnit.CUBIC_INCH),
}
# Cubic feet on a cylinder are free air at service pressure, not water volume (common practice, no source).
FREE_AIR_UNITS = frozenset({"cf", "cuft", "ft3", "scf", "cubicfeet", "cubicfoot"})

# A stamp has few decimals; more of them come from a conversion in the spreadsheet.
STAMPED_DECIMALS = 3
PLUS_FACTOR = Decimal("1.1")  # a plus mark allows 110 % of the marked service pressure: 49 CFR 173.302a(b)


def unit_word(text: str) -> str:
    """Return a unit as it is looked up: lower case, no spaces, dots, carets or signs of a squared or cubed unit."""
    plain = text.casefold().replace("\N{SUPERSCRIPT TWO}", "2").replace("\N{SUPERSCRIPT THREE}", "3")
    return re.sub(r"[\s.^]", "", plain)


def read_service_pressure(
    cell: Cell, *, unit: PressureUnit | None, mark: StampedPressure | None, decimal_sign: DecimalSign | None
) -> StampedPressure | Trouble | None:
    """Return the service pressure as stamped: from the cell, else from the specification mark; None where neither says.

    `unit` is the column's or the import's, used where the cell names none. Without any unit a number is taken only if
    the mark has the same one, or if it can only be psi: no cylinder is marked 1000 bar. Where cell and mark agree the
    mark's own figure is kept. 49 CFR 178.35(f)(1) puts the service pressure into the mark.
    """
    text = meant_text(shown(cell)) if isinstance(cell, (str, int, float)) and not isinstance(cell, bool) else None
    if text == "":
        return mark
    parts = split_unit(text) if text is not None else None
    if parts is None:
        return _not_a_quantity(shown(cell), "a pressure", "4500 psi or 310 bar")
    number, words = parts
    if words:
        unit = PRESSURE_UNITS.get(unit_word(words))
        if unit is None:
            return _unknown_unit(words, "pressure", "psi or bar")
    candidates = list(_pressures(number_readings(number), unit))
    if not candidates:
        return _impossible_pressure(shown(cell), number, unit)
    if len(candidates) > 1:  # what the file proves decides only where both readings could be true
        candidates = list(_pressures(number_readings(number, decimal_sign), unit)) or candidates
    if mark is not None:
        if any(same_pressure(candidate, mark) for candidate in candidates):
            return mark
        if len(candidates) == 1:
            return _contradiction(candidates[0], mark)
    return _only_pressure(shown(cell), candidates)


def _pressures(values: Iterable[Decimal], unit: PressureUnit | None) -> Iterator[StampedPressure]:
    for value in values:
        text = plain_decimal(value)
        if len(text.partition(".")[2]) > STAMPED_DECIMALS:
            continue
        for possible in (unit,) if unit is not None else (PressureUnit.PSI, PressureUnit.BAR):
            pressure = StampedPressure(value=text, unit=possible)
            if service_pressure_fault(pressure) is None and pressure.psi >= LEAST_SERVICE_PRESSURE_PSI:
                yield pressure


def _only_pressure(text: str, candidates: list[StampedPressure]) -> StampedPressure | Trouble:
    if len(candidates) > 1:
        return Trouble(
            code="pressure-ambiguous",
            detail=f"{text!r} can mean {' or '.join(candidate.text for candidate in candidates)}.",
            suggestion="Write the unit behind the number or in the header, or import with pressure_unit=psi or bar.",
        )
    doubt = unit_doubt(candidates[0])
    if doubt is not None:
        return Trouble(
            code="pressure-unit-doubtful", detail=doubt, suggestion="Write the number with its unit as stamped."
        )
    return candidates[0]


def same_pressure(entered: StampedPressure, marked: StampedPressure) -> bool:
    """Return whether an entered pressure is the marked one; in another unit it may be rounded as stamps are.

    4500 psi and 310 bar are the same class, though 310 bar is 4496 psi (see `MARKED_PRESSURES_AGREE_PERCENT`).
    """
    entered_pascals = Fraction(entered.value) * PASCALS_PER_UNIT[entered.unit]
    marked_pascals = Fraction(marked.value) * PASCALS_PER_UNIT[marked.unit]
    if entered.unit == marked.unit:
        return entered_pascals == marked_pascals
    return abs(entered_pascals - marked_pascals) * 100 <= MARKED_PRESSURES_AGREE_PERCENT * marked_pascals


def _contradiction(entered: StampedPressure, marked: StampedPressure) -> Trouble:
    suggestion = f"Enter {marked.text}, or correct the specification; the stamp on the cylinder decides."
    if entered.unit == marked.unit and int(Decimal(marked.value) * PLUS_FACTOR) == int(Decimal(entered.value)):
        suggestion = (
            f"Enter {marked.text} and put the plus sign into the column of requalification marks: "
            f"{entered.text} is what a plus mark allows, not the service pressure."
        )
    return Trouble(
        code="pressure-contradicts-specification",
        detail=f"The specification is marked {marked.text}, this column says {entered.text}.",
        suggestion=suggestion,
    )


def _impossible_pressure(text: str, number: str, unit: PressureUnit | None) -> Trouble:
    readings = number_readings(number)
    if not readings:
        return _not_a_quantity(text, "a pressure", "4500 psi or 310 bar")
    if all(len(plain_decimal(value).partition(".")[2]) > STAMPED_DECIMALS for value in readings):
        return Trouble(
            code="pressure-not-as-stamped",
            detail=f"{text!r} has more decimals than a stamp.",
            suggestion="Enter the number as stamped, with its unit, not a conversion.",
        )
    known = unit or PressureUnit.PSI
    fault = service_pressure_fault(StampedPressure(value=plain_decimal(readings[0]), unit=known))
    least = f"{text!r} is below the {LEAST_SERVICE_PRESSURE_PSI} psi under which no breathing-air cylinder is marked"
    detail = fault.detail if fault is not None else least
    return Trouble(
        code="pressure-implausible",
        detail=f"{detail}.",
        suggestion="Enter the service pressure as stamped, with its unit.",
    )


def read_water_volume(
    cell: Cell, *, unit: VolumeUnit | None, carried: bool, decimal_sign: DecimalSign | None
) -> int | Trouble | None:
    """Return the water volume in whole millilitres, what is wrong with it, or None for an empty cell.

    `unit` is the column's or the import's, used where the cell names none. `carried` is true of cylinders worn by a
    person, which are small; that tells free air and water volume apart.
    """
    text = meant_text(shown(cell)) if isinstance(cell, (str, int, float)) and not isinstance(cell, bool) else None
    if text == "":
        return None
    parts = split_unit(text) if text is not None else None
    if parts is None:
        return _not_a_quantity(shown(cell), "a water volume", "6.8 L, 6800 ml or 415 cu in")
    number, words = parts
    if words:
        if unit_word(words) in FREE_AIR_UNITS:
            return Trouble(
                code="free-air-not-water",
                detail="Cubic feet mean the free air a cylinder holds at service pressure, not its water volume.",
                suggestion="Enter the water volume, such as 6.8 L, or leave the cell empty.",
            )
        unit = VOLUME_UNITS.get(unit_word(words))
        if unit is None:
            return _unknown_unit(words, "volume", "L, ml or cu in")
    return _only_volume(shown(cell), number, unit, carried=carried, decimal_sign=decimal_sign)


def _only_volume(
    text: str, number: str, unit: VolumeUnit | None, *, carried: bool, decimal_sign: DecimalSign | None
) -> int | Trouble:
    values = number_readings(number)
    if not values:
        return _not_a_quantity(text, "a water volume", "6.8 L, 6800 ml or 415 cu in")
    found, refusal = _volumes(values, unit, carried=carried)
    if len(found) > 1:
        found = _volumes(number_readings(number, decimal_sign), unit, carried=carried)[0] or found
    if len(found) > 1:
        return Trouble(
            code="volume-ambiguous",
            detail=f"{text!r} can mean {' or '.join(found.values())}.",
            suggestion="Write the unit behind the number or in the header, or import with volume_unit=L, ml or in3.",
        )
    if not found:
        return Trouble(
            code="volume-implausible",
            detail=f"{refusal}.",
            suggestion="Enter the water volume (what the cylinder holds of water), not the air it holds.",
        )
    return next(iter(found))


def _volumes(values: Iterable[Decimal], unit: VolumeUnit | None, *, carried: bool) -> tuple[dict[int, str], str]:
    """Return the possible volumes in millilitres with their wording, and why the last impossible one is none."""
    found: dict[int, str] = {}
    refusal = ""
    for value in values:
        for possible in (unit,) if unit is not None else tuple(VolumeUnit):
            try:
                millilitres = to_millilitres(value, possible)
            except VolumeError as error:
                refusal = str(error)
                continue
            if carried and millilitres > GREATEST_CARRIED_WATER_VOLUME_ML:
                greatest = f"{GREATEST_CARRIED_WATER_VOLUME_ML // 1000} L"
                refusal = f"{plain_decimal(value)} {possible} is more than the {greatest} of a cylinder that is carried"
                continue
            found[millilitres] = f"{plain_decimal(value)} {possible}"
    return found, refusal


def _not_a_quantity(text: str, what: str, example: str) -> Trouble:
    return Trouble(
        code="not-a-number", detail=f"{text!r} is not {what}.", suggestion=f"Enter a number, such as {example}."
    )


def _unknown_unit(words: str, what: str, units: str) -> Trouble:
    return Trouble(
        code="unit-unknown", detail=f"{words!r} is not a unit of {what} that is read here.", suggestion=f"Use {units}."
    )
