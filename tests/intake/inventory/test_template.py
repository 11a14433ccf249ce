"""The template, and rows written with it: what is written reads back equal, in every encoding and delimiter."""

import io
import string

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from fill_ledger.intake.inventory import InventoryRow, ReadingOptions, read_inventory, write_csv, write_xlsx
from fill_ledger.intake.inventory.cells import FORMULA_STARTS, plain_text
from fill_ledger.intake.inventory.columns import GUIDE_SHEET, LIST_SHEET, TEMPLATE_COLUMNS
from fill_ledger.intake.inventory.delimited import DELIMITER_CHARACTERS, Delimiter
from fill_ledger.intake.inventory.encodings import ENCODING_NAMES, Encoding
from fill_ledger.intake.inventory.words import Material
from fill_ledger.trade.marks import SpecificationMark, parse_specification
from fill_ledger.trade.pressure import PressureUnit, StampedPressure
from fill_ledger.trade.requalifiers import RequalificationSuffix
from tests.intake.inventory.support import TODAY, codes

# Specification as entered, service pressure, material the mark implies.
KINDS: tuple[tuple[str, StampedPressure, Material | None], ...] = (
    ("DOT-3AA2015", StampedPressure(value="2015", unit=PressureUnit.PSI), "steel"),
    ("3al 3000", StampedPressure(value="3000", unit=PressureUnit.PSI), "aluminium"),
    ("DOT-SP10915-4500", StampedPressure(value="4500", unit=PressureUnit.PSI), None),
    ("SP 10915", StampedPressure(value="310", unit=PressureUnit.BAR), None),
    ("E-10915", StampedPressure(value="206.8", unit=PressureUnit.BAR), None),
    ("UN ISO 11119-2", StampedPressure(value="300", unit=PressureUnit.BAR), "composite"),
)
CP1252_CHARACTERS = "".join(
    character
    for character in bytes(range(32, 256)).decode("cp1252", errors="ignore")
    if character.isprintable() and plain_text(character) == character
)
months = st.dates(min_value=TODAY.replace(year=1990), max_value=TODAY).map(lambda day: day.isoformat()[:7])


def texts(characters: str, longest: int) -> st.SearchStrategy[str]:
    return st.text(alphabet=characters, min_size=1, max_size=longest).map(plain_text).filter(bool)


free_texts = texts(CP1252_CHARACTERS + " ", 30)
names = st.one_of(free_texts, st.sampled_from(["none", "-", "=1+1", "@x", "'quoted", "+", "n/a", "total", '"', ";,|"]))
serials = texts(string.ascii_uppercase + string.digits + " ./#'=+-@", 20)
tags = st.one_of(
    st.binary(min_size=6, max_size=6).map(lambda middle: f"iso15693:E0{middle.hex().upper()}07"),
    texts(string.ascii_letters + string.digits + "-/", 12).map(lambda label: f"label:{label}"),
)


@st.composite
def inventory_rows(draw: st.DrawFn) -> InventoryRow:
    entered, pressure, implied = draw(st.sampled_from(KINDS))
    mark = parse_specification(entered)
    assert isinstance(mark, SpecificationMark)
    manufactured, last_requalified, purchased = draw(st.tuples(months, months, months).map(sorted))
    tested = draw(st.booleans())
    marks = draw(st.sets(st.sampled_from([RequalificationSuffix.ULTRASONIC, RequalificationSuffix.PLUS])))
    may_have_plus = entered == "DOT-3AA2015"
    return InventoryRow(
        row=2,
        serial=draw(serials),
        specification=mark.canonical,
        specification_as_entered=entered,
        service_pressure=pressure,
        use=draw(st.sampled_from(["scba", "scuba", "storage"])),
        condition=draw(st.sampled_from(["in_service", "on_hold", "condemned", "retired"])),
        inventory_number=draw(st.none() | st.from_regex(r"[A-Z0-9][A-Z0-9./-]{0,23}", fullmatch=True)),
        water_volume_ml=draw(st.none() | st.integers(min_value=100, max_value=30_000)),
        manufactured=draw(st.none() | st.just(manufactured)),
        last_requalified=last_requalified if tested else None,
        requalifier=draw(st.none() | st.from_regex(r"[A-Z][0-9]{3}", fullmatch=True)) if tested else None,
        requalification_method=draw(
            st.none() | st.sampled_from(["volumetric", "proof_pressure", "ultrasonic", "acoustic_emission", "visual"])
        )
        if tested
        else None,
        requalification_marks=tuple(
            mark
            for mark in RequalificationSuffix
            if mark in marks and tested and (may_have_plus or mark is not RequalificationSuffix.PLUS)
        ),
        material=implied or draw(st.sampled_from([None, "composite", "steel", "aluminium"])),
        alloy=draw(st.none() | st.sampled_from(["6061-T6", "6351", "4130"])),
        tag=draw(st.none() | tags),
        home_station=draw(st.none() | names),
        purchased=draw(st.none() | st.just(purchased) | st.just(f"{purchased}-01")),
        remark=draw(st.none() | names),
    )


def is_utf_8(content: bytes) -> bool:
    try:
        content.decode()
    except UnicodeDecodeError:
        return False
    return True


def read_back(content: bytes, options: ReadingOptions | None = None) -> list[InventoryRow]:
    table = read_inventory(content, today=TODAY, options=options)
    assert table.faults == []
    return [msgspec.structs.replace(row, row=2) for row in table.rows]


@pytest.mark.parametrize("encoding", ENCODING_NAMES)
@pytest.mark.parametrize("delimiter", DELIMITER_CHARACTERS)
@given(row=inventory_rows())
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_a_row_written_as_text_reads_back_equal(encoding: Encoding, delimiter: Delimiter, row: InventoryRow) -> None:
    content = write_csv([row], encoding=encoding, delimiter=delimiter)
    # Windows-1252 has no mark of its own; where its bytes happen to be UTF-8 as well the importing person must say it.
    said = encoding == "windows-1252" and not content.isascii() and is_utf_8(content)
    back = read_back(content, ReadingOptions(encoding=encoding if said else None))
    assert back == [row]
    assert back[0].content_digest == row.content_digest


@given(row=inventory_rows())
@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
def test_a_row_written_as_workbook_reads_back_equal(row: InventoryRow) -> None:
    assert read_back(write_xlsx([row])) == [row]


@pytest.mark.parametrize("content", [write_csv(), write_csv(encoding="utf-16", delimiter="tab"), write_xlsx()])
def test_the_empty_template_is_understood_and_asks_for_rows(content: bytes) -> None:
    table = read_inventory(content, today=TODAY)
    assert codes(table) == ["no-rows"]
    assert table.unknown_columns == []
    assert table.notes == []


def test_the_examples_of_the_guide_make_a_faultless_row() -> None:
    header = ",".join(column.header for column in TEMPLATE_COLUMNS)
    example = ",".join(column.example for column in TEMPLATE_COLUMNS)
    table = read_inventory(f"{header}\n{example}\n".encode(), today=TODAY)
    assert table.faults == []
    assert len(table.rows) == 1


def row_that_looks_like_formulas() -> InventoryRow:
    return InventoryRow(
        row=2,
        serial="=1+1",
        specification="DOT-3AL3000",
        specification_as_entered="3AL3000",
        service_pressure=StampedPressure(value="3000", unit=PressureUnit.PSI),
        use="scuba",
        material="aluminium",
        home_station="@SUM(A1)",
        remark='=HYPERLINK("x")',
    )


# OWASP ASVS 5.0, requirement 1.2.10.
def test_nothing_written_is_a_formula() -> None:
    row = row_that_looks_like_formulas()
    sheet = load_workbook(io.BytesIO(write_xlsx([row])))[LIST_SHEET]
    cells = [cell for cells in sheet.iter_rows() for cell in cells if cell.value is not None]
    assert {cell.data_type for cell in cells} == {"s"}
    assert not any(str(cell.value).startswith(FORMULA_STARTS) for cell in cells)
    lines = write_csv([row]).decode("utf-8-sig").splitlines()
    assert lines[1].startswith(",'=1+1,")
    assert read_back(write_csv([row])) == [row]


def test_the_template_keeps_a_spreadsheet_from_changing_what_is_typed() -> None:
    workbook = load_workbook(io.BytesIO(write_xlsx()))
    assert workbook.sheetnames == [LIST_SHEET, GUIDE_SHEET]
    widths = workbook[LIST_SHEET].column_dimensions
    assert {dimension.number_format for dimension in widths.values()} == {"@"}


def test_a_character_the_encoding_lacks_is_not_lost_in_silence() -> None:
    row = msgspec.structs.replace(row_that_looks_like_formulas(), remark="\N{GREEK SMALL LETTER OMEGA}")
    with pytest.raises(UnicodeEncodeError):
        write_csv([row], encoding="windows-1252")
