"""The permit that a fill quotes is checked when the fill arrives; what is wrong with it is a finding, no refusal."""

import os
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.database import Database
from fill_ledger.intake.claims import Unit
from fill_ledger.intake.lane import Lanes
from fill_ledger.intake.recorder import Recorder
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.handles import PermitReference, PermitReferences, new_nonce
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.fills import Filled
from fill_ledger.views.check import check_views
from fill_ledger.views.rulebooks import Rulebooks
from tests.support.county import County
from tests.support.facts import ago, fact, fill
from tests.support.ledgers import claim_of, days_ago, open_ledger, registration
from tests.support.questions import ask

TAG = "iso15693:E004010000000B01"
PERMIT_CODES = {
    "permit-reference-not-genuine",
    "permit-for-another-fill",
    "permit-expired",
    "permit-used-twice",
    "fill-not-asked",
}


async def send(county: County, sent: dict[str, Any], role: Role = Role.CONTROLLER) -> dict[str, Any]:
    """Report a fill and return it as it stands on record."""
    async with county.client(county.own.keys[role]) as client:
        answered = await client.post("/v1/fills", json=sent)
        assert answered.status_code == 201, answered.text
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = await client.get(f"/v1/fills/{sent['event_id']}")
    document: dict[str, Any] = shown.json()
    return document


def permit_codes(document: dict[str, Any]) -> set[str]:
    """Return what the ledger found about the permit of a fill."""
    return PERMIT_CODES & set(document["reasons"])


async def permitted(county: County, **asked: Any) -> tuple[uuid.UUID, str]:
    """Ask for a new cylinder and return it with the reference of the permit."""
    cylinder_id = await county.cylinder()
    answered = await ask(county, cylinder_id=cylinder_id, **asked)
    return cylinder_id, answered["permit_reference"]


def filled(county: County, cylinder_id: uuid.UUID, reference: str | None, **body: Any) -> dict[str, Any]:
    """Return the fact of a fill just now."""
    given = {
        "cylinder_id": str(cylinder_id),
        "member_id": str(county.own.member_id),
        "sources": [{"air_source_id": str(county.own.air_source_id)}],
        "mode": "automatic",
        "end_psi": 2200,
        "duration_s": 240,
        "permit_reference": reference,
    }
    return fill({**given, **body})


async def test_a_fill_that_was_asked_for_and_permitted_has_no_finding(county: County) -> None:
    cylinder_id, reference = await permitted(county, mode="automatic")
    document = await send(county, filled(county, cylinder_id, reference))
    assert document["reasons"] == []
    permit = document["permit"]
    assert (permit["fill_limit_psi"], permit["differs"]) == (2216, [])
    assert permit["mode"] == "automatic"


async def test_a_permit_asked_by_tag_without_a_mode_fits_the_fill(county: County) -> None:
    """Nobody told the service the mode, and the fact names the tag alone: neither is another fill."""
    await county.cylinder(tag=TAG)
    answered = await ask(county, tag=TAG)
    sent = filled(county, uuid.uuid4(), answered["permit_reference"])
    sent["body"] |= {"tag": TAG, "cylinder_id": None}
    assert permit_codes(await send(county, sent)) == set()


async def test_a_cylinder_that_is_attributed_later_is_no_other_cylinder(county: County) -> None:
    """The tag was taken off between the question and the report, so that the ledger cannot tell whose fill it is."""
    cylinder_id = await county.cylinder(tag=TAG)
    reference = (await ask(county, tag=TAG))["permit_reference"]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        unpaired = fact("tag.unpaired", {"cylinder_id": str(cylinder_id), "tag": TAG}, occurred_at=ago(minutes=2))
        await client.post("/v1/intake", json={"facts": [unpaired]})
    sent = filled(county, cylinder_id, reference)
    sent["body"] |= {"tag": TAG, "cylinder_id": None}
    document = await send(county, sent)
    assert document["cylinder_id"] is None
    assert permit_codes(document) == set()


async def test_a_cylinder_judged_by_its_marks_is_the_one_of_its_permit(county: County) -> None:
    marks = {
        "serial": "K 48213",
        "specification": "DOT-3AL2216",
        "service_pressure_value": "2216",
        "service_pressure_unit": "psi",
        "manufactured": "2022-05",
    }
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        asked = {"member_id": str(county.own.member_id), "cylinder_as_marked": marks}
        reference = (await client.post("/v1/eligibility", json=asked)).json()["permit_reference"]
    assert reference is not None
    for serial, expected in (("K 48213", set()), ("K 48214", {"permit-for-another-fill"})):
        sent = filled(county, uuid.uuid4(), reference)
        sent["body"] |= {"cylinder_id": None, "cylinder_as_marked": {**marks, "serial": serial}}
        assert permit_codes(await send(county, sent)) - {"permit-used-twice"} == expected


@pytest.mark.parametrize("reference", ["flp_", "x" * 512, "flp_" + "A" * 150, ""])
async def test_a_reference_that_is_none_is_found(county: County, reference: str) -> None:
    document = await send(county, filled(county, await county.cylinder(), reference))
    assert permit_codes(document) == {"permit-reference-not-genuine"}
    assert document["permit"] is None


async def test_a_permit_under_a_foreign_key_is_found(county: County) -> None:
    cylinder_id = await county.cylinder()
    reference = PermitReferences((os.urandom(32),)).issue(permit(county, cylinder_id))
    document = await send(county, filled(county, cylinder_id, reference))
    assert permit_codes(document) == {"permit-reference-not-genuine"}


def permit(county: County, fitting_id: uuid.UUID, **given: Any) -> PermitReference:
    """Return a permit that fits the fill of `filled`; parts of it may be given."""
    fitting: dict[str, Any] = {
        "station_id": county.own.station_id,
        "cylinder_id": fitting_id,
        "member_id": county.own.member_id,
        "fill_limit_psi": 2216,
        "mode": "automatic",
        "until": datetime.now(UTC) + timedelta(minutes=10),
        "nonce": new_nonce(),
    }
    return PermitReference(**{**fitting, **given})


async def test_a_permit_for_another_fill_is_found_and_says_what_differs(county: County) -> None:
    other_id = uuid.uuid4()
    cases: list[tuple[dict[str, Any], list[str], str]] = [
        ({"cylinder_id": other_id}, ["cylinder"], "the cylinder differs."),
        ({"station_id": other_id}, ["station"], "the station differs."),
        ({"member_id": other_id}, ["member"], "the member differs."),
        ({"mode": "fast"}, ["mode"], "the mode of filling differs."),
        (
            {"cylinder_id": other_id, "member_id": other_id, "mode": "manual"},
            ["cylinder", "member", "mode"],
            "the cylinder, the member and the mode of filling differ.",
        ),
        ({"member_id": None, "mode": None}, [], ""),
    ]
    for given, differs, words in cases:
        cylinder_id = await county.cylinder()
        reference = county.parts.permit_references.issue(permit(county, cylinder_id, **given))
        document = await send(county, filled(county, cylinder_id, reference))
        assert document["permit"]["differs"] == differs
        assert permit_codes(document) == ({"permit-for-another-fill"} if differs else set()), given
        async with county.client(county.own.keys[Role.OFFICER]) as client:
            listed = await client.get("/v1/findings", params={"event_id": document["event_id"]})
        texts = [item["text"] for item in listed.json()["items"] if item["code"] == "permit-for-another-fill"]
        assert [text.endswith(words) for text in texts] == [True] * bool(differs)


async def test_a_permit_must_hold_when_the_fill_begins(county: County) -> None:
    """The fact tells when the fill ended, a minute ago, and how long it took."""
    now = datetime.now(UTC)
    cases: list[tuple[timedelta, int | None, bool]] = [
        (timedelta(minutes=2), 120, False),  # ended a minute after, began a minute before it ran out
        (timedelta(minutes=4), 120, True),
        (timedelta(minutes=4), None, False),  # nobody knows when it began
        (timedelta(days=2), None, True),
    ]
    for since, duration_s, is_expired in cases:
        cylinder_id = await county.cylinder()
        reference = county.parts.permit_references.issue(permit(county, cylinder_id, until=now - since))
        document = await send(county, filled(county, cylinder_id, reference, duration_s=duration_s))
        assert permit_codes(document) == ({"permit-expired"} if is_expired else set()), (since, duration_s)


async def test_a_clock_that_nobody_set_proves_no_permit_expired(county: County) -> None:
    """With what the clock said at sending the fact, its error is known; the fill is then in time or late for good."""
    clock = {"boot_id": str(uuid.uuid4()), "uptime_ms": 1000, "synced": False}
    fast = timedelta(hours=3)
    until = datetime.now(UTC) - timedelta(hours=1)
    for device_now, is_expired in ((None, False), (ago(hours=-3), True)):
        cylinder_id = await county.cylinder()
        reference = county.parts.permit_references.issue(permit(county, cylinder_id, until=until))
        sent = filled(county, cylinder_id, reference)
        sent |= {"clock": clock, "occurred_at": (datetime.now(UTC) + fast).isoformat(), "device_now": device_now}
        assert permit_codes(await send(county, sent)) == ({"permit-expired"} if is_expired else set())


async def test_a_permit_is_for_one_fill(county: County) -> None:
    cylinder_id, reference = await permitted(county)
    first, second, third = (filled(county, cylinder_id, reference) for _ in range(3))
    assert permit_codes(await send(county, first)) == set()
    assert permit_codes(await send(county, second)) == {"permit-used-twice"}
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        again = await client.post("/v1/fills", json=first)
        assert (again.status_code, again.json()["finding_ids"]) == (200, [])
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for mistaken in (first, second):
            path = f"/v1/events/{mistaken['event_id']}/retractions"
            assert (await client.post(path, json={"reason": "Reported twice."})).status_code == 201
    assert permit_codes(await send(county, third)) == set()


async def test_two_fills_of_one_batch_share_a_permit_only_once(county: County) -> None:
    cylinder_id, reference = await permitted(county)
    sent = [filled(county, cylinder_id, reference) for _ in range(2)]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        results = (await client.post("/v1/intake", json={"facts": sent})).json()["results"]
    assert [len(result["finding_ids"]) for result in results] == [0, 1]


async def test_a_fill_that_nobody_asked_for_is_found(county: County) -> None:
    cylinder_id = await county.cylinder()
    override = {"reason_code": "working fire"}
    cases: list[tuple[str, dict[str, Any], Role, bool]] = [
        ("cylinder.filled", {}, Role.CONTROLLER, True),
        ("cylinder.filled", {"mode": None}, Role.CONTROLLER, True),
        ("cylinder.filled", {"roster_position": 17}, Role.CONTROLLER, False),  # a truck without network
        ("cylinder.filled", {"override": override}, Role.CONTROLLER, False),
        ("cylinder.filled", {"mode": "manual"}, Role.CONTROLLER, False),
        ("cylinder.filled_by_hand", {}, Role.CONTROLLER, False),
        ("cylinder.filled", {"station_id": str(county.own.station_id)}, Role.OFFICER, False),
    ]
    for event_type, body, role, is_found in cases:
        sent = filled(county, cylinder_id, None, **body) | {"type": event_type}
        document = await send(county, sent, role)
        assert permit_codes(document) == ({"fill-not-asked"} if is_found else set()), (event_type, body, role)


async def test_a_permit_given_before_the_master_key_was_changed_is_known_again(database: Database) -> None:
    old_key, new_key = os.urandom(32), os.urandom(32)
    cylinder_id, station_id = uuid.uuid4(), uuid.uuid4()
    async with open_ledger(database) as ledger:
        await ledger.take(claim_of(registration(cylinder_id), occurred_at=days_ago(20)))
        given = PermitReference(
            station_id=station_id,
            cylinder_id=cylinder_id,
            member_id=None,
            fill_limit_psi=2216,
            mode=None,
            until=datetime.now(UTC) + timedelta(minutes=5),
            nonce=new_nonce(),
        )
        reference = PermitReferences.from_key_ring(KeyRing(old_key)).issue(given)
        for ring, is_known in ((KeyRing(new_key), False), (KeyRing(new_key, (old_key,)), True)):
            lanes = Lanes(Recorder(database.writes, Vault.from_key_ring(ring), Rulebooks()))
            body = Filled(cylinder_id=cylinder_id, permit_reference=reference)
            claim = claim_of(body, station_id=station_id, occurred_at=days_ago(0))
            await lanes.record(Unit(department_id=ledger.department_id, claims=(claim,)))
            await lanes.close()
            codes = [
                row["code"]
                for row in await ledger.fetch("SELECT code FROM views.finding WHERE event_id = $1", claim.event_id)
            ]
            assert ("permit-reference-not-genuine" not in codes) == is_known


async def test_permits_outlive_a_rebuild(county: County, database_url: str) -> None:
    """The column by which a second use is found follows from the ledger alone."""
    cylinder_id, reference = await permitted(county)
    await send(county, filled(county, cylinder_id, reference))
    department_id = county.own.department_id
    async with county.parts.database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        nonces = await connection.fetch("SELECT permit_nonce FROM views.fill WHERE permit_nonce IS NOT NULL")
    assert len(nonces) == 1
    report = await check_views(database_url)
    assert (report.verdict, report.faults) == ("sound", [])
