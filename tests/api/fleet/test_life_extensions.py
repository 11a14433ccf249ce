"""Extensions of the service life over HTTP, and the life that is marked on a cylinder."""

import uuid
from datetime import UTC, datetime
from typing import Any

from fill_ledger.trade.events import cylinders, stations
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.questions import ask, codes

PERMIT: dict[str, Any] = {
    "specification": "DOT-SP10915-4500",
    "service_pressure": cylinders.ServicePressure(value="4500", unit="psi"),
}
THIS_YEAR = datetime.now(UTC).year
OVER, LATER = f"{THIS_YEAR - 16}-01", f"{THIS_YEAR + 10}-01"
EXTENSION: dict[str, Any] = {"extension": {"permit": "DOT-SP 99998", "through": LATER, "requalifier": "A123"}}


async def test_an_extension_is_entered_once_shown_and_counts_by_policy(county: County) -> None:
    cylinder_id = await county.cylinder(**PERMIT, manufactured=OVER)
    path, body = f"/v1/cylinders/{cylinder_id}", {**EXTENSION, "event_id": str(uuid.uuid4())}
    assert codes(await ask(county, cylinder_id=cylinder_id)) == {"service-life-over"}
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post(f"{path}/life-extensions", json=body)
        again = await client.post(f"{path}/life-extensions", json=body)
        same = await client.post(f"{path}/life-extensions", json=EXTENSION)
        shown = (await client.get(path)).json()["life_extensions"]
    assert (first.status_code, again.status_code) == (201, 200), first.text
    assert places(problem_in(same, 409, "conflict")) == {("", "extension-known")}
    assert [(each["permit"], each["through"], each["requalifier"]) for each in shown] == [
        ("DOT-SP 99998", LATER, "A123")
    ]
    denied = await ask(county, cylinder_id=cylinder_id)
    assert codes(denied) == {"service-life-over"}
    assert [note["code"] for note in denied["advice"]] == ["life-extension-not-counted"]
    await county.record(stations.PolicySet(department_id=county.own.department_id, life_extensions_accepted=True))
    permitted = await ask(county, cylinder_id=cylinder_id)
    assert (permitted["decision"], [note["code"] for note in permitted["advice"]]) == (
        "permit",
        ["life-extension-counted"],
    )


async def test_it_goes_with_a_transferred_cylinder(county: County) -> None:
    cylinder_id = await county.cylinder(**PERMIT, manufactured=OVER)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        assert (await client.post(f"/v1/cylinders/{cylinder_id}/life-extensions", json=EXTENSION)).status_code == 201
        given = {"to_department_id": str(county.neighbour.department_id)}
        assert (await client.post(f"/v1/cylinders/{cylinder_id}/transfers", json=given)).status_code == 201
    assert await county.parts.outbox.deliver() == 1
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        shown = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()["life_extensions"]
    assert [(each["permit"], each["through"]) for each in shown] == [("DOT-SP 99998", LATER)]


async def test_a_marked_life_is_kept_with_the_details(county: County) -> None:
    details = {
        "serial": "ML 1",
        "specification": "UN ISO 11119-2 PW310BAR",
        "use": "scba",
        "manufactured": f"{THIS_YEAR - 1}-01",
        "marked_life_ends": f"{THIS_YEAR}-01",
    }
    stamps = [{"month": f"{THIS_YEAR - 1}-06", "outcome": "pass"}]
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        entered = await client.post("/v1/cylinders", json={"details": details, "requalifications": stamps})
        cylinder_id = entered.json()["subject_id"]
        shown = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()["details"]
    assert shown["marked_life_ends"] == f"{THIS_YEAR}-01"
    denied = await ask(county, cylinder_id=cylinder_id)
    assert codes(denied) == {"service-life-over"}
    assert "as marked" in denied["reasons"][0]["text"]


async def test_what_cannot_be_is_refused(county: County) -> None:
    cylinder_id, condemned_id = await county.cylinder(**PERMIT, manufactured=OVER), await county.cylinder()
    path = f"/v1/cylinders/{cylinder_id}/life-extensions"
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        early = await client.post(path, json={"extension": {"permit": "X", "through": OVER}})
        faulty = await client.post(
            path, json={"extension": {"permit": "", "through": "2031-13", "requalifier": "a", "by": 1}}
        )
        condemnation = {"reason": "Crack."}
        await client.post(f"/v1/cylinders/{condemned_id}/condemnation", json=condemnation)
        condemned = await client.post(f"/v1/cylinders/{condemned_id}/life-extensions", json=EXTENSION)
        nowhere = await client.post(f"/v1/cylinders/{uuid.uuid4()}/life-extensions", json=EXTENSION)
    assert places(problem_in(early, 422, "not-processable")) == {("/extension/through", "extended-before-made")}
    assert {place for place, _ in places(problem_in(faulty, 422, "invalid-body"))} == {
        "/extension/permit",
        "/extension/through",
        "/extension/requalifier",
        "/extension/by",
    }
    assert places(problem_in(condemned, 409, "conflict")) == {("", "cylinder-condemned")}
    problem_in(nowhere, 404, "not-found")


async def test_keys_open_only_their_own_doors(county: County) -> None:
    path = f"/v1/cylinders/{await county.cylinder()}/life-extensions"
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.post(path, json=EXTENSION), 404, "not-found")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post(path, json=EXTENSION), 403, "not-permitted")
