"""What the tests of inventory files share."""

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date

from openpyxl import Workbook

from fill_ledger.intake.inventory import InventoryTable, ReadingOptions, read_inventory

TODAY = date(2026, 11, 24)

HEADER = ("Serial No.", "Spec", "Service pressure (psi)", "Manufactured", "Last hydro", "Use")


def read_text(text: str, options: ReadingOptions | None = None) -> InventoryTable:
    return read_inventory(text.encode(), today=TODAY, options=options)


def read_rows(
    rows: Iterable[Sequence[object]], header: Sequence[str] = HEADER, options: ReadingOptions | None = None
) -> InventoryTable:
    """Read rows written as plain CSV below a header."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(header)
    writer.writerows(rows)
    return read_text(text.getvalue(), options)


def read_one(column: str, value: object, options: ReadingOptions | None = None, **others: object) -> InventoryTable:
    """Read a file of one otherwise faultless cylinder with one column more or changed."""
    cells: dict[str, object] = {"Serial No.": "AB1001", "Spec": "DOT-SP10915-4500", "Use": "scba", **others}
    cells[column] = value
    return read_rows([list(cells.values())], header=list(cells), options=options)


def workbook_bytes(sheets: dict[str, Iterable[Sequence[object]]]) -> bytes:
    """Return an XLSX file with these sheets, each from its rows."""
    workbook = Workbook()
    workbook.remove(workbook.worksheets[0])
    for name, rows in sheets.items():
        sheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    content = io.BytesIO()
    workbook.save(content)
    return content.getvalue()


def codes(table: InventoryTable) -> list[str]:
    return [fault.code for fault in table.faults]


def note_codes(table: InventoryTable) -> list[str]:
    return [note.code for note in table.notes]


def read_inventory_of_cells(cells: dict[str, object]) -> InventoryTable:
    """Read a workbook of one otherwise faultless cylinder with these cells as they are."""
    full = {"Serial": "AB1001", "Spec": "DOT-SP10915-4500", "Use": "scba", **cells}
    return read_inventory(workbook_bytes({"List": [list(full), list(full.values())]}), today=TODAY)
