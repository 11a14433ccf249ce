"""The written forms of specification marks: one reader a form.

Each reader gets text in upper case with single spaces and plain hyphens. It returns the mark, or None when the text is
of another form, or raises `MarkRefused` when the form is clear but the mark is not.

Sources: 49 CFR 178.35(f)(1) ("DOT-3A1800": the specification comes first, the service pressure follows immediately)
and the titles of 178.36 to 178.68; 178.71(q) for UN receptacles (PW and PH in bar); 171.12(a)(4)(ii) for CTC in place
of DOT (all 2015 edition). TC marks carry bar, permits read TC-SU (published marking guide, secondary); TC design names
other than 3ALM, and the exemption form DOT-E, are from memory. ICC, BTC, CRC: 173.301(a)(1), quoted second-hand.
"""

import re

from fill_ledger.trade.mark_types import MarkRefused, SpecificationFamily, SpecificationMark
from fill_ledger.trade.pressure import PressureError, PressureUnit, StampedPressure, service_pressure_fault, unit_doubt

# Permit numbers seen on cylinders have four or five digits (from memory; the numbers in use bear it out).
PERMIT_NUMBER_DIGITS = range(4, 6)

_DOT_FAMILIES: dict[str, SpecificationFamily] = {
    "3AAX": SpecificationFamily.DOT_3AAX,
    "3AA": SpecificationFamily.DOT_3AA,
    "3AX": SpecificationFamily.DOT_3AX,
    "3AL": SpecificationFamily.DOT_3AL,
    "3A": SpecificationFamily.DOT_3A,
    "3BN": SpecificationFamily.DOT_3BN,
    "3B": SpecificationFamily.DOT_3B,
    "3HT": SpecificationFamily.DOT_3HT,
    "3E": SpecificationFamily.DOT_3E,
    "3T": SpecificationFamily.DOT_3T,
    "39": SpecificationFamily.DOT_39,
    "8AL": SpecificationFamily.DOT_8_SERIES,
    "8": SpecificationFamily.DOT_8_SERIES,
}
# Families whose cylinders are filled with breathing air: a low figure there is worth a question about its unit.
_HIGH_PRESSURE_FAMILIES = frozenset(
    {
        SpecificationFamily.DOT_3A,
        SpecificationFamily.DOT_3AA,
        SpecificationFamily.DOT_3AX,
        SpecificationFamily.DOT_3AAX,
        SpecificationFamily.DOT_3AL,
        SpecificationFamily.DOT_3HT,
        SpecificationFamily.DOT_3T,
    }
)
# Names that hold their service pressure: 49 CFR 178.55 (4B240ET) and 178.56 (4AA480).
_PRESSURE_IN_NAME = re.compile(r"4B(?P<b>240)(?:ET|FLW|X)|4AA(?P<aa>480)|3A(?P<a>480)X")

# Standards 49 CFR 178.71(f) to (l) names for the construction of UN receptacles (2015 edition).
_ISO_CONSTRUCTION = frozenset({"4706", "7866", "9809", "11118", "11119", "11120", "18172", "20703"})
# 178.71(g) and (l) name these with their parts: without the part the mark says too little.
_ISO_WITH_PARTS = frozenset({"9809", "11119"})
# 180.207 names these for requalification; no cylinder is built to them.
_ISO_REQUALIFICATION = frozenset({"6406", "10461", "11623"})

_PRESSURE = r"(?P<pressure>[0-9]{2,5})(?:[ -]*(?P<unit>PSIG?|BAR))?"
_DOT = re.compile(
    r"(?:(?P<authority>DOT|ICC|CTC|BTC|CRC)[ -]*)?"
    r"(?P<design>3A480X|3[ -]?(?:AAX|AA|AX|AL|A|BN|B|HT|E|T)|39|8[ -]?AL|8|4B240(?:ET|FLW|X)|4AA480|4[ -]?[A-Z]{1,2})"
    rf"(?![A-Z])(?:[ -]*{_PRESSURE})?(?P<rest>.*)\Z"
)
_PERMIT = re.compile(
    r"(?:(?P<authority>DOT|CTC)[ -]*)?(?P<form>SP|E)[ -]*(?P<number>[0-9]+)"
    rf"(?:(?: ?[-/] ?| ){_PRESSURE})?(?P<rest>.*)\Z"
)
_PERMIT_WITHOUT_PREFIX = re.compile(r"(?:DOT[ -]*)?[0-9]{4,5}\Z")
_TC_PERMIT = re.compile(rf"TC[ -]*SU[ -]*(?P<number>[0-9]{{3,5}})(?:(?: ?[-/] ?| ){_PRESSURE})?(?P<rest>.*)\Z")
_TC = re.compile(rf"(?:(?P<authority>TC)[ -]*)?(?P<design>[34][A-Z]{{1,3}}M|39M)(?:[ -]*{_PRESSURE})?(?P<rest>.*)\Z")
_UN_PRESSURE = re.compile(r"\b(?P<kind>PW|PH) ?(?P<value>[0-9]{2,5}) ?(?P<unit>BAR|PSI)?")
_UN_NUMBER = re.compile(r"UN ?[0-9]{4}\Z")
_ISO = re.compile(
    r"(?:(?P<un>UN)[ -]*)?ISO[ -]*(?P<number>[0-9]{4,5})(?: ?- ?(?P<part>[0-9])\b)?(?:: ?[0-9]{4})?(?P<rest>.*)\Z"
)
# The pi mark of transportable pressure equipment (Directive 2010/35/EU, from memory), before the standard or after it.
_PI_MARK = re.compile("\N{GREEK CAPITAL LETTER PI}|\\bPI\\b")
_EN = re.compile(r"(?:CE ?)?EN[ -]*(?P<iso>ISO[ -]*)?(?P<number>[0-9]{4,5})(?: ?- ?(?P<part>[0-9])\b)?(?:: ?[0-9]{4})?")
_ASME = re.compile(r"ASME\b")
_ASME_PRESSURE = re.compile(
    r"\bM?A?WP ?(?P<named>[0-9]{3,5})(?: ?(?P<named_unit>PSIG?|BAR))?"
    r"|\b(?P<plain>[0-9]{3,5}) ?(?P<plain_unit>PSIG?|BAR)\b"
)
_UNKNOWN = re.compile(
    rf"(?P<authority>DOT|ICC|CTC|BTC|CRC|TC)[ -]*(?P<design>[0-9][A-Z]{{1,4}})(?:[ -]*{_PRESSURE})?(?P<rest>.*)\Z"
)
# Words and signs that stand beside a specification without being part of it.
_BESIDE = {
    "+": "the plus sign belongs to the last requalification stamp, not to the specification: enter it there",
    "*": "the star belongs to the last requalification stamp, not to the specification: enter it there",
    "\N{BLACK STAR}": "the star belongs to the last requalification stamp, not to the specification: enter it there",
    "NRC": "NRC (non-reusable container) stands beside the specification",
    "SPUN": "SPUN tells how the bottom was closed, 49 CFR 178.35(f)(2)(i)",
    "PLUG": "PLUG tells how the bottom was closed, 49 CFR 178.35(f)(2)(i)",
}


def read_dot_specification(text: str) -> SpecificationMark | None:
    """Read DOT-3AA2015, 3AL 3000, ICC-3A1800, DOT-39, 4BW240, 8AL (49 CFR 178.35(f)(1))."""
    match = _DOT.match(text)
    if match is None:
        return None
    design = re.sub(r"[ -]", "", match["design"])
    if design == "8" and match["authority"] is None:
        raise MarkRefused("prefix-missing", "8 alone is not a mark", "if it is an acetylene cylinder, enter DOT-8")
    if design.isdigit() and match["authority"] is None and text[match.end("design") :][:1].isdigit():
        raise MarkRefused(
            "prefix-missing",
            "digits alone do not say where the specification ends and the pressure begins",
            "enter the prefix and keep them apart, for example DOT-39 1000",
        )
    default_family = SpecificationFamily.DOT_4_SERIES if design[0] == "4" else SpecificationFamily.UNKNOWN
    family = _DOT_FAMILIES.get(design, default_family)
    authority, notes = _assumed(match["authority"], "DOT")
    pressure = _service_pressure(match, PressureUnit.PSI)
    if (named := _PRESSURE_IN_NAME.fullmatch(design)) is not None:
        pressure = StampedPressure(value=next(figure for figure in named.groups() if figure), unit=PressureUnit.PSI)
        canonical = f"{authority}-{design}"
    else:
        suffix = _suffix(pressure, PressureUnit.PSI)
        # After a design of digits only, the pressure stands apart: DOT-39-1000.
        gap = "-" if design.isdigit() and suffix[:1].isdigit() else ""
        canonical = f"{authority}-{design}{gap}{suffix}"
    notes += _notes_beside(match["rest"], canonical)
    if family is SpecificationFamily.UNKNOWN:
        notes += (f"{design} is not a specification known here",)
    if family in _HIGH_PRESSURE_FAMILIES:
        notes += _pressure_notes(pressure)
    return SpecificationMark(
        text=text,
        canonical=canonical,
        family=family,
        authority=authority,
        design=design,
        service_pressure=pressure,
        notes=notes,
    )


def read_special_permit(text: str) -> SpecificationMark | None:
    """Read DOT-SP10915-4500, SP 10915, DOT-E 10915 4500, E-10915: special permits and, before 2005, exemptions.

    The year and the letter E are from memory. The mark keeps the letter it is stamped with; the number is the same.
    """
    if _PERMIT_WITHOUT_PREFIX.match(text):
        digits = text.removeprefix("DOT").strip(" -")
        raise MarkRefused(
            "prefix-missing",
            "a number alone does not say whether it is a permit or a pressure",
            f"for a special permit enter DOT-SP{digits} or DOT-E{digits}; for a pressure add the specification",
        )
    match = _PERMIT.match(text)
    if match is None:
        return None
    number = match["number"]
    if len(number) not in PERMIT_NUMBER_DIGITS or number.startswith("0"):
        raise MarkRefused(
            "permit-number-unclear",
            f"{number} is not a permit number of four or five digits",
            "put a hyphen between permit number and service pressure: DOT-SP10915-4500",
        )
    authority, notes = _assumed(match["authority"], "DOT")
    pressure = _service_pressure(match, PressureUnit.PSI)
    base = f"{authority}-{match['form']}{number}"
    suffix = _suffix(pressure, PressureUnit.PSI)
    canonical = f"{base}-{suffix.strip()}" if suffix else base
    notes += _notes_beside(match["rest"], canonical) + _pressure_notes(pressure)
    return SpecificationMark(
        text=text,
        canonical=canonical,
        family=SpecificationFamily.SPECIAL_PERMIT,
        authority=authority,
        design=match["form"],
        permit_number=number,
        service_pressure=pressure,
        notes=notes,
    )


def read_canadian_mark(text: str) -> SpecificationMark | None:
    """Read TC-3ALM207 and TC-SU1234-230 BAR: Canadian designs and permits, service pressure in bar."""
    if (permit := _TC_PERMIT.match(text)) is not None:
        pressure = _service_pressure(permit, PressureUnit.BAR)
        number = f"SU{permit['number']}"
        suffix = _suffix(pressure, PressureUnit.BAR)
        canonical = f"TC-{number}-{suffix.strip()}" if suffix else f"TC-{number}"
        return SpecificationMark(
            text=text,
            canonical=canonical,
            family=SpecificationFamily.TC_PERMIT,
            authority="TC",
            design="SU",
            permit_number=number,
            service_pressure=pressure,
            notes=_notes_beside(permit["rest"], canonical),
        )
    match = _TC.match(text)
    if match is None:
        return None
    authority, notes = _assumed(match["authority"], "TC")
    pressure = _service_pressure(match, PressureUnit.BAR)
    canonical = f"{authority}-{match['design']}{_suffix(pressure, PressureUnit.BAR)}"
    return SpecificationMark(
        text=text,
        canonical=canonical,
        family=SpecificationFamily.TC,
        authority=authority,
        design=match["design"],
        service_pressure=pressure,
        notes=notes + _notes_beside(match["rest"], canonical),
    )


def read_standard(text: str) -> SpecificationMark | None:
    """Read UN ISO 9809-1 PW200 PH300BAR and ISO or EN standards without the UN symbol (49 CFR 178.71(q)).

    European marks give the working pressure in bar after PW as well (ADR 6.2.2.7, from memory).
    """
    if _UN_NUMBER.match(text):
        raise MarkRefused(
            "un-number",
            f"{text} is the number of the gas, not of the cylinder",
            "enter the standard the cylinder was built to, for example UN ISO 9809-1",
        )
    pressures = {found["kind"]: found for found in _UN_PRESSURE.finditer(text)}
    rest = " ".join(_UN_PRESSURE.sub(" ", text).split())
    if rest == "UN":
        raise MarkRefused("standard-missing", "the UN symbol alone does not name a standard", "add it: UN ISO 9809-1")
    if (european := _EN.match(" ".join(_PI_MARK.sub(" ", rest).split()))) is not None:
        iso = "ISO " if european["iso"] else ""
        return _foreign(text, f"EN {iso}{european['number']}{_part(european)}", _un_pressure(pressures.get("PW")))
    match = _ISO.match(rest)
    if match is None:
        return None
    number, standard = match["number"], f"ISO {match['number']}{_part(match)}"
    if number in _ISO_REQUALIFICATION:
        detail = f"{standard} is a standard for requalification, not for construction"
        raise MarkRefused("requalification-standard", detail, "enter the standard after the UN symbol")
    if number in _ISO_WITH_PARTS and match["part"] is None:
        raise MarkRefused("part-missing", f"{standard} has several parts", f"add the part: {standard}-1")
    if match["un"] is None:
        return _foreign(text, standard)
    service = _un_pressure(pressures.get("PW"))
    notes: tuple[str, ...] = ()
    if number not in _ISO_CONSTRUCTION:
        notes += (f"{standard} is not among the construction standards of 49 CFR 178.71(f) to (l)",)
    if remainder := match["rest"].strip(" -/,"):
        notes += (f"not read as part of the specification: {remainder}",)
    return SpecificationMark(
        text=text,
        canonical=f"UN {standard}" + (f" PW{service.value}{service.unit.upper()}" if service else ""),
        family=SpecificationFamily.UN,
        authority="UN",
        standard=standard,
        service_pressure=service,
        test_pressure=_un_pressure(pressures.get("PH")),
        notes=notes,
    )


def read_asme(text: str) -> SpecificationMark | None:
    """Read ASME vessels (station storage): the pressure counts only with MAWP before it or a unit after it."""
    if _ASME.match(text) is None:
        return None
    pressure = None
    if (found := _ASME_PRESSURE.search(text)) is not None:
        unit = PressureUnit.BAR if (found["named_unit"] or found["plain_unit"]) == "BAR" else PressureUnit.PSI
        pressure = checked_pressure(found["named"] or found["plain"], unit)
    return SpecificationMark(
        text=text,
        canonical="ASME" + (f" {pressure.value} {pressure.unit.upper()}" if pressure else ""),
        family=SpecificationFamily.ASME,
        standard="ASME",
        service_pressure=pressure,
    )


def read_unknown_design(text: str) -> SpecificationMark | None:
    """Read a known prefix with a design not known here, such as DOT-3C: kept as stamped, family unknown."""
    match = _UNKNOWN.match(text)
    if match is None:
        return None
    unit = PressureUnit.BAR if match["authority"] == "TC" else PressureUnit.PSI
    pressure = _service_pressure(match, unit)
    canonical = f"{match['authority']}-{match['design']}{_suffix(pressure, unit)}"
    return SpecificationMark(
        text=text,
        canonical=canonical,
        family=SpecificationFamily.UNKNOWN,
        authority=match["authority"],
        design=match["design"],
        service_pressure=pressure,
        notes=(f"{match['design']} is not a specification known here", *_notes_beside(match["rest"], canonical)),
    )


def checked_pressure(value: str, unit: PressureUnit) -> StampedPressure:
    """Return the pressure, or raise `MarkRefused` when it is no number or cannot be a service pressure."""
    try:
        pressure = StampedPressure(value=value, unit=unit)
    except PressureError as error:
        raise MarkRefused(error.code, str(error)) from error
    fault = service_pressure_fault(pressure)
    if fault is not None:
        raise MarkRefused(fault.code, fault.detail, fault.suggestion)
    return pressure


def _service_pressure(match: re.Match[str], implied_unit: PressureUnit) -> StampedPressure | None:
    """Return the pressure that follows a design; raises `MarkRefused` when more digits follow than a pressure has."""
    if match["rest"][:1].isdigit():
        raise MarkRefused(
            "pressure-unclear",
            "the digits after the specification are more than a service pressure",
            "enter only specification and service pressure; the serial number has a field of its own",
        )
    if match["pressure"] is None:
        return None
    unit = implied_unit
    if match["unit"] is not None:
        unit = PressureUnit.BAR if match["unit"] == "BAR" else PressureUnit.PSI
    return checked_pressure(match["pressure"], unit)


def _un_pressure(found: re.Match[str] | None) -> StampedPressure | None:
    if found is None:
        return None
    return checked_pressure(found["value"], PressureUnit.PSI if found["unit"] == "PSI" else PressureUnit.BAR)


def _foreign(text: str, standard: str, service: StampedPressure | None = None) -> SpecificationMark:
    return SpecificationMark(
        text=text,
        canonical=standard + (f" PW{service.value}{service.unit.upper()}" if service else ""),
        family=SpecificationFamily.FOREIGN,
        standard=standard,
        service_pressure=service,
        notes=("no DOT, TC or UN mark: if the UN symbol is stamped beside the standard, enter it too",),
    )


def _part(match: re.Match[str]) -> str:
    return f"-{match['part']}" if match["part"] else ""


def _suffix(pressure: StampedPressure | None, implied_unit: PressureUnit) -> str:
    """Return the pressure as it follows a design: bare in the unit the mark implies, else with its unit."""
    if pressure is None:
        return ""
    return pressure.value if pressure.unit is implied_unit else f" {pressure.value}{pressure.unit.upper()}"


def _assumed(authority: str | None, assumed: str) -> tuple[str, tuple[str, ...]]:
    if authority is not None:
        return authority, ()
    return assumed, (f"entered without a prefix; taken as {assumed}",)


def _notes_beside(rest: str, canonical: str) -> tuple[str, ...]:
    """Return notes for words that may stand beside a mark; raises `MarkRefused` for any other trailing text."""
    words = rest.strip(" -").replace("+", " + ").split()
    for word in words:
        if word not in _BESIDE:
            raise MarkRefused(
                "trailing-text",
                f"{word!r} is not part of a specification mark",
                f"enter {canonical} here; serial number, maker and dates have fields of their own",
            )
    return tuple(dict.fromkeys(_BESIDE[word] for word in words))


def _pressure_notes(pressure: StampedPressure | None) -> tuple[str, ...]:
    doubt = unit_doubt(pressure) if pressure is not None else None
    return (doubt,) if doubt else ()
