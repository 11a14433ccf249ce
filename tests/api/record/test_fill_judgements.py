"""A decision of the past asked again: the rules may have changed since, or what is known, or both, or nothing."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events import air, cylinders, members, stations
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended, SpecificationEntered, SpecificationEntry
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.api.clients import problem_in
from tests.support.county import County

TAG = "iso15693:E004010000000E01"
NOTHING: dict[str, list[str]] = {"came": [], "went": []}


def ago(**how_long: float) -> datetime:
    """Return a moment that lies so long in the past."""
    return datetime.now(UTC) - timedelta(**how_long)


def fill_of(county: County, **given: Any) -> Filled:
    """Return a fill with nothing wrong about it; parts of it may be given."""
    fitting: dict[str, Any] = {
        "member_id": county.own.member_id,
        "look_over": "passed",
        "end_psi": 2200,
        "roster_position": 1,
        "mode": "automatic",
    }
    return Filled(**{**fitting, **given})


async def filled(county: County, body: Filled, **when: Any) -> uuid.UUID:
    """Record a fill that the own station's controller reports and return its id."""
    event_id = uuid.uuid4()
    moment = ago(**(when or {"days": 5}))
    await county.record(body, station_id=county.own.station_id, occurred_at=moment, event_ids=[event_id])
    return event_id


async def asked_again(county: County, event_id: uuid.UUID, role: Role = Role.ANALYST) -> dict[str, Any]:
    """Return the decision about a fill, asked again."""
    async with county.client(county.own.keys[role]) as client:
        answered = await client.get(f"/v1/fills/{event_id}/judgement")
    assert answered.status_code == 200, answered.text
    document: dict[str, Any] = answered.json()
    return document


def is_unchanged(document: dict[str, Any]) -> bool:
    """Tell whether all three answers are one."""
    answers = [
        {name: value for name, value in document[part].items() if name != "rules_version"}
        for part in ("recorded", "same_facts_todays_rules", "todays_facts_todays_rules")
    ]
    nothing = (document["changed_by_rules"], document["changed_by_facts"]) == ([], NOTHING)
    return document["comparison"] == "same" and nothing and answers[0] == answers[1] == answers[2]


async def test_what_happens_later_changes_nothing_about_an_earlier_fill(county: County) -> None:
    """A year of a cylinder's life, its station's and its member's after the fill; and the answer is still the same."""
    own = county.own
    cylinder_id = await county.cylinder(tag=TAG)
    passed = cylinders.CylinderInspected(cylinder_id=cylinder_id, inspection_kind="monthly", outcome="pass")
    failed = cylinders.CylinderInspected(cylinder_id=cylinder_id, inspection_kind="monthly", outcome="fail")
    await county.record(passed, occurred_at=ago(days=6))
    by_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    by_tag = await filled(county, fill_of(county, tag=TAG))
    later: list[Body] = [
        failed,
        cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="damage", reason="a dent"),
        cylinders.TagUnpaired(cylinder_id=cylinder_id, tag=TAG),
        members.MemberDeactivated(member_id=own.member_id),
        air.AirSourceOutOfService(air_source_id=own.air_source_id, reason="flood"),
        stations.AlarmRaised(station_id=own.station_id, alarm_id=uuid.uuid4(), alarm_kind="carbon monoxide"),
        stations.StationClosed(station_id=own.station_id, reason="flood"),
        PolicySet(department_id=own.department_id, fill_limit_cap_psi=2000),
        cylinders.CylinderTransferredOut(cylinder_id=cylinder_id, to_department_id=county.neighbour.department_id),
    ]
    await county.record(*later, occurred_at=ago(days=2))
    await county.parts.outbox.deliver()
    for event_id in (by_id, by_tag):
        document = await asked_again(county, event_id)
        assert document["recorded"]["codes"] == []
        assert is_unchanged(document), document


async def test_what_was_found_before_it_was_put_right_still_stands(county: County) -> None:
    """The state of a cylinder keeps its newest inspection only; the fill is judged by the one before."""
    cylinder_id = await county.cylinder()
    failed = cylinders.CylinderInspected(cylinder_id=cylinder_id, inspection_kind="monthly", outcome="fail")
    passed = cylinders.CylinderInspected(cylinder_id=cylinder_id, inspection_kind="monthly", outcome="pass")
    await county.record(failed, occurred_at=ago(days=6))
    event_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    await county.record(passed, occurred_at=ago(days=3))
    document = await asked_again(county, event_id)
    assert document["recorded"]["codes"] == ["inspection-failed"]
    assert is_unchanged(document), document


async def test_what_is_learned_later_about_that_time_changes_the_answer(county: County) -> None:
    cylinder_id = await county.cylinder()
    event_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    rejected = cylinders.RequalificationStamp(month=ago(days=40).strftime("%Y-%m"), outcome="rejected")
    report_id = uuid.uuid4()
    await county.record(cylinders.CylinderRequalified(cylinder_id=cylinder_id, stamp=rejected), event_ids=[report_id])
    document = await asked_again(county, event_id)
    assert document["comparison"] == "changed-by-facts"
    assert document["changed_by_facts"]["came"] == ["requalification-rejected"]
    assert document["same_facts_todays_rules"]["decision"] == "permit"
    assert document["todays_facts_todays_rules"]["code"] == "requalification-rejected"
    assert document["changed_by_rules"] == []
    await county.record(EventRetracted(retracted_event_id=report_id, reason="another cylinder"))
    assert is_unchanged(await asked_again(county, event_id))


async def test_a_cylinder_learned_of_later_is_known_today(county: County) -> None:
    """The fill named a tag that nobody knew; the pairing came two days later, dated before the fill."""
    cylinder_id = await county.cylinder()
    event_id = await filled(county, fill_of(county, tag=TAG))
    assert is_unchanged(await asked_again(county, event_id))
    await county.record(cylinders.TagPaired(cylinder_id=cylinder_id, tag=TAG), occurred_at=ago(days=10))
    document = await asked_again(county, event_id)
    assert document["recorded"]["codes"] == ["cylinder-unknown"]
    assert document["comparison"] == "changed-by-facts"
    assert document["changed_by_facts"] == {"came": [], "went": ["cylinder-unknown"]}
    assert document["todays_facts_todays_rules"]["fill_limit_psi"] == 2216


async def test_rules_that_changed_are_named_with_their_codes(county: County) -> None:
    """The permit a cylinder was made under was not known; then somebody entered it from its text."""
    pressure = cylinders.ServicePressure(value="4500", unit="psi")
    cylinder_id = await county.cylinder(specification="DOT-SP99999-4500", service_pressure=pressure)
    event_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    before = await asked_again(county, event_id)
    assert before["recorded"]["codes"] == ["permit-unknown"]
    assert is_unchanged(before)
    entry = SpecificationEntry(key="SP99999", interval_years=5, life_years=15, source="its text", confidence="read")
    await county.record(SpecificationEntered(entry=entry), department_id=COUNTY_ID)
    after = await asked_again(county, event_id)
    assert after["recorded"] == before["recorded"]
    assert after["comparison"] == "changed-by-rules"
    assert after["changed_by_rules"] == [{"rule": "specification", "came": [], "went": ["permit-unknown"]}]
    assert after["changed_by_facts"] == NOTHING
    assert (after["same_facts_todays_rules"]["decision"], after["same_facts_todays_rules"]["code"]) == ("permit", "ok")
    assert after["same_facts_todays_rules"]["rules_version"] != after["recorded"]["rules_version"]
    held = cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="recall", reason="a lot")
    await county.record(held, occurred_at=ago(days=9))
    both = await asked_again(county, event_id)
    assert both["comparison"] == "changed-by-both"
    assert both["changed_by_facts"] == {"came": ["on-hold"], "went": []}
    assert both["todays_facts_todays_rules"]["codes"] == ["on-hold"]


async def test_another_limit_is_a_change_even_where_no_code_differs(county: County) -> None:
    cylinder_id = await county.cylinder()
    tested = cylinders.RequalificationStamp(month=ago(days=400).strftime("%Y-%m"), outcome="pass", marks=("+",))
    await county.record(cylinders.CylinderRequalified(cylinder_id=cylinder_id, stamp=tested), occurred_at=ago(days=200))
    event_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    before = await asked_again(county, event_id)
    assert (before["recorded"]["fill_limit_psi"], before["comparison"]) == (2216 * 110 // 100, "same")
    lower = AmendedFigure(figure="plus_percent", value=105)
    await county.record(RuleAmended(figures=(lower,), reason="a test"), department_id=COUNTY_ID)
    after = await asked_again(county, event_id)
    assert after["same_facts_todays_rules"]["fill_limit_psi"] == 2216 * 105 // 100
    assert after["comparison"] == "changed-by-rules"
    assert after["changed_by_rules"] == [{"rule": "fill-limit", "came": [], "went": []}]


async def test_a_rule_in_effect_from_a_later_day_says_nothing_of_an_earlier_fill(county: County) -> None:
    cylinder_id = await county.cylinder()
    event_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    entry = SpecificationEntry(
        key="3AA", interval_years=1, source="a test", confidence="read", effective_from=ago(days=2).date().isoformat()
    )
    await county.record(SpecificationEntered(entry=entry), department_id=COUNTY_ID)
    document = await asked_again(county, event_id)
    assert document["same_facts_todays_rules"]["rules_version"] != document["recorded"]["rules_version"]
    assert is_unchanged(document), document


@pytest.mark.parametrize("by", ["id", "tag"])
async def test_a_neighbours_cylinder_is_judged_by_the_neighbours_record_of_then_and_now(
    county: County, by: str
) -> None:
    theirs = county.neighbour.department_id
    cylinder_id = await county.cylinder(department_id=theirs, tag=TAG)
    policy = PolicySet(department_id=county.own.department_id, mutual_aid_department_ids=(theirs,))
    await county.record(policy, occurred_at=ago(days=300))
    body = fill_of(county, cylinder_id=cylinder_id if by == "id" else None, tag=TAG, owner_consent=True)
    event_id = await filled(county, body)
    assert is_unchanged(await asked_again(county, event_id))
    later: list[Body] = [
        cylinders.TagUnpaired(cylinder_id=cylinder_id, tag=TAG),
        cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="damage", reason="a dent"),
    ]
    await county.record(*later, department_id=theirs, occurred_at=ago(days=2))
    document = await asked_again(county, event_id)
    assert document["recorded"]["decision"] == "permit"
    assert is_unchanged(document), document
    held = cylinders.CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="recall", reason="a lot")
    await county.record(held, department_id=theirs, occurred_at=ago(days=9))
    document = await asked_again(county, event_id)
    assert document["comparison"] == "changed-by-facts"
    assert document["changed_by_facts"] == {"came": ["on-hold"], "went": []}


async def test_what_was_found_about_the_permit_is_found_again(county: County) -> None:
    cylinder_id = await county.cylinder()
    answered: dict[str, Any]
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        asked = {"cylinder_id": str(cylinder_id), "member_id": str(county.own.member_id)}
        answered = (await client.get("/v1/eligibility", params=asked)).json()
    quoting = fill_of(
        county, cylinder_id=cylinder_id, permit_reference=answered["permit_reference"], roster_position=None
    )
    first, second = [await filled(county, quoting, seconds=1) for _ in range(2)]
    forged = await filled(county, fill_of(county, cylinder_id=cylinder_id, permit_reference="flp_forged"), seconds=1)
    expected = {first: [], second: ["permit-used-twice"], forged: ["permit-reference-not-genuine"]}
    for event_id, codes in expected.items():
        document = await asked_again(county, event_id)
        assert document["recorded"]["codes"] == codes
        assert is_unchanged(document), document
    await county.record(EventRetracted(retracted_event_id=first, reason="reported twice"))
    document = await asked_again(county, second)
    assert document["comparison"] == "changed-by-facts"
    assert document["changed_by_facts"] == {"came": [], "went": ["permit-used-twice"]}


async def test_it_is_told_only_of_fills_that_were_judged_here_and_to_those_who_may_see_them(county: County) -> None:
    cylinder_id = await county.cylinder(department_id=county.neighbour.department_id)
    event_id = await filled(county, fill_of(county, cylinder_id=cylinder_id))
    await county.parts.outbox.deliver()
    path = f"/v1/fills/{event_id}/judgement"
    never_judged = uuid.uuid4()
    await county.record(EventRetracted(retracted_event_id=never_judged, reason="typed twice"))
    body = fill_of(county, cylinder_id=cylinder_id)
    await county.record(body, station_id=county.own.station_id, event_ids=[never_judged])
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        shown = await client.get(path)
        unchanged = await client.get(path, headers={"if-none-match": shown.headers["etag"]})
        problem_in(await client.get(f"/v1/fills/{uuid.uuid4()}/judgement"), 404, "not-found")
        problem_in(await client.get(f"/v1/fills/{never_judged}/judgement"), 404, "not-found")
        problem_in(await client.get("/v1/fills/seven/judgement"), 404, "not-found")
    assert (shown.status_code, unchanged.status_code) == (200, 304)
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        problem_in(await client.get(path), 404, "not-found")
        elsewhere = (await client.get("/v1/fills")).json()["items"]
        assert [item["event_type"] for item in elsewhere] == ["cylinder.filled_elsewhere"]
        problem_in(await client.get(f"/v1/fills/{elsewhere[0]['event_id']}/judgement"), 404, "not-found")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        problem_in(await client.get(path), 403, "not-permitted")
