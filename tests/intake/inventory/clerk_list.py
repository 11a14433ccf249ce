"""A fleet list of 400 cylinders as a clerk of an invented county would send it, the same as text and as workbook.

Everything in it is made up by counting; nothing is random, so a failing row is the same row tomorrow.
"""

import csv
import io
from collections.abc import Iterator
from datetime import date

from openpyxl import Workbook

from fill_ledger.intake.inventory.dates import DAY_ZERO_1900

CLERK_ROWS = 400
HEADER_ROW = 4
TITLE_ROWS: list[list[object]] = [["Millbrook County Fire Authority"], ["Cylinder list \N{EN DASH} all stations"], []]
HEADER = [
    "Cyl #",
    "S/N",
    "DOT Spec.",
    "W.P.",
    "Water vol. (L)",
    "Born on",
    "Last  Hydro",
    "Used for",
    "Station",
    "Status",
    "Colour",
    "Remarks",
]
MONTH_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# Specification, its pressure as a clerk writes it, litres with a decimal comma, use.
KINDS = (
    ("DOT-SP 10915-4500", "4,500", "6,8", "SCBA"),
    ("sp10915", "4500 PSI", "9", "scba "),
    ("3AA2015", "2015", "11,1", "Dive"),
    ("DOT-3AL3000", "207 bar", "11,1", "scuba"),
    ("E 10915 4500", "", "6,8", "S.C.B.A"),
    ("DOT 3AA 2400", "2400", "43", "Cascade"),
)
STATIONS = (
    "Station 1",
    "Caf\N{LATIN SMALL LETTER E WITH ACUTE} Street",
    "N\N{NO-BREAK SPACE}\N{EN DASH}\N{NO-BREAK SPACE}3",
    "",
)

Row = list[object]


def _date(kind: int, year: int, month: int, *, native: bool) -> object:
    """Write a month in one of the ways people do; `native` gives a workbook's own date cell where there is one."""
    day = date(year, month, 28)
    forms: tuple[object, ...] = (
        f"{month:02d}/{year}",
        f"{MONTH_NAMES[month - 1]} {year}",
        f"{month}/28/{year}",
        day if native else day.isoformat(),
        f"{MONTH_NAMES[month - 1]}-{year}",
        (day - DAY_ZERO_1900).days if native else str((day - DAY_ZERO_1900).days),
        f"{month}/5/{year}",  # settled by the forms with a 28
    )
    return forms[kind % len(forms)]


def _cylinder(number: int, *, native: bool) -> Row:
    specification, pressure, litres, use = KINDS[number % len(KINDS)]
    serial: object = f"{'QXZ'[number % 3]}K{10_000 + number}"
    if number % 11 == 0:
        serial = 700_000 + number if native else str(700_000 + number)
    elif number % 7 == 0:
        serial = f"'00{10_000 + number}"
    elif number % 5 == 0:
        serial = f"\N{NO-BREAK SPACE}{serial}  "
    return [
        f"#{number + 1}",
        serial,
        specification,
        pressure,
        float(litres.replace(",", ".")) if native else litres,
        _date(number, 2012 + number % 6, number % 12 + 1, native=native),
        _date(number + 3, 2022 + number % 4, number % 12 + 1, native=native),
        use,
        STATIONS[number % len(STATIONS)],
        ("Active", "in service", "OOS", "")[number % 4],
        "yellow",
        "n/a" if number % 2 else "valve: 'new', see \"book\"; page 3",
    ]


def _with_faults(rows: list[Row]) -> None:
    """Put one fault into every tenth row of the spreadsheet; the tests list them."""
    first = HEADER_ROW + 1
    places: dict[int, tuple[int, object]] = {
        10: (6, "02/30/2023"),
        20: (1, "1.23457E+11"),
        30: (3, "5,500 psi"),
        40: (6, "Dec 2026"),
        50: (1, rows[60 - first][1]),
        70: (4, "1200"),
        80: (2, "see tank"),
    }
    for number, (column, value) in places.items():
        rows[number - first][column] = value
    rows[30 - first][2] = "DOT-SP10915-4500"
    rows[70 - first][7] = "SCBA"


def _rows(*, faults: bool, native: bool) -> list[Row]:
    rows = [_cylinder(number, native=native) for number in range(CLERK_ROWS)]
    if faults:
        _with_faults(rows)
    return rows


def _lines(*, faults: bool, native: bool) -> Iterator[Row]:
    yield from (list(title) for title in TITLE_ROWS)
    yield list(HEADER)
    yield from _rows(faults=faults, native=native)
    yield []
    yield [f"Total: {CLERK_ROWS}"]
    yield []


def clerk_csv(*, faults: bool) -> bytes:
    """Return the list as an office program of that county saves it: semicolons, decimal commas, Windows-1252."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=";", lineterminator="\r\n").writerows(_lines(faults=faults, native=False))
    return text.getvalue().encode("cp1252")


def clerk_workbook(*, faults: bool) -> bytes:
    """Return the list as a workbook with a cover sheet, real dates, numbers, and numbers stored as text."""
    workbook = Workbook()
    workbook.worksheets[0].title = "Cover"
    workbook.worksheets[0].append(["Cylinders of the county", "see next sheet"])
    sheet = workbook.create_sheet("Fleet 2026")
    for number, row in enumerate(_lines(faults=faults, native=True), 1):
        for column, value in enumerate(row, 1):
            if value != "":
                sheet.cell(row=number, column=column).value = value
    content = io.BytesIO()
    workbook.save(content)
    return content.getvalue()
