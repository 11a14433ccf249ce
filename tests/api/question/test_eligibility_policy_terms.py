"""What a department's policy asks for beyond the rules, from the policy and the record to the answer, over HTTP."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.trade.events import air, stations
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.fills import Filled, FillSource
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.questions import ask, codes

OF_POLICY = {
    "air-alarm-open",
    "air-sample-over-limit",
    "air-standard-unknown",
    "co-calibration-due",
    "fast-fill-not-allowed",
    "filter-due",
    "filter-record-missing",
    "scuba-not-filled-here",
    "training-due",
    "visual-inspection-overdue",
}
TERMS: dict[str, Any] = {
    "requalification_due": "lenient",
    "air_sample_interval_days": 92,
    "air_sample_interval_source": "department policy",
    "mutual_aid_department_ids": [],
    "member_required": True,
    "owner_consent_required": True,
}
GOOD_RESULTS: list[dict[str, str]] = [
    {"analyte": "oxygen", "unit": "percent", "value": "20.9"},
    {"analyte": "nitrogen", "unit": "percent", "value": "78.1"},
    {"analyte": "carbon_monoxide", "unit": "ppm", "value": "1"},
    {"analyte": "carbon_dioxide", "unit": "ppm", "value": "400"},
    {"analyte": "oil", "unit": "mg_per_m3", "value": "0.1"},
    {"analyte": "hydrocarbons", "unit": "ppm", "value": "2"},
    {"analyte": "water", "unit": "ppm", "value": "10"},
    {"analyte": "odour", "unit": "none", "text": "none"},
]


NOBODY = uuid.UUID(int=999)


def day(days_ago: int) -> str:
    return (datetime.now(UTC) - timedelta(days=days_ago)).strftime("%Y-%m-%d")


def moment(days_ago: int) -> str:
    return (datetime.now(UTC) - timedelta(days=days_ago)).isoformat()


async def set_policy(client: httpx.AsyncClient, county: County, **terms: Any) -> None:
    path = f"/v1/departments/{county.own.department_id}/policy"
    tag = (await client.get(path)).headers["etag"]
    response = await client.put(path, headers={"if-match": tag}, json={**TERMS, **terms})
    assert response.status_code == 201, response.text


async def enter(client: httpx.AsyncClient, path: str, **body: Any) -> dict[str, Any]:
    response = await client.post(path, json=body)
    assert response.status_code == 201, response.text
    entered: dict[str, Any] = response.json()
    return entered


async def test_what_policy_asks_for_denies_until_it_is_on_record(county: County) -> None:
    """Each term by itself: a denial, then the entry that clears it, then a permit."""
    cylinder_id, own = await county.cylinder(), county.own
    scuba_id = await county.cylinder(use="scuba")
    source, member = f"/v1/air-sources/{own.air_source_id}", f"/v1/members/{own.member_id}"
    reached: set[str] = set()
    async with county.client(own.keys[Role.OFFICER]) as officer:

        async def denied(code: str, which: uuid.UUID = cylinder_id, **params: Any) -> None:
            assert codes(await ask(county, cylinder_id=which, **params)) == {code}
            reached.add(code)

        async def permitted(which: uuid.UUID = cylinder_id) -> None:
            assert codes(await ask(county, cylinder_id=which)) == set()

        await permitted()
        await set_policy(officer, county, filter_life_tenths_h=500, filter_life_days=90)
        await denied("filter-record-missing")
        await enter(officer, f"{source}/filter-changes", run_time_tenths_h=1000, occurred_at=moment(30))
        await permitted()
        await enter(officer, f"{source}/run-time-readings", run_time_tenths_h=1500)
        await denied("filter-due")
        await enter(officer, f"{source}/filter-changes", run_time_tenths_h=1500)
        await permitted()

        await set_policy(officer, county, co_calibration_interval_days=30)
        await denied("co-calibration-due")
        await enter(officer, f"{source}/co-calibrations", calibrated_on=day(3), due_on=day(-300))
        await permitted()

        await set_policy(officer, county, training_interval_days=365, training_interval_source="Standing order 12")
        await denied("training-due")
        await enter(officer, f"{member}/trainings", trained_on=day(20), course_code="AIR-FILL-1")
        await permitted()

        await set_policy(officer, county, scuba_visual_required=True)
        await denied("visual-inspection-overdue", scuba_id)
        inspected = {"inspection_kind": "visual_internal", "outcome": "pass"}
        await enter(officer, f"/v1/cylinders/{scuba_id}/inspections", **inspected)
        await permitted(scuba_id)

        await set_policy(officer, county, scuba_fills_allowed=False, fast_fills_allowed=False)
        await denied("scuba-not-filled-here", scuba_id)
        await denied("fast-fill-not-allowed", mode="fast")
        await permitted()

        await set_policy(officer, county, air_standard="NFPA 1989-2019")
        # Whoever fills can do nothing about a report with gaps: it is told to who asks why.
        assert (await ask(county, cylinder_id=cylinder_id))["advice"] == []
        incomplete = await ask(county, cylinder_id=cylinder_id, explain="true")
        assert [note["code"] for note in incomplete["advice"]] == ["air-sample-incomplete"]
        due = (await officer.get("/v1/due", params={"kind": "air_source", "horizon_days": "100"})).json()["items"]
        noted = {item["id"]: [note["code"] for note in item["advice"]] for item in due}
        assert noted[str(own.air_source_id)] == ["air-sample-incomplete"]
        sample = {"air_source_id": str(own.air_source_id), "verdict": "pass", "standard": "NFPA 1989 (2019)"}
        bad = [
            {**result, **({"value": "9"} if result["analyte"] == "carbon_monoxide" else {})} for result in GOOD_RESULTS
        ]
        await enter(officer, "/v1/air-samples", **sample, taken_on=day(3), results=bad)
        await denied("air-sample-over-limit")
        await set_policy(officer, county, air_standard="OSHA Grade D")
        await permitted()
        await set_policy(officer, county, air_standard="NFPA 1989-2019")
        await enter(officer, "/v1/air-samples", **sample, taken_on=day(2), results=GOOD_RESULTS)
        await permitted()
        # The office door refuses a name that nobody entered; an older ledger may hold one.
        await county.record(stations.PolicySet(department_id=own.department_id, air_standard="none such"))
        await denied("air-standard-unknown")
        await set_policy(officer, county)

        alarm = await enter(
            officer,
            f"/v1/stations/{own.station_id}/alarms",
            alarm_kind="carbon monoxide",
            air_source_id=str(own.air_source_id),
            reading="12 ppm",
        )
        await denied("air-alarm-open")
        ending = f"/v1/stations/{own.station_id}/alarms/{alarm['subject_id']}/endings"
        await enter(officer, ending, reason="Intake moved.")
        await permitted()
    assert reached == OF_POLICY


async def test_a_cylinder_without_the_yearly_look_inside_is_advised_where_policy_does_not_ask(county: County) -> None:
    scuba = await ask(county, cylinder_id=await county.cylinder(use="scuba"))
    assert (scuba["decision"], [note["code"] for note in scuba["advice"]]) == ("permit", ["visual-inspection-due"])


async def test_an_answer_explains_what_it_saw_of_the_air(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as officer:
        await set_policy(officer, county, air_standard="OSHA Grade D", scuba_air_standard="CGA Grade E")
    scuba_id = await county.cylinder(use="scuba")
    told = await ask(county, cylinder_id=scuba_id, explain="true")
    facts = {rule["rule"]: rule["facts"] for rule in told["explanation"]}
    assert facts["air-standard"]["standard_1"] == "OSHA Grade D"
    assert facts["air-standard"]["standard_2"] == "CGA Grade E"
    assert "carbon monoxide not-reported (at most 10 ppm)" in facts["air-standard"]["source_1_by_standard_1"]
    assert facts["alarms"]["open_alarms"] == 0
    assert facts["handling"]["fill_rate_max_psi_per_minute"] == 600


async def test_a_standard_that_nobody_entered_is_refused_at_the_door(county: County) -> None:
    path = f"/v1/departments/{county.own.department_id}/policy"
    async with county.client(county.own.keys[Role.OFFICER]) as officer:
        tag = (await officer.get(path)).headers["etag"]
        named = {
            "air_standard": "NFPA 1989",
            "scuba_air_standard": "Grade E",
            "mutual_aid_department_ids": [str(NOBODY)],
        }
        refused = await officer.put(path, headers={"if-match": tag}, json={**TERMS, **named})
        assert (await officer.get(path)).headers["etag"] == tag
    assert places(problem_in(refused, 422, "not-processable")) == {
        ("/air_standard", "air-standard-unknown"),
        ("/scuba_air_standard", "air-standard-unknown"),
        ("/mutual_aid_department_ids/0", "department-unknown"),
    }
    assert "NFPA 1989-2019" in refused.json()["detail"]


async def test_a_bank_goes_by_its_compressor_in_the_question_the_fill_and_the_due_list(county: County) -> None:
    cylinder_id, bank_id, own = await county.cylinder(), uuid.uuid4(), county.own
    await county.record(
        air.AirSourceRegistered(
            air_source_id=bank_id, station_id=own.station_id, air_source_kind="storage_bank", label="Cascade"
        )
    )
    found: list[tuple[str, bool, bool]] = []
    async with county.client(own.keys[Role.OFFICER]) as officer:
        for own_needed in (True, False):
            await set_policy(officer, county, bank_needs_own_sample=own_needed)
            answered = await ask(county, cylinder_id=cylinder_id, air_source_id=bank_id)
            event_id = uuid.uuid4()
            body = Filled(
                cylinder_id=cylinder_id,
                member_id=own.member_id,
                end_psi=2200,
                sources=(FillSource(air_source_id=bank_id),),
            )
            await county.record(body, station_id=own.station_id, event_ids=[event_id])
            judged = (await officer.get(f"/v1/fills/{event_id}")).json()
            due = (await officer.get("/v1/due", params={"kind": "air_source", "horizon_days": "1"})).json()["items"]
            found.append(
                (
                    answered["code"],
                    "air-sample-due" in str(judged),
                    str(bank_id) in {item["id"] for item in due},
                )
            )
    assert found == [("air-sample-due", True, True), ("ok", False, False)]
