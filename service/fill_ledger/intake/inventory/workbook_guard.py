"""What must hold of a workbook before it is given to the reader, and what the reader does not tell.

An XLSX file is a ZIP archive of XML parts (ECMA-376). A small file can unpack to a huge one, and one cell in the last
row and column makes a reader lay out the whole grid. So all parts are unpacked here once, counted and checked.
"""

import io
import posixpath
import re
import zipfile
import zlib
from xml.parsers import expat

import msgspec

from fill_ledger.intake.inventory.faults import UnreadableFile
from fill_ledger.intake.inventory.limits import (
    MAXIMUM_COLUMNS,
    MAXIMUM_PARTS,
    MAXIMUM_ROWS,
    MAXIMUM_TEXT_CHARACTERS,
    MAXIMUM_UNPACKED_BYTES,
)

_WORKBOOK = "xl/workbook.xml"
_RELATIONS = "xl/_rels/workbook.xml.rels"
_SHARED_STRINGS = "xl/sharedstrings.xml"
_LETTERS = 26
_REFERENCE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")
_CHUNK_BYTES = 1_000_000


class BrokenPlace(msgspec.Struct, frozen=True):
    """A cell whose formula has no value: its row and column from 1, and the error it shows, if any."""

    row: int
    column: int
    shown: str


class SheetPart(msgspec.Struct, frozen=True, kw_only=True):
    """What was found in one worksheet before reading it."""

    name: str
    broken: tuple[BrokenPlace, ...]


class WorkbookFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What a workbook says of itself: its worksheets, and whether its days count from 1904."""

    sheets: tuple[SheetPart, ...]
    counts_from_1904: bool


def inspect_workbook(content: bytes) -> WorkbookFacts:
    """Check a workbook against the limits and return what the cell reader does not tell. Raises `UnreadableFile`."""
    parts = _unpacked(content)
    if _WORKBOOK not in parts:
        raise UnreadableFile("not-a-workbook", "The file is no XLSX workbook.", "Save the list as XLSX or CSV.")
    names, counts_from_1904 = _sheet_names(parts[_WORKBOOK])
    targets = _targets(parts.get(_RELATIONS, b""))
    lengths = _shared_string_lengths(parts.get(_SHARED_STRINGS, b""))
    sheets = []
    characters = 0
    for name, relation in names:
        part = parts.get(_part_name(targets.get(relation, "")))
        if part is None:
            raise _broken(f"The sheet {name!r} is missing in the file.")
        scan = _SheetScan(name, lengths)
        scan.run(part)
        characters += scan.characters
        if characters > MAXIMUM_TEXT_CHARACTERS:
            raise UnreadableFile(
                "workbook-too-large",
                f"The cells of the workbook hold more than {MAXIMUM_TEXT_CHARACTERS} characters.",
                "Save only the list itself into a new workbook.",
            )
        sheets.append(SheetPart(name=name, broken=tuple(scan.broken)))
    return WorkbookFacts(sheets=tuple(sheets), counts_from_1904=counts_from_1904)


def _unpacked(content: bytes) -> dict[str, bytes]:
    """Unpack all parts, by lower-case name. The archive's own sizes bound the work, and its checksums prove them."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
            if len(members) > MAXIMUM_PARTS or sum(member.file_size for member in members) > MAXIMUM_UNPACKED_BYTES:
                raise UnreadableFile(
                    "workbook-too-large",
                    f"The workbook unpacks to more than {MAXIMUM_UNPACKED_BYTES} bytes or {MAXIMUM_PARTS} parts.",
                    "Save only the list itself into a new workbook, without pictures, or as CSV.",
                )
            parts = {member.filename.casefold(): archive.read(member) for member in members}
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError, OSError, zlib.error) as error:
        raise _broken(
            "The file starts like an XLSX workbook but cannot be unpacked; it may be cut or encrypted."
        ) from error
    if len(parts) != len(members):
        raise _broken("Two parts of the workbook have the same name.")
    return parts


def _broken(detail: str) -> UnreadableFile:
    return UnreadableFile(
        "workbook-broken", detail, "Open the workbook, save it again as XLSX without a password, and send that."
    )


def _part_name(target: str) -> str:
    if target.startswith("/"):
        return target[1:].casefold()
    return posixpath.normpath(posixpath.join("xl", target)).casefold()


def _local(name: str) -> str:
    return name.rpartition(":")[2]


def _parser() -> expat.XMLParserType:
    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = _refuse_doctype
    return parser


def _refuse_doctype(*_: object) -> None:
    raise _broken("A part of the workbook declares XML entities, which no spreadsheet writes.")


def _parse(parser: expat.XMLParserType, part: bytes) -> None:
    try:
        for start in range(0, len(part), _CHUNK_BYTES):
            parser.Parse(part[start : start + _CHUNK_BYTES], False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise _broken("A part of the workbook is not well-formed XML.") from error


def _sheet_names(part: bytes) -> tuple[list[tuple[str, str]], bool]:
    names: list[tuple[str, str]] = []
    counts_from_1904 = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal counts_from_1904
        if _local(tag) == "sheet":
            relation = next((value for key, value in attributes.items() if key.endswith(":id")), "")
            names.append((attributes.get("name", ""), relation))
        elif _local(tag) == "workbookPr":
            counts_from_1904 = attributes.get("date1904", "0") in {"1", "true"}

    parser = _parser()
    parser.StartElementHandler = start
    _parse(parser, part)
    return names, counts_from_1904


def _targets(part: bytes) -> dict[str, str]:
    targets: dict[str, str] = {}

    def start(tag: str, attributes: dict[str, str]) -> None:
        if _local(tag) == "Relationship":
            targets[attributes.get("Id", "")] = attributes.get("Target", "")

    parser = _parser()
    parser.StartElementHandler = start
    _parse(parser, part)
    return targets


def _shared_string_lengths(part: bytes) -> list[int]:
    lengths: list[int] = []

    def start(tag: str, _: dict[str, str]) -> None:
        if _local(tag) == "si":
            lengths.append(0)

    def text(characters: str) -> None:
        if lengths:
            lengths[-1] += len(characters)

    if part:
        parser = _parser()
        parser.StartElementHandler = start
        parser.CharacterDataHandler = text
        _parse(parser, part)
    return lengths


class _SheetScan:
    """Reads one worksheet part for its extent, its amount of text, and the formulas that have no value."""

    def __init__(self, name: str, string_lengths: list[int]) -> None:
        self.name = name
        self.string_lengths = string_lengths
        self.broken: list[BrokenPlace] = []
        self.characters = 0
        self.row = 0
        self.column = 0
        self.kind = ""
        self.value: str | None = None
        self.has_formula = False
        self.in_value = False

    def run(self, part: bytes) -> None:
        """Scan a worksheet part. Raises `UnreadableFile` beyond the limits of rows and columns."""
        parser = _parser()
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        _parse(parser, part)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = _local(tag)
        if name == "row":
            number = attributes.get("r", "")
            self.row = int(number) if number.isdecimal() else self.row + 1
            self.column = 0
        elif name == "c":
            self._start_cell(attributes)
        elif name == "f":
            self.has_formula = True
        elif name in {"v", "t"}:
            self.in_value = True
            self.value = self.value or ""

    def _start_cell(self, attributes: dict[str, str]) -> None:
        match = _REFERENCE.fullmatch(attributes.get("r", ""))
        if match is None:
            self.column += 1
        else:
            self.column = 0
            for letter in match[1]:
                self.column = self.column * _LETTERS + ord(letter) - ord("A") + 1
            self.row = int(match[2])
        self.kind = attributes.get("t", "")
        self.value = None
        self.has_formula = False

    def _text(self, characters: str) -> None:
        if self.in_value:
            self.value = (self.value or "") + characters

    def _end(self, tag: str) -> None:
        name = _local(tag)
        if name in {"v", "t"}:
            self.in_value = False
        elif name == "c":
            self._end_cell()

    def _end_cell(self) -> None:
        # A formula whose result is an empty text has the type "str"; without it an empty value is no result.
        is_broken = self.kind == "e" or (self.has_formula and not self.value and self.kind != "str")
        if self.value is None and not is_broken:
            return  # only formatted: the reader passes it over too
        if self.row > MAXIMUM_ROWS:
            raise UnreadableFile(
                "too-many-rows",
                f"The sheet {self.name!r} has content in row {self.row}; at most {MAXIMUM_ROWS} rows are read.",
                "Delete what stands below the list, or split the list.",
            )
        if self.column > MAXIMUM_COLUMNS:
            raise UnreadableFile(
                "too-many-columns",
                f"The sheet {self.name!r} has content in column {self.column}; at most {MAXIMUM_COLUMNS} are read.",
                "Delete what stands to the right of the list.",
            )
        if is_broken:
            self.broken.append(BrokenPlace(self.row, self.column, self.value or ""))
            return
        value = self.value or ""
        shared = self.kind == "s" and value.isdecimal() and int(value) < len(self.string_lengths)
        self.characters += self.string_lengths[int(value)] if shared else len(value)
