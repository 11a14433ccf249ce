"""Gauge readings over HTTP against figures from outside.

Real air: CoolProp 8.0.0, fluid `Air`, computed apart from the table of this project, gauge = absolute - 14.7 psi, free
air at 70 F and 14.7 psia, 1 scf = 28.3168 L (NIST SP 811, appendix B). Rules: 49 CFR 173.301a(c) (2024 copy), the limit
at 70 F; 29 CFR 1910.134(h)(3)(iii), recharge at 90 % (2015 edition); US Navy Diving Manual 7-5.1.1, 50 psi.
"""

from typing import Any

import pytest

from fill_ledger.trade.events.county import Role
from tests.support.county import County


async def ask(county: County, **params: Any) -> dict[str, Any]:
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        response = await client.get("/v1/gauge-readings", params={name: str(value) for name, value in params.items()})
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


async def test_what_a_reading_settles_to(county: County) -> None:
    """Stopped at the mark while the gas is at T: CoolProp 8.0.0."""
    for limit_psi, temperature_f, settled_psi in (
        (4500, 80, 4371),
        (4500, 100, 4139),
        (4500, 120, 3934),
        (4500, 40, 4946),
        (5500, 40, 6058),
        (4500, 70, 4500),
    ):
        shown = await ask(county, reading_psi=limit_psi, limit_psi=limit_psi, gas_temperature_f=temperature_f)
        assert shown["settled_psi"] == pytest.approx(settled_psi, abs=1)
        over = temperature_f < 70
        assert shown["verdict"]["verdict"] == ("over-limit" if over else "within-limit")
        assert [note["code"] for note in shown["advice"]] == (["cold-gas-lower-stop"] if over else [])


async def test_where_to_stop(county: County) -> None:
    """Hot targets of a 4,500, and the same cylinder full in the cold: CoolProp 8.0.0."""
    for temperature_f, stop_psi in (
        (80, 4633),
        (90, 4766),
        (100, 4898),
        (110, 5030),
        (120, 5162),
        (32, 3993),
        (0, 3563),
    ):
        shown = await ask(county, limit_psi=4500, gas_temperature_f=temperature_f)
        assert stop_psi - 1 <= shown["stop_at_psi"] <= stop_psi
        assert (shown["reading_psi"], shown["settled_psi"], shown["verdict"], shown["recharge"]) == (None,) * 4


async def test_ninety_percent_at_32_f(county: County) -> None:
    """A full 4,500 at 32 F reads 3,993 psi, 88.7 %: due by the plain rule, not by the corrected one (inference)."""
    recharge = (await ask(county, reading_psi=3993, limit_psi=4500, gas_temperature_f=32))["recharge"]
    assert (recharge["due"], recharge["percent"]) == (True, 88.7)
    assert recharge["source"] == "29 CFR 1910.134(h)(3)(iii)"
    assert (recharge["corrected"]["due"], recharge["corrected"]["percent"]) == (False, 100.0)
    assert recharge["corrected"]["source"].startswith("inference")
    at_zero = (await ask(county, reading_psi=3563, limit_psi=4500, gas_temperature_f=0))["recharge"]
    assert at_zero["percent"] == 79.1  # 3,563 of 4,500 psi is 79.18 %, rounded down
    without = (await ask(county, reading_psi=4050, limit_psi=4500))["recharge"]
    assert (without["due"], without["percent"], without["corrected"]) == (True, 90.0, None)


async def test_a_hot_reading_a_little_over_cries_no_wolf(county: County) -> None:
    """4,510 psi at 96 F settles to 4,192 psi (CoolProp 8.0.0: 4,192.2); 4,845.1 psi would settle to 4,500."""
    hot = await ask(county, reading_psi=4510, limit_psi=4500, gas_temperature_f=96)
    assert (hot["verdict"]["verdict"], hot["settled_psi"], hot["stop_at_psi"]) == ("within-limit", 4192, 4845)
    unknown = await ask(county, reading_psi=4510, limit_psi=4500)
    assert (unknown["verdict"]["verdict"], unknown["settled_psi"], unknown["stop_at_psi"]) == (
        "within-tolerance",
        None,
        None,
    )
    warm = await ask(county, reading_psi=4600, limit_psi=4500)
    assert warm["verdict"]["verdict"] == "explained-by-heat"
    # 4,600 - 4,550 = 50 psi at 13.3 psi/F: some 4 F above 70.
    assert warm["verdict"]["explained_from_f"] in (74, 75)
    bled = await ask(county, reading_psi=4550, limit_psi=4500, gas_temperature_f=70)
    assert bled["verdict"]["verdict"] == "over-limit"
    strict = await ask(county, reading_psi=4510, limit_psi=4500, gas_temperature_f=70, gauge_tolerance_psi=0)
    assert strict["verdict"]["verdict"] == "over-limit"


@pytest.mark.parametrize(
    ("psi", "litres_per_litre", "feet_per_litre"),
    [
        (2216, 151.2, 5.338),
        (3000, 198.7, 7.016),
        (3300, 215.5, 7.610),
        (3442, 223.2, 7.882),
        (4500, 275.2, 9.720),
        (5500, 316.6, 11.18),
    ],
)
async def test_free_air(county: County, psi: int, litres_per_litre: float, feet_per_litre: float) -> None:
    """Contents of 10 L of water volume at 70 F: CoolProp 8.0.0."""
    shown = await ask(county, reading_psi=psi, limit_psi=psi, gas_temperature_f=70, water_volume_ml=10_000)
    assert shown["content"]["litres"] == pytest.approx(10 * litres_per_litre, rel=0.001)
    assert shown["content"]["standard_cubic_feet"] == pytest.approx(10 * feet_per_litre, rel=0.001)
    assert shown["full_content"] == shown["content"]


@pytest.mark.parametrize(("volume_ml", "feet"), [(4_700, 45.68), (6_800, 66.09), (9_000, 87.48)])
async def test_trade_sizes(county: County, volume_ml: int, feet: float) -> None:
    """Volumes nominal, from memory; contents CoolProp 8.0.0 at 4,500 psi and 70 F."""
    shown = await ask(county, limit_psi=4500, water_volume_ml=volume_ml)
    assert shown["full_content"]["standard_cubic_feet"] == pytest.approx(feet, abs=0.1)
    assert shown["content"] is None


async def test_a_european_cylinder(county: County) -> None:
    """300 bar = 4,351 psi (NIST SP 811) at 15 C = 59 F; at 70 F it reads 4,497.4 psi (CoolProp 8.0.0)."""
    shown = await ask(
        county,
        service_pressure_value="300",
        service_pressure_unit="bar",
        reference_temperature_f=59,
        gas_temperature_f=70,
        reading_psi=4497,
    )
    assert (shown["limit_psi"], shown["stop_at_psi"]) == (4351, 4497)
    assert shown["settled_psi"] in (4350, 4351)
    assert shown["verdict"]["verdict"] == "within-limit"
