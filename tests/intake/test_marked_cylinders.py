"""Fills of cylinders keyed in by their marks: they are judged by the record of the one that has the serial."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import CylinderCondemned, TagPaired
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.views.check import check_views
from tests.support.county import County
from tests.support.facts import fill

MARKS = {"serial": "kx-100 7", "specification": "DOT-3AA2216", "manufactured": "2024-11"}
SERIAL = "KX1007"
BEFORE = datetime.now(UTC) - timedelta(days=1)


async def taken(county: County, marks: dict[str, Any], **more: Any) -> dict[str, Any]:
    """Return a fill as it is on record, reported by the own department's controller with the marks given."""
    body = {
        "cylinder_as_marked": marks,
        "member_id": str(county.own.member_id),
        "sources": [{"air_source_id": str(county.own.air_source_id)}],
        "end_psi": 2200,
        "owner_consent": True,
        "roster_position": 1,
        **more,
    }
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        created = await client.post("/v1/fills", json=fill(body))
        assert created.status_code == 201, created.text
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = await client.get(f"/v1/fills/{created.json()['event_id']}")
        assert shown.status_code == 200, shown.text
        again = await client.get(f"/v1/fills/{created.json()['event_id']}/judgement")
    judged: dict[str, Any] = shown.json()
    assert again.status_code == 200, again.text
    assert again.json()["comparison"] == "same", again.text
    return judged


async def fills_of(county: County, cylinder_id: uuid.UUID) -> int:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = await client.get("/v1/fills", params={"cylinder_id": str(cylinder_id)})
        history = await client.get(f"/v1/cylinders/{cylinder_id}/history")
    assert (shown.status_code, history.status_code) == (200, 200), history.text
    in_history = [entry for entry in history.json()["items"] if entry["type"] == "cylinder.filled"]
    assert len(in_history) == len(shown.json()["items"])
    return len(in_history)


async def test_a_condemned_cylinder_keyed_in_by_its_marks_is_judged_by_its_record_and_stands_in_it(
    county: County,
) -> None:
    cylinder_id = await county.cylinder(serial=SERIAL)
    await county.record(CylinderCondemned(cylinder_id=cylinder_id, reason="Cracked."), occurred_at=BEFORE)
    judged = await taken(county, MARKS)
    assert (judged["cylinder_id"], judged["attributed_by"]) == (str(cylinder_id), "marks")
    assert judged["code"] == "condemned"
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, (county.own.department_id,)):
        found = await connection.fetch("SELECT cylinder_id FROM views.finding WHERE code = 'condemned'")
    assert [row["cylinder_id"] for row in found] == [cylinder_id]
    assert await fills_of(county, cylinder_id) == 1
    await county.record(EventRetracted(retracted_event_id=uuid.UUID(judged["event_id"]), reason="Misread."))
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        state = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()
    assert state["last_fill"] is None


async def test_marks_of_no_cylinder_of_several_or_of_another_specification_are_judged_as_marks(county: County) -> None:
    await county.cylinder(serial=SERIAL, specification="DOT-3AL2216")
    assert (await taken(county, MARKS))["cylinder_id"] is None
    for _ in range(2):
        await county.cylinder(serial="TWICE")
    assert (await taken(county, {**MARKS, "serial": "TWICE"}))["cylinder_id"] is None
    assert (await taken(county, {**MARKS, "serial": "NOBODYS"}))["attributed_by"] is None


async def test_the_own_department_comes_before_partners_and_a_stranger_needs_the_same_specification(
    county: County,
) -> None:
    theirs = await county.cylinder(serial=SERIAL, department_id=county.neighbour.department_id)
    no_specification = {"serial": SERIAL}
    assert (await taken(county, no_specification))["cylinder_id"] is None
    same = await taken(county, MARKS)
    assert (same["cylinder_id"], same["owner_department_id"]) == (str(theirs), str(county.neighbour.department_id))
    partners = (county.neighbour.department_id,)
    policy = PolicySet(department_id=county.own.department_id, mutual_aid_department_ids=partners)
    await county.record(policy, occurred_at=BEFORE)
    assert (await taken(county, no_specification))["cylinder_id"] == str(theirs)
    own = await county.cylinder(serial=SERIAL)
    assert (await taken(county, no_specification))["cylinder_id"] == str(own)
    assert (await taken(county, MARKS))["owner_department_id"] == str(county.own.department_id)


async def test_a_tag_that_is_paired_later_does_not_take_a_fill_from_the_cylinder_of_its_marks(county: County) -> None:
    cylinder_id = await county.cylinder(serial=SERIAL)
    other_id = await county.cylinder()
    judged = await taken(county, MARKS, tag="E0040100A1B2C3D4")
    assert judged["cylinder_id"] == str(cylinder_id)
    await county.record(TagPaired(cylinder_id=other_id, tag=judged["tag"]))
    assert (await fills_of(county, cylinder_id), await fills_of(county, other_id)) == (1, 0)


async def test_a_replay_has_a_fill_with_the_cylinder_of_its_marks_as_it_was_folded(
    county: County, database_url: str
) -> None:
    own = await county.cylinder(serial=SERIAL)
    await county.cylinder(serial="THEIRS", department_id=county.neighbour.department_id)
    judged = await taken(county, MARKS)
    await taken(county, {**MARKS, "serial": "THEIRS"})
    assert judged["cylinder_id"] == str(own)
    report = await check_views(database_url)
    assert (report.verdict, report.faults) == ("sound", [])
