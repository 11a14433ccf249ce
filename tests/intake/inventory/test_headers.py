"""Header rows: where they stand, what their columns mean, and what is said of the ones that are not understood."""

import pytest

from fill_ledger.intake.inventory import ReadingOptions
from fill_ledger.intake.inventory.columns import FIELD_OF_SPELLING, NOT_TAKEN, TEMPLATE_COLUMNS, Field
from fill_ledger.intake.inventory.headers import match_header
from fill_ledger.trade.pressure import PressureUnit
from fill_ledger.trade.volumes import VolumeUnit
from tests.intake.inventory.support import HEADER, codes, note_codes, read_rows, read_text

ROW = ("AB1", "3AA2015", "2015", "1998-01", "2024-02", "scuba")


@pytest.mark.parametrize(
    ("header", "field"),
    [
        ("Serial No.", Field.SERIAL),
        ("S/N", Field.SERIAL),
        ("  serial   NUMBER ", Field.SERIAL),
        ("Serial #", Field.SERIAL),
        ("SERIAL_NO", Field.SERIAL),
        ("DOT Spec", Field.SPECIFICATION),
        ("D.O.T. Spec.", Field.SPECIFICATION),
        ("Special Permit #", Field.SPECIFICATION),
        ("Hydro date", Field.LAST_REQUALIFIED),
        ("Last Hydro", Field.LAST_REQUALIFIED),
        ("Last hydro (MM/YYYY)", Field.LAST_REQUALIFIED),
        ("Date of last test", Field.LAST_REQUALIFIED),
        ("Mfg Date", Field.MANUFACTURED),
        ("Mfg. date (month/year)", Field.MANUFACTURED),
        ("Born on", Field.MANUFACTURED),
        ("Working pressure", Field.SERVICE_PRESSURE),
        ("WP", Field.SERVICE_PRESSURE),
        ("Service Pressure in PSI", Field.SERVICE_PRESSURE),
        ("Volume (L)", Field.WATER_VOLUME),
        ("Cyl #", Field.INVENTORY_NUMBER),
        ("Bottle No.", Field.INVENTORY_NUMBER),
        ("RIN", Field.REQUALIFIER),
        ("Plus rated?", Field.PLUS_MARK),
        ("RFID tag", Field.TAG),
        ("Station", Field.HOME_STATION),
        ("In service", Field.CONDITION),
        ("Date purchased", Field.PURCHASED),
        ("Notes:", Field.REMARK),
    ],
)
def test_headers_are_matched_loosely(header: str, field: Field) -> None:
    column = match_header(header)
    assert column is not None
    assert column.field is field


@pytest.mark.parametrize(
    "header", ["Next hydro", "Test pressure", "SP", "Type", "Date", "Fill pressure", "Marks", "#", "Colour"]
)
def test_headers_that_mean_something_else_or_two_things_are_not_matched(header: str) -> None:
    assert match_header(header) is None


@pytest.mark.parametrize(
    ("header", "pressure_unit", "volume_unit"),
    [
        ("Service pressure (psi)", PressureUnit.PSI, None),
        ("WP [bar]", PressureUnit.BAR, None),
        ("Pressure, PSIG", PressureUnit.PSI, None),
        ("Pressure - bar", PressureUnit.BAR, None),
        ("PSI", PressureUnit.PSI, None),
        ("Pressure", None, None),
        ("Volume (L)", None, VolumeUnit.LITRE),
        ("Water volume, litres", None, VolumeUnit.LITRE),
        ("Water vol. (cu. in.)", None, VolumeUnit.CUBIC_INCH),
        ("Water volume cu in", None, VolumeUnit.CUBIC_INCH),
        ("Water volume (in\N{SUPERSCRIPT THREE})", None, VolumeUnit.CUBIC_INCH),
        ("Volume ml", None, VolumeUnit.MILLILITRE),
    ],
)
def test_headers_may_name_the_unit(
    header: str, pressure_unit: PressureUnit | None, volume_unit: VolumeUnit | None
) -> None:
    column = match_header(header)
    assert column is not None
    assert (column.pressure_unit, column.volume_unit) == (pressure_unit, volume_unit)


def test_the_templates_own_headers_are_understood() -> None:
    for description in TEMPLATE_COLUMNS:
        column = match_header(description.header)
        assert column is not None, description.header
        assert column.field is description.field


def test_no_spelling_is_both_taken_and_not_taken() -> None:
    assert FIELD_OF_SPELLING.keys() & NOT_TAKEN.keys() == set()


def test_title_rows_stand_above_the_header() -> None:
    lines = ["Millbrook County,,,", "Cylinder list,,Printed 2026-11-01,", ",,,", "Serial,Spec,Use,Volume (L)"]
    table = read_text("\n".join([*lines, "AB1,3AL3000,scuba,11.1"]))
    assert table.faults == []
    assert table.header_row == 4
    assert [row.row for row in table.rows] == [5]


def test_two_columns_for_one_field_are_a_fault_that_names_both() -> None:
    table = read_rows([(*ROW, "2023-01")], header=(*HEADER, "Retest date"))
    assert codes(table) == ["column-repeated"]
    fault = table.faults[0]
    assert (fault.row, fault.column, fault.field) == (1, "Retest date", "last_requalified")
    assert "'Last hydro'" in fault.detail
    assert table.rows == []


def test_a_missing_required_column_is_one_fault_and_not_one_a_row() -> None:
    table = read_rows([("3AA2015", "scuba"), ("3AL3000", "scuba")], header=("Spec", "Use"))
    assert codes(table) == ["column-missing"]
    assert table.faults[0].field == "serial"
    assert "'Serial number'" in table.faults[0].suggestion
    assert table.rows == []


def test_other_faults_are_told_beside_a_missing_column() -> None:
    table = read_rows([("3AA2015", "scuba", "2021-13")], header=("Spec", "Use", "Mfg"))
    assert codes(table) == ["column-missing", "no-such-date"]


def test_the_use_may_be_said_for_the_whole_import() -> None:
    header, rows = ("Serial", "Spec"), [("AB1", "3AL3000")]
    assert codes(read_rows(rows, header=header)) == ["column-missing"]
    table = read_rows(rows, header=header, options=ReadingOptions(default_use="scuba"))
    assert table.faults == []
    assert table.rows[0].use == "scuba"


def test_a_wrong_use_is_not_covered_by_the_default() -> None:
    options = ReadingOptions(default_use="scba")
    assert codes(read_rows([("AB1", "3AL3000", "oxygen")], ("Serial", "Spec", "Use"), options)) == ["word-unknown"]
    assert read_rows([("AB1", "3AL3000", "")], ("Serial", "Spec", "Use"), options).rows[0].use == "scba"


def test_unknown_columns_are_reported_with_a_reason() -> None:
    table = read_rows([(*ROW, "x", "2029-02", "y")], header=(*HEADER, "Colour", "Next hydro", "Materail"))
    assert table.unknown_columns == ["Colour", "Next hydro", "Materail"]
    details = [note.detail for note in table.notes if note.code == "column-not-read"]
    assert "not known here" in details[0]
    assert "worked out here" in details[1]
    assert "did you mean material?" in details[2]
    assert len(table.rows) == 1


def test_content_below_an_empty_header_is_reported() -> None:
    table = read_rows([(*ROW, "keep me")], header=(*HEADER, ""))
    assert "column-without-header" in note_codes(table)


def test_a_file_without_a_header_is_told_so() -> None:
    assert codes(read_text("AB1,3AL3000\nAB2,3AL3000\n")) == ["header-missing"]


def test_a_header_repeated_on_every_page_is_passed_over() -> None:
    table = read_rows([ROW, HEADER, ("AB2", *ROW[1:])])
    assert table.faults == []
    assert [row.serial for row in table.rows] == ["AB1", "AB2"]
    assert [note.row for note in table.notes if note.code == "header-repeated"] == [3]


def test_footers_and_section_lines_are_reported_and_passed_over() -> None:
    table = read_rows([ROW, ("", "", "", "Station 3"), ("Total: 1",), ("", "", "")])
    assert table.faults == []
    assert [note.row for note in table.notes if note.code == "row-not-read"] == [3, 4]
    assert table.cylinder_rows == 1


def test_a_lone_serial_is_a_faulty_cylinder_and_no_footer() -> None:
    table = read_rows([ROW, ("AB2",)])
    assert codes(table) == ["value-missing", "value-missing"]
    assert [fault.field for fault in table.faults] == ["specification", "use"]
