"""XLSX workbooks to rows, through python-calamine."""

import io

import msgspec
from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

from fill_ledger.intake.inventory.cells import BrokenCell, Cell
from fill_ledger.intake.inventory.faults import UnreadableFile
from fill_ledger.intake.inventory.tables import SourceRow, SourceSheet
from fill_ledger.intake.inventory.workbook_guard import BrokenPlace, WorkbookFacts, inspect_workbook


class Workbook(msgspec.Struct, frozen=True, kw_only=True):
    """The worksheets of a workbook in their order, and whether its days count from 1904."""

    sheets: tuple[SourceSheet, ...]
    counts_from_1904: bool


def read_workbook(content: bytes) -> Workbook:
    """Return every worksheet of an XLSX file as rows of cells. Raises `UnreadableFile`."""
    facts = inspect_workbook(content)
    try:
        workbook = CalamineWorkbook.from_filelike(io.BytesIO(content))
        sheets = tuple(
            SourceSheet(
                name=metadata.name,
                rows=_rows(workbook, metadata.name, facts),
                hidden=metadata.visible is not SheetVisibleEnum.Visible,
            )
            for metadata in workbook.sheets_metadata
            if metadata.typ is SheetTypeEnum.WorkSheet
        )
    except (CalamineError, ValueError, OSError) as error:
        raise UnreadableFile(
            "workbook-broken",
            f"The workbook cannot be read: {error}.",
            "Open the workbook, save it again as XLSX without a password, and send that.",
        ) from error
    return Workbook(sheets=sheets, counts_from_1904=facts.counts_from_1904)


def _rows(workbook: CalamineWorkbook, name: str, facts: WorkbookFacts) -> tuple[SourceRow, ...]:
    grid: list[list[Cell]] = [list(row) for row in workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)]
    for place in _broken_places(name, facts):
        while len(grid) < place.row:
            grid.append([])
        row = grid[place.row - 1]
        row.extend([""] * (place.column - len(row)))
        row[place.column - 1] = BrokenCell(place.shown)
    return tuple(SourceRow(number, tuple(cells)) for number, cells in enumerate(grid, 1))


def _broken_places(name: str, facts: WorkbookFacts) -> tuple[BrokenPlace, ...]:
    return next((sheet.broken for sheet in facts.sheets if sheet.name == name), ())
