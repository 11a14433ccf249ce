"""Members over HTTP: enrolled, found, authorised, deactivated; names only for those who may read them."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.trade.events import members
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County

NAME = "Rowan Sample"


async def enrol(client: httpx.AsyncClient, **fields: Any) -> str:
    response = await client.post("/v1/members", json={"name": NAME, **fields})
    assert response.status_code == 201, response.text
    member_id: str = response.json()["subject_id"]
    return member_id


async def test_a_member_is_enrolled_once_and_shown(county: County) -> None:
    body = {"name": NAME, "badge_number": "a 17", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post("/v1/members", json=body)
        again = await client.post("/v1/members", json=body)
        other = await client.post("/v1/members", json={**body, "name": "Another Name", "badge_number": "18"})
        member_id = first.json()["subject_id"]
        shown = await client.get(f"/v1/members/{member_id}")
        unchanged = await client.get(f"/v1/members/{member_id}", headers={"if-none-match": shown.headers["etag"]})
    assert (first.status_code, again.status_code) == (201, 200), again.text
    assert again.json()["ledger_position"] == first.json()["ledger_position"]
    assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}
    document = shown.json()
    assert (document["name"], document["badge_number"], document["standing"]) == (NAME, "a 17", "active")
    assert document["authorised_kinds"] == []
    assert unchanged.status_code == 304


async def test_names_are_for_those_with_the_right(county: County) -> None:
    path = f"/v1/members/{county.own.member_id}"
    for role, name in ((Role.OFFICER, "Avery Example"), (Role.ANALYST, None), (Role.INTEGRATOR, None)):
        async with county.client(county.own.keys[role]) as client:
            one = (await client.get(path)).json()
            listed = (await client.get("/v1/members")).json()["items"]
        assert one["name"] == name
        assert [member["name"] for member in listed] == [name]
        assert one["erased"] is False
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post("/v1/member-lookups", json={"badge_number": "101"}), 403, "not-permitted")


async def test_an_erased_name_is_null_and_says_so(county: County, owner_connection: Any) -> None:
    await owner_connection.execute("SET ROLE fill_ledger_owner")
    await owner_connection.execute(
        "UPDATE ledger.sealed_key SET wrapped = NULL, erased_at = now() WHERE key_id = $1", county.own.member_id
    )
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = (await client.get(f"/v1/members/{county.own.member_id}")).json()
    assert (shown["name"], shown["badge_number"], shown["erased"]) == (None, None, True)
    assert shown["authorised_kinds"] == ["scba", "scuba", "storage"]


async def test_a_member_is_found_by_the_present_badge_number_only(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        member_id = await enrol(client, badge_number="B-77")
        corrected = await client.post(
            f"/v1/members/{member_id}/corrections", json={"name": "Rowan Otherwise", "badge_number": "B-78"}
        )
        found = await client.post("/v1/member-lookups", json={"badge_number": " b-78"})
        before = await client.post("/v1/member-lookups", json={"badge_number": "B-77"})
        taken = await client.post("/v1/members", json={"name": "Somebody New", "badge_number": "b-78"})
        free = await client.post("/v1/members", json={"name": "Somebody New", "badge_number": "B-77"})
    assert corrected.status_code == 201
    assert [(item["member_id"], item["name"]) for item in found.json()["items"]] == [(member_id, "Rowan Otherwise")]
    assert before.json()["items"] == []
    assert places(problem_in(taken, 409, "conflict")) == {("/badge_number", "badge-number-taken")}
    assert free.status_code == 201
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        elsewhere = await client.post("/v1/member-lookups", json={"badge_number": "B-78"})
    assert elsewhere.json()["items"] == []


async def test_the_list_is_filtered_and_paged(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        ids = {await enrol(client) for _ in range(3)} | {str(county.own.member_id)}
        seen: list[str] = []
        page = await client.get("/v1/members", params={"limit": 3})
        seen += [item["member_id"] for item in page.json()["items"]]
        page = await client.get("/v1/members", params={"limit": 3, "cursor": page.json()["next_cursor"]})
        seen += [item["member_id"] for item in page.json()["items"]]
        recently = (datetime.now(UTC) - timedelta(days=1)).isoformat()
        counts = {}
        for name, value in (
            ("authorised_kind", "scba"),
            ("standing", "active"),
            ("standing", "inactive"),
            ("enrolled_from", recently),
            ("enrolled_before", recently),
            ("department_id", str(county.neighbour.department_id)),
        ):
            counts[name, value] = len((await client.get("/v1/members", params={name: value})).json()["items"])
        problem_in(
            await client.get("/v1/members", params={"authorised_through_before": "2026-02-30"}), 400, "invalid-query"
        )
        problem_in(await client.get("/v1/members", params={"badge_number": "101"}), 400, "invalid-query")
    assert sorted(seen) == sorted(ids)
    assert list(counts.values()) == [1, 4, 0, 3, 1, 0]


async def test_an_authorisation_replaces_the_one_before(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        member_id = await enrol(client)
        path = f"/v1/members/{member_id}/authorisations"
        first = await client.post(path, json={"kinds": ["storage", "scba", "scba"], "through": "2098-12-31"})
        listed = await client.get("/v1/members", params={"authorised_through_before": "2099-01-01"})
        second = await client.post(path, json={"kinds": ["scuba"], "station_ids": [str(county.own.station_id)]})
        shown = (await client.get(f"/v1/members/{member_id}")).json()
    assert (first.status_code, second.status_code) == (201, 201), second.text
    assert [item["member_id"] for item in listed.json()["items"]] == [member_id]
    assert shown["authorised_kinds"] == ["scuba"]
    assert [(known["kinds"], known["ends_at"] is None) for known in shown["authorisations"]] == [
        (["scba", "storage"], False),
        (["scuba"], True),
    ]


async def test_an_authorisation_that_makes_no_sense_is_refused_with_every_reason(county: County) -> None:
    path = f"/v1/members/{county.own.member_id}/authorisations"
    stations = [str(county.own.station_id), str(county.neighbour.station_id)]
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        refused = await client.post(path, json={"kinds": ["scba"], "through": "2019-02-30", "station_ids": stations})
        malformed = await client.post(path, json={"kinds": ["gas"], "through": "soon", "until": 3, "station_ids": []})
    assert places(problem_in(refused, 422, "not-processable")) == {
        ("/through", "no-such-day"),
        ("/through", "authorisation-over"),
        ("/station_ids/1", "station-unknown"),
    }
    found = {place for place, _ in places(problem_in(malformed, 422, "invalid-body"))}
    assert found == {"/kinds/0", "/through", "/until", "/station_ids"}


async def test_a_member_leaves_and_comes_back(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        member_id = await enrol(client)
        path = f"/v1/members/{member_id}"
        active = await client.post(f"{path}/reactivations", json={})
        left = await client.post(f"{path}/deactivations", json={"reason": "Moved away; ask Rowan Sample."})
        twice = await client.post(f"{path}/deactivations", json={})
        inactive = (await client.get(path)).json()["standing"]
        yesterday = (datetime.now(UTC) - timedelta(days=1)).isoformat()
        early = await client.post(f"{path}/reactivations", json={"occurred_at": yesterday})
        back = await client.post(f"{path}/reactivations", json={})
        shown = (await client.get(path)).json()
    assert places(problem_in(active, 409, "conflict")) == {("", "member-active")}
    assert left.status_code == 201
    assert places(problem_in(twice, 409, "conflict")) == {("", "member-inactive")}
    assert inactive == "inactive"
    assert places(problem_in(early, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert back.status_code == 201
    assert shown["standing"] == "active"
    assert len(shown["absences"]) == 1


async def test_no_name_stands_in_the_ledger_in_plain(county: County, owner_connection: Any) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        member_id = await enrol(client, badge_number="SECRET-BADGE")
        await client.post(f"/v1/members/{member_id}/deactivations", json={"reason": "A reason that names people."})
        await client.post(
            f"/v1/members/{member_id}/credentials", json={"credential_kind": "card", "card_value": "PLAINCARD"}
        )
    await owner_connection.execute("SET ROLE fill_ledger_owner")
    events = await owner_connection.fetch("SELECT canonical FROM ledger.event WHERE event_type ~ 'member|credential'")
    states = await owner_connection.fetch("SELECT state::text FROM views.state")
    everything = b"".join(row["canonical"] for row in events) + "".join(row["state"] for row in states).encode()
    assert len(events) >= 3
    assert member_id.encode() in everything
    for text in (NAME, "SECRET-BADGE", "names people", "PLAINCARD", "Avery"):
        assert text.encode() not in everything


async def test_departments_keep_to_themselves(county: County) -> None:
    path = f"/v1/members/{county.own.member_id}"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path), 404, "not-found")
        for action, body in (
            ("corrections", {"name": NAME}),
            ("authorisations", {"kinds": []}),
            ("deactivations", {}),
            ("reactivations", {}),
            ("credentials", {"credential_kind": "card", "card_value": "0042"}),
            (f"credentials/{uuid.uuid4()}/revocations", {}),
        ):
            problem_in(await client.post(f"{path}/{action}", json=body), 404, "not-found")
        foreign = {"name": NAME, "department_id": str(county.own.department_id)}
        problem_in(await client.post("/v1/members", json=foreign), 403, "not-permitted")
    for key in (county.own.keys[Role.CONTROLLER], county.own.keys[Role.TECHNICIAN], county.keys[Role.OPERATOR]):
        async with county.client(key) as client:
            problem_in(await client.post("/v1/members", json={"name": NAME}), 403, "not-permitted")


async def test_every_fault_of_a_new_member_is_told(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        response = await client.post(
            "/v1/members", json={"name": "two\nlines", "badge_number": 101, "member_id": "x", "rank": "none"}
        )
        end = await client.post("/v1/members", json={"name": "ends in a line feed\n"})
    found = {place for place, _ in places(problem_in(response, 422, "invalid-body"))}
    assert found == {"/name", "/badge_number", "/member_id", "/rank"}
    assert places(problem_in(end, 422, "invalid-body")).pop()[0] == "/name"


async def test_a_member_enrolled_twice_is_refused_at_the_desk(county: County) -> None:
    body = {"name": NAME, "member_id": str(county.own.member_id)}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        refused = await client.post("/v1/members", json=body)
    assert places(problem_in(refused, 409, "conflict")) == {("/member_id", "already-enrolled")}


async def test_a_text_from_a_device_is_shown_as_it_came(county: County) -> None:
    member_id = uuid.uuid4()
    await county.record(members.MemberEnrolled(member_id=member_id, personal="Plain Text"))
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = (await client.get(f"/v1/members/{member_id}")).json()
    assert (shown["name"], shown["badge_number"]) == ("Plain Text", None)
