"""A file's content as rows of cells, numbered as the spreadsheet numbers them."""

import msgspec

from fill_ledger.intake.inventory.cells import Cell, is_blank


class SourceRow(msgspec.Struct, frozen=True):
    """One row: its number in the spreadsheet, from 1, and its cells from the first column on."""

    number: int
    cells: tuple[Cell, ...]

    @property
    def blank(self) -> bool:
        """Whether nothing stands in the row."""
        return all(is_blank(cell) for cell in self.cells)


class SourceSheet(msgspec.Struct, frozen=True, kw_only=True):
    """One sheet of a workbook, or a whole delimited text (then without a name)."""

    name: str | None
    rows: tuple[SourceRow, ...]
    hidden: bool = False
