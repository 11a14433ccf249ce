"""Delimited text (CSV and its relatives) to rows. RFC 4180 quoting; comma, semicolon, tab or pipe between cells."""

import csv
import io
from collections.abc import Iterator
from contextlib import suppress
from itertools import islice
from typing import Literal

import msgspec

from fill_ledger.intake.inventory.faults import UnreadableFile
from fill_ledger.intake.inventory.headers import find_header
from fill_ledger.intake.inventory.limits import HEADER_SEARCH_ROWS, MAXIMUM_COLUMNS, MAXIMUM_ROWS
from fill_ledger.intake.inventory.tables import SourceRow, SourceSheet

Delimiter = Literal["comma", "semicolon", "tab", "pipe"]
DELIMITER_CHARACTERS: dict[Delimiter, str] = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|"}

# Some spreadsheets write and hide a first line that names the delimiter.
_DELIMITER_LINE = "sep="


class DelimitedText(msgspec.Struct, frozen=True, kw_only=True):
    """The rows of a delimited text and the delimiter they were read with."""

    sheet: SourceSheet
    delimiter: Delimiter


def read_delimited(text: str, delimiter: Delimiter | None = None) -> DelimitedText:
    """Return the rows of a delimited text, blank rows included, numbered as a spreadsheet would number them.

    Without `delimiter` the one is taken under which the best header stands among the first rows; of equals the one
    with the most cells. Raises `UnreadableFile` for broken quoting and for too many rows or columns.
    """
    text, declared = _without_delimiter_line(text)
    chosen = delimiter or declared or _best_delimiter(text)
    rows: list[SourceRow] = []
    for row in _rows(text, chosen):
        if row.number > MAXIMUM_ROWS:
            raise UnreadableFile(
                "too-many-rows", f"The file has more than {MAXIMUM_ROWS} rows.", "Split the file into several."
            )
        if len(row.cells) > MAXIMUM_COLUMNS:
            raise UnreadableFile(
                "too-many-columns",
                f"Row {row.number} has {len(row.cells)} cells; at most {MAXIMUM_COLUMNS} are taken.",
                "Delete the columns that are not needed, or check the quoting of this row.",
            )
        rows.append(row)
    return DelimitedText(sheet=SourceSheet(name=None, rows=tuple(rows)), delimiter=chosen)


def _without_delimiter_line(text: str) -> tuple[str, Delimiter | None]:
    first, _, rest = text.partition("\n")
    line = first.removesuffix("\r").strip("\"' ")
    for delimiter, character in DELIMITER_CHARACTERS.items():
        if line.casefold() == _DELIMITER_LINE + character:
            return rest, delimiter
    return text, None


def _rows(text: str, delimiter: Delimiter) -> Iterator[SourceRow]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=DELIMITER_CHARACTERS[delimiter], strict=True)
    number = 0
    while True:
        number += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise UnreadableFile(
                "broken-quoting",
                f"Row {number} cannot be read: a double quote is not closed or stands inside a cell.",
                "Put cells with quotes, line breaks or delimiters into double quotes and write a quote inside twice.",
            ) from error
        yield SourceRow(number, tuple(cells))


def _best_delimiter(text: str) -> Delimiter:
    return max(DELIMITER_CHARACTERS, key=lambda delimiter: _merit(text, delimiter))


def _merit(text: str, delimiter: Delimiter) -> tuple[int, int]:
    rows: list[SourceRow] = []
    with suppress(UnreadableFile):  # told later, with the delimiter that fits the rows before
        for row in islice(_rows(text, delimiter), HEADER_SEARCH_ROWS):
            rows.append(row)  # noqa: PERF402 - the rows before the broken one count
    header = find_header(rows)
    return (len(header.fields) if header is not None else 0, sum(len(row.cells) for row in rows))
