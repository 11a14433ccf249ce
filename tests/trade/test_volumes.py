"""Water volumes: exact factors, rounding to the nearest millilitre, and bounds."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.volumes import (
    WATER_VOLUME_MAX_ML,
    WATER_VOLUME_MIN_ML,
    VolumeError,
    VolumeFault,
    VolumeUnit,
    parse_water_volume,
    to_millilitres,
)


@given(st.integers(WATER_VOLUME_MIN_ML, WATER_VOLUME_MAX_ML))
def test_millilitres_stay_and_litres_agree(millilitres: int) -> None:
    assert to_millilitres(millilitres, VolumeUnit.MILLILITRE) == millilitres
    assert to_millilitres(Decimal(millilitres) / 1000, VolumeUnit.LITRE) == millilitres


@given(st.integers(7, 180_000))
def test_cubic_inches_are_within_half_a_millilitre(cubic_inches: int) -> None:
    # 16.387064 cm3 a cubic inch, exactly (NIST SP 811, appendix B.8).
    exact = Decimal(cubic_inches) * Decimal("16.387064")
    assert abs(Decimal(to_millilitres(cubic_inches, VolumeUnit.CUBIC_INCH)) - exact) <= Decimal("0.5")


def test_halves_go_up() -> None:
    assert to_millilitres("6.8005", VolumeUnit.LITRE) == 6801
    assert to_millilitres("6.8004", VolumeUnit.LITRE) == 6800


@pytest.mark.parametrize(
    ("value", "code"),
    [
        (99, "volume-too-small"),
        (-5, "volume-too-small"),
        (3_000_001, "volume-too-large"),
        ("6,8", "not-a-number"),
        ("x", "not-a-number"),
        (Decimal("NaN"), "not-a-number"),
        (True, "not-a-number"),
    ],
)
def test_impossible_volumes_are_refused(value: int | Decimal | str, code: str) -> None:
    with pytest.raises(VolumeError) as caught:
        to_millilitres(value, VolumeUnit.MILLILITRE)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("text", "millilitres"),
    [
        ("6.8", 6800),
        ("6.8 L", 6800),
        ("6.8 litres", 6800),
        ("6,800 ml", 6800),
        ("6800cc", 6800),
        ("415 cu. in.", 6801),
        ("415 in\N{SUPERSCRIPT THREE}", 6801),
        ("415 in^3", 6801),
    ],
)
def test_people_write_volumes_in_many_ways(text: str, millilitres: int) -> None:
    assert parse_water_volume(text, VolumeUnit.LITRE) == millilitres


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("6.8", "unit-missing"),
        ("6,8 L", "decimal-comma"),
        ("6,800 L", "decimal-comma"),
        ("80 cu ft", "free-air-not-water"),
        ("87 SCF", "free-air-not-water"),
        ("6.8 gal", "unit-unknown"),
        ("big", "not-a-volume"),
        ("6800 L", "volume-too-large"),
    ],
)
def test_unclear_volumes_are_refused_with_a_reason(text: str, code: str) -> None:
    fault = parse_water_volume(text)
    assert isinstance(fault, VolumeFault)
    assert fault.code == code
