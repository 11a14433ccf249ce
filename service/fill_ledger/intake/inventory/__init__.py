"""A department's inventory file: read into clean rows and a list of everything that is faulty in it."""

from fill_ledger.intake.inventory.faults import CellFault, FileNote
from fill_ledger.intake.inventory.options import ReadingOptions
from fill_ledger.intake.inventory.reading import InventoryTable, read_inventory
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.intake.inventory.template import write_csv, write_xlsx

__all__ = [
    "CellFault",
    "FileNote",
    "InventoryRow",
    "InventoryTable",
    "ReadingOptions",
    "read_inventory",
    "write_csv",
    "write_xlsx",
]
