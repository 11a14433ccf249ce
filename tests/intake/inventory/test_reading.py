"""Whole files: all faults at once, rows against each other, digests, and a list as a clerk would send it."""

import time
from datetime import date

import msgspec
import pytest

from fill_ledger.intake.inventory import InventoryRow, ReadingOptions, read_inventory
from fill_ledger.intake.inventory.limits import MAXIMUM_ROWS
from tests.intake.inventory.clerk_list import CLERK_ROWS, clerk_csv, clerk_workbook
from tests.intake.inventory.support import HEADER, TODAY, codes, note_codes, read_one, read_rows

ROW = ("AB1", "3AA2015", "2015", "1998-01", "2024-02", "scuba")


def test_every_fault_of_every_row_is_told_in_order() -> None:
    table = read_rows(
        [
            ("", "3QQ", "high", "2021-13", "2027-01", "oxygen"),
            ROW,
            ("AB2", "3AL3000", "3000", "2020-05", "2019-05", "scuba"),
        ]
    )
    places = [(fault.row, fault.field) for fault in table.faults]
    assert places == [
        (2, "serial"),
        (2, "specification"),
        (2, "service_pressure"),
        (2, "manufactured"),
        (2, "last_requalified"),
        (2, "use"),
        (4, "last_requalified"),
    ]
    assert [row.row for row in table.rows] == [3]
    assert table.cylinder_rows == 3
    assert all(fault.detail and fault.suggestion for fault in table.faults)


@pytest.mark.parametrize(
    ("column", "first", "second", "code"),
    [
        ("Serial No.", "AB-1", "ab 1", "serial-repeated"),
        ("Tag", "E004010012345678", "E0:04:01:00:12:34:56:78", "tag-repeated"),
        ("Cyl #", "s-1", "#S-1", "inventory-number-repeated"),
    ],
)
def test_what_may_stand_once_is_refused_in_both_rows(column: str, first: str, second: str, code: str) -> None:
    header = [*HEADER, column] if column not in HEADER else list(HEADER)
    rows = [[f"X{number}", *ROW[1:], ""][: len(header)] for number in range(3)]
    rows[0][header.index(column)] = first
    rows[2][header.index(column)] = second
    table = read_rows(rows, header=header)
    assert [(fault.row, fault.code) for fault in table.faults] == [(2, code), (4, code)]
    assert "row 4" in table.faults[0].detail
    assert "row 2" in table.faults[1].detail
    assert [row.row for row in table.rows] == [3]


def test_repetition_is_seen_also_where_a_row_is_faulty_otherwise() -> None:
    table = read_rows([ROW, ("AB1", "nonsense", *ROW[2:])])
    assert codes(table)[0] == "serial-repeated"
    assert "serial-repeated" in codes(table)[1:]
    assert table.rows == []


def test_two_makers_may_have_stamped_the_same_serial() -> None:
    rows = [ROW, ("AB1", "3AL3000", "3000", *ROW[3:])]
    assert codes(read_rows(rows)) == ["serial-repeated"] * 2
    assert len(read_rows(rows, options=ReadingOptions(serials_may_repeat=True)).rows) == 2
    assert codes(read_rows([ROW, ROW], options=ReadingOptions(serials_may_repeat=True))) == ["serial-repeated"] * 2


def test_dates_must_be_in_the_order_of_a_cylinders_life() -> None:
    table = read_one("Last hydro", "2018-05", Mfg="2019-03")
    assert codes(table) == ["requalified-before-manufacture"]
    # The maker's own test is in the month of manufacture (common practice, no source).
    assert read_one("Last hydro", "2019-03", Mfg="2019-03").faults == []
    assert codes(read_one("Purchased", "2019-02-27", Mfg="2019-03")) == ["purchased-before-manufacture"]
    assert read_one("Purchased", "2019-03-01", Mfg="2019-03").faults == []


def test_marks_without_a_date_are_a_fault() -> None:
    assert codes(read_one("RIN", "A123")) == ["requalification-without-date"]


def test_unknown_months_are_told_because_they_may_bar_filling() -> None:
    assert note_codes(read_one("Station", "3")).count("column-absent") == 2
    table = read_one("Mfg date", "")
    assert "manufacture-unknown" in note_codes(table)
    assert len(table.rows) == 1


# 49 CFR 180.213(d): month, the four characters of the RIN, year, then the signs of 180.213(f).
def test_a_whole_stamp_may_stand_in_the_column_of_the_last_test() -> None:
    row = read_one("Last hydro", "09 A123 21 +", Spec="3AA2015", Use="scuba").rows[0]
    assert (row.last_requalified, row.requalifier, row.requalification_marks) == ("2021-09", "A123", ("+",))


def test_signs_may_stand_behind_the_month() -> None:
    row = read_one("Last hydro", "9/2021 +*", Spec="3AA2015", Use="scba").rows[0]
    assert (row.last_requalified, row.requalification_marks) == ("2021-09", ("+", "star"))


def test_stamp_and_column_must_name_one_requalifier() -> None:
    table = read_one("Last hydro", "09 A123 21", RIN="B456")
    assert codes(table) == ["requalifier-contradicts-stamp"]


@pytest.mark.parametrize(
    ("specification", "use", "code"),
    [
        # 49 CFR 173.302a(b): plus only on 3A, 3AX, 3AA, 3AAX and 3T. 180.209(b): star only on 3A and 3AA.
        ("3AL3000", {"Plus": "yes"}, "plus-not-for-specification"),
        ("3AL3000", {"Star": "x"}, "star-not-for-specification"),
        ("3AA2015", {"Plus": "yes", "Marks after date": "S"}, "plus-without-expansion-test"),
    ],
)
def test_marks_must_suit_the_specification(specification: str, use: dict[str, str], code: str) -> None:
    table = read_one("Last hydro", "2024-02", None, Spec=specification, **use)
    assert codes(table) == [code]
    assert "CFR" in table.faults[0].detail


def test_a_permit_may_say_otherwise_so_its_marks_are_noted_only() -> None:
    table = read_one("Last hydro", "2024-02", Plus="yes")
    assert table.faults == []
    assert "plus-not-for-specification" in note_codes(table)


# 49 CFR 178.37 (3AA, steel) and 178.46 (3AL, aluminum), titles of the sections.
def test_the_specification_tells_the_material() -> None:
    assert read_one("Station", "3", Spec="3AA2015").rows[0].material == "steel"
    assert read_one("Material", "aluminum", Spec="3AL3000").rows[0].material == "aluminium"
    assert read_one("Material", "carbon").rows[0].material == "composite"
    assert codes(read_one("Material", "steel", Spec="3AL3000")) == ["material-contradicts-specification"]


def test_the_digest_is_of_what_is_said_and_not_of_how_or_where() -> None:
    first = read_rows([ROW]).rows[0]
    other = read_rows(
        [["scuba", "", "Jan 1998", "DOT-3AA 2015", " ab1 ", "2/2024"]],
        header=["Use", "WP", "Born on", "Specification", "S/N", "Last hydro"],
    ).rows[0]
    assert first.content_digest == other.content_digest
    moved = read_rows([("AB0", *ROW[1:]), ROW]).rows[1]
    assert (moved.row, moved.content_digest) == (3, first.content_digest)


def test_every_field_of_a_row_is_in_the_digest() -> None:
    row = read_rows([ROW]).rows[0]
    changes: dict[str, object] = {
        "serial": "AB2",
        "specification": "DOT-3A2015",
        "service_pressure": msgspec.structs.replace(row.service_pressure, value="2016"),
        "use": "scba",
        "condition": "retired",
        "inventory_number": "1",
        "water_volume_ml": 6800,
        "manufactured": "1998-02",
        "last_requalified": "2024-03",
        "requalifier": "A123",
        "requalification_method": "visual",
        "requalification_marks": ("+",),
        "material": "composite",
        "alloy": "6061",
        "tag": "label:1",
        "home_station": "3",
        "purchased": "1998-03",
        "remark": "x",
    }
    outside = {"row", "specification_as_entered"}
    assert changes.keys() | outside == {field.name for field in msgspec.structs.fields(InventoryRow)}
    digests = {msgspec.structs.replace(row, **{name: value}).content_digest for name, value in changes.items()}
    assert len(digests | {row.content_digest}) == len(changes) + 1


def test_the_same_bytes_have_the_same_file_digest() -> None:
    content = clerk_csv(faults=True)
    first, second = read_inventory(content, today=TODAY), read_inventory(content, today=TODAY)
    assert first == second
    assert first.file_digest != read_inventory(content + b" ", today=TODAY).file_digest


@pytest.mark.parametrize("content", [clerk_csv(faults=False), clerk_workbook(faults=False)], ids=["csv", "xlsx"])
def test_a_clerks_list_without_faults_reads_whole(content: bytes) -> None:
    table = read_inventory(content, today=TODAY)
    assert table.faults == []
    assert len(table.rows) == CLERK_ROWS
    steel = next(row for row in table.rows if row.specification == "DOT-3AA2015")
    assert steel.service_pressure.text == "2015 psi"
    assert {row.use for row in table.rows} == {"scba", "scuba", "storage"}
    assert all(row.manufactured and row.manufactured < TODAY.isoformat() for row in table.rows)


def test_a_clerks_list_says_the_same_as_csv_and_as_workbook() -> None:
    texts = read_inventory(clerk_csv(faults=False), today=TODAY)
    cells = read_inventory(clerk_workbook(faults=False), today=TODAY)
    assert [row.content_digest for row in texts.rows] == [row.content_digest for row in cells.rows]
    assert [row.row for row in texts.rows] == [row.row for row in cells.rows]
    assert (texts.encoding, texts.delimiter) == ("windows-1252", "semicolon")
    assert cells.sheet == "Fleet 2026"


def test_a_clerks_list_with_faults_names_each_and_keeps_the_rest() -> None:
    """The generator puts these faults into these rows (spreadsheet numbers; the header is row 4)."""
    table = read_inventory(clerk_csv(faults=True), today=TODAY)
    assert [(fault.row, fault.field, fault.code) for fault in table.faults] == [
        (10, "last_requalified", "no-such-date"),
        (20, "serial", "number-shortened"),
        (30, "service_pressure", "pressure-contradicts-specification"),
        (40, "last_requalified", "date-in-future"),
        (50, "serial", "serial-repeated"),
        (60, "serial", "serial-repeated"),
        (70, "water_volume", "volume-implausible"),
        (80, "specification", "specification-not-a-mark"),
    ]
    assert len(table.rows) == CLERK_ROWS - len(table.faults)


def test_today_is_the_departments_and_decides_about_the_future() -> None:
    content = b"Serial,Spec,Use,Last hydro\nAB1,3AL3000,scuba,2026-12-01\n"
    assert codes(read_inventory(content, today=date(2026, 11, 30))) == ["date-in-future"]
    assert codes(read_inventory(content, today=date(2026, 12, 1))) == []


def test_a_long_file_is_read_in_bounded_time() -> None:
    """A bound far above what is needed: it catches work that grows with the square of the rows."""
    rows = MAXIMUM_ROWS // 4
    lines = [b"Serial,Spec,Pressure (psi),Mfg,Last hydro,Use"]
    lines += [b"AB%d,DOT-SP10915,4500,9/30/2019,06/2024,scba" % number for number in range(rows)]
    started = time.perf_counter()
    table = read_inventory(b"\n".join(lines), today=TODAY)
    assert len(table.rows) == rows
    assert time.perf_counter() - started < 30
