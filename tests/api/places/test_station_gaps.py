"""Numbers that never came from a station's devices: told per stream, with since when, to whom it concerns."""

import uuid
from datetime import UTC, datetime
from typing import Any

import pytest

from fill_ledger.intake import missing
from fill_ledger.trade.events import stations
from fill_ledger.trade.events.county import Role
from tests.api.clients import problem_in
from tests.support.county import County
from tests.support.facts import fact


async def send(county: County, stream: str, *numbers: int) -> None:
    """Send facts under these numbers, as the own station's controller."""
    facts = [fact("tag.read", {"tag": "0042"}, stream_id=stream, stream_number=number) for number in numbers]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        assert (await client.post("/v1/intake", json={"facts": facts})).status_code == 200


async def gaps(county: County, role: Role = Role.OFFICER) -> dict[str, Any]:
    async with county.client(county.own.keys[role]) as client:
        answered = await client.get(f"/v1/stations/{county.own.station_id}/gaps")
    assert answered.status_code == 200, answered.text
    found: dict[str, Any] = answered.json()
    return found


def ranges(found: dict[str, Any]) -> list[tuple[str, int, int]]:
    return [(gap["stream_id"], gap["from"], gap["to"]) for gap in found["missing"]]


async def test_numbers_that_never_came_are_told_until_they_come(county: County) -> None:
    first, second = sorted(str(uuid.uuid4()) for _ in range(2))
    nothing = await gaps(county)
    assert (nothing["streams"], nothing["missing"], nothing["is_complete"]) == ([], [], True)
    await send(county, first, 1, 2, 5)
    between = datetime.now(UTC)
    await send(county, first, 9, 4)
    await send(county, second, 2)
    found = await gaps(county)
    assert ranges(found) == [(first, 3, 3), (first, 6, 8), (second, 1, 1)]
    # That 3 is missing was known when 5 came, before 4 did; that 6 to 8 are, when 9 came.
    known_since = [datetime.fromisoformat(gap["missing_since"]) for gap in found["missing"]]
    assert known_since[0] < between < known_since[1] < known_since[2]
    heard = [(stream["stream_id"], stream["highest_number"]) for stream in found["streams"]]
    assert heard == [(second, 2), (first, 9)]
    assert datetime.fromisoformat(found["streams"][0]["last_heard_at"]) == known_since[2]
    assert await gaps(county, Role.CONTROLLER) == found
    await send(county, first, 3, 6, 7, 8)
    assert ranges(await gaps(county)) == [(second, 1, 1)]


async def test_a_stream_counts_for_the_station_its_newest_fact_came_from(county: County) -> None:
    """A controller that is moved takes its stream along; one that only names another station does not."""
    own, other = county.own, uuid.uuid4()
    await county.record(
        stations.StationRegistered(
            station_id=other, name="Two", code="S2", station_kind="fixed", time_zone="America/New_York"
        )
    )
    stream = str(uuid.uuid4())
    await send(county, stream, 3)
    named = fact("clock.read", {"station_id": str(other), "ahead_ms": 5}, stream_id=stream, stream_number=4)
    async with county.client(own.keys[Role.CONTROLLER]) as client:
        taken = await client.post("/v1/intake", json={"facts": [named]})
        assert taken.json()["results"][0]["outcome"] == "created"
    assert ranges(await gaps(county)) == [(stream, 1, 2)]
    async with county.client(own.keys[Role.OFFICER]) as client:
        elsewhere = (await client.get(f"/v1/stations/{other}/gaps")).json()
    assert (elsewhere["streams"], elsewhere["missing"]) == ([], [])


async def test_only_whom_it_concerns_is_told(county: County) -> None:
    path, neighbours = (f"/v1/stations/{place.station_id}/gaps" for place in (county.own, county.neighbour))
    other = uuid.uuid4()
    await county.record(
        stations.StationRegistered(
            station_id=other, name="Two", code="S2", station_kind="fixed", time_zone="America/New_York"
        )
    )
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        assert (await client.get(path)).status_code == 200
        # Not even another station of the own department.
        problem_in(await client.get(f"/v1/stations/{other}/gaps"), 404, "not-found")
        problem_in(await client.get(neighbours), 404, "not-found")
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.get(neighbours), 404, "not-found")
        problem_in(await client.get(f"/v1/stations/{uuid.uuid4()}/gaps"), 404, "not-found")
        problem_in(await client.get(path, params={"limit": "5"}), 400, "invalid-query")
    async with county.client(county.keys[Role.ANALYST]) as client:
        assert (await client.get(neighbours)).status_code == 200


@pytest.mark.parametrize(
    ("bound", "value"), [("MAXIMUM_GAPS", 2), ("MAXIMUM_STREAMS", 1), ("MAXIMUM_STREAMS_OF_DEPARTMENT", 1)]
)
async def test_an_answer_that_was_cut_says_so(
    county: County, monkeypatch: pytest.MonkeyPatch, bound: str, value: int
) -> None:
    await send(county, str(uuid.uuid4()), 2, 4)
    await send(county, str(uuid.uuid4()), 2)
    whole = await gaps(county)
    assert (len(whole["missing"]), len(whole["streams"]), whole["is_complete"]) == (3, 2, True)
    monkeypatch.setattr(missing, bound, value)
    cut = await gaps(county)
    assert not cut["is_complete"]
    assert len(cut["missing"]) <= 2
    assert len(cut["streams"]) <= (2 if bound == "MAXIMUM_GAPS" else 1)
