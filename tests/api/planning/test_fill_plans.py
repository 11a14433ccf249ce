"""Fill plans: by numbers alone, with cylinders and fill positions on record, and what is refused."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.ledger.handles import MemberSession
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import CylinderHeld, ServicePressure
from fill_ledger.trade.events.members import MemberAuthorised
from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended
from fill_ledger.trade.events.stations import FillPositionRegistered, FillPositionRemoved, PolicySet, StationClosed
from fill_ledger.trade.gas.readings import stop_at_psi
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.planning import COMPRESSOR, PLANS, bottle, by_numbers, codes, planned, send
from tests.support.questions import ask

TAG = "iso15693:E004010012345678"
SCBA: dict[str, Any] = {
    "specification": "DOT-3AA4500",
    "service_pressure": ServicePressure(value="4500", unit="psi"),
    "water_volume_ml": 6_800,
}


async def position(county: County, **ratings: int) -> str:
    fill_position_id = uuid.uuid4()
    label = f"Whip {fill_position_id}"
    await county.record(
        FillPositionRegistered(
            station_id=county.own.station_id, fill_position_id=fill_position_id, label=label, **ratings
        )
    )
    return str(fill_position_id)


async def head(county: County) -> int:
    heads = "SELECT sum(ledger_position)::bigint FROM lookup.heads()"
    count: int = await county.parts.database.lookups.fetchval(heads)
    return count


async def test_numbers_alone_are_enough_for_anybody_who_may_plan(county: County) -> None:
    before = await head(county)
    for role in (Role.ANALYST, Role.INTEGRATOR):
        plan = await planned(county, [by_numbers(4_500)], key=county.keys[role])  # keys without a station
        (cylinder,) = plan["cylinders"]
        assert (cylinder["label"], cylinder["state"], cylinder["end_psi"]) == ("connection 1", "full", 4_500)
        assert cylinder["text"] == "filled to its limit of 4500 psi"
        assert cylinder["cylinder_id"] is cylinder["fill_position_id"] is None
        assert codes(plan["left_out"]) == ["given-by-numbers"]
        assert plan["not_filled"] == []
    assert await head(county) == before  # nothing was recorded


async def test_litres_are_as_good_as_millilitres(county: County) -> None:
    connections = [by_numbers(4_500), {"water_volume_l": 6.8, "limit_psi": 4_500, "present_psi": 500}]
    plan = await planned(county, connections, {"bottles": [{"water_volume_l": 43, "pressure_psi": 6_000}]})
    one, other = plan["cylinders"]
    assert one["water_volume_ml"] == other["water_volume_ml"] == 6_800
    assert one["end_psi"] == other["end_psi"]
    assert [each["water_volume_ml"] for each in plan["bottles"]] == [43_000]


async def test_a_stage_says_what_to_open_in_which_order(county: County) -> None:
    supply = {
        "compressor": COMPRESSOR,
        "bottles": [bottle(3_500, label="high"), bottle(1_500, label="low"), bottle(300, label="empty")],
    }
    connections = [by_numbers(4_500, 900, label="half"), by_numbers(4_500, 100, label="empty one")]
    plan = await planned(county, connections, supply)
    (stage,) = plan["stages"]
    assert stage["opened"] == ["empty one", "half"]
    assert [(step["supply"], step["label"]) for step in stage["supply"]] == [
        ("bottle", "empty"),
        ("bottle", "low"),
        ("bottle", "high"),
        ("compressor", "Compressor"),
    ]
    for step in stage["supply"][:3]:
        assert step["after_psi"] < step["before_psi"]
    assert stage["supply"][3]["before_psi"] is None
    assert sum(step["air"]["litres"] for step in stage["supply"]) == pytest.approx(
        sum(each["air"]["litres"] for each in stage["cylinders"]), abs=4
    )
    assert plan["compressor_s"] == stage["compressor_s"] > 0
    assert plan["duration_s"] == stage["duration_s"] > stage["compressor_s"]
    assert {each["label"]: each["after_psi"] for each in plan["bottles"]}["high"] == stage["supply"][2]["after_psi"]
    first = await planned(
        county, [by_numbers(5_500)], {"compressor": {"rate_scfm": 25, "maximum_psi": 4_000}, "bottles": [bottle(6_000)]}
    )
    assert [step["supply"] for step in first["stages"][0]["supply"]] == ["compressor", "bottle"]


async def test_the_fastest_rise_allowed_gives_the_time_of_stored_air(county: County) -> None:
    """4,000 psi at 500 psi a minute are 8 minutes."""
    supply = {"bottles": [bottle(6_000, 3_000_000)]}
    plan = await planned(county, [by_numbers(4_500)], supply, fill_rate_psi_per_minute=500)
    assert (plan["duration_s"], plan["fill_rate_psi_per_minute"]) == (480, 500)


async def test_without_a_rate_the_times_keep_to_the_greatest_one_of_the_rules(county: County) -> None:
    """4,000 psi at 600 psi a minute are 400 s; the flow of 25 scfm alone would fill 6.8 L in less than half of that."""
    plan = await planned(county, [by_numbers(4_500)])
    assert (plan["fill_rate_psi_per_minute"], plan["compressor_s"], plan["duration_s"]) == (600, 400, 400)
    (assumed,) = [note for note in plan["advice"] if note["code"] == "fill-rate-assumed"]
    assert "600 psi a minute" in assumed["text"]
    given = await planned(county, [by_numbers(4_500)], fill_rate_psi_per_minute=1_000)
    assert (given["duration_s"], "fill-rate-assumed" in codes(given["advice"])) == (240, False)
    # An amended figure of the county holds with and without a station.
    lower = AmendedFigure(figure="fill_rate_max_psi_per_minute", value=400)
    await county.record(RuleAmended(figures=(lower,), reason="a test"), department_id=COUNTY_ID)
    for key in (county.keys[Role.ANALYST], county.own.keys[Role.CONTROLLER]):
        slower = await planned(county, [by_numbers(4_500)], key=key)
        assert (slower["fill_rate_psi_per_minute"], slower["duration_s"]) == (400, 600)


async def test_what_cannot_be_filled_is_told_with_the_reason(county: County) -> None:
    plan = await planned(county, [by_numbers(4_500), by_numbers(4_500, 4_560)], {"bottles": [bottle(2_000)]})
    short, over = plan["cylinders"]
    assert short["state"] == "short"
    assert "no bottle stands above" in short["text"]
    assert over["state"] == "over-limit"
    assert codes(plan["advice"]) == ["bleed-off", "fill-rate-assumed"]
    nothing = await planned(county, [by_numbers(4_500)], {"bottles": []})
    assert nothing["stages"] == []
    assert nothing["cylinders"][0]["text"].endswith("there is neither a compressor nor stored air")


async def test_a_cylinder_on_record_gets_the_limit_that_the_look_up_tells(county: County) -> None:
    await county.cylinder(tag=TAG, serial="K 48213", **SCBA)
    low = await county.cylinder(water_volume_ml=8_430)
    connections = [{"tag": "E0 04 01 00 12 34 56 78", "present_psi": 600}, {"cylinder_id": str(low), "present_psi": 0}]
    plan = await planned(county, connections, member_id=str(county.own.member_id))
    scba, other = plan["cylinders"]
    assert scba["limit_psi"] == (await ask(county, tag=TAG))["fill_limit_psi"] == 4_500
    assert (other["cylinder_id"], other["limit_psi"], other["water_volume_ml"]) == (str(low), 2_216, 8_430)
    assert [stage["ceiling_psi"] for stage in plan["stages"]] == [2_216, 4_500]
    assert "look-over" in codes(scba["obligations"])
    assert plan["left_out"] == []
    for subject in ({"inventory_number": "1"}, {"serial": "k-48213"}):
        again = await planned(county, [{**subject, "present_psi": 600}], member_id=str(county.own.member_id))
        assert again["cylinders"][0]["cylinder_id"] == scba["cylinder_id"]


async def test_what_the_judgement_denies_stays_shut(county: County) -> None:
    held = await county.cylinder(**SCBA)
    await county.record(
        CylinderHeld(cylinder_id=held, hold_id=uuid.uuid4(), hold_kind="damage", reason="dent", clears_by="inspection")
    )
    good = await county.cylinder(**SCBA)
    unmeasured = await county.cylinder()
    connections = [
        {"cylinder_id": str(held), "present_psi": 500, "label": "held"},
        {"cylinder_id": str(good), "present_psi": 500, "label": "good"},
        {"cylinder_id": str(uuid.uuid4()), "present_psi": 500, "label": "unknown"},
        {"cylinder_id": str(unmeasured), "present_psi": 500, "label": "unmeasured"},
    ]
    plan = await planned(county, connections)
    assert [each["label"] for each in plan["cylinders"]] == ["good"]
    assert [stage["opened"] for stage in plan["stages"]] == [["good"]]
    first, second, third = plan["not_filled"]
    asked = await ask(county, cylinder_id=held)
    assert (first["label"], first["code"], first["cylinder_id"]) == ("held", "on-hold", str(held))
    assert codes(first["reasons"]) == codes(asked["reasons"])
    assert (second["label"], second["cylinder_id"]) == ("unknown", None)
    assert second["code"] == (await ask(county, cylinder_id=uuid.uuid4()))["code"]
    assert (third["code"], third["reasons"]) == ("water-volume-unknown", [])
    # A volume given fills in; a limit given only lowers.
    connections = [
        {"cylinder_id": str(unmeasured), "present_psi": 500, "water_volume_ml": 8_000, "limit_psi": 5_500},
        {"cylinder_id": str(good), "present_psi": 500, "limit_psi": 4_000},
    ]
    plan = await planned(county, connections)
    assert [(each["water_volume_ml"], each["limit_psi"]) for each in plan["cylinders"]] == [
        (8_000, 2_216),
        (6_800, 4_000),
    ]


async def test_a_member_is_judged_where_one_is_named(county: County) -> None:
    cylinder_id = str(await county.cylinder(**SCBA))
    connections = [{"cylinder_id": cylinder_id, "present_psi": 500}]
    nobody = await planned(county, connections)
    assert codes(nobody["left_out"]) == ["member-not-asked"]
    assert nobody["not_filled"] == []
    await county.record(MemberAuthorised(member_id=county.own.member_id, kinds=("scuba",)))
    somebody = await planned(county, connections, member_id=str(county.own.member_id))
    assert codes(somebody["not_filled"]) == ["member-not-authorised"]
    session = MemberSession(
        member_id=county.own.member_id,
        station_id=county.own.station_id,
        department_id=county.own.department_id,
        credential_kind="card",
        expires_at=datetime.now(UTC) + timedelta(minutes=5),
    )
    handle = county.parts.member_sessions.issue(session)
    assert codes((await planned(county, connections, member_session=handle))["not_filled"]) == ["member-not-authorised"]
    body = {"connections": [by_numbers(4_500)], "supply": {"compressor": COMPRESSOR}, "member_session": handle}
    refused = await send(county, PLANS, body, county.neighbour.keys[Role.CONTROLLER])
    assert places(problem_in(refused, 422, "invalid-body")) == {("/member_session", "elsewhere")}
    body["member_session"] = "nonsense"
    refused = await send(county, PLANS, body)
    assert places(problem_in(refused, 422, "invalid-body")) == {("/member_session", "wrong-format")}


async def test_regulator_and_hose_cap_the_limit(county: County) -> None:
    weak, strong = await position(county, regulator_psi=4_500, hose_rating_psi=4_000), await position(county)
    cylinder_id = str(await county.cylinder(**SCBA))
    connections = [
        by_numbers(5_500, fill_position_id=weak),
        {"cylinder_id": cylinder_id, "present_psi": 500, "fill_position_id": strong},
    ]
    plan = await planned(county, connections, gas_temperature_f=100)
    assert [(each["limit_psi"], each["fill_position_id"]) for each in plan["cylinders"]] == [
        (4_000, weak),
        (4_500, strong),
    ]
    # The hose bounds the gauge itself, however warm the gas.
    assert [stage["stop_at_psi"] for stage in plan["stages"]] == [4_000, stop_at_psi(4_500, 100)]
    assert "rating-below-stop" in codes(plan["advice"])
    swapped = [
        {"cylinder_id": cylinder_id, "present_psi": 500, "fill_position_id": weak},
        by_numbers(5_500, fill_position_id=strong),
    ]
    plan = await planned(county, swapped)
    assert [each["limit_psi"] for each in plan["cylinders"]] == [4_000, 5_500]
    assert "limit-lowered" in codes(plan["cylinders"][0]["advice"])


async def test_the_departments_policy_caps_limit_and_rate(county: County) -> None:
    policy = PolicySet(
        department_id=county.own.department_id, fill_limit_cap_psi=4_000, fill_rate_max_psi_per_minute=300
    )
    await county.record(policy)
    cylinder_id = str(await county.cylinder(**SCBA))
    connections = [by_numbers(4_500), {"cylinder_id": cylinder_id, "present_psi": 500}]
    plan = await planned(county, connections)
    assert [each["limit_psi"] for each in plan["cylinders"]] == [4_000, 4_000]
    assert plan["fill_rate_psi_per_minute"] == 300
    slower, faster = [await planned(county, connections, fill_rate_psi_per_minute=rate) for rate in (200, 900)]
    assert [slower["fill_rate_psi_per_minute"], faster["fill_rate_psi_per_minute"]] == [200, 300]
    # Without a station there is no department to cap anything.
    free = await planned(county, connections[:1], key=county.keys[Role.ANALYST])
    assert (free["cylinders"][0]["limit_psi"], free["fill_rate_psi_per_minute"]) == (4_500, 600)


async def test_a_closed_station_is_told_of(county: County) -> None:
    await county.record(StationClosed(station_id=county.own.station_id, reason="rebuilding"))
    cylinder_id = str(await county.cylinder(**SCBA))
    supply = {"compressor": COMPRESSOR, "air_source_ids": [str(county.own.air_source_id)]}
    connections = [by_numbers(4_500), {"cylinder_id": cylinder_id, "present_psi": 500}]
    plan = await planned(county, connections, supply)
    assert codes(plan["not_filled"]) == ["station-closed"]
    assert "station-closed" in codes(plan["advice"])


async def test_a_label_that_is_not_given_is_made(county: County) -> None:
    connections = [by_numbers(4_500), by_numbers(4_500, label="connection 1"), by_numbers(4_500)]
    plan = await planned(county, connections)
    assert [each["label"] for each in plan["cylinders"]] == ["connection 1 (2)", "connection 1", "connection 3"]


async def test_a_fill_position_is_one_of_the_stations_and_takes_one_cylinder(county: County) -> None:
    there, gone = await position(county), await position(county)
    await county.record(FillPositionRemoved(station_id=county.own.station_id, fill_position_id=uuid.UUID(gone)))
    body = {
        "connections": [by_numbers(4_500, fill_position_id=each) for each in (there, gone, str(uuid.uuid4()))],
        "supply": {"compressor": COMPRESSOR},
    }
    assert places(problem_in(await send(county, PLANS, body), 422, "not-processable")) == {
        ("/connections/1/fill_position_id", "fill-position-unknown"),
        ("/connections/2/fill_position_id", "fill-position-unknown"),
    }
    body["connections"] = [by_numbers(4_500, fill_position_id=there)] * 2
    assert places(problem_in(await send(county, PLANS, body), 422, "invalid-body")) == {
        ("/connections/1/fill_position_id", "used-twice")
    }


async def test_one_cylinder_is_on_one_connection(county: County) -> None:
    cylinder_id = str(await county.cylinder(tag=TAG, **SCBA))
    body = {
        "connections": [{"cylinder_id": cylinder_id, "present_psi": 500}, {"tag": TAG, "present_psi": 500}],
        "supply": {"compressor": COMPRESSOR},
    }
    problem = problem_in(await send(county, PLANS, body), 422, "not-processable")
    assert places(problem) == {("/connections/1", "used-twice")}


async def test_the_station_is_the_controllers_own_or_named(county: County) -> None:
    cylinder_id = str(await county.cylinder(**SCBA))
    body: dict[str, Any] = {
        "connections": [{"cylinder_id": cylinder_id, "present_psi": 500}],
        "supply": {"compressor": COMPRESSOR},
    }
    officer = county.own.keys[Role.OFFICER]
    assert places(problem_in(await send(county, PLANS, body, officer), 422, "invalid-body")) == {
        ("/station_id", "missing")
    }
    named = {**body, "station_id": str(county.own.station_id)}
    assert (await send(county, PLANS, named, officer)).json()["cylinders"][0]["cylinder_id"] == cylinder_id
    assert (await send(county, PLANS, named)).status_code == 200
    elsewhere = {**body, "station_id": str(county.neighbour.station_id)}
    problem_in(await send(county, PLANS, elsewhere), 403, "not-permitted")
    problem_in(await send(county, PLANS, elsewhere, officer), 404, "not-found")
    problem_in(await send(county, PLANS, {**body, "station_id": str(uuid.uuid4())}, officer), 404, "not-found")
    problem_in(await send(county, PLANS, body, county.keys[Role.OPERATOR]), 403, "not-permitted")
    # A neighbour's cylinder is denied here unless policy names its owner, as the look-up says.
    theirs = str(await county.cylinder(department_id=county.neighbour.department_id, **SCBA))
    plan = await planned(county, [{"cylinder_id": theirs, "present_psi": 500}])
    assert codes(plan["not_filled"]) == ["not-shared"]


async def test_every_fault_of_a_body_is_told_at_once(county: County) -> None:
    wrong = {
        "connections": [
            {"present_psi": -1, "water_volume_ml": 6_800, "limit_psi": 9_000},
            {"present_psi": "500", "limit_psi": 4_500, "water_volume_l": 0.01},
        ],
        "supply": {"compressor": {"rate_scfm": 0}, "bottles": [{"pressure_psi": 8_001}]},
        "temperature_f": 151,
        "fill_rate_psi_per_minute": 0,
        "colour": "red",
    }
    told = {place for place, _ in places(problem_in(await send(county, PLANS, wrong), 422, "invalid-body"))}
    assert told == {
        "/connections/0/present_psi",
        "/connections/0/limit_psi",
        "/connections/1/present_psi",
        "/connections/1/water_volume_l",
        "/supply/compressor/rate_scfm",
        "/supply/compressor/maximum_psi",
        "/supply/bottles/0/pressure_psi",
        "/temperature_f",
        "/fill_rate_psi_per_minute",
        "/colour",
    }
    inconsistent = {
        "connections": [
            {"present_psi": 500},
            by_numbers(4_500, water_volume_l=6.8, label="a"),
            by_numbers(4_500, label="a"),
            {"present_psi": 500, "tag": TAG, "serial": "K 1"},
            {"present_psi": 500, "tag": "iso15693:12"},
        ],
        "supply": {
            "bottles": [
                {"pressure_psi": 500},
                bottle(500, bottle_id=str(uuid.uuid4()), label="b"),
                bottle(500, label="b"),
            ],
            "air_source_ids": [],
        },
    }
    assert places(problem_in(await send(county, PLANS, inconsistent), 422, "invalid-body")) == {
        ("/connections/0/water_volume_ml", "missing"),
        ("/connections/0/limit_psi", "missing"),
        ("/connections/1/water_volume_l", "one-unit"),
        ("/connections/2/label", "used-twice"),
        ("/connections/3/tag", "exactly-one-subject"),
        ("/connections/3/serial", "exactly-one-subject"),
        ("/connections/4/tag", "tag-length"),
        ("/supply/bottles/0/water_volume_ml", "missing"),
        ("/supply/bottles/1/water_volume_ml", "on-record"),
        ("/supply/bottles/2/label", "used-twice"),
    }
    many = {"connections": [by_numbers(4_500)] * 21, "supply": {"bottles": [bottle(500)] * 41}}
    assert {place for place, _ in places(problem_in(await send(county, PLANS, many), 422, "invalid-body"))} == {
        "/connections",
        "/supply/bottles",
    }


async def test_what_comes_to_more_than_the_table_holds_is_told(county: County) -> None:
    body = {"connections": [by_numbers(7_500)], "supply": {"compressor": COMPRESSOR}, "temperature_f": 150}
    problem = problem_in(await send(county, PLANS, body), 422, "not-processable")
    assert places(problem) == {("", "outside-gas-table")}
    assert "ends at 8000 psi" in problem["detail"]
