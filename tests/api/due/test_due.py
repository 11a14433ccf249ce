"""What comes due, over HTTP: the list, its pages, and its sums by month."""

import uuid
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from fill_ledger.api.due import surveys
from fill_ledger.api.listings import Listing, Listings
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.api.due.fleet import WEST, items, known_fleet, month, pages, register
from tests.support.county import TIME_ZONE, County

HORIZON = {"horizon_days": "120"}


def first_of(month_text: str, zone: str) -> datetime:
    return datetime(int(month_text[:4]), int(month_text[5:]), 1, tzinfo=ZoneInfo(zone))


def by_id(found: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    assert len({item["id"] for item in found}) == len(found)
    return {item["id"]: item for item in found}


def stops(item: dict[str, Any]) -> datetime:
    return datetime.fromisoformat(item["stops_at"])


async def test_everything_that_is_stopped_or_comes_due_is_listed_once(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        found = await items(client, "/v1/due", **HORIZON)
    listed, which = by_id(found), {name: str(one) for name, one in known.cylinders.items()}
    assert which["good"] not in listed
    assert which["condemned"] not in listed
    assert str(known.neighbours) not in listed
    this, following = month(0, -1), month(0, -2)
    assert stops(listed[which["due this month"]]) == first_of(this, TIME_ZONE)
    west = listed[which["due this month in the west"]]
    assert stops(west) == first_of(this, WEST)
    assert (west["station_id"], west["uses"]) == (str(known.west_station_id), ["scuba"])
    assert west["last_day"][:7] == month(0)
    soon = listed[which["due next month"]]
    assert stops(soon) == first_of(following, TIME_ZONE)
    assert (soon["standing"], soon["code"], soon["clears_by"]) == ("permit", "requalification-due", "requalification")
    today = datetime.now(ZoneInfo(TIME_ZONE)).date()
    assert soon["days_left"] == (datetime.fromisoformat(soon["last_day"]).date() - today).days
    assert soon["label"]
    overdue = listed[which["overdue"]]
    assert (overdue["standing"], overdue["code"], overdue["stops_at"], overdue["days_left"]) == (
        "deny",
        "requalification-due",
        None,
        None,
    )
    assert listed[which["held"]]["code"] == "on-hold"
    assert listed[which["life ends in two months"]]["code"] == "service-life-over"
    both = listed[which["due, then life over"]]
    assert (both["code"], [later["code"] for later in both["later"]]) == ("requalification-due", ["service-life-over"])
    compressor, bank = listed[str(county.own.air_source_id)], listed[str(known.old_source_id)]
    assert (compressor["code"], compressor["standing"], compressor["label"]) == (
        "air-sample-due",
        "permit",
        "Compressor",
    )
    assert (bank["code"], bank["standing"], bank["uses"]) == ("air-sample-due", "deny", ["scba", "scuba", "storage"])
    leaving = listed[str(known.leaving_member_id)]
    assert (leaving["code"], leaving["label"], leaving["uses"]) == ("authorisation-ended", None, ["scba"])
    assert leaving["last_day"] == f"{month(0, -1)}-15"
    assert len(listed) == 10


async def test_what_is_stopped_comes_first_air_before_the_rest_and_then_goes_by_time(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        found = await items(client, "/v1/due", **HORIZON)
        coming = await items(client, "/v1/due", include_stopped="false", **HORIZON)
    stopped = [item for item in found if item["standing"] == "deny"]
    assert found[: len(stopped)] == stopped
    assert [item["id"] for item in stopped] == [
        str(one) for one in (known.old_source_id, known.cylinders["held"], known.cylinders["overdue"])
    ]
    assert coming == found[len(stopped) :]
    assert [stops(item) for item in coming] == sorted(stops(item) for item in coming)


async def test_the_list_says_what_asking_day_by_day_says(county: County) -> None:
    """Brute force: every cylinder is judged at noon of every day of the horizon, by another walk than the list's."""
    await known_fleet(county)
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        [page] = await pages(client, "/v1/due", kind="cylinder", limit="500", **HORIZON)
        begins_at = datetime.fromisoformat(page["at"])
        listed = by_id(page["items"])
        for day in range(121):
            at = begins_at + timedelta(days=day)
            judged = await items(client, "/v1/fleet-judgements", at=at.isoformat(), limit="500")
            assert len(judged) == 8
            for one in judged:
                item = listed.get(one["cylinder_id"])
                denied = item is not None and (item["standing"] == "deny" or stops(item) <= at)
                assert (one["decision"] == "deny") == denied, (day, one, item)
                if item is not None and denied:
                    begun = [
                        *item["codes"],
                        *(x["code"] for x in item["later"] if datetime.fromisoformat(x["at"]) <= at),
                    ]
                    assert one["code"] in begun


async def test_the_look_up_turns_at_the_instant_that_the_list_promises(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        listed = by_id(await items(client, "/v1/due", include_stopped="false", **HORIZON))
        for name, code in (("due this month", "requalification-due"), ("due next month", "requalification-due")):
            turns_at = stops(listed[str(known.cylinders[name])])
            before = await ask(client, county, known.cylinders[name], turns_at - timedelta(microseconds=1))
            then = await ask(client, county, known.cylinders[name], turns_at)
            assert (before["decision"], then["decision"], then["code"]) == ("permit", "deny", code)
        air = stops(listed[str(county.own.air_source_id)])
        before = await ask(client, county, known.cylinders["good"], air - timedelta(microseconds=1))
        then = await ask(client, county, known.cylinders["good"], air)
        assert (before["decision"], then["decision"], then["code"]) == ("permit", "deny", "air-sample-due")
        ends = stops(listed[str(known.leaving_member_id)])
        for at, decision in ((ends - timedelta(microseconds=1), "permit"), (ends, "deny")):
            asked = await ask(client, county, known.cylinders["good"], at, member_id=known.leaving_member_id)
            assert asked["decision"] == decision


async def ask(
    client: httpx.AsyncClient, county: County, cylinder_id: uuid.UUID, at: datetime, **fields: Any
) -> dict[str, Any]:
    given = {"member_id": county.own.member_id, "station_id": county.own.station_id} | fields
    params = {"cylinder_id": str(cylinder_id), "at": at.isoformat(), **{name: str(one) for name, one in given.items()}}
    response = await client.get("/v1/eligibility", params=params)
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


async def test_filters_choose_among_the_list(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        every = await items(client, "/v1/due", **HORIZON)
        of_kind = {
            kind: await items(client, "/v1/due", kind=kind, **HORIZON) for kind in ("cylinder", "member", "air_source")
        }
        west = await items(client, "/v1/due", station_id=str(known.west_station_id), **HORIZON)
        lives = await items(client, "/v1/due", code="service-life-over", **HORIZON)
        ended = await items(client, "/v1/due", include_ended="true", **HORIZON)
        today = await items(client, "/v1/due", horizon_days="0")
    for kind, found in of_kind.items():
        assert found == [item for item in every if item["kind"] == kind]
        assert found
    assert {item["id"] for item in west} == {
        str(known.old_source_id),
        str(known.cylinders["due this month in the west"]),
        str(known.cylinders["due, then life over"]),
    }
    assert {item["id"] for item in lives} == {
        str(known.cylinders["life ends in two months"]),
        str(known.cylinders["due, then life over"]),
    }
    assert {item["id"] for item in ended} - {item["id"] for item in every} == {str(known.cylinders["condemned"])}
    assert {item["standing"] for item in today} == {"deny"}


async def test_on_another_date_what_was_due_before_is_stopped(county: County) -> None:
    known = await known_fleet(county)
    at = first_of(month(0, -2), TIME_ZONE).astimezone(UTC) + timedelta(hours=9)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        [page] = await pages(client, "/v1/due", at=at.isoformat(), limit="500", **HORIZON)
    listed = by_id(page["items"])
    assert datetime.fromisoformat(page["at"]) == at
    assert datetime.fromisoformat(page["until"]) == at + timedelta(days=120)
    for name in ("due this month", "due next month", "overdue"):
        assert listed[str(known.cylinders[name])]["standing"] == "deny"
    assert listed[str(known.leaving_member_id)]["standing"] == "deny"


async def test_the_workload_adds_up_to_the_list(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        for params in (HORIZON, {**HORIZON, "kind": "cylinder"}, {**HORIZON, "station_id": str(known.west_station_id)}):
            [page] = await pages(client, "/v1/due", limit="500", **params)
            response = await client.get("/v1/due/workload", params=params)
            assert response.status_code == 200, response.text
            workload = response.json()
            assert workload["at"] == page["at"]
            assert Counter(dict(counted(workload, "stops"))) == Counter(stops_in(page["items"]))
            assert Counter(dict(counted(workload, "begins"))) == Counter(begins_in(page["items"]))
            parts = [*workload["stopped"], *(part for of in workload["months"] for part in of["counts"])]
            assert sum(part["stops"] for part in parts) == workload["items"] == len(page["items"])
            for of_month in workload["months"]:
                for number in ("stops", "begins"):
                    assert of_month[number] == sum(part[number] for part in of_month["counts"])
            months = [of["month"] for of in workload["months"]]
            assert months == [month(0, -later) for later in range(len(months))]


Counted = tuple[str | None, str, str, str | None]


def counted(workload: dict[str, Any], number: str) -> Iterator[tuple[Counted, int]]:
    months = [(None, workload["stopped"]), *((of["month"], of["counts"]) for of in workload["months"])]
    for of_month, parts in months:
        for part in parts:
            if part[number]:
                yield (of_month, part["kind"], part["code"], part["station_id"]), part[number]


def stops_in(found: list[dict[str, Any]]) -> Iterator[Counted]:
    for item in found:
        last_day = item["last_day"]
        yield (None if last_day is None else last_day[:7], item["kind"], item["code"], item["station_id"])


def begins_in(found: list[dict[str, Any]]) -> Iterator[Counted]:
    for item in found:
        last_day = item["last_day"]
        for code in item["codes"]:
            yield (None if last_day is None else last_day[:7], item["kind"], code, item["station_id"])
        for later in item["later"]:
            yield (later["last_day"][:7], item["kind"], later["code"], item["station_id"])


async def test_pages_are_of_one_moment_whatever_is_recorded_meanwhile(county: County) -> None:
    await known_fleet(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        whole = await items(client, "/v1/due", limit="500", **HORIZON)
        first = await client.get("/v1/due", params={"limit": "3", **HORIZON})
        late = await register(county, month(7))
        found, seen = list(first.json()["items"]), {first.json()["at"]}
        following = first
        while "next" in following.links:
            following = await client.get(following.links["next"]["url"])
            assert len(following.json()["items"]) <= 3
            found += following.json()["items"]
            seen.add(following.json()["at"])
        again = await items(client, "/v1/due", limit="500", **HORIZON)
    assert found == whole
    assert len(seen) == 1
    assert str(late) in {item["id"] for item in again}


async def test_a_list_that_is_no_longer_kept_goes_on_at_the_same_place(
    county: County, monkeypatch: pytest.MonkeyPatch
) -> None:
    await known_fleet(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        whole = await items(client, "/v1/due", limit="500", **HORIZON)
        first = await client.get("/v1/due", params={"limit": "4", **HORIZON})
        monkeypatch.setattr(Listings, "find", lambda *asked: None)
        rest = await client.get(first.links["next"]["url"].replace("limit=4", "limit=500"))
    assert rest.json()["at"] == first.json()["at"]
    assert first.json()["items"] + rest.json()["items"] == whole


async def test_a_cursor_belongs_to_its_own_list(county: County) -> None:
    await known_fleet(county)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.get("/v1/due", params={"limit": "1", **HORIZON})
        cursor = first.json()["next_cursor"]
        other = await client.get("/v1/due", params={"cursor": cursor, "horizon_days": "30"})
        elsewhere = await client.get("/v1/fleet-judgements", params={"cursor": cursor})
        forged = await client.get("/v1/due", params={"cursor": "AAAA", **HORIZON})
    problem_in(other, 400, "cursor-mismatch")
    problem_in(elsewhere, 400, "cursor-mismatch")
    problem_in(forged, 400, "invalid-cursor")


async def test_departments_see_their_own_and_the_county_sees_all(county: County) -> None:
    known = await known_fleet(county)
    own, theirs = str(county.own.department_id), str(county.neighbour.department_id)
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        found = await items(client, "/v1/due", **HORIZON)
        of_others = await items(client, "/v1/due", department_id=own, **HORIZON)
        station = await items(client, "/v1/due", station_id=str(known.west_station_id), **HORIZON)
        workload = (await client.get("/v1/due/workload", params={**HORIZON, "department_id": own})).json()
    assert {item["department_id"] for item in found} == {theirs}
    assert str(known.neighbours) in {item["id"] for item in found}
    assert (of_others, station, workload["items"], workload["stopped"]) == ([], [], 0, [])
    async with county.client(county.keys[Role.ANALYST]) as client:
        every = await items(client, "/v1/due", **HORIZON)
        one = await items(client, "/v1/due", department_id=theirs, **HORIZON)
    assert {item["department_id"] for item in every} == {own, theirs}
    assert one == found
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get("/v1/due"), 403, "not-permitted")
        problem_in(await client.get("/v1/due/workload"), 403, "not-permitted")


async def test_every_fault_of_the_query_is_told(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        refused = await client.get(
            "/v1/due", params={"horizon_days": "3661", "kind": "truck", "station_id": "x", "when": "now", "code": "A B"}
        )
        misspelt = await client.get("/v1/due", params={"code": "requalification-duo"})
        far = await client.get("/v1/due/workload", params={"at": "2099-01-01T00:00:00Z"})
    assert {place for place, _ in places(problem_in(refused, 400, "invalid-query"))} == {
        "horizon_days",
        "kind",
        "station_id",
        "when",
        "code",
    }
    problem = problem_in(misspelt, 400, "invalid-query")
    assert places(problem) == {("code", "no-such-code")}
    assert "requalification-due" in problem["detail"]
    assert places(problem_in(far, 400, "invalid-query")) == {("at", "out-of-range")}


async def test_a_fleet_too_large_for_one_list_is_refused(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    await known_fleet(county)
    monkeypatch.setattr(surveys, "MAXIMUM_SUBJECTS", 5)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        refused = await client.get("/v1/due")
        smaller = await client.get("/v1/due", params={"kind": "member"})
    assert places(problem_in(refused, 422, "not-processable")) == {("department_id", "too-many-subjects")}
    assert smaller.status_code == 200


async def test_a_list_is_worked_out_once_until_something_is_recorded(
    county: County, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[Listing] = []
    keep = Listings.keep

    def noted(listings: Listings, listing: Listing) -> None:
        kept.append(listing)
        keep(listings, listing)

    monkeypatch.setattr(Listings, "keep", noted)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for _ in range(3):
            assert (await client.get("/v1/due", params=HORIZON)).status_code == 200
        assert (await client.get("/v1/due/workload", params=HORIZON)).status_code == 200
        assert len(kept) == 1
        await register(county, month(6))
        assert (await client.get("/v1/due", params=HORIZON)).status_code == 200
    assert len(kept) == 2
    assert kept[1].at >= kept[0].at >= datetime.now(UTC) - timedelta(minutes=5)
