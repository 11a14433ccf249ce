"""The judgement of a whole fleet over HTTP."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fill_ledger.trade.events import stations
from fill_ledger.trade.events.county import Role
from tests.api.clients import places, problem_in
from tests.api.due.fleet import items, known_fleet, month, pages
from tests.api.due.test_due import ask
from tests.support.county import TIME_ZONE, County

PATH = "/v1/fleet-judgements"


def later_moment() -> datetime:
    """Noon of a day two months on, when more is due and the air is still good."""
    text = month(0, -2)
    return datetime(int(text[:4]), int(text[5:]), 3, 12, tzinfo=ZoneInfo(TIME_ZONE))


async def test_the_fleet_is_answered_as_the_look_up_answers_each(county: County) -> None:
    await known_fleet(county)
    station = {"station_id": str(county.own.station_id)}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        for at in (datetime.now(UTC), later_moment(), datetime.now(UTC) + timedelta(days=100)):
            found = await pages(client, PATH, at=at.isoformat(), include_ended="true", limit="4", **station)
            judged = [item for page in found for item in page["items"]]
            assert len(judged) == 9
            permits = 0
            for item in judged:
                answer = await ask(client, county, uuid.UUID(item["cylinder_id"]), at)
                codes = [
                    reason["code"]
                    for part in ("reasons", "obligations", "advice")
                    for reason in answer[part]
                    if reason["code"] != "member-unknown"
                ]
                assert item["codes"] == list(dict.fromkeys(codes))
                for name in ("decision", "code", "display_text", "fill_limit_psi", "valid_until"):
                    assert item[name] == answer[name], (name, item)
                permits += answer["decision"] == "permit"
            for page in found:
                totals = page["totals"]
                assert (totals["asked"], totals["permit"], totals["deny"]) == (9, permits, 9 - permits)
                assert totals == found[0]["totals"]


async def test_totals_count_what_could_be_filled_on_that_date(county: County) -> None:
    await known_fleet(county)
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        [now] = await pages(client, PATH, limit="500")
        [later] = await pages(client, PATH, at=later_moment().isoformat(), limit="500")
    for page in (now, later):
        totals, found = page["totals"], page["items"]
        assert totals["asked"] == len(found) == 8
        assert totals["permit"] == sum(item["decision"] == "permit" for item in found)
        assert totals["asked"] == totals["permit"] + totals["deny"]
        assert sum(code["first"] for code in totals["by_code"]) == len(found)
        for code in totals["by_code"]:
            assert code["first"] == sum(item["code"] == code["code"] for item in found)
            assert code["carried"] == sum(code["code"] in (item["code"], *item["codes"]) for item in found)
        for use in totals["by_use"]:
            of_use = [item for item in found if item["use"] == use["use"]]
            assert (use["asked"], use["permit"]) == (len(of_use), sum(i["decision"] == "permit" for i in of_use))
    assert now["totals"]["permit"] > later["totals"]["permit"] > 0


async def test_filters_choose_and_the_totals_stay_those_of_the_fleet(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        every = await items(client, PATH)
        denied = await pages(client, PATH, decision="deny")
        held = await items(client, PATH, code="on-hold")
        scuba = await pages(client, PATH, use="scuba")
        west = await items(client, PATH, home_station_id=str(known.west_station_id))
        composite = await items(client, PATH, specification="SP10915")
        ended = await items(client, PATH, include_ended="true", code="condemned")
        unread = await client.get(PATH, params={"specification": "???"})
    assert denied[0]["items"] == [item for item in every if item["decision"] == "deny"]
    assert denied[0]["totals"]["asked"] == len(every)
    assert [item["cylinder_id"] for item in held] == [str(known.cylinders["held"])]
    assert scuba[0]["totals"]["asked"] == len(scuba[0]["items"]) == 1
    assert {item["home_station_id"] for item in west} == {str(known.west_station_id)}
    assert len(west) == 2
    assert {item["specification"] for item in composite} == {"DOT-SP10915-4500"}
    assert [item["cylinder_id"] for item in ended] == [str(known.cylinders["condemned"])]
    assert {place for place, _ in places(problem_in(unread, 400, "invalid-query"))} == {"specification"}


async def test_a_station_is_judged_with_its_air_and_closures(county: County) -> None:
    known = await known_fleet(county)
    own, west = str(county.own.station_id), str(known.west_station_id)
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        bad_air = await pages(client, PATH, station_id=west)
        await county.record(stations.StationClosed(station_id=county.own.station_id, reason="Rebuilt."))
        closed = await pages(client, PATH, station_id=own)
        alone = await pages(client, PATH)
        other_air = await items(client, PATH, station_id=west, air_source_id=str(county.own.air_source_id))
        nowhere = await client.get(PATH, params={"air_source_id": str(county.own.air_source_id)})
    assert bad_air[0]["totals"]["permit"] == closed[0]["totals"]["permit"] == 0
    assert all("air-sample-due" in item["codes"] for item in bad_air[0]["items"])
    assert all("station-closed" in item["codes"] for item in closed[0]["items"])
    assert all("air-source-unknown" in item["codes"] for item in other_air)
    assert alone[0]["totals"]["permit"] > 0
    assert places(problem_in(nowhere, 400, "invalid-query")) == {("station_id", "missing")}


async def test_departments_see_their_own_fleet_and_no_other_s_station(county: County) -> None:
    known = await known_fleet(county)
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        found = await items(client, PATH)
        none = await items(client, PATH, department_id=str(county.own.department_id))
        problem_in(await client.get(PATH, params={"station_id": str(county.own.station_id)}), 404, "not-found")
    assert [item["cylinder_id"] for item in found] == [str(known.neighbours)]
    assert none == []
    async with county.client(county.keys[Role.ANALYST]) as client:
        every = await items(client, PATH)
        there = await items(client, PATH, station_id=str(county.own.station_id))
        theirs = await items(
            client, PATH, station_id=str(county.own.station_id), department_id=str(county.neighbour.department_id)
        )
    assert len(every) == len(there) == 9
    # A neighbour's cylinder at our station: policy names no partner, as the look-up says as well.
    assert [set(item["codes"]) for item in theirs] == [{"not-shared", "requalification-due"}]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get(PATH), 403, "not-permitted")


async def test_every_fault_of_the_query_is_told(county: County) -> None:
    params: dict[str, Any] = {"decision": "maybe", "use": "bottle", "limit": "0", "at": "yesterday", "stations": "1"}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        refused = problem_in(await client.get(PATH, params=params), 400, "invalid-query")
        misspelt = problem_in(await client.get(PATH, params={"code": "okay"}), 400, "invalid-query")
        fine = await client.get(PATH, params={"code": "ok"})
    assert {place for place, _ in places(refused)} == set(params)
    assert places(misspelt) == {("code", "no-such-code")}
    assert fine.status_code == 200
