"""Policies over HTTP: defaults without an entry, set as a whole, from the version that was read, dated."""

import asyncio
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.api.places.policies import NewPolicy, PolicyView
from fill_ledger.api.places.policy_types import TERMS
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.stations import PolicySet
from tests.api.clients import places, problem_in
from tests.support.county import County

POLICY: dict[str, Any] = {
    "requalification_due": "strict",
    "air_sample_interval_days": 30,
    "air_sample_interval_source": "county air programme",
    "mutual_aid_department_ids": [],
    "member_required": False,
    "owner_consent_required": True,
}


def path_of(county: County) -> str:
    return f"/v1/departments/{county.own.department_id}/policy"


async def test_the_defaults_hold_until_a_policy_is_set(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        defaults = await client.get(path_of(county))
        stored = await client.put(path_of(county), json=POLICY, headers={"if-match": defaults.headers["etag"]})
        now = await client.get(path_of(county))
        before = datetime.now(UTC) - timedelta(days=1)
        earlier = await client.get(path_of(county), params={"at": before.isoformat()})
        unchanged = await client.get(path_of(county), headers={"if-none-match": now.headers["etag"]})
    assert defaults.json()["requalification_due"] == "lenient"
    assert defaults.json()["starts_at"] is None
    assert stored.status_code == 201, stored.text
    assert stored.headers["etag"] == now.headers["etag"] != defaults.headers["etag"]
    assert {key: now.json()[key] for key in POLICY} == POLICY
    assert now.json()["event_id"] == stored.json()["event_id"]
    assert earlier.json() == defaults.json()
    assert unchanged.status_code == 304


async def test_a_change_starts_from_the_version_that_was_read(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        etag = (await client.get(path_of(county))).headers["etag"]
        problem_in(await client.put(path_of(county), json=POLICY), 428, "precondition-required")
        problem_in(await client.put(path_of(county), json=POLICY, headers={"if-match": "v1"}), 400, "invalid-header")
        first = await client.put(path_of(county), json=POLICY, headers={"if-match": etag})
        late = await client.put(path_of(county), json=POLICY, headers={"if-match": etag})
        whatever = await client.put(path_of(county), json=POLICY, headers={"if-match": "*"})
    assert first.status_code == 201
    problem_in(late, 412, "precondition-failed")
    assert late.headers["etag"] == first.headers["etag"]
    assert whatever.status_code == 201


async def test_of_two_changes_at_once_one_is_taken(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        etag = (await client.get(path_of(county))).headers["etag"]
        for _ in range(3):
            answers = await asyncio.gather(
                *(
                    client.put(
                        path_of(county), json={**POLICY, "air_sample_interval_days": days}, headers={"if-match": etag}
                    )
                    for days in (10, 20, 30)
                )
            )
            assert sorted(answer.status_code for answer in answers) == [201, 412, 412]
            etag = (await client.get(path_of(county))).headers["etag"]


async def test_a_repeat_is_a_repeat_although_the_version_has_moved(county: County) -> None:
    body = {**POLICY, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        headers = {"if-match": (await client.get(path_of(county))).headers["etag"]}
        first = await client.put(path_of(county), json=body, headers=headers)
        again = await client.put(path_of(county), json=body, headers=headers)
        other = await client.put(path_of(county), json={**body, "member_required": True}, headers=headers)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json()["ledger_position"] == first.json()["ledger_position"]
    assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}


async def test_a_policy_does_not_begin_before_the_one_it_replaces(county: County) -> None:
    early = (datetime.now(UTC) - timedelta(days=1)).isoformat()
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        await client.put(path_of(county), json=POLICY, headers={"if-match": "*"})
        late = await client.put(path_of(county), json={**POLICY, "occurred_at": early}, headers={"if-match": "*"})
    assert places(problem_in(late, 422, "not-processable")) == {("/occurred_at", "too-early")}


async def test_partners_must_be_other_departments_of_the_county(county: County) -> None:
    headers = {"if-match": "*"}
    stranger, own, neighbour = uuid.uuid4(), county.own.department_id, county.neighbour.department_id
    async with county.client(county.own.keys[Role.OFFICER]) as client:

        async def put(*partners: uuid.UUID) -> Any:
            named = [str(partner) for partner in partners]
            return await client.put(
                path_of(county), json={**POLICY, "mutual_aid_department_ids": named}, headers=headers
            )

        unknown, self_named = await put(neighbour, stranger), await put(own, neighbour, neighbour)
        county_itself = await put(uuid.UUID("00000000-0000-4000-8000-000000000001"))
        right = await put(neighbour)
        shown = await client.get(path_of(county))
    assert places(problem_in(unknown, 422, "not-processable")) == {
        ("/mutual_aid_department_ids/1", "department-unknown")
    }
    assert places(problem_in(self_named, 422, "not-processable")) == {
        ("/mutual_aid_department_ids/0", "partner-is-self"),
        ("/mutual_aid_department_ids/2", "named-twice"),
    }
    problem_in(county_itself, 422, "not-processable")
    assert right.status_code == 201
    assert shown.json()["mutual_aid_department_ids"] == [str(neighbour)]


async def test_a_policy_is_whole_and_its_faults_are_told_together(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        faulty = await client.put(
            path_of(county),
            json={"requalification_due": "never", "air_sample_interval_days": 0, "member_required": "yes"},
            headers={"if-match": "*"},
        )
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {f"/{name}" for name in POLICY}


async def test_policies_are_for_those_of_the_department(county: County) -> None:
    headers = {"if-match": "*"}
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path_of(county)), 404, "not-found")
        problem_in(await client.put(path_of(county), json=POLICY, headers=headers), 404, "not-found")
    for role in (Role.TECHNICIAN, Role.ANALYST, Role.INTEGRATOR):
        async with county.client(county.own.keys[role]) as client:
            assert (await client.get(path_of(county))).status_code == 200
            problem_in(await client.put(path_of(county), json=POLICY, headers=headers), 403, "not-permitted")
    async with county.client(county.keys[Role.ANALYST]) as client:
        problem_in(await client.get(f"/v1/departments/{uuid.uuid4()}/policy"), 404, "not-found")


async def test_a_policy_is_in_force_for_the_next_question(county: County) -> None:
    cylinder_id = await county.cylinder()
    question = {"cylinder_id": str(cylinder_id)}
    async with (
        county.client(county.own.keys[Role.CONTROLLER]) as station,
        county.client(county.own.keys[Role.OFFICER]) as officer,
    ):
        without = await station.get("/v1/eligibility", params=question)
        await officer.put(path_of(county), json=POLICY, headers={"if-match": "*"})
        after = await station.get("/v1/eligibility", params=question)
        due = {**POLICY, "air_sample_interval_days": 1}
        await officer.put(path_of(county), json=due, headers={"if-match": "*"})
        last = await station.get("/v1/eligibility", params=question)
    assert without.json()["decision"] == "deny"  # nobody was named, and the default policy asks for a member
    assert after.json()["decision"] == "permit", after.text
    # The station's sample was taken ten days ago.
    assert [reason["code"] for reason in last.json()["reasons"]] == ["air-sample-due"]
    assert last.json()["reasons"][0]["source"] == POLICY["air_sample_interval_source"]


def test_every_term_of_a_policy_can_be_set_and_is_shown() -> None:
    kept = set(PolicySet.__struct_fields__) - {"department_id", "replaces_event_id"}
    assert kept <= set(NewPolicy.__struct_fields__)
    assert kept <= set(PolicyView.__struct_fields__)
    assert set(TERMS) == kept - POLICY.keys()


async def test_terms_that_tighten_are_kept_and_those_left_out_stand_as_they_are(county: County) -> None:
    terms = {"fill_limit_cap_psi": 4000, "scuba_fills_allowed": False, "training_interval_days": 365}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        response = await client.put(path_of(county), json=POLICY | terms, headers={"if-match": "*"})
        assert response.status_code == 201, response.text
        shown = (await client.get(path_of(county))).json()
        too_wide = POLICY | {"gauge_tolerance_psi": 200}
        looser = await client.put(path_of(county), json=too_wide, headers={"if-match": "*"})
    assert {term: shown[term] for term in terms} == terms
    assert shown["gauge_tolerance_psi"] is None
    assert shown["bank_needs_own_sample"] is True
    assert shown["fast_fills_allowed"] is True
    faults = places(problem_in(looser, 422, "invalid-body"))
    assert {place for place, _ in faults} == {"/gauge_tolerance_psi"}
