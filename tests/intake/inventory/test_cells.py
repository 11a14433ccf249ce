"""What people meant by a cell: stray marks, placeholders, words, and values that a spreadsheet has altered."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.intake.inventory.cells import FORMULA_STARTS, meant_text, plain_text, protected_text
from tests.intake.inventory.support import codes, read_inventory_of_cells, read_one


@pytest.mark.parametrize(
    ("raw", "meant"),
    [
        ("  AB\N{NO-BREAK SPACE}12 ", "AB 12"),
        ("'00123", "00123"),
        ("\N{RIGHT SINGLE QUOTATION MARK}00123", "00123"),
        ("AB\N{ZERO WIDTH SPACE}12", "AB12"),
        ("AB\N{EN DASH}12", "AB-12"),
        ("line\nbreak", "line break"),
        ("e\N{COMBINING ACUTE ACCENT}", "\N{LATIN SMALL LETTER E WITH ACUTE}"),
        ("N/A", ""),
        ("\N{EM DASH}", ""),
        ("unknown", ""),
        ("'none", "none"),
    ],
)
def test_what_was_meant(raw: str, meant: str) -> None:
    assert meant_text(raw) == meant


@given(text=st.text(max_size=40).map(plain_text))
def test_protected_text_is_no_formula_and_reads_back(text: str) -> None:
    protected = protected_text(text)
    assert not protected.startswith(FORMULA_STARTS)
    assert meant_text(protected) == text


# OWASP ASVS 5.0, requirement 1.2.10: = + - @ tab and NUL at the start get a single quote.
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\0"])
def test_each_formula_start_is_escaped_with_a_single_quote(start: str) -> None:
    assert protected_text(f"{start}1+1") == f"'{start}1+1"


@pytest.mark.parametrize(
    ("column", "value", "field", "expected"),
    [
        ("Use", "Dive", "use", "scuba"),
        ("Use", "SCBA", "use", "scba"),
        ("Use", "air bank", "use", "storage"),
        ("Material", "Alum.", "material", "aluminium"),
        ("Material", "Carbon Fiber", "material", "composite"),
        ("Status", "Out of Service", "condition", "on_hold"),
        ("Status", "ACTIVE", "condition", "in_service"),
        ("In service", "no", "condition", "on_hold"),
        ("Status", "Condemned!", "condition", "condemned"),
        ("Status", "", "condition", "in_service"),
        ("Alloy", "6061 - t6", "alloy", "6061-T6"),
        ("Cyl #", "#s-417", "inventory_number", "S-417"),
        ("Cyl #", "12", "inventory_number", "12"),
        ("Station", "Station 3", "home_station", "Station 3"),
        ("Notes", "=1+1", "remark", "=1+1"),
        ("Serial No.", "ab 12\N{NO-BREAK SPACE}34", "serial", "AB 12 34"),
        ("Date purchased", "2019-04-30", "purchased", "2019-04-30"),
        ("Date purchased", "4/2019", "purchased", "2019-04"),
        # E0 leads the UID of ISO/IEC 15693; the canonical text is that of fill_ledger.trade.tags.
        ("Tag", "e0:04:01:00:12:34:56:78", "tag", "iso15693:E004010012345678"),
    ],
)
def test_words_and_names_are_made_uniform(column: str, value: str, field: str, expected: str) -> None:
    table = read_one(column, value)
    assert table.faults == []
    assert getattr(table.rows[0], field) == expected


@pytest.mark.parametrize(
    ("column", "value", "field", "code"),
    [
        ("Use", "oxygen", "use", "word-unknown"),
        ("Material", "wood", "material", "word-unknown"),
        ("Status", "maybe", "condition", "word-unknown"),
        ("Method", "guess", "requalification_method", "word-unknown"),
        ("Requal marks", "plus, Q", "requalification_marks", "mark-unknown"),
        ("Plus", "perhaps", "plus_mark", "word-unknown"),
        ("RIN", "A12", "requalifier", "requalifier-form"),
        ("Cyl #", "S 417", "inventory_number", "inventory-number-form"),
        ("Cyl #", "x" * 25, "inventory_number", "inventory-number-form"),
        ("Serial No.", "1.23457E+11", "serial", "number-shortened"),
        ("Serial No.", "x" * 65, "serial", "cell-too-long"),
        ("Serial No.", "AB\x07", "serial", "control-character"),
        ("Serial No.", "", "serial", "value-missing"),
        ("Spec", "3QQ2015", "specification", None),
        ("Tag", "E1040100123456F8", "tag", None),
        ("Notes", "x" * 2001, "remark", "cell-too-long"),
    ],
)
def test_faulty_cells_are_named(column: str, value: str, field: str, code: str | None) -> None:
    """Where another part of the service gives the code it is not repeated here: only the place must be right."""
    table = read_one(column, value)
    fault = next(fault for fault in table.faults if fault.field == field)
    assert fault.column == column
    assert fault.row == 2
    assert fault.suggestion
    if code is not None:
        assert fault.code == code
    assert len(fault.value or "") <= 121


@pytest.mark.parametrize(
    ("serial", "expected"),
    [(12345, "12345"), (12345.0, "12345"), ("00123", "00123"), (123456789012345, "123456789012345")],
)
def test_numbers_in_a_workbook_are_serials_while_they_are_whole(serial: object, expected: str) -> None:
    table = read_inventory_of_cells({"Serial": serial})
    assert table.faults == []
    assert table.rows[0].serial == expected


@pytest.mark.parametrize(
    ("serial", "code"),
    [
        (1234567890123456, "number-shortened"),
        (12.5, "not-text"),
        (-3, "not-text"),
        (True, "not-text"),
        (date(2021, 9, 1), "not-text"),
    ],
)
def test_what_a_workbook_has_made_of_a_serial_is_refused(serial: object, code: str) -> None:
    assert codes(read_inventory_of_cells({"Serial": serial})) == [code]
