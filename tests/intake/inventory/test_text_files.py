"""Delimited text: encodings, delimiters, quoting, and limits."""

import codecs

import pytest

from fill_ledger.intake.inventory import ReadingOptions, read_inventory
from fill_ledger.intake.inventory.delimited import DELIMITER_CHARACTERS, Delimiter
from fill_ledger.intake.inventory.limits import MAXIMUM_COLUMNS, MAXIMUM_FILE_BYTES, MAXIMUM_ROWS
from tests.intake.inventory.support import TODAY, codes, note_codes, read_text

ACCENTED = "Serial,Spec,Use,Station\nAB1,3AL3000,scuba,Caf\N{LATIN SMALL LETTER E WITH ACUTE} Street\n"
STATION = "Caf\N{LATIN SMALL LETTER E WITH ACUTE} Street"


@pytest.mark.parametrize(
    ("content", "encoding", "guessed"),
    [
        (ACCENTED.encode(), "utf-8", False),
        (ACCENTED.encode("utf-8-sig"), "utf-8", False),
        (ACCENTED.encode("utf-16"), "utf-16", False),
        (codecs.BOM_UTF16_BE + ACCENTED.encode("utf-16-be"), "utf-16", False),
        (ACCENTED.encode("utf-16-le"), "utf-16", False),
        (ACCENTED.encode("utf-16-be"), "utf-16", False),
        (ACCENTED.encode("utf-32"), "utf-32", False),
        (ACCENTED.encode("cp1252"), "windows-1252", True),
    ],
)
def test_usual_encodings_are_told(content: bytes, encoding: str, guessed: bool) -> None:
    table = read_inventory(content, today=TODAY)
    assert table.faults == []
    assert table.encoding == encoding
    assert table.rows[0].home_station == STATION
    assert ("encoding-guessed" in note_codes(table)) is guessed


def test_a_guess_shows_a_word_to_check() -> None:
    table = read_inventory(ACCENTED.encode("cp1252"), today=TODAY)
    note = next(note for note in table.notes if note.code == "encoding-guessed")
    assert "Caf\N{LATIN SMALL LETTER E WITH ACUTE}" in note.detail


def test_bytes_that_windows_1252_has_not_are_left_to_detection() -> None:
    # In Mac Roman 0x8E is e with acute; 0x8D and 0x8F, which follow here, have no character in Windows-1252.
    text = "Serial,Spec,Use,Station\nAB1,3AL3000,scuba,Caf\u00e9 fa\u00e7ade \u00e8 \u00e7a o\u00f9\n"
    table = read_inventory(text.encode("mac_roman"), today=TODAY)
    assert table.faults == []
    assert table.encoding == "mac_roman"
    assert table.rows[0].home_station == "Caf\u00e9 fa\u00e7ade \u00e8 \u00e7a o\u00f9"


def test_the_encoding_may_be_said_and_is_then_held_to() -> None:
    content = ACCENTED.encode("cp1252")
    assert read_inventory(content, today=TODAY, options=ReadingOptions(encoding="windows-1252")).faults == []
    assert codes(read_inventory(content, today=TODAY, options=ReadingOptions(encoding="utf-8"))) == ["encoding-wrong"]


def test_a_broken_byte_order_mark_is_told() -> None:
    assert codes(read_inventory(codecs.BOM_UTF8 + b"Serial,Spec\xff", today=TODAY)) == ["encoding-wrong"]


@pytest.mark.parametrize("delimiter", DELIMITER_CHARACTERS)
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends_are_told(delimiter: Delimiter, line_end: str) -> None:
    character = DELIMITER_CHARACTERS[delimiter]
    rows = [["Serial", "Spec", "Use", "Remark"], ["AB1", "3AL3000", "scuba", '"a, b; c | d ""e"""']]
    table = read_text(line_end.join(character.join(row) for row in rows) + line_end)
    assert table.faults == []
    assert table.delimiter == delimiter
    assert table.rows[0].remark == 'a, b; c | d "e"'


def test_a_line_break_in_quotes_does_not_shift_the_row_numbers() -> None:
    table = read_text('Serial,Spec,Use,Remark\nAB1,3AL3000,scuba,"two\nlines"\n\nAB2,3AL3000,nonsense,\n')
    assert table.rows[0].remark == "two lines"
    assert [fault.row for fault in table.faults] == [4]


def test_a_line_that_names_the_delimiter_is_obeyed_and_not_counted() -> None:
    table = read_text("sep=;\r\nSerial;Spec;Use\r\nAB1;3AL3000;scuba\r\n")
    assert table.faults == []
    assert (table.delimiter, table.header_row, table.rows[0].row) == ("semicolon", 1, 2)


def test_cells_beyond_the_header_are_a_fault() -> None:
    table = read_text("Serial,Spec,Use,Remark\nAB1,3AL3000,scuba,one, two\nAB2,3AL3000,scuba,one,,\n")
    assert codes(table) == ["more-cells-than-header"]
    assert table.faults[0].row == 2
    assert [row.serial for row in table.rows] == ["AB2"]


def test_an_open_quote_is_told_with_its_row() -> None:
    table = read_text('Serial,Spec,Use\nAB1,3AL3000,scuba\nAB2,"3AL3000,scuba\n')
    assert codes(table) == ["broken-quoting"]
    assert "Row 3" in table.faults[0].detail


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "file-empty"),
        (b" \r\n ", "file-empty"),
        (b"%PDF-1.7", "format-not-read"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "format-not-read"),
        (b"PK\x03\x04 cut short", "workbook-broken"),
        (b"\x00\x01\x02\x03" * 20, "header-missing"),
        (b"a" * (MAXIMUM_FILE_BYTES + 1), "file-too-large"),
        (b"Serial,Spec,Use\n" + b"A,3AL3000,scuba\n" * MAXIMUM_ROWS, "too-many-rows"),
        (b"Serial,Spec,Use" + b"," * MAXIMUM_COLUMNS, "too-many-columns"),
        (b"Serial,Spec,Use\n", "no-rows"),
    ],
)
def test_files_that_cannot_be_read_have_one_fault(content: bytes, code: str) -> None:
    table = read_inventory(content, today=TODAY)
    assert codes(table) == [code]
    assert table.rows == []
    assert table.faults[0].suggestion
