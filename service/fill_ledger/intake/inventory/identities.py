"""What names and describes one cylinder: serial, specification mark, numbers, tag, station."""

import re

from fill_ledger.intake.inventory.cells import Cell, identifier_text
from fill_ledger.intake.inventory.faults import Trouble
from fill_ledger.intake.inventory.limits import (
    ALLOY_CHARACTERS,
    INVENTORY_NUMBER_CHARACTERS,
    SERIAL_CHARACTERS,
    SPECIFICATION_CHARACTERS,
    STATION_CHARACTERS,
)
from fill_ledger.trade.mark_types import SpecificationFault, SpecificationMark
from fill_ledger.trade.marks import parse_specification
from fill_ledger.trade.tags import TagFault, normalise_tag

_INVENTORY_NUMBER = re.compile(r"[A-Z0-9][A-Z0-9./-]*")
_RIN = re.compile(r"[A-Z0-9]{4}")


def read_serial(cell: Cell) -> str | Trouble | None:
    """Return the serial as stamped, in upper case with single spaces."""
    text = identifier_text(cell, "serial number")
    return text if isinstance(text, Trouble) else _not_longer(text.upper(), SERIAL_CHARACTERS, "serial number")


def read_specification(cell: Cell) -> SpecificationMark | Trouble | None:
    """Return the specification mark taken apart; None for an empty cell."""
    text = _not_longer(identifier_text(cell, "specification"), SPECIFICATION_CHARACTERS, "specification")
    if text is None or isinstance(text, Trouble):
        return text
    mark = parse_specification(text)
    if isinstance(mark, SpecificationFault):
        return Trouble(
            code=f"specification-{mark.code}", detail=_sentence(mark.detail), suggestion=_sentence(mark.suggestion)
        )
    return mark


def read_inventory_number(cell: Cell) -> str | Trouble | None:
    """Return the painted number in upper case, without a leading number sign."""
    text = identifier_text(cell, "inventory number")
    if isinstance(text, Trouble):
        return text
    number = text.upper().removeprefix("#").strip()
    if not number:
        return None
    if len(number) > INVENTORY_NUMBER_CHARACTERS or _INVENTORY_NUMBER.fullmatch(number) is None:
        usable = re.sub(r"[^A-Z0-9./-]+", "-", number).strip("-./")[:INVENTORY_NUMBER_CHARACTERS]
        return Trouble(
            code="inventory-number-form",
            detail=(
                f"An inventory number has at most {INVENTORY_NUMBER_CHARACTERS} letters, digits, dots, slashes and "
                "hyphens, and begins with a letter or digit."
            ),
            suggestion=f"Such as {usable}." if usable else "Enter the number as painted.",
        )
    return number


def read_requalifier(cell: Cell) -> str | Trouble | None:
    """Return the requalifier identification number: four letters or digits (49 CFR 180.213(d), inferred from A123)."""
    text = identifier_text(cell, "requalifier identification number")
    if isinstance(text, Trouble) or not text:
        return text or None
    number = re.sub(r"[\s-]", "", text.upper()).removeprefix("RIN")
    if _RIN.fullmatch(number) is None:
        return Trouble(
            code="requalifier-form",
            detail=f"{text!r} is not four letters or digits.",
            suggestion="Enter the four characters between month and year, clockwise from the upper left, such as A123.",
        )
    return number


def read_tag(cell: Cell) -> str | Trouble | None:
    """Return the tag's canonical text."""
    text = identifier_text(cell, "tag")
    if isinstance(text, Trouble) or not text:
        return text or None
    tag = normalise_tag(text)
    if isinstance(tag, TagFault):
        return Trouble(code=f"tag-{tag.code}", detail=_sentence(tag.detail), suggestion=_sentence(tag.suggestion))
    return tag.canonical


def read_alloy(cell: Cell) -> str | Trouble | None:
    """Return the alloy in upper case without spaces, such as 6061-T6."""
    text = identifier_text(cell, "alloy")
    if isinstance(text, Trouble):
        return text
    return _not_longer(text.upper().replace(" ", ""), ALLOY_CHARACTERS, "alloy")


def read_station(cell: Cell) -> str | Trouble | None:
    """Return the station's name or code as written."""
    return _not_longer(identifier_text(cell, "station"), STATION_CHARACTERS, "station")


def _not_longer(text: str | Trouble, characters: int, what: str) -> str | Trouble | None:
    if isinstance(text, Trouble) or not text:
        return text or None
    if len(text) > characters:
        return Trouble(
            code="cell-too-long",
            detail=f"A {what} has at most {characters} characters; this has {len(text)}.",
            suggestion=f"Enter only the {what}.",
        )
    return text


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."
