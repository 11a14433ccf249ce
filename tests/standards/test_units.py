"""Units against published definitions and tables."""

from fractions import Fraction

import pytest

from fill_ledger.trade.pressure import PASCALS_PER_PSI, PressureUnit, to_psi_floor
from fill_ledger.trade.volumes import MILLILITRES_PER_CUBIC_INCH, VolumeUnit, to_millilitres


def test_a_psi_in_pascals() -> None:
    # NIST SP 811 (2008), appendix B.8: pound-force per square inch = 6.894757 E+03 Pa (seven figures).
    assert abs(PASCALS_PER_PSI - Fraction("6894.757")) < Fraction("0.0005")
    # The same from exact definitions, as often printed to ten decimals: 6 894.757 293 168 Pa (from memory).
    assert abs(PASCALS_PER_PSI - Fraction("6894.757293168")) < Fraction("0.0000000005")


def test_a_cubic_inch_in_millilitres() -> None:
    # NIST SP 811 (2008), appendix B.8: cubic inch = 1.638706 E-05 m3; exactly 2.54 cm cubed = 16.387064 cm3.
    assert Fraction("16.387064") == MILLILITRES_PER_CUBIC_INCH


@pytest.mark.parametrize(
    ("bar", "nominal_psi"),
    # Nominal pairs on cylinders: 2216 psi (153 bar), 3000 (207), 4500 (310), 5500 (379); common practice, no source.
    # A bar stamp is a rounded figure, so the pairs agree within a bar (14.5 psi) only; the floor must keep to that.
    [(153, 2216), (207, 3000), (310, 4500), (379, 5500)],
)
def test_nominal_pairs_agree_within_one_bar(bar: int, nominal_psi: int) -> None:
    assert abs(to_psi_floor(bar, PressureUnit.BAR) - nominal_psi) < 15


def test_limits_from_bar_stamps_round_down() -> None:
    # By hand with 1 psi = 6894.757293168 Pa: 310 bar = 4496.1699 psi, 200 bar = 2900.7548, 300 bar = 4351.1321.
    assert to_psi_floor(310, PressureUnit.BAR) == 4496
    assert to_psi_floor(200, PressureUnit.BAR) == 2900
    assert to_psi_floor(300, PressureUnit.BAR) == 4351
    # Just under a whole psi must not be lifted: 6894757 Pa is 999.99995 psi.
    assert to_psi_floor("6894.757", PressureUnit.KILOPASCAL) == 999
    assert to_psi_floor("6894.758", PressureUnit.KILOPASCAL) == 1000


def test_a_textbook_cylinder_volume() -> None:
    # 673 in3 = 11.03 L: calculated, and given so for the usual 80 cu ft aluminium cylinder (secondary source).
    assert to_millilitres(673, VolumeUnit.CUBIC_INCH) == 11028
