"""What is wrong in an inventory file, told cell by cell, and what is worth knowing although nothing is wrong."""

import msgspec

from fill_ledger.intake.inventory.limits import MAXIMUM_SHOWN_CHARACTERS


class CellFault(msgspec.Struct, frozen=True, kw_only=True):
    """One fault: where it is, what stands there, what is wrong and what would be right.

    `row` is the row as the spreadsheet numbers it, from 1, the header included; `column` is the header as written in
    the file; `field` is the plain name of what the column means. All three are None for a fault of the whole file,
    row and column also where none applies. `code` is stable; `detail` and `suggestion` are for people.
    """

    row: int | None
    column: str | None
    field: str | None
    value: str | None
    code: str
    detail: str
    suggestion: str


class FileNote(msgspec.Struct, frozen=True, kw_only=True):
    """Something the reader did or saw that the sender should know; it stops nothing."""

    code: str
    detail: str
    row: int | None = None
    column: str | None = None


class Trouble(msgspec.Struct, frozen=True, kw_only=True):
    """What is wrong with one value, before it is known where the value stands."""

    code: str
    detail: str
    suggestion: str


def file_fault(
    code: str,
    detail: str,
    suggestion: str,
    *,
    row: int | None = None,
    column: str | None = None,
    value: str | None = None,
) -> CellFault:
    """Return a fault of the file as a whole or of its header."""
    return CellFault(
        row=row,
        column=column,
        field=None,
        value=None if value is None else shortened(value),
        code=code,
        detail=detail,
        suggestion=suggestion,
    )


class UnreadableFile(Exception):
    """The file cannot be read as a table at all; carries the one fault that says why."""

    def __init__(self, code: str, detail: str, suggestion: str) -> None:
        super().__init__(detail)
        self.fault = file_fault(code, detail, suggestion)


def shortened(text: str) -> str:
    """Return text cut to what a fault shows, with a mark where it was cut."""
    if len(text) <= MAXIMUM_SHOWN_CHARACTERS:
        return text
    return text[:MAXIMUM_SHOWN_CHARACTERS] + "\N{HORIZONTAL ELLIPSIS}"
