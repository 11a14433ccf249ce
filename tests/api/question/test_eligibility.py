"""The question over HTTP: what a permit holds, who may ask, for which station, and how a malformed one is told."""

import asyncio
import uuid
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any

import msgspec
import pytest

from fill_ledger.api.http.rate_limits import RateLimiter, RatePolicy
from fill_ledger.api.question import eligibility
from fill_ledger.intake.founding import record_entries, register_principal
from fill_ledger.ledger.handles import MemberSession, PermitReference
from fill_ledger.ledger.ledger_token import decode_ledger_token, encode_ledger_token
from fill_ledger.trade.events.county import KeyIssued, KeyRevoked, Role
from fill_ledger.trade.events.cylinders import CylinderHeld
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.trade.judgement import rules_version
from fill_ledger.trade.rulebook import SHIPPED
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.questions import ask, codes, get_answer, post_answer

TAG = "iso15693:E004010012345678"
UNKNOWN_KEY = "flk_" + "A" * 43
ENDED_KEY = "flk_" + "B" * 43


async def test_a_permit_says_everything_a_station_needs(county: County) -> None:
    cylinder_id = await county.cylinder(tag=TAG, serial="K 48213")
    before = datetime.now(UTC)
    document = await ask(county, tag="E0 04 01 00 12 34 56 78", mode="automatic")
    assert (document["decision"], document["code"]) == ("permit", "ok")
    # 49 CFR 173.301a(c): the settled limit at 70 F is the marked service pressure, here that of the mark 3AA2216.
    assert document["fill_limit_psi"] == 2216
    assert document["stop_at_psi"] is None
    assert document["cylinder"] == {
        "cylinder_id": str(cylinder_id),
        "inventory_number": "1",
        "serial": "K 48213",
        "department_id": str(county.own.department_id),
        "specification": "DOT-3AA2216",
        "service_pressure_psi": 2216,
        "use": "scba",
    }
    assert [set(note) for note in document["obligations"]] == [{"code", "text", "source"}] * 3
    assert document["obligations"][0]["code"] == "look-over"
    assert document["rules_version"] == rules_version(SHIPPED)
    assert "explanation" not in document
    assert "choices" not in document
    served_at = datetime.fromisoformat(document["served_at"])
    assert before - timedelta(seconds=5) < served_at < datetime.now(UTC) + timedelta(seconds=5)
    assert datetime.fromisoformat(document["valid_until"]) > served_at
    assert decode_ledger_token(document["ledger"]).department_id == county.own.department_id


async def test_the_permit_reference_binds_what_was_permitted_for_a_short_time(county: County) -> None:
    cylinder_id = await county.cylinder()
    document = await ask(county, cylinder_id=cylinder_id, mode="fast")
    reference = county.parts.permit_references.verify(document["permit_reference"], datetime.now(UTC))
    assert isinstance(reference, PermitReference)
    assert (reference.station_id, reference.cylinder_id) == (county.own.station_id, cylinder_id)
    assert (reference.member_id, reference.fill_limit_psi, reference.mode) == (county.own.member_id, 2216, "fast")
    assert timedelta() < reference.until - datetime.now(UTC) <= timedelta(minutes=15)
    again = await ask(county, cylinder_id=cylinder_id, mode="fast")
    assert again["permit_reference"] != document["permit_reference"]
    # What would hold at another moment is no permit to fill now.
    tomorrow = datetime.now(UTC) + timedelta(days=1)
    assert (await ask(county, cylinder_id=cylinder_id, at=tomorrow.isoformat()))["permit_reference"] is None


async def test_a_denial_has_no_limit_and_no_reference(county: County) -> None:
    cylinder_id = await county.cylinder()
    held = CylinderHeld(
        cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="damage", reason="dent", clears_by="inspection"
    )
    await record_entries(county.parts.lanes, county.own.department_id, (held,))
    document = await ask(county, cylinder_id=cylinder_id)
    assert (document["decision"], document["code"]) == ("deny", "on-hold")
    assert document["fill_limit_psi"] is document["permit_reference"] is None
    assert set(document["reasons"][0]) == {"code", "effect", "text", "source", "clears_by", "clears_at"}
    assert document["reasons"][0]["clears_by"] == "inspection"
    assert document["obligations"] == []


async def test_the_body_asks_the_same_as_the_query(county: County) -> None:
    cylinder_id = await county.cylinder()
    params = {"cylinder_id": str(cylinder_id), "member_id": str(county.own.member_id)}
    asked = await ask(county, **params)
    posted = (await post_answer(county, **params)).json()
    changing = {"served_at", "permit_reference"}
    assert {name: posted[name] for name in posted.keys() - changing} == {
        name: asked[name] for name in asked.keys() - changing
    }


async def test_explain_tells_every_rule_and_the_facts_it_saw(county: County) -> None:
    cylinder_id = await county.cylinder()
    document = await ask(county, cylinder_id=cylinder_id, member_id=None, explain="true")
    told = {rule["rule"]: rule for rule in document["explanation"]}
    assert told["member"]["outcome"] == "denies"
    assert told["member"]["codes"] == ["member-unknown"]
    assert told["member"]["facts"]["member_named"] is False
    assert told["fill-limit"]["facts"]["fill_limit_psi"] == 2216
    assert len(told) >= 10


async def test_every_bad_key_is_told_why(county: County) -> None:
    params: dict[str, Any] = {"cylinder_id": str(uuid.uuid4())}
    async with county.client(None) as client:
        problem_in(await client.get("/v1/eligibility", params=params), 401, "not-authenticated")
        problem_in(await client.get("/v1/eligibility"), 401, "not-authenticated")
        problem_in(await client.post("/v1/eligibility", json={"tag": ""}), 401, "not-authenticated")
    problem_in(await get_answer(county, UNKNOWN_KEY, **params), 401, "not-authenticated")
    problem_in(await get_answer(county, UNKNOWN_KEY, tag="a", serial="b"), 401, "not-authenticated")
    problem_in(await get_answer(county, "flk_short", **params), 401, "not-authenticated")
    ended = KeyIssued(
        principal_id=(
            await register_principal(county.parts.lanes, Role.ANALYST, "late", department_ids=None)
        ).principal_id,
        key_id=uuid.uuid4(),
        key_digest=sha256(ENDED_KEY.encode()).hexdigest(),
        expires_at=datetime.now(UTC) - timedelta(days=1),
    )
    await record_entries(county.parts.lanes, COUNTY_ID, (ended,), occurred_at=datetime.now(UTC) - timedelta(days=2))
    expired = await get_answer(county, ENDED_KEY, **params)
    assert "has expired" in problem_in(expired, 401, "not-authenticated")["detail"]
    revoked = county.own.keys[Role.CONTROLLER]
    assert (await get_answer(county, revoked, **params)).status_code == 200
    await record_entries(
        county.parts.lanes, COUNTY_ID, (KeyRevoked(principal_id=revoked.principal_id, key_id=revoked.key_id),)
    )
    assert "was revoked" in problem_in(await get_answer(county, revoked, **params), 401, "not-authenticated")["detail"]


async def test_a_key_without_the_right_is_refused(county: County) -> None:
    params: dict[str, Any] = {"cylinder_id": uuid.uuid4(), "station_id": county.own.station_id}
    problem_in(await get_answer(county, county.keys[Role.OPERATOR], **params), 403, "not-permitted")
    officer = county.own.keys[Role.OFFICER]
    narrow = KeyIssued(
        principal_id=officer.principal_id,
        key_id=uuid.uuid4(),
        key_digest=sha256(UNKNOWN_KEY.encode()).hexdigest(),
        scopes=("stations:read",),
    )
    await record_entries(county.parts.lanes, COUNTY_ID, (narrow,))
    problem_in(await get_answer(county, UNKNOWN_KEY, **params), 403, "not-permitted")


async def test_failed_keys_and_requests_are_counted(county: County) -> None:
    policy = RatePolicy(name="small", quota=2, window_s=60)
    state = county.service.state
    state["parts"] = msgspec.structs.replace(
        county.parts, failure_limiter=RateLimiter(policy), principal_limiter=RateLimiter(policy)
    )
    params: dict[str, Any] = {"cylinder_id": str(uuid.uuid4())}
    for _ in range(2):
        answered = await get_answer(county, **params)
        assert answered.status_code == 200
        assert answered.headers["ratelimit-policy"] == '"small";q=2;w=60'
    problem_in(await get_answer(county, **params), 429, "rate-limited")
    other = county.own.keys[Role.OFFICER]
    assert (await get_answer(county, other, station_id=county.own.station_id, **params)).status_code == 200
    for _ in range(2):
        problem_in(await get_answer(county, UNKNOWN_KEY, **params), 401, "not-authenticated")
    problem_in(await get_answer(county, UNKNOWN_KEY, **params), 429, "rate-limited")
    # All stations may share one address: an old key at one of them does not keep a good one from asking.
    assert (await get_answer(county, other, station_id=county.own.station_id, **params)).status_code == 200
    async with county.client(county.keys[Role.ANALYST]) as client, county.client(UNKNOWN_KEY) as stale:
        problem_in(await stale.get("/v1/stations"), 429, "rate-limited")
        assert (await client.get("/v1/stations")).status_code == 200


async def test_the_station_is_the_controllers_own_and_named_by_everybody_else(county: County) -> None:
    cylinder_id = await county.cylinder()
    own, theirs = county.own.station_id, county.neighbour.station_id
    officer = county.own.keys[Role.OFFICER]
    assert (await ask(county, cylinder_id=cylinder_id, station_id=own))["decision"] == "permit"
    problem_in(await get_answer(county, cylinder_id=cylinder_id, station_id=theirs), 403, "not-permitted")
    document = problem_in(await get_answer(county, officer, cylinder_id=cylinder_id), 400, "invalid-query")
    assert places(document) == {("station_id", "missing")}
    document = problem_in(await post_answer(county, officer, cylinder_id=str(cylinder_id)), 422, "invalid-body")
    assert places(document) == {("/station_id", "missing")}
    assert (await ask(county, officer, cylinder_id=cylinder_id, station_id=own))["decision"] == "permit"
    problem_in(await get_answer(county, officer, cylinder_id=cylinder_id, station_id=theirs), 404, "not-found")
    problem_in(await get_answer(county, officer, cylinder_id=cylinder_id, station_id=uuid.uuid4()), 404, "not-found")
    for role in (Role.ANALYST, Role.INTEGRATOR):
        everywhere = await ask(county, county.keys[role], cylinder_id=cylinder_id, station_id=own)
        assert everywhere["decision"] == "permit"


async def test_malformed_parameters_are_all_told(county: County) -> None:
    faulty = await get_answer(county, cylinder_id="17", mode="warp", gas_temperature_f="1000", colour="red")
    assert places(problem_in(faulty, 400, "invalid-query")) == {
        ("cylinder_id", "wrong-format"),
        ("mode", "not-a-choice"),
        ("gas_temperature_f", "out-of-range"),
        ("colour", "unknown-parameter"),
    }
    faulty = await get_answer(
        county, tag="00000000", serial="A1", min_ledger="nonsense", member_session="fls_x", at="0001-01-01T00:00:00Z"
    )
    assert places(problem_in(faulty, 400, "invalid-query")) == {
        ("tag", "exactly-one-subject"),
        ("serial", "exactly-one-subject"),
        ("tag", "tag-blank"),
        ("min_ledger", "wrong-format"),
        ("member_session", "wrong-format"),
        ("at", "out-of-range"),
    }
    document = problem_in(await get_answer(county), 400, "invalid-query")
    assert "tag, cylinder_id, inventory_number and serial" in document["errors"][0]["detail"]
    faulty = await post_answer(county, mode=3, cylinder_as_marked={"colour": "red"})
    assert places(problem_in(faulty, 422, "invalid-body")) == {
        ("/mode", "wrong-type"),
        ("/cylinder_as_marked/colour", "unknown-field"),
    }
    assert places(problem_in(await post_answer(county), 422, "invalid-body")) == {("", "exactly-one-subject")}


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1950-01-01T00:00:00Z"])
async def test_a_moment_out_of_reach_is_malformed(county: County, at: str) -> None:
    faulty = await get_answer(county, cylinder_id=uuid.uuid4(), at=at)
    assert places(problem_in(faulty, 400, "invalid-query")) == {("at", "out-of-range")}


async def test_at_asks_the_same_record_about_another_moment(county: County) -> None:
    cylinder_id = await county.cylinder()
    held = CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="lost", reason="not in the rack")
    await record_entries(county.parts.lanes, county.own.department_id, (held,))
    assert "on-hold" in codes(await ask(county, cylinder_id=cylinder_id))
    yesterday = (datetime.now(UTC) - timedelta(days=1)).isoformat()
    assert "on-hold" not in codes(await ask(county, cylinder_id=cylinder_id, at=yesterday))
    # Made and tested two years ago, a 3AA cylinder falls due five years after (49 CFR 180.209(a), table 1).
    in_four_years = (datetime.now(UTC) + timedelta(days=4 * 365)).isoformat()
    assert "requalification-due" in codes(await ask(county, cylinder_id=cylinder_id, at=in_four_years))


async def test_a_member_session_counts_at_its_station_until_it_ends(county: County) -> None:
    cylinder_id = await county.cylinder()

    def session(expires_in: timedelta, **other: uuid.UUID) -> str:
        return county.parts.member_sessions.issue(
            MemberSession(
                member_id=county.own.member_id,
                station_id=other.get("station_id", county.own.station_id),
                department_id=other.get("department_id", county.own.department_id),
                credential_kind="card",
                expires_at=datetime.now(UTC) + expires_in,
            )
        )

    good = session(timedelta(minutes=5))
    document = await ask(county, cylinder_id=cylinder_id, member_id=None, member_session=good)
    assert document["decision"] == "permit"
    wrong = {
        session(-timedelta(minutes=5)): "expired",
        good[:-4] + ("AAAA" if good[-4:] != "AAAA" else "BBBB"): "not-valid",
        session(timedelta(minutes=5), station_id=county.neighbour.station_id): "elsewhere",
        session(timedelta(minutes=5), department_id=county.neighbour.department_id): "elsewhere",
    }
    for handle, code in wrong.items():
        faulty = await get_answer(county, cylinder_id=cylinder_id, member_session=handle)
        assert places(problem_in(faulty, 400, "invalid-query")) == {("member_session", code)}
    faulty = await get_answer(county, cylinder_id=cylinder_id, member_session=good, member_id=county.own.member_id)
    assert {code for _, code in places(problem_in(faulty, 400, "invalid-query"))} == {"one-member"}


async def test_min_ledger_is_waited_for_and_then_refused(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    cylinder_id = await county.cylinder()
    monkeypatch.setattr(eligibility, "LONGEST_WAIT_FOR_LEDGER_S", 0.1)
    seen = decode_ledger_token((await ask(county, cylinder_id=cylinder_id))["ledger"])
    token = encode_ledger_token(county.own.department_id, seen.position)
    assert (await ask(county, cylinder_id=cylinder_id, min_ledger=token))["decision"] == "permit"
    ahead = encode_ledger_token(county.own.department_id, seen.position + 1)
    behind = await get_answer(county, cylinder_id=cylinder_id, min_ledger=ahead)
    problem_in(behind, 503, "ledger-behind")
    assert behind.headers["retry-after"] == "1"
    theirs = encode_ledger_token(county.neighbour.department_id, 1)
    faulty = await get_answer(county, cylinder_id=cylinder_id, min_ledger=theirs)
    assert places(problem_in(faulty, 400, "invalid-query")) == {("min_ledger", "elsewhere")}


async def test_a_body_too_large_or_of_another_type_is_refused(county: County) -> None:
    large = await post_answer(county, serial="A" * eligibility.BODY_LIMIT_BYTES)
    problem_in(large, 413, "body-too-large")
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        plain = await client.post("/v1/eligibility", content="tag=1", headers={"content-type": "text/plain"})
        problem_in(plain, 415, "unsupported-media-type")
        broken = await client.post("/v1/eligibility", content="{", headers={"content-type": "application/json"})
        problem_in(broken, 400, "malformed-json")


async def test_an_answer_waits_for_what_the_caller_has_seen(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    cylinder_id = await county.cylinder()
    monkeypatch.setattr(eligibility, "LONGEST_WAIT_FOR_LEDGER_S", 10.0)
    seen = decode_ledger_token((await ask(county, cylinder_id=cylinder_id))["ledger"])
    ahead = encode_ledger_token(county.own.department_id, seen.position + 1)
    waiting = asyncio.create_task(ask(county, cylinder_id=cylinder_id, min_ledger=ahead))
    await asyncio.sleep(0.1)
    assert not waiting.done()
    held = CylinderHeld(cylinder_id=cylinder_id, hold_id=uuid.uuid4(), hold_kind="lost", reason="not in the rack")
    await record_entries(county.parts.lanes, county.own.department_id, (held,))
    assert (await waiting)["code"] == "on-hold"


async def test_a_keyed_month_and_a_tag_are_refused_in_words_of_their_form(county: County) -> None:
    month = await post_answer(county, cylinder_as_marked={"serial": "Z 901", "manufactured": "2019-02-30"})
    (fault,) = problem_in(month, 422, "invalid-body")["errors"]
    assert (fault["pointer"], fault["code"]) == ("/cylinder_as_marked/manufactured", "wrong-format")
    assert fault["detail"] == "Expected a month as YYYY-MM, such as 2019-02."
    tag = await post_answer(county, tag="epc:XY")
    (fault,) = problem_in(tag, 422, "invalid-body")["errors"]
    assert fault["detail"].endswith("is not hexadecimal; use the digits 0 to 9 and A to F.")
