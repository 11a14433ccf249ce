"""Plans and forecasts over HTTP against figures from outside: what a person at the station is really told."""

from math import isclose
from typing import Any

import pytest

from fill_ledger.trade.events.county import Role
from tests.support.coolprop import gas_table_maker
from tests.support.county import County
from tests.support.planning import bottle, by_numbers, forecasted, planned

BANK = [bottle(6_000, label=f"bottle {number}") for number in range(1, 5)]
# Free air is reckoned at 70 F and 14.7 psia, the American trade's standard cubic foot (common practice, no source).
FREE_AIR_PSIG, FREE_AIR_F = 0, 70


def content_litres(water_volume_ml: int, gauge_psi: int, temperature_f: int = 70) -> float:
    """Return the free air in a vessel by CoolProp itself, not by the table of the service."""
    coolprop = gas_table_maker()
    density = coolprop.density_kg_per_m3(gauge_psi, temperature_f)
    return float(density / coolprop.density_kg_per_m3(FREE_AIR_PSIG, FREE_AIR_F) * water_volume_ml / 1_000)


@pytest.mark.parametrize(
    "supply",
    [
        {"compressor": {"rate_scfm": 25, "maximum_psi": 6_000}},
        {"bottles": BANK},
        {"compressor": {"rate_scfm": 25, "maximum_psi": 6_000}, "bottles": BANK[:1]},
    ],
    ids=["compressor", "stored air", "both"],
)
async def test_three_limits_give_three_stages_that_close_in_their_order(county: County, supply: dict[str, Any]) -> None:
    """Common practice, no source: all open to the lowest limit, close those, go on to the next."""
    connections = [by_numbers(limit_psi, label=str(limit_psi)) for limit_psi in (5_500, 2_216, 4_500)]
    plan = await planned(county, connections, supply)
    assert [stage["ceiling_psi"] for stage in plan["stages"]] == [2_216, 4_500, 5_500]
    assert [stage["closed"] for stage in plan["stages"]] == [["2216"], ["4500"], ["5500"]]
    assert [sorted(stage["opened"]) for stage in plan["stages"]] == [
        ["2216", "4500", "5500"],
        ["4500", "5500"],
        ["5500"],
    ]
    assert [(each["state"], each["end_psi"]) for each in plan["cylinders"]] == [
        ("full", 5_500),
        ("full", 2_216),
        ("full", 4_500),
    ]
    mixing = next(each for each in plan["advice"] if each["code"] == "mixed-limits")
    assert mixing["source"] == "common practice, no source"


async def test_lowest_first_fills_nineteen_where_all_open_fill_six(county: County) -> None:
    """Computed apart from this project with CoolProp 8.0.0, isothermal at 70 F: 19 full fills and 6."""
    kind = {"label": "scba", "water_volume_l": 6.8, "start_psi": 500, "limit_psi": 4_500}
    answer = await forecasted(county, [kind], county.own.keys[Role.ANALYST], bottles=BANK)
    (alone,) = answer["alone"]
    assert (alone["full_fills"], alone["full_fills_all_open"], alone["more"]) == (19, 6, False)
    assert alone["opening_order"] == ["bottle 1", "bottle 2", "bottle 3", "bottle 4"]
    (together,) = answer["together"]
    assert together["full_fills"] == 19


UNBOUNDED_RATE = 6_000


@pytest.mark.parametrize("temperature_f", [70, 20])
async def test_a_plan_makes_and_loses_no_air(county: County, temperature_f: int) -> None:
    """Conservation of mass, from the pressures the answer tells and CoolProp 8.0.0: to the rounding of both."""
    bottles = [bottle(2_400), bottle(4_100, 50_000), bottle(5_200)]
    connections = [by_numbers(2_216, 100), by_numbers(4_500, 800), by_numbers(5_500, 1_500), by_numbers(4_500, 2_000)]
    supply = {"bottles": bottles, "compressor": {"rate_scfm": 12.5, "maximum_psi": 5_000}}
    # A rise that nothing reaches, so that the compressor alone sets the time.
    plan = await planned(
        county, connections, supply, temperature_f=temperature_f, fill_rate_psi_per_minute=UNBOUNDED_RATE
    )
    gained = sum(
        content_litres(each["water_volume_ml"], each["end_psi"], temperature_f)
        - content_litres(each["water_volume_ml"], each["start_psi"], temperature_f)
        for each in plan["cylinders"]
    )
    given = sum(
        content_litres(each["water_volume_ml"], each["before_psi"], temperature_f)
        - content_litres(each["water_volume_ml"], each["after_psi"], temperature_f)
        for each in plan["bottles"]
    )
    # Half a psi is at most 0.05 L of free air per litre of vessel; the table is within 0.1 % of CoolProp.
    allowed = 0.05 * (4 * 6.8 + 2 * 43 + 50) + 0.001 * gained + 1
    assert given > 0
    assert isclose(given, plan["from_storage"]["litres"], abs_tol=allowed)
    assert isclose(gained, plan["from_storage"]["litres"] + plan["from_compressor"]["litres"], abs_tol=allowed)
    # Free air in cubic feet is the litres over 28.3168 (NIST SP 811), told in tenths.
    for amount in (plan["from_storage"], plan["from_compressor"]):
        assert amount["standard_cubic_feet"] == pytest.approx(amount["litres"] / 28.3168, abs=0.07)
    # A compressor makes what it makes: cubic feet over cubic feet a minute.
    assert plan["compressor_s"] == pytest.approx(
        plan["from_compressor"]["standard_cubic_feet"] / 12.5 * 60, abs=len(plan["stages"])
    )


async def test_a_forecast_makes_and_loses_no_air(county: County) -> None:
    """The same of two kinds from one store in the cold, where limits hold at 70 F: 4,500 reads 3,563 at 0 F."""
    kinds = [
        {"label": "low", "water_volume_ml": 8_430, "start_psi": 200, "limit_psi": 2_216},
        {"label": "high", "water_volume_ml": 6_800, "start_psi": 400, "limit_psi": 4_500, "wanted": 3},
    ]
    answer = await forecasted(county, kinds, bottles=BANK[:2], temperature_f=0)
    assert [each["label"] for each in answer["together"]] == ["high", "low"]
    high, low = answer["together"]
    assert (high["full_fills"], high["short_by"], low["short_by"]) == (3, 0, None)
    assert high["limit_reading_psi"] == pytest.approx(3_563, abs=1)
    assert low["limit_reading_psi"] == pytest.approx(1_816, abs=1)
    given = sum(
        content_litres(43_000, each["before_psi"], 0) - content_litres(43_000, each["after_psi"], 0)
        for each in answer["bottles"]
    )
    taken = sum(
        each["full_fills"]
        * (content_litres(volume_ml, each["limit_reading_psi"], 0) - content_litres(volume_ml, start_psi, 0))
        for each, volume_ml, start_psi in ((high, 6_800, 400), (low, 8_430, 200))
    )
    fills = high["full_fills"] + low["full_fills"]
    allowed = 0.06 * (2 * 43 + fills * 8.43) + 0.001 * taken
    assert isclose(given, taken, abs_tol=allowed)
    assert isclose(given, high["air"]["litres"] + low["air"]["litres"], abs_tol=allowed)


async def test_a_warm_gas_is_filled_to_a_higher_reading(county: County) -> None:
    """CoolProp 8.0.0: to settle at 4,500 and 2,216 at 70 F, stop at 4,898 and 2,386 with gas of 100 F."""
    plan = await planned(county, [by_numbers(2_216), by_numbers(4_500)], gas_temperature_f=100)
    stops = [stage["stop_at_psi"] for stage in plan["stages"]]
    assert stops == [pytest.approx(2_386, abs=1), pytest.approx(4_898, abs=1)]
