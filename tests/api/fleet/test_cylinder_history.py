"""Histories over HTTP: order, retraction, fills known by tag, and who may read the texts."""

import uuid
from datetime import UTC, datetime, timedelta

from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import CylinderHeld, TagPaired
from fill_ledger.trade.events.fills import Filled, FillSource
from tests.api.clients import problem_in
from tests.support.county import County

TAG = "label:R-17"


async def test_a_history_tells_every_event_in_order_with_fills_known_only_by_tag(county: County) -> None:
    cylinder_id = await county.cylinder()
    now = datetime.now(UTC)
    # The fill came first, and nobody knew whose tag it was; the pairing that tells is entered late.
    await county.record(Filled(tag=TAG, end_psi=2200), station_id=county.own.station_id, occurred_at=now - timedelta(2))
    await county.record(TagPaired(cylinder_id=cylinder_id, tag=TAG), occurred_at=now - timedelta(3))
    hold = uuid.uuid4()
    await county.record(
        CylinderHeld(cylinder_id=cylinder_id, hold_id=hold, hold_kind="other", reason="Avery Example said so."),
        event_ids=[hold],
    )
    retraction = uuid.uuid4()
    await county.record(EventRetracted(retracted_event_id=hold, reason="Wrong cylinder."), event_ids=[retraction])
    path = f"/v1/cylinders/{cylinder_id}/history"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        items = (await client.get(path)).json()["items"]
        newest = (await client.get(path, params={"order": "newest_first", "limit": "1"})).json()
        following = (
            await client.get(path, params={"order": "newest_first", "limit": "3", "cursor": newest["next_cursor"]})
        ).json()
        fills = (await client.get(path, params={"type": "cylinder.filled"})).json()["items"]
    assert [item["type"] for item in items] == [
        "cylinder.registered",
        "tag.paired",
        "cylinder.filled",
        "cylinder.held",
    ]
    assert [item["effective_at"] for item in items] == sorted(item["effective_at"] for item in items)
    assert items[3]["body"]["reason"] == "Avery Example said so."
    assert [item["retracted"] for item in items] == [False, False, False, True]
    assert items[3]["retracted_by_event_id"] == str(retraction)
    assert items[2]["station_id"] == str(county.own.station_id)
    assert [newest["items"][0], *following["items"]] == items[::-1]
    assert [item["body"]["tag"] for item in fills] == [TAG]


async def test_a_fill_leaves_the_history_of_a_cylinder_that_did_not_wear_the_tag(county: County) -> None:
    wrong, right = await county.cylinder(tag=TAG), await county.cylinder()
    now = datetime.now(UTC)
    await county.record(Filled(tag=TAG, end_psi=2200), station_id=county.own.station_id, occurred_at=now - timedelta(2))
    await county.record(TagPaired(cylinder_id=right, tag=TAG), occurred_at=now - timedelta(3))
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        types = {
            cylinder_id: [
                item["type"] for item in (await client.get(f"/v1/cylinders/{cylinder_id}/history")).json()["items"]
            ]
            for cylinder_id in (wrong, right)
        }
    assert "cylinder.filled" not in types[wrong]
    assert "cylinder.filled" in types[right]


async def test_texts_are_opened_only_for_those_who_may(county: County) -> None:
    cylinder_id = await county.cylinder()
    await county.record(
        CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="other", reason="Avery Example."),
        Filled(cylinder_id=cylinder_id, end_psi=2200, note="Avery Example filled it."),
    )
    seen = {}
    for role in (Role.ANALYST, Role.TECHNICIAN, Role.OFFICER):
        async with county.client(county.own.keys[role]) as client:
            items = (await client.get(f"/v1/cylinders/{cylinder_id}/history")).json()["items"]
        seen[role] = {
            item["type"]: (item["body"].get("reason") or item["body"].get("note"), item["sealed"]) for item in items[1:]
        }
    assert seen[Role.ANALYST] == {"cylinder.held": (None, ["reason"]), "cylinder.filled": (None, ["note"])}
    assert seen[Role.TECHNICIAN] == {"cylinder.held": ("Avery Example.", []), "cylinder.filled": (None, ["note"])}
    assert seen[Role.OFFICER] == {
        "cylinder.held": ("Avery Example.", []),
        "cylinder.filled": ("Avery Example filled it.", []),
    }


async def test_members_stations_and_air_sources_have_histories_too(county: County) -> None:
    cylinder_id = await county.cylinder()
    own = county.own
    fill = Filled(
        cylinder_id=cylinder_id,
        member_id=own.member_id,
        end_psi=2200,
        sources=(FillSource(air_source_id=own.air_source_id),),
    )
    await county.record(fill, station_id=own.station_id)
    async with county.client(own.keys[Role.OFFICER]) as client:
        member = (await client.get(f"/v1/members/{own.member_id}/history")).json()["items"]
        station = (await client.get(f"/v1/stations/{own.station_id}/history")).json()["items"]
        air = (await client.get(f"/v1/air-sources/{own.air_source_id}/history")).json()["items"]
    for items, first in ((member, "member.enrolled"), (station, "station.registered"), (air, "air_source.registered")):
        assert first in {item["type"] for item in items}
        assert items[-1]["type"] == "cylinder.filled"
    enrolled = next(item for item in member if item["type"] == "member.enrolled")
    assert "Avery Example" in enrolled["body"]["personal"]
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        for path in (f"members/{own.member_id}", f"stations/{own.station_id}", f"air-sources/{own.air_source_id}"):
            problem_in(await client.get(f"/v1/{path}/history"), 404, "not-found")
    async with county.client(own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get(f"/v1/members/{own.member_id}/history"), 403, "not-permitted")


async def test_an_erased_text_is_told_to_be_gone(county: County) -> None:
    cylinder_id = await county.cylinder()
    held = CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="other", reason="Avery Example.")
    await county.record(held)
    department_id = county.own.department_id
    # What erasing does to the rows beside the ledger: the key of the text is gone, and with it the text.
    async with county.parts.database.writes.acquire() as connection, seeing(connection, (department_id,)):
        await connection.execute(
            """
            UPDATE ledger.sealed_key SET wrapped = NULL, erased_at = now()
            WHERE department_id = $1 AND key_id IN (
                SELECT record.key_id FROM ledger.sealed_record AS record
                JOIN ledger.event ON event.department_id = record.department_id
                    AND event.event_type = 'cylinder.held'
                    AND convert_from(event.canonical, 'UTF8')::jsonb
                        #>> '{body,reason,record_id}' = record.record_id::text)
            """,
            department_id,
        )
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        items = (await client.get(f"/v1/cylinders/{cylinder_id}/history")).json()["items"]
        holds = (await client.get("/v1/holds")).json()["items"]
    assert (items[1]["body"]["reason"], items[1]["erased"], items[1]["sealed"]) == (None, ["reason"], [])
    assert [(hold["reason"], hold["reason_erased"]) for hold in holds] == [(None, True)]
