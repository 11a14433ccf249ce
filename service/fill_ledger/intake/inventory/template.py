"""The template a clerk fills in, and the same table written from rows: CSV and XLSX.

Whatever is written here reads back as it was. Text that a spreadsheet would take for a formula gets a single quote in
front (OWASP ASVS 5.0, requirement 1.2.10); quoting of CSV follows RFC 4180, sections 2.6 and 2.7.
"""

import csv
import io
from collections.abc import Iterable

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from fill_ledger.intake.inventory.cells import protected_text
from fill_ledger.intake.inventory.columns import GUIDE_SHEET, LIST_SHEET, TEMPLATE_COLUMNS, Field
from fill_ledger.intake.inventory.delimited import DELIMITER_CHARACTERS, Delimiter
from fill_ledger.intake.inventory.encodings import ENCODING_NAMES, Encoding
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.trade.pressure import PressureUnit

_TEXT_FORMAT = "@"  # keeps a spreadsheet from turning months into dates and serials into numbers
_LEAST_WIDTH = 14
_GUIDE_WIDTHS = (26, 90, 22)
_MILLILITRES_PER_LITRE = 1000
_MILLILITRES_PER_HUNDREDTH = 10


def write_csv(
    rows: Iterable[InventoryRow] = (), *, encoding: Encoding = "utf-8", delimiter: Delimiter = "comma"
) -> bytes:
    """Return the table as delimited text with its header; without rows it is the template.

    UTF-8 and UTF-16 begin with a byte order mark, which spreadsheets need to tell them. Raises `UnicodeEncodeError`
    for a character that the encoding has not.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=DELIMITER_CHARACTERS[delimiter], lineterminator="\r\n")
    writer.writerow([column.header for column in TEMPLATE_COLUMNS])
    for row in rows:
        writer.writerow(row_texts(row))
    return text.getvalue().encode(ENCODING_NAMES[encoding])


def write_xlsx(rows: Iterable[InventoryRow] = ()) -> bytes:
    """Return the table as an XLSX workbook, with a second sheet that says what to enter."""
    workbook = Workbook()
    workbook.remove(workbook.worksheets[0])
    sheet = workbook.create_sheet(LIST_SHEET)
    _write_row(sheet, 1, [column.header for column in TEMPLATE_COLUMNS], bold=True)
    for number, row in enumerate(rows, 2):
        _write_row(sheet, number, row_texts(row))
    sheet.freeze_panes = "A2"
    for index, column in enumerate(TEMPLATE_COLUMNS, 1):
        dimension = sheet.column_dimensions[get_column_letter(index)]
        dimension.number_format = _TEXT_FORMAT
        dimension.width = max(_LEAST_WIDTH, len(column.header) + 2)
    _write_guide(workbook.create_sheet(GUIDE_SHEET))
    content = io.BytesIO()
    workbook.save(content)
    return content.getvalue()


def row_texts(row: InventoryRow) -> list[str]:
    """Return a row's cells as text, in the template's order, safe for a spreadsheet."""
    texts: dict[Field, str | None] = {
        Field.INVENTORY_NUMBER: row.inventory_number,
        Field.SERIAL: row.serial,
        Field.SPECIFICATION: row.specification_as_entered,
        Field.SERVICE_PRESSURE: _pressure_text(row),
        Field.WATER_VOLUME: _volume_text(row.water_volume_ml),
        Field.MANUFACTURED: row.manufactured,
        Field.LAST_REQUALIFIED: row.last_requalified,
        Field.REQUALIFIER: row.requalifier,
        Field.REQUALIFICATION_METHOD: (row.requalification_method or "").replace("_", " "),
        Field.REQUALIFICATION_MARKS: ", ".join("plus" if mark == "+" else mark for mark in row.requalification_marks),
        Field.MATERIAL: row.material,
        Field.ALLOY: row.alloy,
        Field.USE: row.use,
        Field.TAG: row.tag,
        Field.HOME_STATION: row.home_station,
        Field.CONDITION: row.condition.replace("_", " "),
        Field.PURCHASED: row.purchased,
        Field.REMARK: row.remark,
    }
    return [protected_text(texts[column.field] or "") for column in TEMPLATE_COLUMNS]


def _pressure_text(row: InventoryRow) -> str:
    pressure = row.service_pressure
    return pressure.value if pressure.unit is PressureUnit.PSI else pressure.text


def _volume_text(millilitres: int | None) -> str | None:
    """Write litres with at most two decimals, else millilitres: three decimals could be read as thousands."""
    if millilitres is None:
        return None
    if millilitres % _MILLILITRES_PER_HUNDREDTH:
        return f"{millilitres} ml"
    litres, rest = divmod(millilitres, _MILLILITRES_PER_LITRE)
    hundredths = f".{rest // _MILLILITRES_PER_HUNDREDTH:02d}".rstrip("0").rstrip(".")
    return f"{litres}{hundredths}"


def _write_row(sheet: Worksheet, number: int, texts: Iterable[str], *, bold: bool = False) -> None:
    for index, text in enumerate(texts, 1):
        cell = sheet.cell(row=number, column=index, value=text)
        # Text by type, not by look: whatever it begins with, it must never become a formula.
        cell.data_type = "s"
        cell.number_format = _TEXT_FORMAT
        if bold:
            cell.font = Font(bold=True)


def _write_guide(sheet: Worksheet) -> None:
    _write_row(sheet, 1, ("Column", "What to enter", "Example"), bold=True)
    for number, column in enumerate(TEMPLATE_COLUMNS, 2):
        entry = f"{column.entry} Required." if column.required else column.entry
        _write_row(sheet, number, (column.header, entry, column.example))
        for cell in sheet[number]:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    for index, width in enumerate(_GUIDE_WIDTHS, 1):
        sheet.column_dimensions[get_column_letter(index)].width = width
