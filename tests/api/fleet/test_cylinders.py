"""Cylinders over HTTP: register, list, read, correct, inspect, end, transfer."""

import uuid
from typing import Any

import pytest

from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.cylinders import ServicePressure
from fill_ledger.trade.events.fills import Filled
from tests.api.clients import places, problem_in
from tests.support.county import County


def details(**changed: Any) -> dict[str, Any]:
    """Return details of a steel cylinder as a clerk enters them."""
    given = {"serial": "AX 40771", "specification": "3AA2015", "use": "scba", "manufactured": "2016-05", **changed}
    return {name: value for name, value in given.items() if value is not None}


async def test_a_cylinder_is_registered_once_with_tests_and_tag(county: County) -> None:
    body = {
        "details": details(),
        "requalifications": [{"month": "2021-06", "outcome": "pass", "requalifier": "A123", "marks": ["+"]}],
        "tag": "E0:04:01:00:12:34:56:78",
        "remark": "From the old depot.",
        "event_id": str(uuid.uuid4()),
    }
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post("/v1/cylinders", json=body)
        again = await client.post("/v1/cylinders", json=body)
        assert first.status_code == 201, first.text
        assert again.status_code == 200, again.text
        assert again.json() == first.json() | {
            "outcome": "exists",
            "ledger": again.json()["ledger"],
            "chain_digest": again.json()["chain_digest"],
        }
        shown = await client.get(f"/v1/cylinders/{first.json()['subject_id']}")
        unchanged = await client.get(shown.request.url, headers={"if-none-match": shown.headers["etag"]})
    cylinder = shown.json()
    assert cylinder["inventory_number"] == first.json()["inventory_number"]
    # Left out, the service pressure is the one in the mark; the plus sign does not change it (49 CFR 173.302a(b)).
    assert cylinder["details"]["service_pressure"] == {"value": "2015", "unit": "psi"}
    assert cylinder["service_pressure_psi"] == 2015
    assert cylinder["details"]["specification"] == "3AA2015"
    assert cylinder["specification_read"]["canonical"] == "DOT-3AA2015"
    assert [(stamp["month"], stamp["marks"]) for stamp in cylinder["requalifications"]] == [("2021-06", ["+"])]
    assert [(tag["tag"], tag["unpaired_at"]) for tag in cylinder["tags"]] == [("iso15693:E004010012345678", None)]
    assert cylinder["standing"] == "in_service"
    assert unchanged.status_code == 304


async def test_the_etag_changes_with_the_tags_too(county: County) -> None:
    cylinder_id = await county.cylinder()
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        before = (await client.get(f"/v1/cylinders/{cylinder_id}")).headers["etag"]
        await client.post(f"/v1/cylinders/{cylinder_id}/tags", json={"tag": "label:R-17"})
        after = (await client.get(f"/v1/cylinders/{cylinder_id}")).headers["etag"]
    assert before != after


@pytest.mark.parametrize(
    ("changed", "stamp", "place"),
    [
        # Each from shared facts read in 49 CFR 173.302a(b), 180.209(b): plus not for 3AL, star only for 3A and 3AA.
        ({"specification": "3AL3000"}, {"marks": ["+"]}, ("/requalifications/0/marks", "plus-not-for-specification")),
        (
            {"specification": "3AL3000"},
            {"marks": ["star"]},
            ("/requalifications/0/marks", "star-not-for-specification"),
        ),
        (
            {"service_pressure": {"value": "2216", "unit": "psi"}},
            {},
            ("/details/service_pressure", "pressure-contradicts-specification"),
        ),
        ({"specification": "SP10915"}, {}, ("/details/service_pressure", "missing-field")),
        ({"specification": "3AA2O15"}, {}, ("/details/specification", "letter-for-digit")),
        ({"material": "aluminium"}, {}, ("/details/material", "material-contradicts-specification")),
        ({"manufactured": "2022-01"}, {}, ("/requalifications/0/month", "requalified-before-made")),
        ({"home_station_id": str(uuid.UUID(int=7))}, {}, ("/details/home_station_id", "station-unknown")),
    ],
)
async def test_what_cannot_be_is_refused_with_its_place(
    county: County, changed: dict[str, Any], stamp: dict[str, Any], place: tuple[str, str]
) -> None:
    body = {"details": details(**changed), "requalifications": [{"month": "2021-06", "outcome": "pass", **stamp}]}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        document = problem_in(await client.post("/v1/cylinders", json=body), 422, "not-processable")
        listed = (await client.get("/v1/cylinders")).json()["items"]
    assert place in places(document)
    assert listed == []


async def test_a_permit_cylinder_may_carry_a_plus_and_a_bar_stamp_is_rounded_down(county: County) -> None:
    body = {
        "details": details(specification="DOT-SP10915", service_pressure={"value": "310", "unit": "bar"}),
        "requalifications": [{"month": "2021-06", "outcome": "pass", "marks": ["+"]}],
    }
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        made = await client.post("/v1/cylinders", json=body)
        shown = await client.get(f"/v1/cylinders/{made.json()['subject_id']}")
    assert made.status_code == 201, made.text
    # 310 bar = 4496.17 psi (NIST SP 811 factors), rounded down.
    assert shown.json()["service_pressure_psi"] == 4496


async def test_every_fault_of_a_malformed_body_is_told(county: County) -> None:
    body = {"details": {"serial": "--", "specification": "3AA2015", "use": "oxygen"}, "inventory_number": "a b", "x": 1}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        document = problem_in(await client.post("/v1/cylinders", json=body), 422, "invalid-body")
    assert {
        ("/details/serial", "wrong-format"),
        ("/details/use", "not-a-choice"),
        ("/inventory_number", "wrong-format"),
        ("/x", "unknown-field"),
    } <= places(document)


async def test_a_known_serial_is_asked_about_and_another_cylinder_may_have_it(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post("/v1/cylinders", json={"details": details()})
        asked = await client.post("/v1/cylinders", json={"details": details(serial="ax-40771")})
        document = problem_in(asked, 409, "conflict")
        other = {"details": details(), "same_serial_is_another_cylinder": True, "event_id": str(uuid.uuid4())}
        second = await client.post("/v1/cylinders", json=other)
        repeated = await client.post("/v1/cylinders", json=other | {"same_serial_is_another_cylinder": False})
        listed = await client.get("/v1/cylinders", params={"serial": "ax 40771"})
    assert ("/details/serial", "serial-known") in places(document)
    assert [choice["cylinder_id"] for choice in document["choices"]] == [first.json()["subject_id"]]
    assert second.status_code == 201
    assert repeated.status_code == 200
    assert len(listed.json()["items"]) == 2


async def test_a_number_given_once_is_never_given_again(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        first = await client.post("/v1/cylinders", json={"details": details(), "inventory_number": "C-17"})
        taken = await client.post(
            "/v1/cylinders", json={"details": details(serial="B2"), "inventory_number": "C-17", "tag": "label:R-1"}
        )
        tags = await client.get("/v1/tags")
    assert first.json()["inventory_number"] == "C-17"
    assert ("/inventory_number", "inventory-number-taken") in places(problem_in(taken, 409, "conflict"))
    assert tags.json()["items"] == []  # the tag of a refused registration is not paired


async def test_the_list_is_filtered_and_paged(county: County) -> None:
    made = [
        await county.cylinder(specification="DOT-3AL3000", service_pressure=_psi("3000"), use="scuba"),
        await county.cylinder(specification="3aa2216"),
        await county.cylinder(specification="DOT-SP10915-4500", service_pressure=_psi("4500"), maker_lot="L7"),
    ]
    await county.cylinder(department_id=county.neighbour.department_id)
    async with county.client(county.own.keys[Role.ANALYST]) as client:

        async def ids(**query: str) -> list[str]:
            return [item["cylinder_id"] for item in (await client.get("/v1/cylinders", params=query)).json()["items"]]

        assert set(await ids()) == {str(each) for each in made}
        assert await ids(use="scuba") == [str(made[0])]
        assert await ids(specification="3AL") == [str(made[0])]
        assert await ids(specification="DOT-3AA2216") == [str(made[1])]
        assert await ids(specification="sp 10915") == [str(made[2])]
        assert await ids(specification="DOT-3A") == []
        assert await ids(maker_lot="L7") == [str(made[2])]
        assert await ids(last_requalified_before="2001-01") == []
        assert len(await ids(last_requalified_after="2001-01")) == 3
        assert len(await ids(manufactured_from="2001-01", manufactured_to="2199-01")) == 3
        assert await ids(standing="condemned") == []
        assert await ids(on_hold="true") == []
        first = await client.get("/v1/cylinders", params={"limit": "2"})
        second = await client.get("/v1/cylinders", params={"limit": "2", "cursor": first.json()["next_cursor"]})
        fault = problem_in(await client.get("/v1/cylinders", params={"specification": "???"}), 400, "invalid-query")
    assert [len(page.json()["items"]) for page in (first, second)] == [2, 1]
    assert second.json()["next_cursor"] is None
    assert {parameter for parameter, _ in places(fault)} == {"specification"}


def _psi(value: str) -> ServicePressure:
    return ServicePressure(value=value, unit="psi")


async def test_a_correction_starts_from_the_version_that_was_read(county: County) -> None:
    cylinder_id = await county.cylinder(serial="T1")
    path = f"/v1/cylinders/{cylinder_id}"
    body = {"details": details(serial="T7"), "reason": "The 7 was read as a 1.", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        etag = (await client.get(path)).headers["etag"]
        problem_in(await client.post(f"{path}/corrections", json=body), 428, "precondition-required")
        stale = await client.post(f"{path}/corrections", json=body, headers={"if-match": '"v1"'})
        problem_in(stale, 412, "precondition-failed")
        done = await client.post(f"{path}/corrections", json=body, headers={"if-match": etag})
        again = await client.post(f"{path}/corrections", json=body, headers={"if-match": etag})
        shown = (await client.get(path)).json()
    assert done.status_code == 201, done.text
    assert again.status_code == 200, again.text
    assert shown["details"]["serial"] == "T7"


async def test_inspections_and_the_end_of_a_cylinder(county: County) -> None:
    cylinder_id = await county.cylinder()
    path = f"/v1/cylinders/{cylinder_id}"
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        inspected = await client.post(
            f"{path}/inspections", json={"inspection_kind": "monthly", "outcome": "pass", "note": "dry"}
        )
        retired = await client.post(f"{path}/retirement", json={"reason": "Replaced."})
        problem_in(await client.post(f"{path}/retirement", json={"reason": "Replaced."}), 409, "conflict")
        condemned = await client.post(f"{path}/condemnation", json={"reason": "Crack in the neck."})
        twice = await client.post(f"{path}/condemnation", json={"reason": "Crack in the neck."})
        problem_in(twice, 409, "conflict")
        shown = (await client.get(path)).json()
    assert [each.status_code for each in (inspected, retired, condemned)] == [201, 201, 201]
    assert shown["standing"] == "condemned"
    assert [each["inspection_kind"] for each in shown["inspections"]] == ["monthly"]


async def test_a_transfer_names_a_department_that_exists(county: County) -> None:
    cylinder_id = await county.cylinder()
    path = f"/v1/cylinders/{cylinder_id}/transfers"
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        unknown = await client.post(path, json={"to_department_id": str(uuid.uuid4())})
        assert ("/to_department_id", "department-unknown") in places(problem_in(unknown, 422, "not-processable"))
        to_self = await client.post(path, json={"to_department_id": str(county.own.department_id)})
        assert ("/to_department_id", "transfer-to-self") in places(problem_in(to_self, 422, "not-processable"))
        body = {"to_department_id": str(county.neighbour.department_id)}
        assert (await client.post(path, json=body)).status_code == 201
        problem_in(await client.post(path, json=body), 409, "conflict")
        shown = (await client.get(f"/v1/cylinders/{cylinder_id}")).json()
    assert shown["standing"] == "transferred"
    assert shown["transferred_to"] == str(county.neighbour.department_id)


async def test_doors_stay_shut_for_other_departments_and_roles(county: County) -> None:
    cylinder_id = await county.cylinder()
    path = f"/v1/cylinders/{cylinder_id}"
    reason = {"reason": "No."}
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path), 404, "not-found")
        problem_in(await client.post(f"{path}/condemnation", json=reason), 404, "not-found")
        other = {"details": details(), "department_id": str(county.own.department_id)}
        problem_in(await client.post("/v1/cylinders", json=other), 403, "not-permitted")
    async with county.client(county.own.keys[Role.INTEGRATOR]) as client:
        problem_in(await client.post(f"{path}/condemnation", json=reason), 403, "not-permitted")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get(path), 403, "not-permitted")
    async with county.client(county.keys[Role.INTEGRATOR]) as client:
        problem_in(await client.post("/v1/cylinders", json={"details": details()}), 422, "not-processable")


async def test_the_owners_record_comes_before_that_of_a_department_that_only_filled_it(county: County) -> None:
    theirs = await county.cylinder(department_id=county.neighbour.department_id, serial="N1")
    await county.record(Filled(cylinder_id=theirs, end_psi=2200), station_id=county.own.station_id)
    async with county.client(county.keys[Role.INTEGRATOR]) as client:
        whole = (await client.get(f"/v1/cylinders/{theirs}")).json()
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        here = (await client.get(f"/v1/cylinders/{theirs}")).json()
        listed = (await client.get("/v1/cylinders")).json()["items"]
        held = await client.post(f"/v1/cylinders/{theirs}/holds", json={"hold_kind": "air", "reason": "x"})
    assert (whole["department_id"], whole["details"]["serial"]) == (str(county.neighbour.department_id), "N1")
    assert (here["department_id"], here["standing"], here["details"]) == (
        str(county.own.department_id),
        "unregistered",
        None,
    )
    assert here["fills_total"] == 1
    assert listed == []
    assert ("/cylinder_id", "cylinder-unknown") in places(problem_in(held, 409, "conflict"))
