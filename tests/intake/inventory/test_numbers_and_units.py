"""Numbers, pressures and water volumes as people write them."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.intake.inventory import ReadingOptions
from fill_ledger.intake.inventory.numbers import number_readings, plain_decimal, settled_decimal_sign
from fill_ledger.trade.pressure import PressureUnit
from fill_ledger.trade.volumes import VolumeUnit
from tests.intake.inventory.support import codes, note_codes, read_one, read_rows


@pytest.mark.parametrize(
    ("number", "values"),
    [
        ("4500", ["4500"]),
        ("4,500", ["4.5", "4500"]),
        ("4.500", ["4.5", "4500"]),
        ("6,8", ["6.8"]),
        ("206.84", ["206.84"]),
        ("1,234.5", ["1234.5"]),
        ("1.234,5", ["1234.5"]),
        ("1 234,5", ["1234.5"]),
        ("1'234", ["1234"]),
        ("1,234,567", ["1234567"]),
        ("0,500", ["0.5"]),
        (".5", ["0.5"]),
        ("1.2.3", []),
        ("1,23,4", []),
        ("12 34", []),
        ("4.", []),
        ("1234567890123", []),
    ],
)
def test_every_reading_of_a_number(number: str, values: list[str]) -> None:
    assert [plain_decimal(value) for value in number_readings(number)] == values


@given(
    value=st.decimals(min_value=0, max_value=99_999, places=2, allow_nan=False),
    sign=st.sampled_from([(".", ","), (",", ".")]),
)
def test_a_number_with_two_decimals_reads_back_in_either_habit(value: Decimal, sign: tuple[str, str]) -> None:
    decimal_sign, group_sign = sign
    text = f"{value:,.2f}".replace(",", "g").replace(".", decimal_sign).replace("g", group_sign)
    assert number_readings(text) == (value,)


def test_one_proven_decimal_sign_settles_the_others() -> None:
    assert settled_decimal_sign(["6,8", "4,500 psi", "n"]) == "comma"
    assert settled_decimal_sign(["1,234.5"]) == "point"
    assert settled_decimal_sign(["6,8", "6.8"]) is None
    assert settled_decimal_sign(["4,500", "4500"]) is None
    assert number_readings("4,500", "comma") == (Decimal("4.500"),)
    assert number_readings("4,500", "point") == (Decimal(4500),)


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("Service pressure (psi)", "4500", ("4500", PressureUnit.PSI)),
        ("WP psi", "4,500", ("4500", PressureUnit.PSI)),
        ("Working Pressure [bar]", "310", ("310", PressureUnit.BAR)),
        ("Working pressure", "310 bar", ("310", PressureUnit.BAR)),
        ("Service pressure (psi)", "310 BAR", ("310", PressureUnit.BAR)),
        ("Service pressure (psi)", "4500 PSIG", ("4500", PressureUnit.PSI)),
        ("PSI", "4500", ("4500", PressureUnit.PSI)),
        ("Pressure", "4500", ("4500", PressureUnit.PSI)),
        ("Pressure", "4500.0", ("4500", PressureUnit.PSI)),
    ],
)
def test_pressures_are_kept_as_stamped(column: str, value: str, expected: tuple[str, PressureUnit]) -> None:
    table = read_one(column, value, Spec="DOT-SP10915")
    assert table.faults == []
    pressure = table.rows[0].service_pressure
    assert (pressure.value, pressure.unit) == expected


def test_bar_converts_down_to_whole_psi() -> None:
    # 310 bar / 6894.757293168 Pa per psi = 4496.17: NIST SP 811, appendix B.
    table = read_one("WP (bar)", "310", Spec="DOT-SP10915")
    assert table.rows[0].service_pressure.psi == 4496


@pytest.mark.parametrize(
    ("column", "value", "code"),
    [
        ("Pressure", "300", "pressure-ambiguous"),
        ("Pressure (psi)", "300", "pressure-unit-doubtful"),
        ("Pressure", "4500 lbf", "unit-unknown"),
        ("Pressure (bar)", "4500", "pressure-implausible"),
        ("Pressure (psi)", "45000", "pressure-implausible"),
        ("Pressure (bar)", "310.26405", "pressure-not-as-stamped"),
        ("Pressure (psi)", "high", "not-a-number"),
        ("Pressure (psi)", "45OO", "unit-unknown"),
        ("Pressure (psi)", "", "value-missing"),
    ],
)
def test_pressures_that_are_refused(column: str, value: str, code: str) -> None:
    assert codes(read_one(column, value, Spec="DOT-SP10915")) == [code]


def test_the_import_may_name_the_unit() -> None:
    options = ReadingOptions(pressure_unit=PressureUnit.BAR)
    table = read_one("Pressure", "300", options, Spec="DOT-SP10915")
    assert table.rows[0].service_pressure.text == "300 bar"
    assert "pressure-unit-concluded" not in note_codes(table)


def test_a_concluded_unit_is_told() -> None:
    assert "pressure-unit-concluded" in note_codes(read_one("Pressure", "4500", Spec="DOT-SP10915"))


# 49 CFR 178.35(f)(1): the service pressure follows the specification in the mark, "DOT-3A1800".
def test_the_mark_gives_the_pressure_where_the_column_is_empty_or_absent() -> None:
    table = read_rows([("AB1", "3AA2015", "scuba")], header=("Serial", "Spec", "Use"))
    assert table.faults == []
    assert table.rows[0].service_pressure.text == "2015 psi"
    assert read_one("Pressure", "", Spec="3AL3000").rows[0].service_pressure.text == "3000 psi"


def test_mark_and_column_must_not_contradict_each_other() -> None:
    table = read_one("Pressure (psi)", "3000", Spec="3AA2015")
    assert codes(table) == ["pressure-contradicts-specification"]
    assert "2015 psi" in table.faults[0].detail
    assert "3000 psi" in table.faults[0].detail


# 49 CFR 173.302a(b): the plus sign allows 110 % of the marked pressure: 1.1 x 2015 = 2216.5.
def test_the_pressure_of_a_plus_mark_is_not_a_service_pressure() -> None:
    table = read_one("Pressure (psi)", "2216", Spec="3AA2015")
    assert codes(table) == ["pressure-contradicts-specification"]
    assert "plus sign" in table.faults[0].suggestion


def test_a_rounded_conversion_agrees_with_the_mark_and_the_mark_is_kept() -> None:
    table = read_one("Pressure (bar)", "207", Spec="3AL3000")
    assert table.faults == []
    assert table.rows[0].service_pressure.text == "3000 psi"


@pytest.mark.parametrize(
    ("column", "value", "millilitres"),
    [
        ("Volume (L)", "6.8", 6800),
        ("Water volume", "6,8 L", 6800),
        ("Water volume (ml)", "6800", 6800),
        ("Water volume", "6800 cc", 6800),
        ("Volume (L)", "6.805", 6805),
        # 415 x 16.387064 ml = 6800.63: the inch is 2.54 cm exactly, NIST SP 811.
        ("Water volume (cu in)", "415", 6801),
        ("Volume (L)", "415 cu. in.", 6801),
        ("Volume (L)", "", None),
    ],
)
def test_water_volumes(column: str, value: str, millilitres: int | None) -> None:
    table = read_one(column, value)
    assert table.faults == []
    assert table.rows[0].water_volume_ml == millilitres


@pytest.mark.parametrize(
    ("column", "value", "code"),
    [
        ("Volume", "6.8", "volume-ambiguous"),
        ("Volume (L)", "1200", "volume-implausible"),
        ("Volume (L)", "80 cu ft", "free-air-not-water"),
        ("Volume (L)", "6.8 gal", "unit-unknown"),
        ("Volume (L)", "large", "not-a-number"),
    ],
)
def test_water_volumes_that_are_refused(column: str, value: str, code: str) -> None:
    assert codes(read_one(column, value)) == [code]


def test_the_import_may_name_the_unit_of_volume() -> None:
    options = ReadingOptions(volume_unit=VolumeUnit.LITRE)
    assert read_one("Volume", "6.8", options).rows[0].water_volume_ml == 6800


def test_a_storage_cylinder_may_be_large() -> None:
    table = read_one("Volume (L)", "1,500", Use="cascade", Spec="3AAX2400")
    assert codes(table) == ["volume-ambiguous"]
    table = read_one("Volume (L)", "1500", Use="cascade", Spec="3AAX2400")
    assert table.rows[0].water_volume_ml == 1_500_000
