"""Keys over HTTP: shown once, narrowed by scopes, rotated with an overlap, revoked at once; bad ones named plainly."""

import asyncio
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fill_ledger.intake.founding import NewPrincipal, register_principal
from fill_ledger.ledger.access_keys import access_key_digest, make_access_key
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County


def keys_path(holder: NewPrincipal) -> str:
    return f"/v1/principals/{holder.principal_id}/keys"


async def status_with(county: County, key: str | None) -> int:
    async with county.client(key) as client:
        return (await client.get("/v1/stations")).status_code


async def issued(client: httpx.AsyncClient, path: str, **body: Any) -> dict[str, Any]:
    response = await client.post(path, json=body)
    assert response.status_code == 201, response.text
    document: dict[str, Any] = response.json()
    return document


async def test_a_key_is_shown_once(county: County) -> None:
    holder = county.own.keys[Role.ANALYST]
    body = {"event_id": str(uuid.uuid4()), "expires_at": "2098-01-01T00:00:00Z"}
    async with county.client(county.keys[Role.OPERATOR]) as client:
        first = await client.post(keys_path(holder), json=body)
        again = await client.post(keys_path(holder), json=body)
        other = await client.post(keys_path(holder), json={"event_id": body["event_id"]})
    assert (first.status_code, again.status_code) == (201, 200), again.text
    assert again.json()["plain_key"] is None
    assert again.json()["key_id"] == first.json()["key_id"]
    assert again.json()["expires_at"] == first.json()["expires_at"] == "2098-01-01T00:00:00Z"
    assert "shown again" in again.json()["note"]
    assert ("/event_id", "event-id-taken") in places(problem_in(other, 409, "conflict"))
    assert first.headers["cache-control"] == "no-store"
    assert await status_with(county, first.json()["plain_key"]) == 200


async def test_a_key_asked_for_many_times_at_once_is_issued_and_shown_once(county: County) -> None:
    body = {"event_id": str(uuid.uuid4())}
    async with county.client(county.keys[Role.OPERATOR]) as client:
        path = keys_path(county.own.keys[Role.ANALYST])
        answers = await asyncio.gather(*(client.post(path, json=body) for _ in range(6)))
    assert sorted(answer.status_code for answer in answers) == [200] * 5 + [201]
    assert len({answer.json()["key_id"] for answer in answers}) == 1
    assert len([answer for answer in answers if answer.json()["plain_key"] is not None]) == 1


async def test_an_idempotency_key_shows_no_key_twice(county: County) -> None:
    headers = {"idempotency-key": "issue-1"}
    holder = county.own.keys[Role.ANALYST]
    async with county.client(county.keys[Role.OPERATOR]) as client:
        first = await client.post(keys_path(holder), json={}, headers=headers)
        again = await client.post(keys_path(holder), json={}, headers=headers)
        reused = await client.post(keys_path(holder), json={"scopes": ["fills:read"]}, headers=headers)
    assert (first.status_code, again.status_code, again.json()["plain_key"]) == (201, 200, None)
    problem_in(reused, 422, "idempotency-key-reused")


async def test_scopes_narrow_a_role_and_never_widen_it(county: County) -> None:
    holder = county.own.keys[Role.OFFICER]
    async with county.client(county.keys[Role.OPERATOR]) as client:
        key = (await issued(client, keys_path(holder), scopes=["stations:read"]))["plain_key"]
        wider = await client.post(keys_path(holder), json={"scopes": ["stations:read", "principals:write", "no:such"]})
    async with county.client(key) as client:
        assert (await client.get("/v1/stations")).status_code == 200
        problem_in(await client.get("/v1/members"), 403, "not-permitted")
    assert places(problem_in(wider, 422, "not-processable")) == {
        ("/scopes/1", "scope-not-of-role"),
        ("/scopes/2", "scope-not-of-role"),
    }


async def test_each_bad_key_gets_its_own_clear_answer(county: County, owner_connection: Any) -> None:
    soon = datetime.now(UTC) + timedelta(hours=1)
    expired = await register_principal(
        county.parts.lanes, Role.OFFICER, "expired", department_ids=(county.own.department_id,), expires_at=soon
    )
    await owner_connection.execute(
        "UPDATE views.access_key SET ends_at = now() - interval '1 hour' WHERE key_id = $1", expired.key_id
    )

    async def refusal(key: str | None) -> str:
        async with county.client(key) as client:
            response = await client.get("/v1/stations")
        assert response.headers["www-authenticate"].startswith("Bearer")
        detail: str = problem_in(response, 401, "not-authenticated")["detail"]
        return detail

    answers = [await refusal(key) for key in (None, "flk_too-short", make_access_key().plain, expired.plain_key)]
    for answer, words in zip(
        answers, ("Send the header", "not a key of this service", "not known", "has expired"), strict=True
    ):
        assert words in answer
    # The neighbour's key is good, and opens nothing of ours.
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(f"/v1/members/{county.own.member_id}"), 404, "not-found")
        stations = (await client.get("/v1/stations")).json()["items"]
    assert {station["department_id"] for station in stations} == {str(county.neighbour.department_id)}


async def test_a_revoked_key_is_refused_with_the_next_request(county: County) -> None:
    key = county.own.keys[Role.OFFICER]
    path = f"/v1/keys/{key.key_id}/revocations"
    body = {"reason": "lost", "event_id": str(uuid.uuid4())}
    async with county.client(key) as holder, county.client(county.keys[Role.OPERATOR]) as operator:
        assert (await holder.get("/v1/stations")).status_code == 200
        assert (await operator.post(path, json=body)).status_code == 201
        refused = await holder.get("/v1/stations")
        again = await operator.post(path, json=body)
        twice = await operator.post(path, json={})
        shown = (await operator.get(f"/v1/keys/{key.key_id}")).json()
    assert "was revoked" in problem_in(refused, 401, "not-authenticated")["detail"]
    assert again.status_code == 200
    assert places(problem_in(twice, 409, "conflict")) == {("", "key-ended")}
    assert (shown["standing"], shown["revoked_at"] is None) == ("ended", False)


async def test_after_a_rotation_both_keys_work_then_only_the_new_one(county: County, owner_connection: Any) -> None:
    old = county.own.keys[Role.OFFICER]
    path = f"/v1/keys/{old.key_id}/rotations"
    body = {"overlap_hours": 2, "event_id": str(uuid.uuid4())}
    async with county.client(county.keys[Role.OPERATOR]) as client:
        first = await issued(client, path, **body)
        again = await client.post(path, json=body)
        longer = await client.post(path, json={**body, "overlap_hours": 3})
        second = await client.post(path, json={})
        shown = (await client.get(f"/v1/keys/{old.key_id}")).json()
    assert (again.status_code, again.json()["plain_key"], again.json()["key_id"]) == (200, None, first["key_id"])
    assert ("/event_id", "event-id-taken") in places(problem_in(longer, 409, "conflict"))
    assert places(problem_in(second, 409, "conflict")) == {("", "key-ending")}
    assert shown["standing"] == "ending"
    # As the document tells it: revoked_at is when the rotation was entered, ends_at when the overlap is over.
    overlap = datetime.fromisoformat(shown["ends_at"]) - datetime.fromisoformat(shown["revoked_at"])
    assert abs(overlap - timedelta(hours=2)) < timedelta(minutes=1)
    ends_in = datetime.fromisoformat(shown["ends_at"]) - datetime.now(UTC)
    assert timedelta(hours=1, minutes=55) < ends_in <= timedelta(hours=2)
    assert await status_with(county, old.plain_key) == 200
    assert await status_with(county, first["plain_key"]) == 200
    await owner_connection.execute("UPDATE views.access_key SET ends_at = now() WHERE key_id = $1", old.key_id)
    assert await status_with(county, old.plain_key) == 401
    assert await status_with(county, first["plain_key"]) == 200


async def test_a_rotation_without_overlap_ends_the_old_key_at_once(county: County) -> None:
    holder = county.own.keys[Role.TECHNICIAN]
    expires_at = datetime.now(UTC) + timedelta(days=90)
    async with county.client(county.keys[Role.OPERATOR]) as client:
        old = await issued(client, keys_path(holder), expires_at=expires_at.isoformat(), scopes=["stations:read"])
        new = await issued(client, f"/v1/keys/{old['key_id']}/rotations", overlap_hours=0)
        shown = (await client.get(f"/v1/keys/{new['key_id']}")).json()
        ended = await client.post(f"/v1/keys/{old['key_id']}/rotations", json={})
        replaced = (await client.get(f"/v1/keys/{old['key_id']}")).json()
    assert replaced["standing"] == "ended"
    assert replaced["revoked_at"] == replaced["ends_at"]
    assert await status_with(county, old["plain_key"]) == 401
    assert await status_with(county, new["plain_key"]) == 200
    assert shown["scopes"] == ["stations:read"]
    assert abs(datetime.fromisoformat(shown["ends_at"]) - expires_at) < timedelta(minutes=5)
    assert ("", "key-ended") in places(problem_in(ended, 409, "conflict"))


async def test_keys_are_listed_with_filters_and_without_their_digests(county: County) -> None:
    holder = county.own.keys[Role.OFFICER]
    async with county.client(county.keys[Role.OPERATOR]) as client:
        await issued(client, f"/v1/keys/{holder.key_id}/rotations", overlap_hours=5)
        await client.post(f"/v1/keys/{county.own.keys[Role.ANALYST].key_id}/revocations", json={})

        async def listed(**filters: str) -> httpx.Response:
            return await client.get("/v1/keys", params={"limit": 500, **filters})

        everything = await listed()
        tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
        counts = [
            len((await listed(**filters)).json()["items"])
            for filters in (
                {"principal_id": str(holder.principal_id)},
                {"role": "officer"},
                {"standing": "ending"},
                {"standing": "ended"},
                {"station_id": str(county.own.station_id)},
                {"ends_before": tomorrow, "standing": "ending"},
                {"ends_before": datetime.now(UTC).isoformat(), "standing": "ending"},
            )
        ]
    assert counts == [2, 3, 1, 1, 1, 1, 0]
    digest = access_key_digest(holder.plain_key)
    assert digest is not None
    for secret in (digest.hex(), holder.plain_key, "digest"):
        assert secret not in everything.text


async def test_every_fault_of_a_rotation_is_told(county: County) -> None:
    key = county.own.keys[Role.OFFICER]
    async with county.client(county.keys[Role.OPERATOR]) as client:
        malformed = await client.post(
            f"/v1/keys/{key.key_id}/rotations", json={"overlap_hours": 721, "expires_at": "soon", "occurred_at": "x"}
        )
        unknown = await client.post(f"/v1/keys/{uuid.uuid4()}/rotations", json={})
        path = await client.post("/v1/keys/not-an-id/revocations", json={})
        past = await client.post(keys_path(key), json={"expires_at": "2020-01-01T00:00:00Z"})
    found = {place for place, _ in places(problem_in(malformed, 422, "invalid-body"))}
    assert found == {"/overlap_hours", "/expires_at", "/occurred_at"}
    problem_in(unknown, 404, "not-found")
    problem_in(path, 404, "not-found")
    assert places(problem_in(past, 422, "not-processable")) == {("/expires_at", "expiry-past")}
    assert await status_with(county, key.plain_key) == 200
