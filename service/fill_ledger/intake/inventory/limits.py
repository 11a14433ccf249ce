"""Limits of an inventory file. A fleet list has a few hundred rows; these leave room and still bound the work."""

from fill_ledger.trade.volumes import CARRIED_VOLUME_MAX_ML

MAXIMUM_FILE_BYTES = 10_000_000
MAXIMUM_UNPACKED_BYTES = 64_000_000  # of all parts of a workbook together
MAXIMUM_PARTS = 500  # members of the workbook's ZIP archive
MAXIMUM_TEXT_CHARACTERS = 32_000_000  # of all cells together, shared strings counted as often as they are used
MAXIMUM_ROWS = 20_000  # rows of the sheet, the header and blank rows between included
MAXIMUM_COLUMNS = 100
MAXIMUM_CELL_CHARACTERS = 2_000
MAXIMUM_SHOWN_CHARACTERS = 120  # of a faulty value, in a fault

HEADER_SEARCH_ROWS = 30  # title rows, logos and addresses stand above the header
LEAST_HEADER_FIELDS = 2  # a row with fewer known column names is not a header

SERIAL_CHARACTERS = 64
SPECIFICATION_CHARACTERS = 64
INVENTORY_NUMBER_CHARACTERS = 24
ALLOY_CHARACTERS = 16
STATION_CHARACTERS = 200
REMARK_CHARACTERS = MAXIMUM_CELL_CHARACTERS

# A spreadsheet keeps 15 digits of a number (IEEE 754 double, as shown); longer serials and tags lose their end.
EXACT_NUMBER_DIGITS = 15

# Below this a number is not the service pressure of a breathing-air cylinder, but a slip or another unit; the lowest
# class of cylinder that could hold breathing air at all is 3A480 (common practice, no source).
LEAST_SERVICE_PRESSURE_PSI = 200

# A cylinder carried by a person: a bigger number is the free air it holds, not its water volume (common practice).
GREATEST_CARRIED_WATER_VOLUME_ML = CARRIED_VOLUME_MAX_ML

EARLIEST_YEAR = 1900
# Day numbers of a spreadsheet that are taken for dates: 1945-01-01 to 2100-01-01 in the 1900 date system.
LEAST_DAY_NUMBER = 16_438
GREATEST_DAY_NUMBER = 73_051
