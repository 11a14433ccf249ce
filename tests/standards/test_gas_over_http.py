"""Real air in the answer and in the record, over HTTP.

Figures: CoolProp 8.0.0, fluid `Air`, computed apart from the table of this project, gauge = absolute - 14.7 psi, free
air at 70 F and 14.7 psia, 1 scf = 28.3168 L (NIST SP 811, appendix B). 49 CFR 173.301a(c) (2024 copy): the limit holds
at 70 F; PHMSA interpretation letter 03-0159 (2003): more may be read while the gas is hot.
"""

import uuid
from typing import Any

import pytest

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import ServicePressure
from fill_ledger.trade.events.stations import FillPositionRegistered, PolicySet
from fill_ledger.views.check import check_views
from tests.support.county import County
from tests.support.facts import fill
from tests.support.questions import ask

COMPOSITE: dict[str, Any] = {
    "specification": "DOT-SP10915-4500",
    "service_pressure": ServicePressure(value="4500", unit="psi"),
    "water_volume_ml": 6_800,
}


async def report(county: County, cylinder_id: uuid.UUID, **body: Any) -> tuple[dict[str, Any], set[str]]:
    """Report a fill as the own station's controller; return it as `/v1/fills` shows it, and what was found."""
    sent = fill(
        {
            "cylinder_id": str(cylinder_id),
            "member_id": str(county.own.member_id),
            "sources": [{"air_source_id": str(county.own.air_source_id)}],
            "look_over": "passed",
            **body,
        }
    )
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        taken = await client.post("/v1/fills", json=sent)
    assert taken.status_code == 201, taken.text  # whatever it says
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        one = (await client.get(f"/v1/fills/{sent['event_id']}")).json()
        (listed,) = [
            item for item in (await client.get("/v1/fills")).json()["items"] if item["event_id"] == sent["event_id"]
        ]
        findings = (await client.get("/v1/findings", params={"event_id": sent["event_id"]})).json()["items"]
    assert {name: one[name] for name in listed} == listed
    found = {finding["code"] for finding in findings}
    assert found == set(one["reasons"])
    return listed, found - {"fill-not-asked"}  # whether it was asked is no matter of gas


async def test_the_answer_tells_where_to_stop(county: County) -> None:
    cylinder_id = await county.cylinder(**COMPOSITE)
    for temperature_f, stop_psi in ((40, 4100), (70, 4500), (100, 4898), (120, 5162)):
        answered = await ask(county, cylinder_id=cylinder_id, gas_temperature_f=temperature_f)
        assert answered["fill_limit_psi"] == 4500
        assert stop_psi - 1 <= answered["stop_at_psi"] <= stop_psi
        assert f"Stop at {answered['stop_at_psi']} psi" in answered["display_text"]
    assert (await ask(county, cylinder_id=cylinder_id))["stop_at_psi"] is None
    outside = await ask(county, cylinder_id=cylinder_id, gas_temperature_f=151)
    assert (outside["decision"], outside["stop_at_psi"]) == ("permit", None)
    assert [note["code"] for note in outside["advice"]] == ["gas-temperature-outside-table"]
    denied = await ask(county, cylinder_id=cylinder_id, member_id=uuid.uuid4(), gas_temperature_f=40)
    assert (denied["decision"], denied["stop_at_psi"], denied["advice"]) == ("deny", None, [])


async def test_policy_and_the_connection_bound_the_stop(county: County) -> None:
    """A policy cap holds settled, a regulator at any temperature. CoolProp: 4,000 psi at 70 F is 4,346.9 at 100 F."""
    cylinder_id, position_id = await county.cylinder(**COMPOSITE), uuid.uuid4()
    await county.record(
        FillPositionRegistered(
            station_id=county.own.station_id, fill_position_id=position_id, label="Left", regulator_psi=4600
        ),
        PolicySet(department_id=county.own.department_id, fill_limit_cap_psi=4000),
    )
    capped = await ask(county, cylinder_id=cylinder_id, gas_temperature_f=100)
    assert (capped["fill_limit_psi"], capped["stop_at_psi"]) == (4000, 4346)
    assert "limit-capped-by-policy" in [note["code"] for note in capped["advice"]]
    hotter = await ask(county, cylinder_id=cylinder_id, gas_temperature_f=150, fill_position_id=position_id)
    assert (hotter["fill_limit_psi"], hotter["stop_at_psi"]) == (4000, 4600)


@pytest.mark.parametrize(
    ("body", "settled_psi", "litres", "found"),
    [
        # 6.8 L at 4,510 psi and 96 F hold 1,775.0 L, at 480 psi and 70 F 230.9 L.
        ({"start_psi": 480, "end_psi": 4510, "gas_temperature_f": 96, "duration_s": 380}, 4192, 1544, set()),
        # At 70 F 1,874.6 L and 230.9 L; without a temperature nothing is settled.
        ({"start_psi": 480, "end_psi": 4510}, None, 1644, set()),
        ({"end_psi": 4500, "gas_temperature_f": 40}, 4946, None, {"over-fill-limit"}),
        ({"start_psi": 500, "end_psi": 4600, "gas_temperature_f": 70}, 4600, 1662, {"over-fill-limit"}),
        ({"start_psi": 4500, "end_psi": 500, "gas_temperature_f": 70}, 500, None, {"start-above-end"}),
        ({"start_psi": 500, "end_psi": 4500, "duration_s": 3}, None, 1631, {"duration-impossible"}),
        ({"start_psi": 500, "end_psi": 4500, "duration_s": 60}, None, 1631, {"filled-too-fast"}),
        ({"end_psi": 4500, "gas_temperature_f": 200}, None, None, {"gas-temperature-outside-table"}),
        ({"end_psi": 14_000}, None, None, {"over-fill-limit", "end-reading-impossible"}),
    ],
)
async def test_a_fill_is_kept_with_what_it_settles_to_and_the_air_it_took(
    county: County, body: dict[str, Any], settled_psi: int | None, litres: int | None, found: set[str]
) -> None:
    """Nonsense from a device is taken, and found."""
    listed, codes = await report(county, await county.cylinder(**COMPOSITE), **body)
    assert codes == found
    assert listed["settled_psi"] == (None if settled_psi is None else pytest.approx(settled_psi, abs=1))
    if litres is None:
        assert (listed["air_delivered_l"], listed["air_delivered_scf"]) == (None, None)
    else:
        assert listed["air_delivered_l"] == pytest.approx(litres, abs=2)
        assert listed["air_delivered_scf"] == pytest.approx(listed["air_delivered_l"] / 28.3168, abs=0.06)


async def test_without_a_water_volume_no_air_is_told(county: County) -> None:
    cylinder_id = await county.cylinder(**{**COMPOSITE, "water_volume_ml": None})
    listed, _ = await report(county, cylinder_id, start_psi=500, end_psi=4500, gas_temperature_f=70)
    assert (listed["settled_psi"], listed["air_delivered_l"], listed["air_delivered_scf"]) == (4500, None, None)


async def test_the_figures_survive_a_replay(county: County, database_url: str) -> None:
    """They are kept with the event, so a view that is made anew has them again."""
    listed, _ = await report(county, await county.cylinder(**COMPOSITE), start_psi=480, end_psi=4510)
    assert listed["air_delivered_l"] is not None
    assert (await check_views(database_url)).verdict == "sound"
