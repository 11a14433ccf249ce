"""What a gauge reading means, over HTTP: what is asked wrongly, and what the table of air does not tell."""

from typing import Any

import httpx
import pytest

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

PATH = "/v1/gauge-readings"


async def get(county: County, role: Role = Role.ANALYST, **params: Any) -> httpx.Response:
    key = county.keys[role] if role in county.keys else county.own.keys[role]
    async with county.client(key) as client:
        return await client.get(PATH, params={name: str(value) for name, value in params.items()})


@pytest.mark.parametrize(
    ("params", "wrong"),
    [
        ({}, {("reading_psi", "missing")}),
        ({"gas_temperature_f": 70}, {("reading_psi", "missing")}),
        (
            {"limit_psi": 4500, "service_pressure_value": "4500"},
            {("service_pressure_value", "one-limit"), ("service_pressure_unit", "missing")},
        ),
        ({"reading_psi": 4500, "service_pressure_unit": "bar"}, {("service_pressure_value", "missing")}),
        (
            {"service_pressure_value": "45000", "service_pressure_unit": "psi"},
            {("service_pressure_value", "pressure-too-high")},
        ),
        (
            {"service_pressure_value": "2", "service_pressure_unit": "bar"},
            {("service_pressure_value", "pressure-too-low")},
        ),
    ],
)
async def test_what_does_not_go_together_is_told(
    county: County, params: dict[str, Any], wrong: set[tuple[str, str]]
) -> None:
    assert places(problem_in(await get(county, **params), 400, "invalid-query")) == wrong


async def test_every_figure_has_bounds(county: County) -> None:
    response = await get(
        county,
        reading_psi=-1,
        gas_temperature_f=300,
        limit_psi=20_000,
        reference_temperature_f=10,
        gauge_tolerance_psi=51,
        water_volume_ml=5,
        service_pressure_value="1e3",
        colour="blue",
    )
    document = problem_in(response, 400, "invalid-query")
    assert {place for place, _ in places(document)} == {
        "reading_psi",
        "gas_temperature_f",
        "limit_psi",
        "reference_temperature_f",
        "gauge_tolerance_psi",
        "water_volume_ml",
        "service_pressure_value",
        "colour",
    }


async def test_who_may(county: County) -> None:
    assert (await get(county, Role.CONTROLLER, reading_psi=4500)).status_code == 200
    problem_in(await get(county, Role.OPERATOR, reading_psi=4500), 403, "not-permitted")
    async with county.client(None) as client:
        problem_in(await client.get(PATH, params={"reading_psi": "4500"}), 401, "not-authenticated")


@pytest.mark.parametrize(
    ("params", "code", "nulls"),
    [
        (
            {"reading_psi": 4500, "limit_psi": 4500, "gas_temperature_f": 151},
            "gas-temperature-outside-table",
            ("settled_psi", "stop_at_psi", "content"),
        ),
        (
            {"reading_psi": 8001, "limit_psi": 4500, "gas_temperature_f": 70},
            "reading-outside-table",
            ("settled_psi", "content"),
        ),
        (
            {"reading_psi": 4500, "limit_psi": 8001, "gas_temperature_f": 70},
            "limit-outside-table",
            ("stop_at_psi", "full_content"),
        ),
        ({"limit_psi": 7900, "gas_temperature_f": 100}, "stop-reading-outside-table", ("stop_at_psi", "content")),
    ],
)
async def test_outside_the_table_there_is_no_figure(
    county: County, params: dict[str, Any], code: str, nulls: tuple[str, ...]
) -> None:
    shown = (await get(county, water_volume_ml=6800, **params)).json()
    assert [note["code"] for note in shown["advice"]] == [code]
    assert {name: shown[name] for name in nulls} == dict.fromkeys(nulls)
    told = {name for name in ("settled_psi", "stop_at_psi", "content", "full_content") if shown[name] is not None}
    expected = {"stop_at_psi", "full_content"} | ({"settled_psi", "content"} if "reading_psi" in params else set())
    assert told == expected - set(nulls)


async def test_a_reading_beyond_the_table_is_over_a_limit_within_it(county: County) -> None:
    shown = (await get(county, reading_psi=9000, limit_psi=4500, gas_temperature_f=70)).json()
    assert shown["verdict"]["verdict"] == "over-limit"
    nothing = (await get(county, reading_psi=4500, limit_psi=4500, gas_temperature_f=151)).json()
    assert nothing["verdict"]["verdict"] == "outside-table"


async def test_bar_taken_for_psi_is_doubted(county: County) -> None:
    shown = (await get(county, service_pressure_value="300", service_pressure_unit="psi")).json()
    (note,) = shown["advice"]
    assert note["code"] == "service-pressure-doubtful"
    assert "300 bar" in note["text"]


async def test_every_verdict_has_words_and_a_source(county: County) -> None:
    words = {}
    for reading_psi, temperature_f in (
        (4000, None),
        (4500, 70),
        (4510, 70),
        (4600, None),
        (4600, 70),
        (4500, 151),
    ):
        given: dict[str, Any] = {"reading_psi": reading_psi, "limit_psi": 4500}
        if temperature_f is not None:
            given["gas_temperature_f"] = temperature_f
        verdict = (await get(county, **given)).json()["verdict"]
        assert verdict["source"]
        words[verdict["text"]] = verdict["verdict"]
    assert set(words.values()) == {
        "within-limit",
        "within-tolerance",
        "explained-by-heat",
        "over-limit",
        "outside-table",
    }
    assert len(words) == 6
