"""Storage forecasts from numbers alone: what is told, step by step, and what is refused."""

from typing import Any

import pytest

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.planning import FORECASTS, bottle, codes, forecasted, send

SCBA: dict[str, Any] = {"label": "scba", "water_volume_ml": 6_800, "start_psi": 500, "limit_psi": 4_500}
LOW: dict[str, Any] = {"label": "low", "water_volume_l": 8.43, "start_psi": 300, "limit_psi": 2_216}
BANK = [bottle(6_000, label=f"bottle {number}") for number in range(1, 5)]


async def test_a_captain_without_power_and_without_anything_on_record(county: County) -> None:
    """Four bottles with their gauges read by eye: how many, and which bottle first."""
    bottles = [bottle(pressure_psi) for pressure_psi in (5_600, 3_100, 4_700, 700)]
    answer = await forecasted(
        county, [{name: SCBA[name] for name in SCBA if name != "label"}], county.keys[Role.INTEGRATOR], bottles=bottles
    )
    (alone,) = answer["alone"]
    assert alone["label"] == "kind 1"
    assert alone["opening_order"] == ["Bottle 4", "Bottle 2", "Bottle 3", "Bottle 1"]
    assert alone["full_fills"] > alone["full_fills_all_open"] == 0
    assert 500 < alone["next_end_psi"] < 4_500
    assert codes(answer["advice"])[0] == "open-lowest-bottle-first"
    # What is left stands beside what there was.
    left = {each["label"]: each["pressure_psi"] for each in answer["together"][0]["bottles_after"]}
    assert left == {each["label"]: each["after_psi"] for each in answer["bottles"]}
    assert all(each["after_psi"] <= each["before_psi"] for each in answer["bottles"])
    assert {each["read_at"] for each in answer["bottles"]} == {None}


async def test_a_mixed_list_fills_the_highest_limit_first(county: County) -> None:
    answer = await forecasted(county, [LOW, {**SCBA, "wanted": 25}], bottles=BANK)
    assert [each["label"] for each in answer["alone"]] == ["low", "scba"]
    assert answer["alone"][1]["full_fills"] == 19  # alone, the number wanted is no bound
    high, low = answer["together"]
    assert (high["label"], high["wanted"], high["full_fills"], high["short_by"]) == ("scba", 25, 19, 6)
    assert (low["wanted"], low["short_by"]) == (None, None)
    assert 0 < low["full_fills"] < answer["alone"][0]["full_fills"]
    enough = await forecasted(county, [LOW, {**SCBA, "wanted": 4}], bottles=BANK)
    assert (enough["together"][0]["full_fills"], enough["together"][0]["more"]) == (4, True)
    assert enough["together"][0]["next_end_psi"] is None


async def test_the_first_fills_are_told_step_by_step(county: County) -> None:
    answer = await forecasted(county, [{**SCBA, "wanted": 2}, LOW], bottles=BANK[:2], fills_told=3)
    high, low = answer["together"]
    assert [len(high["first_fills"]), len(low["first_fills"])] == [2, 1]
    first, second = high["first_fills"]
    assert first["openings"][0]["bottle"] == "bottle 1"
    assert first["openings"][0]["bottle_before_psi"] == 6_000
    assert first["end_psi"] == second["end_psi"] == 4_500
    assert second["openings"][0]["bottle_before_psi"] == first["openings"][0]["bottle_after_psi"]
    assert sum(step["air"]["litres"] for step in second["openings"]) == pytest.approx(second["air"]["litres"], abs=2)
    silent = await forecasted(county, [SCBA], bottles=BANK, fills_told=0)
    assert silent["together"][0]["first_fills"] == []


async def test_counting_stops_at_its_bound_and_says_so(county: County) -> None:
    tiny = {"water_volume_ml": 100, "start_psi": 0, "limit_psi": 2_216}
    answer = await forecasted(county, [tiny], bottles=[bottle(6_000, 3_000_000)] * 40)
    (alone,) = answer["alone"]
    assert alone["more"] is True
    assert alone["next_end_psi"] is None
    assert alone["full_fills"] == 600  # 24,000 openings over 40 bottles


async def test_every_fault_of_a_body_is_told_at_once(county: County) -> None:
    wrong = {
        "kinds": [{**SCBA, "start_psi": 4_500}, {**SCBA, "water_volume_ml": None}, {**LOW, "water_volume_ml": 8_430}],
        "bottles": [],
        "temperature_f": 70,
    }
    assert places(problem_in(await send(county, FORECASTS, wrong), 422, "invalid-body")) == {
        ("/kinds/0/start_psi", "at-its-limit"),
        ("/kinds/1/label", "used-twice"),
        ("/kinds/1/water_volume_ml", "missing"),
        ("/kinds/2/water_volume_l", "one-unit"),
        ("/bottles", "missing"),
    }
    shapes = {
        "kinds": [{"start_psi": 500.5, "limit_psi": 4_500, "water_volume_ml": 6_800, "wanted": 0}],
        "bottles": [{"pressure_psi": 500, "water_volume_ml": 99}],
        "fills_told": 11,
        "temperature_f": -21,
    }
    told = {place for place, _ in places(problem_in(await send(county, FORECASTS, shapes), 422, "invalid-body"))}
    assert told == {
        "/kinds/0/start_psi",
        "/kinds/0/wanted",
        "/bottles/0/water_volume_ml",
        "/fills_told",
        "/temperature_f",
    }
    none = {"kinds": [], "bottles": BANK}
    assert {place for place, _ in places(problem_in(await send(county, FORECASTS, none), 422, "invalid-body"))} == {
        "/kinds"
    }
    # In the cold 3,600 psi is more than a full 4,500 shows: 3,563 at 0 F.
    cold = {"kinds": [{**SCBA, "start_psi": 3_600}], "bottles": BANK, "temperature_f": 0}
    assert places(problem_in(await send(county, FORECASTS, cold), 422, "invalid-body")) == {
        ("/kinds/0/start_psi", "at-its-limit")
    }
    problem = problem_in(
        await send(county, FORECASTS, {"kinds": [{**SCBA, "limit_psi": 7_500}], "bottles": BANK, "temperature_f": 150}),
        422,
        "not-processable",
    )
    assert places(problem) == {("", "outside-gas-table")}


async def test_an_operator_makes_no_forecast(county: County) -> None:
    body = {"kinds": [SCBA], "bottles": BANK}
    problem_in(await send(county, FORECASTS, body, county.keys[Role.OPERATOR]), 403, "not-permitted")
    problem_in(await send(county, FORECASTS, body, "no key"), 401, "not-authenticated")
