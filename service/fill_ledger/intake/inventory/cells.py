"""One cell as it comes out of a file, and the text a person meant by it."""

import re
import unicodedata
from datetime import date, datetime, time, timedelta
from decimal import Decimal

import msgspec

from fill_ledger.intake.inventory.faults import Trouble
from fill_ledger.intake.inventory.limits import EXACT_NUMBER_DIGITS, MAXIMUM_CELL_CHARACTERS

# What clerks write to say that a cell is empty on purpose (common practice, no source).
PLACEHOLDERS = frozenset(
    {"", "-", "--", "---", "n/a", "na", "n.a.", "none", "nil", "null", "tbd", "unknown", "?", "??", "."}
)

# Characters that start a formula when a spreadsheet opens the file: OWASP ASVS 5.0 requirement 1.2.10, which asks for
# a leading single quote; the full-width forms are added because some programs fold them.
FORMULA_STARTS = tuple(
    "=+-@\t\r\0\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)
LITERAL_MARKS = ("'", "\N{RIGHT SINGLE QUOTATION MARK}", "\N{LEFT SINGLE QUOTATION MARK}")

_INVISIBLE = re.compile("[\u00ad\u200b-\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff]")
_DASHES = re.compile("[\u2010-\u2015\u2212]")
_SHORTENED_NUMBER = re.compile(r"[+-]?\d(?:[.,]\d+)?[eE]\+\d+")


class BrokenCell(msgspec.Struct, frozen=True):
    """A cell whose formula has no value: `shown` is the error as the spreadsheet shows it, or empty."""

    shown: str


Cell = str | int | float | bool | date | datetime | time | timedelta | BrokenCell


def shown(cell: Cell) -> str:
    """Return a cell the way a person sees it in the spreadsheet, as nearly as the file tells."""
    if isinstance(cell, BrokenCell):
        return cell.shown
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else format(Decimal(repr(cell)), "f")
    if isinstance(cell, datetime) and cell.time() == time():
        return cell.date().isoformat()
    if isinstance(cell, (date, datetime, time)):
        return cell.isoformat()
    return str(cell)


def is_blank(cell: Cell) -> bool:
    """Return whether nothing a person can see stands in the cell."""
    return isinstance(cell, str) and not plain_text(cell)


def plain_text(text: str) -> str:
    """Return text with composed characters (Unicode NFC), single ordinary spaces, plain dashes, nothing invisible."""
    visible = _DASHES.sub("-", _INVISIBLE.sub("", unicodedata.normalize("NFC", text)))
    return " ".join(visible.split())


def meant_text(text: str) -> str:
    """Return what a person meant by a text cell: plain, without the mark that keeps it text, empty for a placeholder.

    A leading single quote is how spreadsheets mark "this is text"; it often survives into exported files.
    """
    plain = plain_text(text)
    if plain.startswith(LITERAL_MARKS):
        return plain[1:].strip()
    return "" if plain.casefold() in PLACEHOLDERS else plain


def protected_text(text: str) -> str:
    """Return text safe to write into a spreadsheet: never a formula, and read back by `meant_text` unchanged."""
    if text.startswith((*FORMULA_STARTS, *LITERAL_MARKS)) or (text and text.casefold() in PLACEHOLDERS):
        return "'" + text
    return text


def cell_trouble(cell: Cell) -> Trouble | None:
    """Return what is wrong with a cell whatever column it stands in, or None."""
    if isinstance(cell, BrokenCell):
        return Trouble(
            code="formula-without-value",
            detail=f"The cell holds a formula whose result is {cell.shown or 'not stored in the file'}.",
            suggestion="Replace the formula by its value, or clear the cell.",
        )
    if not isinstance(cell, str):
        return None
    if len(cell) > MAXIMUM_CELL_CHARACTERS:
        return Trouble(
            code="cell-too-long",
            detail=f"The cell has {len(cell)} characters; at most {MAXIMUM_CELL_CHARACTERS} are taken.",
            suggestion="Shorten the text.",
        )
    if any(_is_control(character) for character in cell):
        return Trouble(
            code="control-character",
            detail="The cell holds a character that cannot be seen or printed.",
            suggestion="Type the value again.",
        )
    return None


def _is_control(character: str) -> bool:
    if character in "\t\r\n":
        return False
    return unicodedata.category(character) in {"Cc", "Cs"} or character == "\N{REPLACEMENT CHARACTER}"


def identifier_text(cell: Cell, what: str) -> str | Trouble:
    """Return the text of a cell that names one thing (serial, tag, number), refusing what a spreadsheet has altered.

    `what` names the thing in the trouble's wording. Whole numbers become their digits; an empty cell gives "".
    """
    if isinstance(cell, str):
        text = meant_text(cell)
        if _SHORTENED_NUMBER.fullmatch(text):
            return Trouble(
                code="number-shortened",
                detail=f"The spreadsheet has shortened this {what} to a rounded number; its digits are lost.",
                suggestion=f"Format the column as text and type the {what} again.",
            )
        return text
    if isinstance(cell, bool) or not isinstance(cell, (int, float)):
        return Trouble(
            code="not-text",
            detail=f"The spreadsheet holds a {_kind(cell)} here, not the {what} as it is written on the cylinder.",
            suggestion=f"Format the column as text and type the {what} again.",
        )
    digits = shown(cell)
    if not digits.isdigit():
        return Trouble(
            code="not-text",
            detail=f"The spreadsheet holds a number with a sign or a fraction here, which is no {what}.",
            suggestion=f"Format the column as text and type the {what} again.",
        )
    if len(digits) > EXACT_NUMBER_DIGITS:
        return Trouble(
            code="number-shortened",
            detail=f"A spreadsheet keeps {EXACT_NUMBER_DIGITS} digits of a number; the end of this {what} may be lost.",
            suggestion=f"Format the column as text and type the {what} again.",
        )
    return digits


def _kind(cell: Cell) -> str:
    if isinstance(cell, bool):
        return "true/false value"
    if isinstance(cell, (date, datetime)):
        return "date"
    return "time"
