"""Bottles, charges, readings and filter changes as a person enters them: checked, unlike what a device reports."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.api.places.test_air_sources import BOTTLE, bank_at, register
from tests.support.county import County


async def shown_bank(client: httpx.AsyncClient, county: County) -> dict[str, Any]:
    bank_id = await register(client, bank_at(county.own.station_id))
    document: dict[str, Any] = (await client.get(f"/v1/air-sources/{bank_id}")).json()
    return document


async def test_bottles_come_and_go_and_their_time_in_the_bank_stays(county: County) -> None:
    early = (datetime.now(UTC) - timedelta(days=1)).isoformat()
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        bank = await shown_bank(client, county)
        path = f"/v1/air-sources/{bank['air_source_id']}"
        body = {**BOTTLE, "label": "Bottle 3", "event_id": str(uuid.uuid4())}
        added = await client.post(f"{path}/bottles", json=body)
        again = await client.post(f"{path}/bottles", json=body)
        bottle_id = added.json()["subject_id"]
        known = await client.post(f"{path}/bottles", json={**BOTTLE, "bottle_id": bottle_id})
        before = await client.post(f"{path}/bottles/{bottle_id}/removals", json={"occurred_at": early})
        removed = await client.post(f"{path}/bottles/{bottle_id}/removals", json={})
        twice = await client.post(f"{path}/bottles/{bottle_id}/removals", json={})
        back = await client.post(f"{path}/bottles", json={**BOTTLE, "bottle_id": bottle_id, "occurred_at": early})
        shown = (await client.get(path)).json()["bottles"]
        compressor = await client.post(f"/v1/air-sources/{county.own.air_source_id}/bottles", json=BOTTLE)
    assert (added.status_code, again.status_code, removed.status_code) == (201, 200, 201), added.text
    assert places(problem_in(known, 409, "conflict")) == {("/bottle_id", "bottle-known")}
    assert places(problem_in(before, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert places(problem_in(twice, 409, "conflict")) == {("/bottle_id", "bottle-unknown")}
    assert places(problem_in(back, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert [bottle["ends_at"] is None for bottle in shown] == [True, True, False]
    assert places(problem_in(compressor, 422, "not-processable")) == {("/air_source_id", "not-a-storage-bank")}


async def test_readings_show_with_their_bottle_and_an_older_one_does_not_replace_a_newer(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        bank = await shown_bank(client, county)
        path, bottle_id = f"/v1/air-sources/{bank['air_source_id']}", bank["bottles"][0]["bottle_id"]
        moment = bank["registered_at"]
        newer = await client.post(f"{path}/bottle-readings", json={"bottle_id": bottle_id, "pressure_psi": 5400})
        older = await client.post(
            f"{path}/bottle-readings", json={"bottle_id": bottle_id, "pressure_psi": 5900, "occurred_at": moment}
        )
        stranger = await client.post(
            f"{path}/bottle-readings", json={"bottle_id": str(uuid.uuid4()), "pressure_psi": 1}
        )
        shown = (await client.get(path)).json()["bottles"]
    assert (newer.status_code, older.status_code) == (201, 201), older.text
    assert places(problem_in(stranger, 409, "conflict")) == {("/bottle_id", "bottle-unknown")}
    assert [bottle["pressure_psi"] for bottle in shown] == [5400, None]


async def test_a_bank_is_charged_from_another_source_of_its_station(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        bank = await shown_bank(client, county)
        path = f"/v1/air-sources/{bank['air_source_id']}/charges"
        good = {
            "from_air_source_id": str(county.own.air_source_id),
            "bottle_ids": [bank["bottles"][0]["bottle_id"]],
            "start_psi": 2200,
            "end_psi": 5800,
            "event_id": str(uuid.uuid4()),
        }
        charged = await client.post(path, json=good)
        again = await client.post(path, json=good)
        conflicting = await client.post(path, json={**good, "end_psi": 5900})
        wrong = await client.post(
            path,
            json={
                "from_air_source_id": bank["air_source_id"],
                "bottle_ids": [bank["bottles"][1]["bottle_id"], str(uuid.uuid4())],
                "start_psi": 5800,
                "end_psi": 2200,
            },
        )
        foreign = await client.post(path, json={"from_air_source_id": str(county.neighbour.air_source_id)})
        compressor = await client.post(
            f"/v1/air-sources/{county.own.air_source_id}/charges", json={"from_air_source_id": bank["air_source_id"]}
        )
        shown = (await client.get(f"/v1/air-sources/{bank['air_source_id']}")).json()
    assert (charged.status_code, again.status_code) == (201, 200), charged.text
    assert places(problem_in(conflicting, 409, "conflict")) == {("/event_id", "event-id-taken")}
    assert places(problem_in(wrong, 409, "conflict")) == {
        ("/from_air_source_id", "charged-from-itself"),
        ("/bottle_ids/1", "bottle-unknown"),
        ("/end_psi", "pressure-fell"),
    }
    assert places(problem_in(foreign, 422, "not-processable")) == {("/from_air_source_id", "air-source-unknown")}
    assert places(problem_in(compressor, 422, "not-processable")) == {("/air_source_id", "not-a-storage-bank")}
    assert (shown["charges_total"], shown["last_charged_at"] is None) == (1, False)


async def test_a_source_at_another_station_does_not_charge_the_bank(county: County) -> None:
    async with (
        county.client(county.own.keys[Role.OFFICER]) as officer,
        county.client(county.own.keys[Role.TECHNICIAN]) as client,
    ):
        bank = await shown_bank(client, county)
        station = {"name": "Two", "code": "S2", "station_kind": "fixed"}
        other = (await officer.post("/v1/stations", json=station)).json()["subject_id"]
        far = await register(client, bank_at(uuid.UUID(other), air_source_kind="compressor", bottles=[]))
        refused = await client.post(
            f"/v1/air-sources/{bank['air_source_id']}/charges", json={"from_air_source_id": far}
        )
    assert places(problem_in(refused, 422, "not-processable")) == {("/from_air_source_id", "another-station")}


async def test_filter_changes_and_run_time_show_and_only_a_compressor_has_an_hour_meter(county: County) -> None:
    path = f"/v1/air-sources/{county.own.air_source_id}"
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        read = await client.post(f"{path}/run-time-readings", json={"run_time_tenths_h": 12_345})
        changed = await client.post(
            f"{path}/filter-changes", json={"run_time_tenths_h": 12_345, "cartridge": "lot 7", "note": "by Avery"}
        )
        lower = await client.post(f"{path}/run-time-readings", json={"run_time_tenths_h": 3})
        shown = (await client.get(path)).json()
        bank = await shown_bank(client, county)
        meterless = await client.post(
            f"/v1/air-sources/{bank['air_source_id']}/run-time-readings", json={"run_time_tenths_h": 1}
        )
    assert (read.status_code, changed.status_code, lower.status_code) == (201, 201, 201)
    assert shown["run_time"]["run_time_tenths_h"] == 3
    assert [change["run_time_tenths_h"] for change in shown["filter_changes"]] == [12_345]
    assert places(problem_in(meterless, 422, "not-processable")) == {("/air_source_id", "not-a-compressor")}


async def test_keys_and_faults(county: County) -> None:
    path = f"/v1/air-sources/{county.own.air_source_id}"
    some = str(uuid.uuid4())
    entries: dict[str, dict[str, Any]] = {
        "bottles": BOTTLE,
        f"bottles/{some}/removals": {},
        "charges": {"from_air_source_id": some},
        "bottle-readings": {"bottle_id": some, "pressure_psi": 100},
        "filter-changes": {},
        "run-time-readings": {"run_time_tenths_h": 1},
    }
    async with (
        county.client(county.neighbour.keys[Role.TECHNICIAN]) as neighbour,
        county.client(county.own.keys[Role.ANALYST]) as analyst,
    ):
        for place, body in entries.items():
            problem_in(await neighbour.post(f"{path}/{place}", json=body), 404, "not-found")
            problem_in(await analyst.post(f"{path}/{place}", json=body), 403, "not-permitted")
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        for place, faulty, faults in (
            ("bottles", {"label": "", "water_volume_ml": 1}, {"/label", "/water_volume_ml", "/service_pressure_psi"}),
            ("charges", {"start_psi": -1, "end_psi": 15_001}, {"/from_air_source_id", "/start_psi", "/end_psi"}),
            ("bottle-readings", {"pressure_psi": "high"}, {"/bottle_id", "/pressure_psi"}),
            ("filter-changes", {"cartridge": "", "note": 4}, {"/cartridge", "/note"}),
            ("run-time-readings", {"run_time_tenths_h": 1.5, "hours": 2}, {"/run_time_tenths_h", "/hours"}),
        ):
            problem = problem_in(await client.post(f"{path}/{place}", json=faulty), 422, "invalid-body")
            assert {found for found, _ in places(problem)} == faults, place
