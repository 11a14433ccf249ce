"""What a broken sensor or a wrong clock reports is taken, kept as it came, shown, and found."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events.air import AirSourceRegistered, StorageBottle
from fill_ledger.trade.events.county import Role
from fill_ledger.views.check import check_views
from tests.api.clients import places, problem_in
from tests.api.record.test_fills import good_body
from tests.support.county import County
from tests.support.facts import ago, fact, fill


async def reported(county: County, sent: dict[str, Any]) -> dict[str, Any]:
    """Send a fill as the station's controller and return it as an officer is shown it."""
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        created = await client.post("/v1/fills", json=sent)
    assert (created.status_code, created.json()["outcome"]) == (201, "created"), created.text
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = await client.get(f"/v1/fills/{sent['event_id']}")
        again = await client.get(f"/v1/fills/{sent['event_id']}/judgement")
    assert shown.status_code == 200, shown.text
    assert again.json()["comparison"] == "same", again.text
    document: dict[str, Any] = shown.json()
    return document


@pytest.mark.parametrize(
    ("readings", "codes"),
    [
        ({"gas_temperature_f": 9999}, {"gas-temperature-outside-table"}),
        ({"end_psi": 45_000}, {"over-fill-limit", "end-reading-impossible"}),
        ({"start_psi": -3}, {"start-reading-impossible"}),
        ({"duration_s": -1}, {"duration-unbelievable"}),
        (
            {"start_psi": 2**31 - 1, "end_psi": -(2**31), "gas_temperature_f": -(2**31), "duration_s": 2**31 - 1},
            {
                "start-reading-impossible",
                "end-reading-impossible",
                "start-above-end",
                "gas-temperature-outside-table",
                "duration-unbelievable",
            },
        ),
    ],
)
async def test_readings_that_cannot_be_are_kept_and_found(
    county: County, database_url: str, readings: dict[str, int], codes: set[str]
) -> None:
    body = good_body(county, await county.cylinder()) | readings
    shown = await reported(county, fill(body))
    assert {name: shown[name] for name in readings} == readings
    assert set(shown["reasons"]) == codes
    assert (await check_views(database_url)).verdict == "sound"


async def test_a_bottle_read_beyond_every_gauge_is_kept_and_shown(county: County) -> None:
    bottle = StorageBottle(bottle_id=uuid.uuid4(), label="B1", water_volume_ml=43_000, service_pressure_psi=6000)
    bank = AirSourceRegistered(
        air_source_id=uuid.uuid4(),
        station_id=county.own.station_id,
        air_source_kind="storage_bank",
        label="Bank",
        bottles=(bottle,),
    )
    await county.record(bank, occurred_at=datetime.now(UTC) - timedelta(days=1))
    source_id, bottle_id = str(bank.air_source_id), str(bottle.bottle_id)
    reading = {"air_source_id": source_id, "bottle_id": bottle_id, "pressure_psi": -40}
    sent = fact("storage_bottle.read", reading, occurred_at=datetime.now(UTC).isoformat())
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        taken = await client.post("/v1/intake", json={"facts": [sent]})
    assert [result["outcome"] for result in taken.json()["results"]] == ["created"], taken.text
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        source = (await client.get(f"/v1/air-sources/{source_id}")).json()
        entered = {"bottle_id": bottle_id, "pressure_psi": -40}
        refused = await client.post(f"/v1/air-sources/{source_id}/bottle-readings", json=entered)
    assert [known["pressure_psi"] for known in source["bottles"]] == [-40]
    assert places(problem_in(refused, 422, "invalid-body")) == {("/pressure_psi", "out-of-range")}


@pytest.mark.parametrize(("ahead", "is_found"), [(timedelta(minutes=4), False), (timedelta(minutes=6), True)])
async def test_a_fill_dated_in_the_future_is_kept_as_of_now_and_found(
    county: County, ahead: timedelta, is_found: bool
) -> None:
    sent = fill(good_body(county, await county.cylinder()), occurred_at=(datetime.now(UTC) + ahead).isoformat())
    shown = await reported(county, sent)
    assert ("dated-in-the-future" in shown["reasons"]) is is_found
    assert datetime.fromisoformat(shown["filled_at"]) <= datetime.now(UTC)


async def test_a_clock_that_is_fast_and_says_so_dates_nothing_in_the_future(county: County) -> None:
    """The device's own now tells by how much it is fast; what happened a minute ago there happened so here."""
    device_now = datetime.now(UTC) + timedelta(days=3)
    clock = {"boot_id": str(uuid.uuid4()), "uptime_ms": 1, "synced": False}
    envelope = {"device_now": device_now.isoformat(), "clock": clock}
    body = good_body(county, await county.cylinder())
    right = fill(body, occurred_at=(device_now - timedelta(minutes=1)).isoformat(), **envelope)
    assert "dated-in-the-future" not in (await reported(county, right))["reasons"]
    wrong = fill(body, occurred_at=(device_now + timedelta(minutes=6)).isoformat(), **envelope)
    assert "dated-in-the-future" in (await reported(county, wrong))["reasons"]


async def test_a_fill_dated_before_the_cylinder_was_made_is_found(county: County) -> None:
    cylinder_id = await county.cylinder(manufactured=f"{datetime.now(UTC) - timedelta(days=730):%Y-%m}")
    for days, is_found in ((770, True), (690, False)):
        shown = await reported(county, fill(good_body(county, cylinder_id), occurred_at=ago(days=days)))
        assert ("dated-before-manufacture" in shown["reasons"]) is is_found, days
