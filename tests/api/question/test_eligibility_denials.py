"""Every reason to deny that a record can give, asked for over HTTP.

What each rule says is checked against its sources in tests/standards and tests/trade; here, that the facts it looks at
reach it from the ledger.
"""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.intake.founding import record_entries, register_principal
from fill_ledger.trade.events import air, cylinders, members, stations
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.judgement import rules_catalogue
from tests.api.question.test_eligibility_policy_terms import OF_POLICY
from tests.support.county import County
from tests.support.questions import ask, codes, post_answer

OF_CYLINDERS = {
    "condemned",
    "retired",
    "on-hold",
    "requalification-rejected",
    "inspection-failed",
    "transferred",
    "requalification-due",
    "requalification-unknown",
    "service-life-over",
    "manufacture-date-missing",
    "manufacture-date-wrong",
    "permit-unknown",
    "specification-not-fillable",
    "specification-wrong-use",
    "eddy-current-mark-missing",
}
OF_MEMBERS = {
    "member-unknown",
    "member-not-enrolled",
    "member-not-authorised",
    "authorisation-ended",
    "member-not-authorised-here",
    "member-deactivated",
}
OF_STATIONS = {
    "fill-position-unknown",
    "fill-position-rating-wrong",
    "air-source-unknown",
    "air-sample-due",
    "air-sample-failed",
    "air-source-out-of-service",
    "air-source-needed",
    "station-closed",
}
OF_MARKS = {"specification-unreadable", "specification-unknown"}
# In test_eligibility_subjects and below.
ELSEWHERE = {
    "cylinder-unknown",
    "cylinder-ambiguous",
    "not-shared",
    "marks-missing",
    "station-unknown",
}
NOT_REACHABLE = {
    "tag-unreadable": "a text that cannot be a tag is malformed",
    "owner-consent-refused": "the question does not ask for consent; a fill reports it",
    "time-zone-unknown": "such an entry is refused",
    "moment-out-of-range": "such a moment is malformed",
    "service-pressure-wrong": "such an entry is refused",
    "requalification-date-wrong": "such an entry is refused",
    "service-pressure-above-test": "such an entry is refused",
}


def test_every_code_that_denies_is_asked_for_or_cannot_be() -> None:
    asked_for = OF_CYLINDERS | OF_MEMBERS | OF_STATIONS | OF_MARKS | OF_POLICY | ELSEWHERE
    assert not asked_for & NOT_REACHABLE.keys()
    assert {entry.code for entry in rules_catalogue() if entry.effect == "deny"} == asked_for | NOT_REACHABLE.keys()


def _days(days: int) -> datetime:
    return datetime.now(UTC) + timedelta(days=days)


def _month(days: int) -> str:
    return _days(days).strftime("%Y-%m")


def _check(reached: dict[str, set[str]], wanted: set[str]) -> None:
    assert reached.keys() == wanted
    assert {code: found for code, found in reached.items() if code not in found} == {}


async def _own(county: County, *bodies: Body, at: datetime | None = None) -> None:
    await record_entries(county.parts.lanes, county.own.department_id, bodies, occurred_at=at)


async def _registered(county: County, tested: str | None, **details: Any) -> uuid.UUID:
    cylinder_id = uuid.uuid4()
    given = {
        "serial": f"D{uuid.uuid4().hex[:8]}",
        "specification": "DOT-3AA2216",
        "service_pressure": cylinders.ServicePressure(value="2216", unit="psi"),
        "use": "scba",
        **details,
    }
    stamps = None if tested is None else (cylinders.RequalificationStamp(month=tested, outcome="pass"),)
    await _own(
        county,
        cylinders.CylinderRegistered(
            cylinder_id=cylinder_id, details=cylinders.CylinderDetails(**given), requalifications=stamps
        ),
        at=_days(-300),
    )
    return cylinder_id


async def test_what_is_on_record_of_a_cylinder_denies(county: County) -> None:
    reached = {}

    async def expect(code: str, cylinder_id: uuid.UUID, *bodies: Body, **params: Any) -> None:
        if bodies:
            await _own(county, *bodies)
        reached[code] = codes(await ask(county, cylinder_id=cylinder_id, **params))

    ids = [await county.cylinder() for _ in range(6)]
    await expect("condemned", ids[0], cylinders.CylinderCondemned(cylinder_id=ids[0], reason="crack"))
    await expect("retired", ids[1], cylinders.CylinderRetired(cylinder_id=ids[1], reason="sold"))
    held = cylinders.CylinderHeld(cylinder_id=ids[2], hold_id=uuid.uuid4(), hold_kind="recall", reason="recall")
    await expect("on-hold", ids[2], held)
    rejected = cylinders.RequalificationStamp(month=_month(-5), outcome="rejected")
    await expect("requalification-rejected", ids[3], cylinders.CylinderRequalified(cylinder_id=ids[3], stamp=rejected))
    failed = cylinders.CylinderInspected(cylinder_id=ids[4], inspection_kind="visual_external", outcome="fail")
    await expect("inspection-failed", ids[4], failed)
    given = cylinders.CylinderTransferredOut(cylinder_id=ids[5], to_department_id=county.neighbour.department_id)
    await expect("transferred", ids[5], given)

    # A 3AA cylinder falls due five years after its last test (49 CFR 180.209(a), table 1).
    await expect("requalification-due", await _registered(county, "2015-03", manufactured="2010-03"))
    await expect("requalification-unknown", await _registered(county, None))
    # DOT-SP 10915 composites: 15 years of service life (see the specification table for what was read).
    psi_4500 = cylinders.ServicePressure(value="4500", unit="psi")
    permit = {"specification": "DOT-SP10915-4500", "service_pressure": psi_4500}
    await expect("service-life-over", await _registered(county, _month(-400), manufactured="2009-03", **permit))
    await expect("manufacture-date-missing", await _registered(county, _month(-400), **permit))
    permit_unknown = {**permit, "specification": "DOT-SP99999-4500"}
    await expect("permit-unknown", await _registered(county, _month(-400), manufactured="2020-01", **permit_unknown))
    aircraft = {
        "specification": "DOT-3HT1850",
        "service_pressure": cylinders.ServicePressure(value="1850", unit="psi"),
    }
    await expect(
        "specification-not-fillable", await _registered(county, _month(-400), manufactured="2020-01", **aircraft)
    )
    bulk = {
        "specification": "DOT-3AAX2400",
        "service_pressure": cylinders.ServicePressure(value="2400", unit="psi"),
    }
    await expect("specification-wrong-use", await _registered(county, _month(-400), manufactured="2020-01", **bulk))
    alloy = {"specification": "DOT-3AL2216", "alloy": "6351-T6"}
    await expect("eddy-current-mark-missing", await _registered(county, _month(-400), manufactured="1985-01", **alloy))
    await expect("manufacture-date-wrong", ids[0], at=_days(-900).isoformat())
    _check(reached, OF_CYLINDERS)


async def test_what_is_on_record_of_a_member_denies(county: County) -> None:
    cylinder_id = await county.cylinder()
    reached = {"member-unknown": codes(await ask(county, cylinder_id=cylinder_id, member_id=None))}
    assert codes(await ask(county, cylinder_id=cylinder_id, member_id=uuid.uuid4())) == {"member-unknown"}

    async def expect(code: str, *bodies: Any, at: str | None = None) -> None:
        member_id = uuid.uuid4()
        await _own(county, members.MemberEnrolled(member_id=member_id), at=_days(-100))
        for make, days, more in bodies:
            await _own(county, make(member_id=member_id, **more), at=_days(days))
        reached[code] = codes(await ask(county, cylinder_id=cylinder_id, member_id=member_id, at=at))

    authorised = members.MemberAuthorised
    await expect("member-not-enrolled", (authorised, -90, {"kinds": ("scba",)}), at=_days(-200).isoformat())
    await expect("member-not-authorised", (authorised, -90, {"kinds": ("storage",)}))
    await expect(
        "authorisation-ended",
        (authorised, -90, {"kinds": ("scba",), "through": _days(-10).strftime("%Y-%m-%d")}),
    )
    station_id = uuid.uuid4()
    await _own(county, stations.StationRegistered(station_id=station_id, name="Two", code="S2", station_kind="fixed"))
    await expect("member-not-authorised-here", (authorised, -9, {"kinds": ("scba",), "station_ids": (station_id,)}))
    await expect("member-deactivated", (authorised, -90, {"kinds": ("scba",)}), (members.MemberDeactivated, -1, {}))
    _check(reached, OF_MEMBERS)


async def test_what_is_on_record_of_a_station_and_its_air_denies(county: County) -> None:
    cylinder_id = await county.cylinder()
    source_id, station_id = county.own.air_source_id, county.own.station_id
    reached = {}

    async def expect(code: str, *bodies: Body, **params: Any) -> None:
        if bodies:
            await _own(county, *bodies)
        reached[code] = codes(await ask(county, cylinder_id=cylinder_id, **params))

    await expect("fill-position-unknown", fill_position_id=uuid.uuid4())
    position_id = uuid.uuid4()
    position = stations.FillPositionRegistered(
        station_id=station_id, fill_position_id=position_id, label="Left", regulator_psi=2000
    )
    await _own(county, position)
    lowered = await ask(county, cylinder_id=cylinder_id, fill_position_id=position_id)
    assert (lowered["fill_limit_psi"], [note["code"] for note in lowered["advice"]]) == (2000, ["limit-lowered"])
    rated_wrong = uuid.uuid4()
    wrong = stations.FillPositionRegistered(
        station_id=station_id, fill_position_id=rated_wrong, label="Right", hose_rating_psi=1
    )
    await expect("fill-position-rating-wrong", wrong, fill_position_id=rated_wrong)
    await expect("air-source-unknown", air_source_id=uuid.uuid4())
    await expect("air-sample-due", at=_days(200).isoformat())
    bad = air.AirSourceSampled(
        air_source_id=source_id,
        sample_id=uuid.uuid4(),
        taken_on=_days(-2).strftime("%Y-%m-%d"),
        verdict="fail",
        standard="NFPA 1989",
    )
    await expect("air-sample-failed", bad)
    await expect(
        "air-source-out-of-service", air.AirSourceOutOfService(air_source_id=source_id, reason="filter change")
    )
    second = air.AirSourceRegistered(
        air_source_id=uuid.uuid4(), station_id=station_id, air_source_kind="compressor", label="Second"
    )
    await expect("air-source-needed", second)
    await expect("station-closed", stations.StationClosed(station_id=station_id, reason="flood"))
    _check(reached, OF_STATIONS)


async def test_a_controller_whose_station_nobody_registered_is_denied(county: County) -> None:
    cylinder_id = await county.cylinder()
    key = await register_principal(
        county.parts.lanes,
        Role.CONTROLLER,
        "new",
        department_ids=(county.own.department_id,),
        station_id=uuid.uuid4(),
    )
    document = await ask(county, key, cylinder_id=cylinder_id)
    assert {"station-unknown", "air-source-unknown"} <= codes(document)
    assert document["cylinder"]["cylinder_id"] == str(cylinder_id)


async def test_marks_that_cannot_be_judged_deny(county: County) -> None:
    marks = {
        "serial": "Z1",
        "service_pressure_value": "2216",
        "service_pressure_unit": "psi",
        "manufactured": "2022-01",
    }
    reached = {}
    for specification, code in (("hello", "specification-unreadable"), ("DOT-3C2216", "specification-unknown")):
        response = await post_answer(county, cylinder_as_marked={**marks, "specification": specification})
        reached[code] = codes(response.json())
    _check(reached, OF_MARKS)
