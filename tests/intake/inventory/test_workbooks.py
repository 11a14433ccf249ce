"""XLSX workbooks: sheets, real date cells, formulas, and files made to do harm."""

import io
import zipfile
from datetime import date, datetime

import pytest
from openpyxl import Workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from fill_ledger.intake.inventory import InventoryTable, ReadingOptions, read_inventory
from fill_ledger.intake.inventory.limits import MAXIMUM_PARTS, MAXIMUM_UNPACKED_BYTES
from tests.intake.inventory.support import TODAY, codes, note_codes, workbook_bytes

HEADER: list[object] = ["Serial", "Spec", "WP (psi)", "Mfg date", "Hydro date", "Use"]
ROW: list[object] = ["AB1", "3AL3000", 3000, date(2010, 6, 1), datetime(2024, 2, 15, 0, 0), "scuba"]  # noqa: DTZ001 - as in a cell


def read_sheets(sheets: dict[str, list[list[object]]], options: ReadingOptions | None = None) -> InventoryTable:
    return read_inventory(workbook_bytes(dict(sheets)), today=TODAY, options=options)


def test_dates_numbers_and_title_rows() -> None:
    table = read_sheets({"Fleet": [["Millbrook County"], [], [None, "as of", date(2026, 11, 1)], HEADER, ROW, [], []]})
    assert table.faults == []
    assert (table.sheet, table.header_row, table.encoding, table.delimiter) == ("Fleet", 4, None, None)
    row = table.rows[0]
    assert (row.row, row.manufactured, row.last_requalified) == (5, "2010-06", "2024-02")
    assert row.service_pressure.text == "3000 psi"


def test_the_row_numbers_are_those_of_the_spreadsheet() -> None:
    workbook = Workbook()
    sheet = workbook.worksheets[0]
    for index, text in enumerate(HEADER, 3):
        sheet.cell(row=7, column=index, value=str(text))
        sheet.cell(row=12, column=index, value="nonsense")
    content = io.BytesIO()
    workbook.save(content)
    table = read_inventory(content.getvalue(), today=TODAY)
    assert table.header_row == 7
    assert {fault.row for fault in table.faults} == {12}


def test_the_sheet_with_the_header_is_read_and_named() -> None:
    table = read_sheets({"Cover": [["Fleet list"]], "Cylinders": [HEADER, ROW], "Codes": [["scba", "air"]]})
    assert table.sheet == "Cylinders"
    note = next(note for note in table.notes if note.code == "sheets-not-read")
    assert "Cover, Codes" in note.detail


def test_several_lists_are_asked_about_and_one_may_be_chosen() -> None:
    sheets: dict[str, list[list[object]]] = {"North": [HEADER, ROW], "South": [HEADER, ["AB2", *ROW[1:]]]}
    table = read_sheets(sheets)
    assert codes(table) == ["several-lists"]
    assert "North, South" in table.faults[0].detail
    assert read_sheets(sheets, ReadingOptions(sheet="South")).rows[0].serial == "AB2"
    assert codes(read_sheets(sheets, ReadingOptions(sheet="East"))) == ["sheet-missing"]


def test_a_hidden_sheet_is_read_only_by_name() -> None:
    workbook = Workbook()
    workbook.worksheets[0].title = "Visible"
    hidden = workbook.create_sheet("Old list")
    hidden.sheet_state = "hidden"
    for row in (HEADER, ROW):
        hidden.append(row)
    content = io.BytesIO()
    workbook.save(content)
    assert codes(read_inventory(content.getvalue(), today=TODAY)) == ["header-missing"]
    assert read_inventory(content.getvalue(), today=TODAY, options=ReadingOptions(sheet="Old list")).faults == []


def test_formulas_without_a_value_and_error_cells_are_faults() -> None:
    workbook = Workbook()
    sheet = workbook.worksheets[0]
    sheet.append(HEADER)
    sheet.append(["AB1", "3AL3000", 3000, date(2010, 6, 1), "=VLOOKUP(A2,Other!A:B,2)", "scuba"])
    sheet.append(["AB2", "3AL3000", 3000, date(2010, 6, 1), "#N/A", "scuba"])
    sheet.cell(row=3, column=5).data_type = "e"
    content = io.BytesIO()
    workbook.save(content)
    table = read_inventory(content.getvalue(), today=TODAY)
    assert codes(table) == ["formula-without-value", "formula-without-value"]
    assert [(fault.row, fault.column, fault.value) for fault in table.faults] == [
        (2, "Hydro date", ""),
        (3, "Hydro date", "#N/A"),
    ]


@pytest.mark.parametrize("counts_from_1904", [False, True])
def test_both_date_systems(counts_from_1904: bool) -> None:
    workbook = Workbook()
    if counts_from_1904:
        workbook.epoch = CALENDAR_MAC_1904
    sheet = workbook.worksheets[0]
    sheet.append(HEADER)
    sheet.append(ROW)
    # Day numbers that lost their date format: 2011-07-05 is 40729 from 1900 and 1462 less from 1904.
    sheet.append(["AB2", "3AL3000", 3000, 40729 - 1462 * counts_from_1904, None, "scuba"])
    content = io.BytesIO()
    workbook.save(content)
    table = read_inventory(content.getvalue(), today=TODAY)
    assert table.faults == []
    assert [row.manufactured for row in table.rows] == ["2010-06", "2011-07"]
    assert "day-numbers-read" in note_codes(table)


def rewritten(content: bytes, changes: dict[str, bytes]) -> bytes:
    """Return a workbook with some parts replaced or added."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    changed = io.BytesIO()
    with zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in {**parts, **changes}.items():
            archive.writestr(name, part)
    return changed.getvalue()


def sheet_xml(cells: str) -> bytes:
    namespace = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    return f'<worksheet xmlns="{namespace}"><sheetData>{cells}</sheetData></worksheet>'.encode()


PLAIN = workbook_bytes({"List": [HEADER, ROW]})
SHEET = "xl/worksheets/sheet1.xml"


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"xl/media/picture.png": b"\0" * (MAXIMUM_UNPACKED_BYTES + 1)}, "workbook-too-large"),
        ({f"xl/media/{number}.png": b"" for number in range(MAXIMUM_PARTS)}, "workbook-too-large"),
        ({SHEET: sheet_xml('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>')}, "too-many-rows"),
        ({SHEET: sheet_xml('<row r="1048576"><c r="A1048576"><f>1+1</f></c></row>')}, "too-many-rows"),
        ({SHEET: sheet_xml('<row r="1"><c r="XFD1"><v>1</v></c></row>')}, "too-many-columns"),
        ({SHEET: sheet_xml("<row>" + "<c><v>1</v></c>" * 101 + "</row>")}, "too-many-columns"),
        ({SHEET: sheet_xml('<row r="1"><c r="A1"><v>1</v></row>')}, "workbook-broken"),
        ({SHEET: b'<!DOCTYPE x [<!ENTITY a "b">]>' + sheet_xml("")}, "workbook-broken"),
        ({"XL/WORKBOOK.XML": b"<workbook/>"}, "workbook-broken"),
        ({"xl/_rels/workbook.xml.rels": b"<Relationships/>"}, "workbook-broken"),
    ],
)
def test_workbooks_made_to_do_harm_are_refused(changes: dict[str, bytes], code: str) -> None:
    assert codes(read_inventory(rewritten(PLAIN, changes), today=TODAY)) == [code]


def test_one_long_text_used_by_very_many_cells_is_refused() -> None:
    long_text = "x" * 30_000
    strings = f"<sst><si><t>{long_text}</t></si></sst>".encode()
    rows = "".join(f'<row r="{row}">' + f'<c r="A{row}" t="s"><v>0</v></c>' * 1 + "</row>" for row in range(1, 2_001))
    content = rewritten(PLAIN, {"xl/sharedStrings.xml": strings, SHEET: sheet_xml(rows)})
    assert len(content) < 100_000
    assert codes(read_inventory(content, today=TODAY)) == ["workbook-too-large"]


def test_formatting_far_below_the_list_does_no_harm() -> None:
    workbook = Workbook()
    sheet = workbook.worksheets[0]
    sheet.append(HEADER)
    sheet.append(ROW)
    sheet.cell(row=900_000, column=1).number_format = "@"
    content = io.BytesIO()
    workbook.save(content)
    assert len(read_inventory(content.getvalue(), today=TODAY).rows) == 1


def test_another_office_archive_is_told_apart() -> None:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as archive:
        archive.writestr("word/document.xml", "<document/>")
    assert codes(read_inventory(content.getvalue(), today=TODAY)) == ["not-a-workbook"]


@pytest.mark.parametrize("position", range(0, len(PLAIN), 97))
def test_a_damaged_workbook_never_raises(position: int) -> None:
    """One byte of the file is turned over; the answer is a table or a fault, whatever the byte was."""
    damaged = bytearray(PLAIN)
    damaged[position] ^= 0xFF
    table = read_inventory(bytes(damaged), today=TODAY)
    assert table.rows or table.faults
