"""Who may do what: every route, every role, the own department's subjects and the neighbour's.

Written down a second time, apart from the service's own table: a new route fails here until its line is added.
"""

import uuid
from typing import Any

import httpx
import msgspec
import pytest

from fill_ledger.api.http.operations import OPERATION_KEY, Operation
from fill_ledger.api.resources import HANDLERS
from fill_ledger.intake.claims import Unit, Unreadable
from fill_ledger.intake.founding import NewPrincipal, register_principal
from fill_ledger.trade.events import air, cylinders, fills, members, stations
from fill_ledger.trade.events.county import Role
from tests.support.county import County, Department
from tests.support.ledgers import SOMEBODY

# One letter a role. Order as in `Role`.
LETTERS = {
    "C": Role.CONTROLLER,
    "O": Role.OFFICER,
    "T": Role.TECHNICIAN,
    "I": Role.INTEGRATOR,
    "A": Role.ANALYST,
    "P": Role.OPERATOR,
}
ANYBODY = ""  # no key needed
# Route -> who may; everybody else is answered 403, and without a key 401.
WHO_MAY: dict[str, str] = {
    "GET /v1/health": ANYBODY,
    "GET /v1/ready": ANYBODY,
    "GET /v1/rules": ANYBODY,
    "GET /v1/rules/{code}": ANYBODY,
    "GET /v1/specifications": ANYBODY,
    "GET /v1/specifications/{specification_key}": ANYBODY,
    # Officers only where they are bound to no department: tests/api/rulebook.
    "POST /v1/specifications": "P",
    "GET /v1/air-standards": ANYBODY,
    "GET /v1/air-standards/{standard_key}": ANYBODY,
    "POST /v1/air-standards": "P",
    "GET /v1/rule-amendments": ANYBODY,
    "POST /v1/rule-amendments": "P",
    "POST /v1/rulebook-entries/{entry_id}/retractions": "P",
    "GET /": ANYBODY,
    "GET /docs": ANYBODY,
    "GET /docs/{name}": ANYBODY,
    "GET /v1/openapi.json": ANYBODY,
    "GET /v1/problems": ANYBODY,
    "GET /v1/problems/{code}": ANYBODY,
    "GET /v1/eligibility": "COTIA",
    "GET /v1/due": "OTIA",
    "GET /v1/due/workload": "OTIA",
    "GET /v1/fleet-judgements": "OTIA",
    "GET /v1/gauge-readings": "COTIA",
    "POST /v1/eligibility": "COTIA",
    "POST /v1/fill-plans": "COTIA",
    "POST /v1/storage-forecasts": "COTIA",
    "GET /v1/departments": "OTIAP",
    "GET /v1/departments/{department_id}": "OTIAP",
    "POST /v1/departments": "P",
    "POST /v1/departments/{department_id}/corrections": "P",
    "GET /v1/departments/{department_id}/policy": "OTIAP",
    "PUT /v1/departments/{department_id}/policy": "O",
    "GET /v1/stations": "OTIAP",
    "GET /v1/stations/{station_id}": "OTIAP",
    "GET /v1/own-station": "C",
    "GET /v1/stations/{station_id}/gaps": "COTIAP",
    "POST /v1/stations": "OIP",
    "POST /v1/stations/{station_id}/corrections": "OIP",
    "POST /v1/stations/{station_id}/closures": "OIP",
    "POST /v1/stations/{station_id}/openings": "OIP",
    "POST /v1/stations/{station_id}/fill-positions": "OIP",
    "POST /v1/stations/{station_id}/fill-positions/{fill_position_id}/removals": "OIP",
    "GET /v1/stations/{station_id}/history": "OTIA",
    "GET /v1/air-sources": "OTIA",
    "GET /v1/air-sources/{air_source_id}": "OTIA",
    "GET /v1/air-sources/{air_source_id}/history": "OTIA",
    "POST /v1/air-sources": "OT",
    "POST /v1/air-sources/{air_source_id}/outages": "OT",
    "POST /v1/air-sources/{air_source_id}/returns": "OT",
    "POST /v1/air-sources/{air_source_id}/bottles": "OT",
    "POST /v1/air-sources/{air_source_id}/bottles/{bottle_id}/removals": "OT",
    "POST /v1/air-sources/{air_source_id}/charges": "OT",
    "POST /v1/air-sources/{air_source_id}/co-calibrations": "OT",
    "GET /v1/stations/{station_id}/alarms": "OTIA",
    "POST /v1/stations/{station_id}/alarms": "OT",
    "POST /v1/stations/{station_id}/alarms/{alarm_id}/endings": "OT",
    "POST /v1/members/{member_id}/trainings": "OI",
    "POST /v1/cylinders/{cylinder_id}/life-extensions": "OTI",
    "POST /v1/air-sources/{air_source_id}/bottle-readings": "OT",
    "POST /v1/air-sources/{air_source_id}/filter-changes": "OT",
    "POST /v1/air-sources/{air_source_id}/run-time-readings": "OT",
    "GET /v1/air-samples": "OTIA",
    "POST /v1/air-samples": "OT",
    "POST /v1/fills": "COTI",
    "GET /v1/fills": "OTIA",
    "GET /v1/fills/{event_id}": "OTIA",
    "GET /v1/fills/{event_id}/judgement": "OTIA",
    "GET /v1/attempts": "OTIA",
    "GET /v1/findings": "OTIA",
    "GET /v1/findings/{finding_id}": "OTIA",
    "POST /v1/findings/{finding_id}/reviews": "OT",
    "POST /v1/findings/{finding_id}/reopenings": "OT",
    "GET /v1/events": "OTIA",
    "GET /v1/events/{event_id}": "OTIA",
    "POST /v1/events/{event_id}/retractions": "O",
    "GET /v1/quarantine": "OIP",
    "GET /v1/quarantine/counts": "OIP",
    "GET /v1/quarantine/{event_id}": "OIP",
    "POST /v1/intake": "COTI",
    "GET /v1/members": "OTIA",
    "GET /v1/members/{member_id}": "OTIA",
    "GET /v1/members/{member_id}/history": "OTIA",
    "POST /v1/member-lookups": "O",
    "POST /v1/members": "OI",
    "POST /v1/members/{member_id}/corrections": "OI",
    "POST /v1/members/{member_id}/authorisations": "OI",
    "POST /v1/members/{member_id}/deactivations": "OI",
    "POST /v1/members/{member_id}/reactivations": "OI",
    "POST /v1/members/{member_id}/credentials": "OI",
    "POST /v1/members/{member_id}/credentials/{credential_id}/revocations": "OI",
    "POST /v1/member-sessions": "C",
    "GET /v1/principals": "P",
    "GET /v1/principals/{principal_id}": "P",
    "POST /v1/principals": "P",
    "POST /v1/principals/{principal_id}/deactivations": "P",
    "POST /v1/principals/{principal_id}/keys": "P",
    "GET /v1/controllers": "P",
    "GET /v1/controllers/{controller_id}": "P",
    "POST /v1/controllers": "P",
    "POST /v1/controllers/{controller_id}/deactivations": "P",
    "GET /v1/keys": "P",
    "GET /v1/keys/{key_id}": "P",
    "POST /v1/keys/{key_id}/rotations": "P",
    "POST /v1/keys/{key_id}/revocations": "P",
    "GET /v1/cylinders": "OTIA",
    "POST /v1/cylinders": "OTI",
    "GET /v1/cylinders/{cylinder_id}": "OTIA",
    "GET /v1/cylinders/{cylinder_id}/history": "OTIA",
    "POST /v1/cylinders/{cylinder_id}/corrections": "OTI",
    "POST /v1/cylinders/{cylinder_id}/inspections": "OTI",
    "POST /v1/cylinders/{cylinder_id}/condemnation": "OT",
    "POST /v1/cylinders/{cylinder_id}/retirement": "OT",
    "POST /v1/cylinders/{cylinder_id}/transfers": "OT",
    "POST /v1/cylinders/{cylinder_id}/holds": "OT",
    "POST /v1/cylinders/{cylinder_id}/tags": "OTI",
    "POST /v1/cylinders/{cylinder_id}/tag-removals": "OTI",
    "POST /v1/cylinders/{cylinder_id}/requalifications": "OTI",
    "GET /v1/holds": "OTIA",
    "POST /v1/holds/{hold_id}/releases": "OT",
    "GET /v1/tags": "OTIA",
    "POST /v1/requalification-results": "OTI",
    "POST /v1/imports": "OTI",
    "GET /v1/imports/template": "OTI",
}
# Paths whose `event_id` must be of one kind; every other is any event.
EVENT_OF_PATH = {"/v1/fills/": "fill", "/v1/quarantine/": "quarantined"}
# What every department of a county may know of every other, for mutual aid: its name and code.
SHARED_BY_THE_COUNTY = frozenset({"GET /v1/departments", "GET /v1/departments/{department_id}"})
# A retraction may come before its event, so that it is taken for any id, into the own ledger.
MAY_COME_FIRST = frozenset({"POST /v1/events/{event_id}/retractions"})
NO_DEPARTMENTS_SUBJECT = {"code", "name", "specification_key", "standard_key", "entry_id"}

OPERATIONS: dict[str, Operation] = {
    f"{stated.method} {stated.path}": stated for stated in (handler.opt[OPERATION_KEY] for handler in HANDLERS)
}


def test_every_route_has_its_line_and_every_line_its_route() -> None:
    assert set(WHO_MAY) - set(OPERATIONS) == set(), "written down, but there is no such route"
    assert set(OPERATIONS) - set(WHO_MAY) == set(), "write down who may: one line in WHO_MAY"
    assert {route for route, stated in OPERATIONS.items() if stated.right is None} == {
        route for route, letters in WHO_MAY.items() if letters == ANYBODY
    }


class Subjects(msgspec.Struct, kw_only=True):
    """One of everything in a department, by the name that paths have for it."""

    by_name: dict[str, uuid.UUID]

    def path(self, stated: Operation) -> str:
        """Return an operation's path with these subjects in it."""
        return stated.path.format_map({**self.by_name, "event_id": self._event_id(stated.path), "code": "ok"})

    def _event_id(self, path: str) -> uuid.UUID:
        kind = next((kind for prefix, kind in EVENT_OF_PATH.items() if path.startswith(prefix)), "any")
        return self.by_name[f"{kind}_event_id"]


async def subjects_of(county: County, department: Department) -> Subjects:
    """Let one of everything be in a department."""
    department_id, ids = (
        department.department_id,
        {name: uuid.uuid4() for name in ("fill", "any", "hold", "quarantined")},
    )
    named = {name: uuid.uuid4() for name in ("fill_position_id", "bottle_id", "credential_id", "alarm_id")}
    cylinder_id = await county.cylinder(department_id=department_id)
    bottle = air.StorageBottle(
        bottle_id=named["bottle_id"], label="B1", water_volume_ml=50_000, service_pressure_psi=6_000
    )
    await county.record(
        stations.FillPositionRegistered(
            station_id=department.station_id, fill_position_id=named["fill_position_id"], label="Whip 1"
        ),
        air.StorageBottleInstalled(air_source_id=department.air_source_id, bottle=bottle),
        stations.AlarmRaised(
            station_id=department.station_id, alarm_id=named["alarm_id"], alarm_kind="carbon monoxide"
        ),
        members.CredentialBound(
            member_id=department.member_id, credential_id=named["credential_id"], credential_kind="card"
        ),
        cylinders.CylinderHeld(
            cylinder_id=cylinder_id, hold_id=ids["hold"], hold_kind="damage", reason="a dent in the side"
        ),
        department_id=department_id,
    )
    recorded = await county.record(
        fills.Filled(cylinder_id=cylinder_id, end_psi=9_000),
        cylinders.TagRead(tag="iso15693:E004010000000C01"),
        event_ids=[ids["fill"], ids["any"]],
        department_id=department_id,
        station_id=department.station_id,
    )
    unreadable = Unreadable(raw=department_id.bytes, reason="no text", recorded_by=SOMEBODY)
    kept = await county.parts.lanes.record(Unit(department_id=department_id, claims=(unreadable,)))
    quarantined_id = kept.outcomes[0].event_id
    assert quarantined_id is not None
    officer, controller = department.keys[Role.OFFICER], department.keys[Role.CONTROLLER]
    return Subjects(
        by_name={
            **named,
            "department_id": department_id,
            "station_id": department.station_id,
            "air_source_id": department.air_source_id,
            "member_id": department.member_id,
            "cylinder_id": cylinder_id,
            "hold_id": ids["hold"],
            "fill_event_id": ids["fill"],
            "any_event_id": ids["any"],
            "quarantined_event_id": quarantined_id,
            "finding_id": recorded.outcomes[0].finding_ids[0],
            "principal_id": officer.principal_id,
            "key_id": officer.key_id,
            "controller_id": controller.principal_id,
        }
    )


async def call(client: httpx.AsyncClient, stated: Operation, path: str, *, with_example: bool) -> httpx.Response:
    """Call an operation, with the example its document gives for a body or with an empty object."""
    if not stated.bodies:
        return await client.request(stated.method, path)
    described = stated.bodies[0]
    example = described.example if with_example else {}
    content = example.encode() if isinstance(example, str) else msgspec.json.encode(example)
    return await client.request(stated.method, path, content=content, headers={"content-type": described.media_type})


def unknown_subjects() -> dict[str, str]:
    return {parameter.name: str(uuid.uuid4()) for stated in OPERATIONS.values() for parameter in stated.path_parameters}


async def test_each_role_may_do_what_is_written_down_and_nothing_else(county: County) -> None:
    """With subjects that nobody knows and bodies that say nothing: whoever may is told so, whoever may not, 403."""
    unknown = unknown_subjects()
    keys: dict[str, NewPrincipal] = {
        letter: county.keys[role] if role is Role.OPERATOR else county.own.keys[role]
        for letter, role in LETTERS.items()
    }
    wrong: list[str] = []
    for letter, key in keys.items():
        async with county.client(key) as client:
            for route, stated in OPERATIONS.items():
                response = await call(client, stated, stated.path.format_map(unknown), with_example=False)
                may = WHO_MAY[route] == ANYBODY or letter in WHO_MAY[route]
                refused = response.status_code in (401, 403)
                if refused == may or response.status_code >= 500 or (refused and response.status_code != 403):
                    wrong.append(f"{route} as {letter}: {response.status_code}")
    assert wrong == []


async def test_without_a_key_only_what_is_public_is_answered(county: County) -> None:
    unknown = unknown_subjects()
    wrong: list[str] = []
    for number, (route, stated) in enumerate(OPERATIONS.items()):
        # Each from another address: whoever fails too often from one is told to wait.
        transport = httpx.ASGITransport(app=county.service, raise_app_exceptions=False, client=(f"192.0.2.{number}", 1))
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            response = await call(client, stated, stated.path.format_map(unknown), with_example=False)
        if response.status_code >= 500 or (response.status_code == 401) == (WHO_MAY[route] == ANYBODY):
            wrong.append(f"{route}: {response.status_code}")
    assert wrong == []


@pytest.fixture
async def operator_of_own(county: County) -> NewPrincipal:
    """An operator of the own department alone."""
    return await register_principal(
        county.parts.lanes, Role.OPERATOR, "own operator", department_ids=(county.own.department_id,)
    )


def key_of(county: County, operator: NewPrincipal, letter: str) -> NewPrincipal:
    return operator if letter == "P" else county.own.keys[LETTERS[letter]]


def names_a_subject(stated: Operation) -> bool:
    return any(parameter.name not in NO_DEPARTMENTS_SUBJECT for parameter in stated.path_parameters)


async def test_a_neighbours_subject_is_not_there_whoever_asks(county: County, operator_of_own: NewPrincipal) -> None:
    """Every path with an id, for every role that may: 404 or 403 for the neighbour's, and nothing written there."""
    own = await subjects_of(county, county.own)
    neighbours = await subjects_of(county, county.neighbour)
    heads = "SELECT ledger_position FROM lookup.heads() WHERE department_id = $1"
    before = await county.parts.database.lookups.fetchval(heads, county.neighbour.department_id)
    asked = [(route, stated) for route, stated in OPERATIONS.items() if names_a_subject(stated)]
    # Reading before writing, and what ends a subject last.
    asked.sort(key=lambda item: (item[1].method != "GET", _ends(item[0])))
    wrong: list[str] = []
    for route, stated in asked:
        for letter in WHO_MAY[route]:
            async with county.client(key_of(county, operator_of_own, letter)) as client:
                response = await call(client, stated, neighbours.path(stated), with_example=True)
            if (response.status_code in (403, 404)) == (route in SHARED_BY_THE_COUNTY | MAY_COME_FIRST):
                wrong.append(f"{route} as {letter}: {response.status_code} {response.text[:160]}")
    assert wrong == []
    assert await county.parts.database.lookups.fetchval(heads, county.neighbour.department_id) == before
    # The same calls find the own subjects: what was hidden above was hidden because it is the neighbour's.
    for route, stated in asked:
        for number, letter in enumerate(WHO_MAY[route]):
            async with county.client(key_of(county, operator_of_own, letter)) as client:
                response = await call(client, stated, own.path(stated), with_example=True)
            # What one role has ended, such as a hold, the next may not find any more.
            hidden = {403} if number else {403, 404}
            if response.status_code in hidden or response.status_code >= 500:
                wrong.append(f"{route} as {letter}: {response.status_code} {response.text[:160]}")
    assert wrong == []


def _ends(route: str) -> bool:
    return any(
        word in route for word in ("removals", "transfers", "deactivations", "revocations", "retirement", "cond")
    )


async def test_no_list_shows_anything_of_a_neighbour(county: County, operator_of_own: NewPrincipal) -> None:
    await subjects_of(county, county.own)
    neighbours = await subjects_of(county, county.neighbour)
    wrong: list[str] = []
    shown_of_own = 0
    for route, stated in OPERATIONS.items():
        if stated.method != "GET" or stated.path_parameters or WHO_MAY[route] == ANYBODY or "eligibility" in route:
            continue
        filters: list[dict[str, Any]] = [{}]
        if "department_id" in {field.name for field in _fields(stated.query_type)}:
            filters.append({"department_id": str(county.neighbour.department_id)})
        for letter in WHO_MAY[route]:
            async with county.client(key_of(county, operator_of_own, letter)) as client:
                for query in filters:
                    response = await client.get(stated.path, params=query)
                    assert response.status_code < 500, response.text
                    shown = [name for name, subject in neighbours.by_name.items() if str(subject) in response.text]
                    shown_of_own += str(county.own.department_id) in response.text
                    if shown and not query and route not in SHARED_BY_THE_COUNTY:
                        wrong.append(f"{route} as {letter}: {shown}")
                    if query and response.status_code == 200 and response.json().get("items"):
                        wrong.append(f"{route} as {letter} of the neighbour: {response.text[:160]}")
    assert wrong == []
    assert shown_of_own > len(LETTERS)


def _fields(query_type: Any) -> tuple[Any, ...]:
    return () if query_type is None else msgspec.structs.fields(query_type)
