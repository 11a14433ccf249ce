"""From bytes to the one sheet with the header: which format, which encoding and delimiter, which sheet."""

import re
from collections.abc import Sequence

import msgspec

from fill_ledger.intake.inventory.cells import plain_text
from fill_ledger.intake.inventory.columns import GUIDE_SHEET
from fill_ledger.intake.inventory.delimited import read_delimited
from fill_ledger.intake.inventory.encodings import DecodedText, decode
from fill_ledger.intake.inventory.faults import FileNote, UnreadableFile, shortened
from fill_ledger.intake.inventory.headers import HeaderRow, find_header
from fill_ledger.intake.inventory.limits import HEADER_SEARCH_ROWS, LEAST_HEADER_FIELDS
from fill_ledger.intake.inventory.options import ReadingOptions
from fill_ledger.intake.inventory.tables import SourceSheet
from fill_ledger.intake.inventory.workbook import read_workbook

_ZIP_START = b"PK\x03\x04"
# First bytes of files that are sent by mistake, and what they are.
_OTHER_FORMATS = (
    (b"\xd0\xcf\x11\xe0", "an old or a password-protected workbook"),
    (b"%PDF", "a PDF"),
    (b"{\\rtf", "a word processor's file"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x89PNG", "a picture"),
    (b"\x1f\x8b", "a compressed file"),
)


class Source(msgspec.Struct, frozen=True, kw_only=True):
    """The sheet that holds the list, its header, and how it was read."""

    sheet: SourceSheet
    header: HeaderRow
    notes: tuple[FileNote, ...] = ()
    encoding: str | None = None
    delimiter: str | None = None
    counts_from_1904: bool = False


def read_source(content: bytes, options: ReadingOptions) -> Source:
    """Return the sheet with the header. Raises `UnreadableFile` where there is none or more than one."""
    if not content.strip():
        raise UnreadableFile("file-empty", "The file is empty.", "Send the list as CSV or XLSX.")
    for start, name in _OTHER_FORMATS:
        if content.startswith(start):
            raise UnreadableFile(
                "format-not-read", f"The file is {name}.", "Save the list as CSV or XLSX, without a password."
            )
    return _from_workbook(content, options) if content.startswith(_ZIP_START) else _from_text(content, options)


def _from_text(content: bytes, options: ReadingOptions) -> Source:
    decoded = decode(content, options.encoding)
    read = read_delimited(decoded.text, options.delimiter)
    header = find_header(read.sheet.rows)
    if header is None:
        raise _no_header()
    return Source(
        sheet=read.sheet,
        header=header,
        notes=_encoding_notes(decoded),
        encoding=decoded.encoding,
        delimiter=read.delimiter,
    )


def _encoding_notes(decoded: DecodedText) -> tuple[FileNote, ...]:
    if not decoded.guessed:
        return ()
    cells = [cell for cell in re.split(r"[,;|\t\r\n]", decoded.text) if not cell.isascii()]
    words = [cell for cell in cells if any(mark.isalpha() and not mark.isascii() for mark in cell)] or cells
    sample = f", such as in {shortened(plain_text(words[0]))!r}" if words else ""
    detail = f"The encoding was guessed as {decoded.encoding}; check the special characters{sample}."
    return (FileNote(code="encoding-guessed", detail=detail),)


def _from_workbook(content: bytes, options: ReadingOptions) -> Source:
    workbook = read_workbook(content)
    sheet, header = _sheet_with_header(workbook.sheets, options.sheet)
    others = [
        other.name or ""
        for other in workbook.sheets
        if other is not sheet and other.name != GUIDE_SHEET and any(not row.blank for row in other.rows)
    ]
    notes = (
        (FileNote(code="sheets-not-read", detail=f"Only the sheet {sheet.name!r} is read, not: {', '.join(others)}."),)
        if others
        else ()
    )
    return Source(sheet=sheet, header=header, notes=notes, counts_from_1904=workbook.counts_from_1904)


def _sheet_with_header(sheets: Sequence[SourceSheet], chosen: str | None) -> tuple[SourceSheet, HeaderRow]:
    if chosen is not None:
        sheets = [sheet for sheet in sheets if sheet.name == chosen]
        if not sheets:
            raise UnreadableFile(
                "sheet-missing", f"There is no sheet {chosen!r}.", "Name one of the workbook's sheets."
            )
    found = [
        (sheet, header)
        for sheet in sheets
        if chosen is not None or not sheet.hidden
        for header in [find_header(sheet.rows)]
        if header is not None
    ]
    if not found:
        raise _no_header()
    most = max(len(header.fields) for _, header in found)
    best = [(sheet, header) for sheet, header in found if len(header.fields) == most]
    if len(best) > 1:
        names = ", ".join(sheet.name or "" for sheet, _ in best)
        raise UnreadableFile(
            "several-lists",
            f"Several sheets hold a list: {names}.",
            "Import them one by one with sheet=..., or put them into one sheet.",
        )
    return best[0]


def _no_header() -> UnreadableFile:
    return UnreadableFile(
        "header-missing",
        f"None of the first {HEADER_SEARCH_ROWS} rows names at least {LEAST_HEADER_FIELDS} known columns.",
        "Put a row of column names above the list, such as Serial number and Specification; the template has all.",
    )
