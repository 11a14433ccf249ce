"""Numbers as people write them: with a point or a comma, with thousands apart, with a unit behind."""

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import Literal

DecimalSign = Literal["point", "comma"]

_GROUP_DIGITS = 3
_NUMBER_AND_UNIT = re.compile(r"(?P<number>\d[\d., ']*|[.,]\d+)\s*(?P<unit>[^\d\s.,'].*)?")
_GROUPED_WITHOUT_SIGN = re.compile(r"\d{1,3}(?:[ ']\d{3})+")
_MAXIMUM_DIGITS = 12


def split_unit(text: str) -> tuple[str, str] | None:
    """Return the number and the unit words of `text`, or None where it does not start with a number."""
    match = _NUMBER_AND_UNIT.fullmatch(text.strip())
    if match is None:
        return None
    return match["number"].strip(), (match["unit"] or "").strip()


def number_readings(number: str, decimal_sign: DecimalSign | None = None) -> tuple[Decimal, ...]:
    """Return every value the digits can mean; more than one where point or comma may be either sign.

    "4,500" is four thousand five hundred or four and a half, unless the rest of the file says which sign is the
    decimal one. "4500", "6,8" and "1,234.5" have one reading. No reading: not a number.
    """
    if sum(character.isdigit() for character in number) > _MAXIMUM_DIGITS:
        return ()
    if _GROUPED_WITHOUT_SIGN.match(number):
        head = _GROUPED_WITHOUT_SIGN.match(number)
        if head is not None:
            number = re.sub("[ ']", "", head[0]) + number[head.end() :]
    if re.fullmatch(r"\d+", number):
        return (Decimal(number),)
    if not re.fullmatch(r"[\d.,]+", number):
        return ()
    signs = {character for character in number if character in ".,"}
    if len(signs) > 1:
        return _with_both_signs(number)
    return _with_one_sign(number, signs.pop(), decimal_sign)


def _with_both_signs(number: str) -> tuple[Decimal, ...]:
    last = max(number.rfind("."), number.rfind(","))
    grouping = "," if number[last] == "." else "."
    whole, fraction = number[:last], number[last + 1 :]
    if number[last] in whole or not _is_grouped(whole, grouping) or not fraction:
        return ()
    return (Decimal(f"{whole.replace(grouping, '')}.{fraction}"),)


def _with_one_sign(number: str, sign: str, decimal_sign: DecimalSign | None) -> tuple[Decimal, ...]:
    readings: list[Decimal] = []
    means_fraction = number.count(sign) == 1 and not number.endswith(sign)
    means_thousands = _is_grouped(number, sign)
    if means_fraction and means_thousands and decimal_sign is not None:
        means_fraction = decimal_sign == _name(sign)
        means_thousands = not means_fraction
    if means_fraction:
        readings.append(Decimal("0" + number.replace(sign, ".")))
    if means_thousands:
        readings.append(Decimal(number.replace(sign, "")))
    return tuple(readings)


def _is_grouped(number: str, sign: str) -> bool:
    return re.fullmatch(rf"[1-9]\d{{0,2}}(?:{re.escape(sign)}\d{{3}})+", number) is not None


def _name(sign: str) -> DecimalSign:
    return "point" if sign == "." else "comma"


def settled_decimal_sign(texts: Iterable[str]) -> DecimalSign | None:
    """Return the decimal sign that the numbers of a file prove, or None where none or both are proven.

    A sign proves itself where the digits behind it cannot be thousands ("6,8", "206.84"), or where both signs stand
    in one number ("1.234,5").
    """
    proven: set[DecimalSign] = set()
    for text in texts:
        parts = split_unit(text)
        if parts is None:
            continue
        last = max(parts[0].rfind("."), parts[0].rfind(","))
        if last < 0 or not number_readings(parts[0]):
            continue
        sign = parts[0][last]
        both = "." in parts[0] and "," in parts[0]
        if both or (parts[0].count(sign) == 1 and not _is_grouped(parts[0], sign)):
            proven.add(_name(sign))
    return proven.pop() if len(proven) == 1 else None


def plain_decimal(value: Decimal) -> str:
    """Return a decimal number without exponent and without trailing zeros behind the point."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
