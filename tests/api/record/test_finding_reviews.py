"""What persons make of findings: reviewed with a cause, opened again, and never lost with a retraction or a rebuild."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events import cylinders, fills
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from fill_ledger.views.check import check_views
from fill_ledger.views.rebuild import rebuild_views
from tests.api.clients import places, problem_in
from tests.support.county import County, Department

NOTE = "Avery Example was shown how."


async def found(county: County, department: Department | None = None, **given: Any) -> tuple[uuid.UUID, uuid.UUID]:
    """Record a fill of a cylinder on hold; return the fill's id and that of the finding about the hold."""
    department = department or county.own
    cylinder_id = await county.cylinder(department_id=department.department_id)
    await county.record(
        cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="damage", reason="a dent"),
        department_id=department.department_id,
    )
    event_id = uuid.uuid4()
    body = fills.Filled(cylinder_id=cylinder_id, end_psi=2200, **given)
    await county.record(
        body, event_ids=[event_id], department_id=department.department_id, station_id=department.station_id
    )
    async with county.client(department.keys[Role.OFFICER]) as client:
        listed = await client.get("/v1/findings", params={"event_id": str(event_id), "code": "on-hold"})
    return event_id, uuid.UUID(listed.json()["items"][0]["finding_id"])


async def standing(county: County, finding_id: uuid.UUID) -> tuple[str, str | None]:
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        finding = (await client.get(f"/v1/findings/{finding_id}")).json()
    assert (finding["reviewed_at"] is None) == (finding["cause"] is None)
    return finding["standing"], finding["cause"]


async def test_a_finding_is_reviewed_opened_again_and_reviewed_anew(county: County) -> None:
    _, finding_id = await found(county)
    path = f"/v1/findings/{finding_id}"
    officer, technician = county.own.keys[Role.OFFICER], county.own.keys[Role.TECHNICIAN]
    async with county.client(officer) as client, county.client(technician) as other:
        before = await client.get(path)
        assert (before.json()["standing"], before.json()["reviews"]) == ("open", [])
        reviewed = await other.post(f"{path}/reviews", json={"cause": "training", "note": NOTE})
        assert (reviewed.status_code, reviewed.json()["subject_id"]) == (201, str(finding_id))
        assert await standing(county, finding_id) == ("reviewed", "training")
        after = await client.get(path, headers={"if-none-match": before.headers["etag"]})
        assert after.status_code == 200
        unchanged = await client.get(path, headers={"if-none-match": after.headers["etag"]})
        assert unchanged.status_code == 304
        reopened = await client.post(f"{path}/reopenings", json={"reason": "It happened again."})
        assert reopened.status_code == 201
        assert await standing(county, finding_id) == ("open", None)
        again = await client.post(f"{path}/reviews", json={"cause": "equipment"})
        assert again.status_code == 201
        newest, oldest = (await client.get(path)).json()["reviews"]
    assert (newest["cause"], newest["note"], newest["reopened_at"]) == ("equipment", None, None)
    assert newest["reviewed_by"] == str(officer.principal_id)
    assert (oldest["event_id"], oldest["reviewed_by"]) == (reviewed.json()["event_id"], str(technician.principal_id))
    assert (oldest["note"], oldest["reopening_reason"]) == (NOTE, "It happened again.")
    assert oldest["reopened_by"] == str(officer.principal_id)
    assert oldest["reviewed_at"] < oldest["reopened_at"] < newest["reviewed_at"]


async def test_what_was_written_is_shown_only_to_those_who_may_read_names(county: County) -> None:
    _, finding_id = await found(county)
    path = f"/v1/findings/{finding_id}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        await client.post(f"{path}/reviews", json={"cause": "other", "note": NOTE})
        await client.post(f"{path}/reopenings", json={"reason": NOTE})
    for role, shown in ((Role.OFFICER, NOTE), (Role.TECHNICIAN, None), (Role.ANALYST, None)):
        async with county.client(county.own.keys[role]) as client:
            (review,) = (await client.get(path)).json()["reviews"]
            listed = await client.get("/v1/events", params={"subject_kind": "finding", "subject_id": str(finding_id)})
        assert (review["note"], review["reopening_reason"]) == (shown, shown), role
        assert (review["note_erased"], review["reopening_reason_erased"]) == (False, False)
        events = [event["type"] for event in listed.json()["items"]]
        assert events == ["finding.reviewed", "finding.reopened"]
    async with county.parts.database.writes.acquire() as connection:
        department = str(county.own.department_id)
        await connection.execute("SELECT set_config('fill_ledger.departments', $1, false)", department)
        assert await connection.fetchval("SELECT count(*) FROM ledger.event WHERE canonical LIKE $1", b"%Avery%") == 0


async def test_the_same_review_twice_is_one(county: County) -> None:
    _, finding_id = await found(county)
    path = f"/v1/findings/{finding_id}"
    review = {"cause": "training", "note": NOTE, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        answers = [await client.post(f"{path}/reviews", json=review) for _ in range(2)]
        assert [answer.status_code for answer in answers] == [201, 200]
        assert answers[0].json()["ledger_position"] == answers[1].json()["ledger_position"]
        other = await client.post(f"{path}/reviews", json={**review, "note": "Somebody else."})
        assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}
        key = {"idempotency-key": "reopen-1"}
        answers = [await client.post(f"{path}/reopenings", json={"reason": NOTE}, headers=key) for _ in range(2)]
        assert [answer.status_code for answer in answers] == [201, 200]
        # A repeat that comes late changes nothing: the finding stays open.
        assert (await client.post(f"{path}/reviews", json=review)).status_code == 200
    assert await standing(county, finding_id) == ("open", None)


async def test_what_contradicts_the_ledger_is_refused_with_every_reason(county: County) -> None:
    _, finding_id = await found(county)
    path = f"/v1/findings/{finding_id}"
    early = (datetime.now(UTC) - timedelta(days=5)).isoformat()
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        closed = await client.post(f"{path}/reopenings", json={"reason": "x"})
        assert places(problem_in(closed, 409, "conflict")) == {("/finding_id", "finding-not-reviewed")}
        silent = await client.post(f"{path}/reviews", json={"cause": "other", "occurred_at": early})
        assert places(problem_in(silent, 422, "not-processable")) == {
            ("/note", "note-missing"),
            ("/occurred_at", "too-early"),
        }
        await client.post(f"{path}/reviews", json={"cause": "false_alarm"})
        twice = await client.post(f"{path}/reviews", json={"cause": "training"})
        assert places(problem_in(twice, 409, "conflict")) == {("/finding_id", "finding-reviewed")}
        reviewed_at = (await client.get(path)).json()["reviewed_at"]
        before = await client.post(f"{path}/reopenings", json={"reason": "x", "occurred_at": reviewed_at})
        assert places(problem_in(before, 422, "not-processable")) == {("/occurred_at", "too-early")}
        await client.post(f"{path}/reopenings", json={"reason": "x"})
        backdated = await client.post(f"{path}/reviews", json={"cause": "training", "occurred_at": reviewed_at})
        assert places(problem_in(backdated, 422, "not-processable")) == {("/occurred_at", "too-early")}
    assert await standing(county, finding_id) == ("open", None)


async def test_malformed_reviews_name_every_fault(county: County) -> None:
    _, finding_id = await found(county)
    path = f"/v1/findings/{finding_id}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        wrong = await client.post(f"{path}/reviews", json={"cause": "bad luck", "note": "", "colour": "red"})
        missing = await client.post(f"{path}/reopenings", json={})
    assert {place for place, _ in places(problem_in(wrong, 422, "invalid-body"))} == {"/cause", "/note", "/colour"}
    assert places(problem_in(missing, 422, "invalid-body")) == {("/reason", "missing-field")}


async def test_nobody_reviews_what_is_not_there_or_not_his(county: County) -> None:
    _, neighbours = await found(county, county.neighbour)
    _, own = await found(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for finding_id in (neighbours, uuid.uuid4()):
            path = f"/v1/findings/{finding_id}"
            problem_in(await client.post(f"{path}/reviews", json={"cause": "training"}), 404, "not-found")
            problem_in(await client.post(f"{path}/reopenings", json={"reason": "x"}), 404, "not-found")
    for role in (Role.ANALYST, Role.INTEGRATOR, Role.CONTROLLER):
        async with county.client(county.own.keys[role]) as client:
            refused = await client.post(f"/v1/findings/{own}/reviews", json={"cause": "training"})
        problem_in(refused, 403, "not-permitted")


async def test_findings_are_filtered_by_how_they_stand_and_what_was_behind_them(county: County) -> None:
    member_id = county.own.member_id
    (_, first), (_, second), (_, third) = [await found(county, member_id=member_id) for _ in range(3)]
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        await client.post(f"/v1/findings/{first}/reviews", json={"cause": "training"})
        await client.post(f"/v1/findings/{second}/reviews", json={"cause": "equipment"})
        for parameters, expected in (
            ({"standing": "reviewed"}, {first, second}),
            ({"standing": "open", "code": "on-hold"}, {third}),
            ({"cause": "training"}, {first}),
            ({"cause": "record_error"}, set()),
            ({"severity": "grave", "member_id": str(member_id)}, {first, second, third}),
            ({"cause": "equipment", "station_id": str(county.own.station_id)}, {second}),
            ({"cause": "equipment", "station_id": str(uuid.uuid4())}, set()),
        ):
            listed = await client.get("/v1/findings", params=parameters)
            items = listed.json()["items"]
            assert {uuid.UUID(item["finding_id"]) for item in items} == expected, parameters
        problem_in(await client.get("/v1/findings", params={"cause": "luck"}), 400, "invalid-query")


@pytest.mark.parametrize("review_comes_first", [True, False])
async def test_what_was_taken_back_stays_cleared_whatever_was_reviewed(
    county: County, database_url: str, review_comes_first: bool
) -> None:
    event_id, finding_id = await found(county)
    retraction = EventRetracted(retracted_event_id=event_id, reason="wrong cylinder")
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        if not review_comes_first:
            await county.record(retraction)
        reviewed = await client.post(f"/v1/findings/{finding_id}/reviews", json={"cause": "record_error"})
        assert reviewed.status_code == 201
        if review_comes_first:
            await county.record(retraction)
        assert await standing(county, finding_id) == ("cleared", "record_error")
        await client.post(f"/v1/findings/{finding_id}/reopenings", json={"reason": "once more"})
    assert await standing(county, finding_id) == ("cleared", None)
    assert (await check_views(database_url)).verdict == "sound"


async def test_a_review_taken_back_leaves_the_finding_open(county: County, database_url: str) -> None:
    _, finding_id = await found(county)
    path = f"/v1/findings/{finding_id}"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        reviewed = (await client.post(f"{path}/reviews", json={"cause": "training"})).json()
        await client.post(
            f"/v1/events/{reviewed['event_id']}/retractions", json={"reason": "another finding was meant"}
        )
        assert (await client.get(path)).json()["reviews"] == []
        assert await standing(county, finding_id) == ("open", None)
        assert (await client.post(f"{path}/reviews", json={"cause": "accepted_risk"})).status_code == 201
    await rebuild_views(database_url)
    assert await standing(county, finding_id) == ("reviewed", "accepted_risk")
    assert (await check_views(database_url)).verdict == "sound"


async def test_a_review_survives_that_the_fill_turns_out_to_be_another_cylinders(county: County) -> None:
    tag = "iso15693:E004010000000B71"
    cylinder_id, event_id = await county.cylinder(), uuid.uuid4()
    recorded = await county.record(fills.Filled(tag=tag, end_psi=2000), event_ids=[event_id])
    finding_id = recorded.outcomes[0].finding_ids[0]
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        await client.post(f"/v1/findings/{finding_id}/reviews", json={"cause": "record_error"})
        await county.record(
            cylinders.TagPaired(cylinder_id=cylinder_id, tag=tag), occurred_at=datetime.now(UTC) - timedelta(days=1)
        )
        finding = (await client.get(f"/v1/findings/{finding_id}")).json()
    assert (finding["standing"], finding["cylinder_id"]) == ("reviewed", str(cylinder_id))
