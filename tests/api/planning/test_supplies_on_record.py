"""Supplies on record: bottles with their newest readings, and what is left out or said of them."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events import air
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import ServicePressure
from fill_ledger.trade.events.envelope import Body
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.planning import COMPRESSOR, FORECASTS, PLANS, bottle, by_numbers, codes, forecasted, planned, send

SCBA: dict[str, Any] = {"water_volume_ml": 6_800, "start_psi": 500, "limit_psi": 4_500}


class Bank:
    """A storage bank at the own station, with bottles by label."""

    def __init__(self, county: County, label: str, *bottle_labels: str) -> None:
        self.county = county
        self.label = label
        self.air_source_id = uuid.uuid4()
        self.bottles = {name: uuid.uuid4() for name in bottle_labels}

    async def register(self) -> None:
        bottles = tuple(
            air.StorageBottle(bottle_id=bottle_id, label=label, water_volume_ml=43_000, service_pressure_psi=6_000)
            for label, bottle_id in self.bottles.items()
        )
        await self.record(
            air.AirSourceRegistered(
                air_source_id=self.air_source_id,
                station_id=self.county.own.station_id,
                air_source_kind="storage_bank",
                label=self.label,
                bottles=bottles or None,
            ),
            days_ago=30,
        )
        await self.sample("pass", days_ago=10)

    async def record(self, *bodies: Body, days_ago: float = 0) -> None:
        occurred_at = datetime.now(UTC) - timedelta(days=days_ago, seconds=5)
        recorded = await self.county.record(*bodies, occurred_at=occurred_at)
        assert [outcome.outcome for outcome in recorded.outcomes] == ["created"] * len(bodies), recorded

    async def read(self, label: str, pressure_psi: int, *, days_ago: float = 0) -> None:
        reading = air.StorageBottleRead(
            air_source_id=self.air_source_id, bottle_id=self.bottles[label], pressure_psi=pressure_psi
        )
        await self.record(reading, days_ago=days_ago)

    async def sample(self, verdict: Any, *, days_ago: int) -> None:
        taken_on = (datetime.now(UTC) - timedelta(days=days_ago)).strftime("%Y-%m-%d")
        await self.record(
            air.AirSourceSampled(
                air_source_id=self.air_source_id,
                sample_id=uuid.uuid4(),
                taken_on=taken_on,
                verdict=verdict,
                standard="NFPA 1989",
            )
        )

    @property
    def named(self) -> list[str]:
        return [str(self.air_source_id)]


@pytest.fixture
async def bank(county: County) -> Bank:
    made = Bank(county, "Cascade", "1", "2", "3")
    await made.register()
    return made


async def test_bottles_in_place_are_taken_with_their_newest_readings(county: County, bank: Bank) -> None:
    await bank.read("1", 3_000, days_ago=2)
    await bank.read("1", 2_500)
    await bank.read("2", 5_800)
    await bank.record(air.StorageBottleRemoved(air_source_id=bank.air_source_id, bottle_id=bank.bottles["3"]))
    answer = await forecasted(county, [SCBA], air_source_ids=bank.named)
    assert [(each["label"], each["before_psi"], each["bottle_id"]) for each in answer["bottles"]] == [
        ("1", 2_500, str(bank.bottles["1"])),
        ("2", 5_800, str(bank.bottles["2"])),
    ]
    for each in answer["bottles"]:
        assert each["air_source_id"] == bank.named[0]
        assert 4 <= each["reading_age_s"] < 120
        assert datetime.fromisoformat(each["read_at"]) < datetime.now(UTC)
    assert answer["left_out"] == []
    assert codes(answer["advice"]) == ["open-lowest-bottle-first"]
    assert answer["alone"][0]["opening_order"] == ["1", "2"]
    # The same from numbers alone.
    numbers = await forecasted(county, [SCBA], bottles=[bottle(2_500), bottle(5_800)])
    assert numbers["alone"][0]["full_fills"] == answer["alone"][0]["full_fills"] > 0
    plan = await planned(county, [by_numbers(4_500)], {"air_source_ids": bank.named})
    assert [step["label"] for step in plan["stages"][0]["supply"]] == ["1", "2"]


async def test_a_bottle_never_read_is_named_and_left_out(county: County, bank: Bank) -> None:
    await bank.read("2", 5_800)
    answer = await forecasted(county, [SCBA], air_source_ids=bank.named)
    assert [each["label"] for each in answer["bottles"]] == ["2"]
    assert [(each["what"], each["label"], each["code"]) for each in answer["left_out"]] == [
        ("bottle", "1", "bottle-never-read"),
        ("bottle", "3", "bottle-never-read"),
    ]
    # A reading by eye is given beside it, and a newer one in place of that on record.
    read_by_eye = [
        {"bottle_id": str(bank.bottles["1"]), "pressure_psi": 4_000},
        {"bottle_id": str(bank.bottles["2"]), "pressure_psi": 5_000, "label": "middle"},
    ]
    answer = await forecasted(county, [SCBA], air_source_ids=bank.named, bottles=read_by_eye)
    assert [(each["label"], each["before_psi"], each["read_at"]) for each in answer["bottles"]] == [
        ("1", 4_000, None),
        ("middle", 5_000, None),
    ]
    assert [each["label"] for each in answer["left_out"]] == ["3"]


async def test_readings_that_need_not_hold_any_more_are_pointed_out(county: County, bank: Bank) -> None:
    await bank.read("1", 3_000, days_ago=3)
    await bank.read("2", 5_800, days_ago=0.5)
    await bank.record(
        air.StorageCharged(air_source_id=bank.air_source_id, from_air_source_id=county.own.air_source_id), days_ago=1
    )
    answer = await forecasted(county, [SCBA], air_source_ids=bank.named)
    told = {each["code"]: each for each in answer["advice"]}
    assert set(told) == {"open-lowest-bottle-first", "reading-before-charge", "reading-old"}
    assert told["reading-before-charge"]["text"].endswith("after the last reading of: 1")
    assert told["reading-old"]["source"] == "common practice, no source"


async def test_bad_air_is_left_out_and_what_is_due_is_told(county: County, bank: Bank) -> None:
    for label in bank.bottles:
        await bank.read(label, 6_000)
    due = Bank(county, "Truck", "1")
    await due.register()
    await due.read("1", 6_000)
    await bank.sample("fail", days_ago=1)
    answer = await forecasted(county, [SCBA], air_source_ids=[*bank.named, *due.named])
    assert [(each["what"], each["label"], each["code"]) for each in answer["left_out"]] == [
        ("air_source", "Cascade", "air-sample-failed")
    ]
    assert [each["air_source_id"] for each in answer["bottles"]] == due.named
    await due.record(air.AirSourceOutOfService(air_source_id=due.air_source_id, reason="valve"))
    answer = await forecasted(county, [SCBA], air_source_ids=[*bank.named, *due.named])
    assert codes(answer["left_out"]) == ["air-sample-failed", "air-source-out-of-service"]
    assert answer["alone"][0]["full_fills"] == 0
    # On record, the judgement denies every cylinder for it.
    cylinder_id = await county.cylinder(
        specification="DOT-3AA4500", service_pressure=ServicePressure(value="4500", unit="psi"), water_volume_ml=6_800
    )
    connections = [{"cylinder_id": str(cylinder_id), "present_psi": 500}]
    plan = await planned(county, connections, {"air_source_ids": bank.named})
    assert codes(plan["not_filled"]) == ["air-sample-failed"]
    unsampled = Bank(county, "New", "1")
    await unsampled.register()
    await unsampled.read("1", 6_000)
    assert (await planned(county, connections, {"air_source_ids": unsampled.named}))["not_filled"] == []


async def test_a_source_whose_sample_is_due_is_reckoned_with_and_told(county: County) -> None:
    overdue = Bank(county, "Cascade", "1")
    await overdue.register()
    await overdue.read("1", 6_000)
    retaken = Bank(county, "Other", "1")
    retaken.air_source_id = uuid.uuid4()
    await retaken.record(
        air.AirSourceRegistered(
            air_source_id=retaken.air_source_id,
            station_id=county.own.station_id,
            air_source_kind="storage_bank",
            label="Other",
            bottles=(
                air.StorageBottle(
                    bottle_id=retaken.bottles["1"], label="1", water_volume_ml=43_000, service_pressure_psi=6_000
                ),
            ),
        ),
        days_ago=30,
    )
    await retaken.read("1", 5_000)
    answer = await forecasted(county, [SCBA], air_source_ids=[*overdue.named, *retaken.named])
    assert codes(answer["advice"]) == ["open-lowest-bottle-first", "air-sample-due"]
    assert answer["left_out"] == []
    # Bottles of one name in two banks are told apart.
    assert [each["label"] for each in answer["bottles"]] == ["1", "Other: 1"]


async def test_what_a_compressor_makes_is_given_by_numbers(county: County) -> None:
    named = {"air_source_ids": [str(county.own.air_source_id)]}
    plan = await planned(county, [by_numbers(4_500)], named)
    assert codes(plan["left_out"]) == ["compressor-not-described", "given-by-numbers"]
    assert plan["cylinders"][0]["state"] == "short"
    plan = await planned(county, [by_numbers(4_500)], {**named, "compressor": COMPRESSOR})
    assert plan["cylinders"][0]["state"] == "full"
    await county.record(
        air.AirSourceOutOfService(air_source_id=county.own.air_source_id, reason="carbon monoxide alarm")
    )
    plan = await planned(county, [by_numbers(4_500)], {**named, "compressor": COMPRESSOR})
    assert codes(plan["left_out"])[:2] == ["air-source-out-of-service", "compressor-not-usable"]
    assert plan["cylinders"][0]["state"] == "short"


async def test_a_bank_without_bottles_says_so(county: County) -> None:
    empty = Bank(county, "Cascade")
    await empty.register()
    answer = await forecasted(county, [SCBA], air_source_ids=empty.named)
    assert codes(answer["left_out"]) == ["no-bottles"]
    assert (answer["alone"][0]["full_fills"], answer["alone"][0]["next_end_psi"]) == (0, 500)


async def test_sources_and_bottles_are_those_of_the_station(county: County, bank: Bank) -> None:
    elsewhere = str(county.neighbour.air_source_id)
    body: dict[str, Any] = {"kinds": [SCBA], "air_source_ids": [*bank.named, elsewhere, str(uuid.uuid4())]}
    assert places(problem_in(await send(county, FORECASTS, body), 422, "not-processable")) == {
        ("/air_source_ids/1", "air-source-unknown"),
        ("/air_source_ids/2", "air-source-unknown"),
    }
    one = {"bottle_id": str(bank.bottles["1"]), "pressure_psi": 4_000}
    wrong = [one, {"bottle_id": str(uuid.uuid4()), "pressure_psi": 4_000}, one]
    body = {"kinds": [SCBA], "air_source_ids": bank.named, "bottles": wrong}
    assert places(problem_in(await send(county, FORECASTS, body), 422, "not-processable")) == {
        ("/bottles/1/bottle_id", "bottle-unknown"),
        ("/bottles/2/bottle_id", "used-twice"),
    }
    supply = {"air_source_ids": [elsewhere], "bottles": []}
    problem = problem_in(
        await send(county, PLANS, {"connections": [by_numbers(4_500)], "supply": supply}), 422, "not-processable"
    )
    assert places(problem) == {("/supply/air_source_ids/0", "air-source-unknown")}
    # Whoever has no station names one, of the own departments.
    officer = county.own.keys[Role.OFFICER]
    body = {"kinds": [SCBA], "air_source_ids": bank.named}
    assert places(problem_in(await send(county, FORECASTS, body, officer), 422, "invalid-body")) == {
        ("/station_id", "missing")
    }
    named = {**body, "station_id": str(county.own.station_id)}
    assert (await send(county, FORECASTS, named, officer)).status_code == 200
    problem_in(await send(county, FORECASTS, named, county.neighbour.keys[Role.OFFICER]), 404, "not-found")
    problem_in(await send(county, FORECASTS, named, county.neighbour.keys[Role.CONTROLLER]), 403, "not-permitted")


async def test_more_bottles_than_can_be_reckoned_with_are_refused(county: County) -> None:
    large = Bank(county, "Large", *(f"b{number}" for number in range(61)))
    await large.register()
    for label in large.bottles:
        await large.read(label, 5_000)
    body = {"kinds": [SCBA], "air_source_ids": large.named, "bottles": [bottle(5_000)] * 40}
    problem = problem_in(await send(county, FORECASTS, body), 422, "not-processable")
    assert places(problem) == {("/bottles", "too-many-bottles")}
    body["bottles"] = [bottle(5_000)] * 39
    assert len((await send(county, FORECASTS, body)).json()["bottles"]) == 100
