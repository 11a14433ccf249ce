"""Who is at the whip: cards and passcodes become handles, and guessing becomes slow."""

import asyncio
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
import structlog

from fill_ledger.api.people.member_sessions import MEMBER_SESSION_LIFETIME
from fill_ledger.intake.credential_attempts import (
    CARD_FAILURES_BEFORE_PAUSE,
    LONGEST_PAUSE,
    MAXIMUM_CONSECUTIVE_FAILURES,
    PASSCODE_FAILURES_BEFORE_PAUSE,
    pause_after,
)
from fill_ledger.ledger.credentials import CardSecret, encode_secret
from fill_ledger.ledger.handles import MemberSession
from fill_ledger.ledger.passcodes import HashingBusy, PasscodeCheck, PasscodeHasher
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.members import CredentialBound, MemberAuthorised, MemberDeactivated
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.hashing import CHEAP, use_hasher

PATH = "/v1/member-sessions"
CARD, PASSCODE, BADGE = "04:A2:B3:1C", "correct mare 42", "101"


@pytest.fixture
def known(county: County) -> County:
    """The county with a cheap hasher, so that many attempts take no time."""
    use_hasher(county)
    return county


async def bind(county: County, **body: Any) -> str:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        response = await client.post(f"/v1/members/{county.own.member_id}/credentials", json=body)
    assert response.status_code == 201, response.text
    credential_id: str = response.json()["credential_id"]
    return credential_id


async def bind_card(county: County) -> str:
    return await bind(county, credential_kind="card", card_value=CARD)


async def bind_passcode(county: County) -> str:
    return await bind(county, credential_kind="passcode", passcode=PASSCODE)


def whip(county: County) -> httpx.AsyncClient:
    return county.client(county.own.keys[Role.CONTROLLER])


async def test_a_scanned_card_becomes_a_handle_bound_to_the_station(known: County) -> None:
    await bind_card(known)
    before = datetime.now(UTC)
    async with whip(known) as client:
        opened = await client.post(PATH, json={"card_value": "04A2B31C\r\n"})
    assert opened.status_code == 201, opened.text
    answer = opened.json()
    assert answer["member_id"] == str(known.own.member_id)
    assert answer["may_fill"] == ["scba", "scuba", "storage"]
    session = known.parts.member_sessions.verify(answer["member_session"], datetime.now(UTC))
    assert isinstance(session, MemberSession)
    assert (session.member_id, session.credential_kind) == (known.own.member_id, "card")
    assert (session.station_id, session.department_id) == (known.own.station_id, known.own.department_id)
    assert session.expires_at == datetime.fromisoformat(answer["expires_at"])
    assert abs(session.expires_at - before - MEMBER_SESSION_LIFETIME) < timedelta(seconds=30)


async def test_a_passcode_is_checked_for_the_member_named_by_badge_or_id(known: County) -> None:
    await bind_passcode(known)
    async with whip(known) as client:
        for who in ({"badge_number": " 101"}, {"member_id": str(known.own.member_id)}):
            opened = await client.post(PATH, json={**who, "passcode": PASSCODE})
            assert opened.status_code == 201, opened.text
            assert opened.json()["member_id"] == str(known.own.member_id)


async def test_may_fill_follows_the_authorisation(known: County) -> None:
    await bind_card(known)
    member_id = known.own.member_id
    today = datetime.now(ZoneInfo("America/New_York")).date()
    async with whip(known) as client:

        async def may_fill(**authorisation: Any) -> list[str]:
            await known.record(MemberAuthorised(member_id=member_id, **authorisation))
            kinds: list[str] = (await client.post(PATH, json={"card_value": CARD})).json()["may_fill"]
            return kinds

        assert await may_fill(kinds=("scba",), through=today.isoformat()) == ["scba"]
        assert await may_fill(kinds=("scba",), station_ids=(known.own.station_id,)) == ["scba"]
        assert await may_fill(kinds=()) == []


async def test_another_station_or_an_ended_day_authorises_nothing(known: County) -> None:
    await bind_card(known)
    member_id = known.own.member_id
    ended = datetime.now(UTC) - timedelta(days=90)
    async with whip(known) as client:
        # What a department's record may hold by an import of earlier years: recorded as of then.
        await known.record(
            MemberAuthorised(member_id=member_id, kinds=("scba",), through=f"{ended:%Y-%m-%d}"), occurred_at=ended
        )
        assert (await client.post(PATH, json={"card_value": CARD})).json()["may_fill"] == []


async def test_unknown_and_wrong_are_answered_alike(known: County) -> None:
    await bind_passcode(known)
    async with whip(known) as client:
        answers = [
            problem_in(await client.post(PATH, json=body), 422, "member-not-identified")
            for body in (
                {"badge_number": BADGE, "passcode": "wrong mare 42"},
                {"badge_number": "999", "passcode": PASSCODE},
                {"member_id": str(uuid.uuid4()), "passcode": PASSCODE},
                {"member_id": str(known.own.member_id), "passcode": "wrong mare 42"},
            )
        ]
    told = [{name: value for name, value in answer.items() if name != "request_id"} for answer in answers]
    assert all(answer == told[0] for answer in told)


async def test_an_unknown_member_costs_a_hash_as_a_known_one_does(known: County) -> None:
    checked: list[str | None] = []

    class Watching(PasscodeHasher):
        async def verify(self, stored: str | None, passcode: str) -> PasscodeCheck:
            checked.append(stored)
            return await super().verify(stored, passcode)

    use_hasher(known, Watching(CHEAP))
    await bind_passcode(known)
    async with whip(known) as client:
        await client.post(PATH, json={"badge_number": BADGE, "passcode": "wrong mare 42"})
        await client.post(PATH, json={"badge_number": "999", "passcode": "wrong mare 42"})
    assert [stored is None for stored in checked] == [False, True]


async def test_revoked_replaced_and_inactive_are_refused(known: County) -> None:
    credential_id = await bind_card(known)
    await bind_passcode(known)
    await bind(known, credential_kind="passcode", passcode="newer mare 43")
    revocation = f"/v1/members/{known.own.member_id}/credentials/{credential_id}/revocations"
    async with known.client(known.own.keys[Role.OFFICER]) as client:
        assert (await client.post(revocation, json={"reason": "lost"})).status_code == 201
    async with whip(known) as client:
        revoked = await client.post(PATH, json={"card_value": CARD})
        replaced = await client.post(PATH, json={"badge_number": BADGE, "passcode": PASSCODE})
        newer = await client.post(PATH, json={"badge_number": BADGE, "passcode": "newer mare 43"})
        await known.record(MemberDeactivated(member_id=known.own.member_id))
        inactive = await client.post(PATH, json={"badge_number": BADGE, "passcode": "newer mare 43"})
        silent = await client.post(PATH, json={"badge_number": BADGE, "passcode": "wrong mare 42"})
    assert places(problem_in(revoked, 422, "member-not-identified")) == {("/card_value", "card-unknown")}
    assert places(problem_in(replaced, 422, "member-not-identified")) == {("/passcode", "passcode-wrong")}
    assert newer.status_code == 201
    assert places(problem_in(inactive, 422, "member-not-identified")) == {("/passcode", "member-inactive")}
    # Whether a member is active is told only to who knows the passcode.
    assert places(problem_in(silent, 422, "member-not-identified")) == {("/passcode", "passcode-wrong")}


async def test_a_card_of_two_members_identifies_neither(known: County) -> None:
    await bind_card(known)
    async with known.client(known.own.keys[Role.OFFICER]) as client:
        other = (await client.post("/v1/members", json={"name": "Second Holder"})).json()["subject_id"]
    # At the desk it would be refused; two stations without a network may each have bound it.
    secret = encode_secret(CardSecret(value="04A2B31C"))
    await known.record(
        CredentialBound(member_id=uuid.UUID(other), credential_id=uuid.uuid4(), credential_kind="card", secret=secret)
    )
    async with whip(known) as client:
        refused = await client.post(PATH, json={"card_value": CARD})
    assert places(problem_in(refused, 422, "member-not-identified")) == {("/card_value", "card-ambiguous")}


async def test_after_some_wrong_passcodes_the_member_has_to_wait(known: County, owner_connection: Any) -> None:
    await bind_passcode(known)
    wrong = {"badge_number": BADGE, "passcode": "wrong mare 42"}
    async with whip(known) as client:
        for _ in range(PASSCODE_FAILURES_BEFORE_PAUSE):
            problem_in(await client.post(PATH, json=wrong), 422, "member-not-identified")
        locked = await client.post(PATH, json={"badge_number": BADGE, "passcode": PASSCODE})
        by_id = await client.post(PATH, json={"member_id": str(known.own.member_id), "passcode": PASSCODE})
        problem_in(locked, 429, "credential-locked")
        problem_in(by_id, 429, "credential-locked")
        assert 1 <= int(locked.headers["retry-after"]) <= 60
        await owner_connection.execute("UPDATE access.credential_attempt SET locked_until = now()")
        after = await client.post(PATH, json={"badge_number": BADGE, "passcode": PASSCODE})
        fresh = await client.post(PATH, json=wrong)
    assert after.status_code == 201, after.text
    problem_in(fresh, 422, "member-not-identified")
    assert await owner_connection.fetchval("SELECT failures FROM access.credential_attempt") == 1


async def test_guesses_sent_at_once_are_no_more_than_those_sent_in_turn(known: County) -> None:
    await bind_passcode(known)
    checked = 0

    class Counting(PasscodeHasher):
        async def verify(self, stored: str | None, passcode: str) -> PasscodeCheck:
            nonlocal checked
            checked += 1
            return await super().verify(stored, passcode)

    use_hasher(known, Counting(CHEAP))
    async with whip(known) as client:
        guesses = [client.post(PATH, json={"badge_number": BADGE, "passcode": f"guess {n}"}) for n in range(20)]
        answers = await asyncio.gather(*guesses)
    assert checked == PASSCODE_FAILURES_BEFORE_PAUSE
    assert sorted(answer.status_code for answer in answers) == [422] * 5 + [429] * 15


async def test_a_new_passcode_opens_an_account_that_was_closed_for_good(known: County, owner_connection: Any) -> None:
    await bind_passcode(known)
    attempt = {"badge_number": BADGE, "passcode": PASSCODE}
    async with whip(known) as client:
        await client.post(PATH, json={**attempt, "passcode": "wrong mare 42"})
        await owner_connection.execute(
            "UPDATE access.credential_attempt SET failures = $1", MAXIMUM_CONSECUTIVE_FAILURES - 1
        )
        last = await client.post(PATH, json={**attempt, "passcode": "wrong mare 42"})
        closed = await client.post(PATH, json=attempt)
        await bind_passcode(known)
        opened = await client.post(PATH, json=attempt)
    problem_in(last, 422, "member-not-identified")
    # NIST SP 800-63B (revision 3), 5.2.2: no more than 100 consecutive failed attempts.
    assert "new passcode" in problem_in(closed, 429, "credential-locked")["detail"]
    assert opened.status_code == 201, opened.text


async def test_unknown_cards_make_the_station_wait_and_a_known_one_costs_no_write(
    known: County, owner_connection: Any
) -> None:
    await bind_card(known)
    async with whip(known) as client:
        await client.post(PATH, json={"card_value": CARD})
        assert await owner_connection.fetchval("SELECT count(*) FROM access.credential_attempt") == 0
        await client.post(PATH, json={"card_value": "unknown"})
        await owner_connection.execute(
            "UPDATE access.credential_attempt SET failures = $1", CARD_FAILURES_BEFORE_PAUSE - 1
        )
        last = await client.post(PATH, json={"card_value": "unknown too"})
        waiting = await client.post(PATH, json={"card_value": CARD})
    problem_in(last, 422, "member-not-identified")
    problem_in(waiting, 429, "credential-locked")


async def test_a_known_card_ends_the_row_of_unknown_ones_and_no_row_closes_the_station(
    known: County, owner_connection: Any
) -> None:
    await bind_card(known)
    async with whip(known) as client:
        await client.post(PATH, json={"card_value": "unknown"})
        assert (await client.post(PATH, json={"card_value": CARD})).status_code == 201
        assert await owner_connection.fetchval("SELECT count(*) FROM access.credential_attempt") == 0
        await client.post(PATH, json={"card_value": "unknown"})
        many = MAXIMUM_CONSECUTIVE_FAILURES + 1
        await owner_connection.execute("UPDATE access.credential_attempt SET failures = $1", many)
        await client.post(PATH, json={"card_value": "unknown too"})
        assert await owner_connection.fetchval("SELECT failures FROM access.credential_attempt") == many + 1
        assert (await client.post(PATH, json={"card_value": CARD})).status_code == 201


async def test_an_attempt_that_was_not_checked_does_not_count(known: County, owner_connection: Any) -> None:
    await bind_passcode(known)

    class Full(PasscodeHasher):
        async def verify(self, stored: str | None, passcode: str) -> PasscodeCheck:
            raise HashingBusy

    use_hasher(known, Full(CHEAP))
    async with whip(known) as client:
        busy = await client.post(PATH, json={"badge_number": BADGE, "passcode": PASSCODE})
    problem_in(busy, 503, "passcode-checks-busy")
    assert int(busy.headers["retry-after"]) >= 1
    assert await owner_connection.fetchval("SELECT failures FROM access.credential_attempt") == 0


def test_pauses_grow_and_have_an_end() -> None:
    pauses = [pause_after(count) for count in range(1, 60)]
    assert pauses == sorted(pauses)
    assert pauses[0] < timedelta(minutes=5)
    assert pauses[-1] == LONGEST_PAUSE


async def test_no_secret_reaches_the_log_or_an_answer(known: County) -> None:
    await bind_passcode(known)
    tried = [
        {"badge_number": BADGE, "passcode": PASSCODE},
        {"badge_number": BADGE, "passcode": "wrong mare 42"},
        {"card_value": "LOGGED-CARD", "passcode": PASSCODE},
        {"card_value": "LOGGED-CARD"},
        {"badge_number": BADGE, "passcode": [PASSCODE]},
    ]
    texts: list[str] = []
    with structlog.testing.capture_logs() as lines:
        async with whip(known) as client:
            texts = [(await client.post(PATH, json=body)).text for body in tried]
    everything = f"{lines}{texts}"
    assert len([line for line in lines if line["event"] == "request"]) == len(tried)
    for secret in (PASSCODE, "wrong mare", "LOGGED-CARD", "Avery"):
        assert secret not in everything


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({}, {("/passcode", "missing-field")}),
        ({"passcode": PASSCODE}, {("", "missing-field")}),
        (
            {"card_value": "1", "member_id": str(uuid.uuid4()), "passcode": "x"},
            {("/member_id", "not-together"), ("/passcode", "not-together")},
        ),
        ({"badge_number": "1", "member_id": str(uuid.uuid4()), "passcode": "x"}, {("/member_id", "not-together")}),
    ],
)
async def test_a_body_that_names_none_or_two_is_told_where(
    known: County, body: dict[str, str], expected: set[tuple[str, str]]
) -> None:
    async with whip(known) as client:
        response = await client.post(PATH, json=body)
    assert places(problem_in(response, 422, "invalid-body")) == expected


async def test_only_a_controller_opens_a_session_and_only_for_its_own_members(known: County) -> None:
    await bind_card(known)
    for key in (known.own.keys[Role.OFFICER], known.keys[Role.INTEGRATOR]):
        async with known.client(key) as client:
            problem_in(await client.post(PATH, json={"card_value": CARD}), 403, "not-permitted")
    async with known.client(known.neighbour.keys[Role.CONTROLLER]) as client:
        elsewhere = await client.post(PATH, json={"card_value": CARD})
    assert places(problem_in(elsewhere, 422, "member-not-identified")) == {("/card_value", "card-unknown")}


async def test_a_card_bound_at_the_station_opens_a_session_and_a_passcode_in_a_fact_is_kept_out(
    known: County, owner_connection: Any
) -> None:
    def fact(kind: str, secret: str) -> dict[str, Any]:
        return {
            "type": "credential.bound",
            "type_version": 1,
            "event_id": str(uuid.uuid4()),
            "occurred_at": (datetime.now(UTC) - timedelta(minutes=1)).isoformat(),
            "body": {
                "member_id": str(known.own.member_id),
                "credential_id": str(uuid.uuid4()),
                "credential_kind": kind,
                "secret": secret,
            },
        }

    facts = [fact("card", "04:a2:b3:1c\r\n"), fact("passcode", "plain mare 99")]
    batch = {"device_now": datetime.now(UTC).isoformat(), "device_software": "panel 1", "facts": facts}
    async with whip(known) as client:
        taken = await client.post("/v1/intake", json=batch)
        opened = await client.post(PATH, json={"card_value": "04A2B31C"})
        refused = await client.post(PATH, json={"badge_number": BADGE, "passcode": "plain mare 99"})
    assert [result["outcome"] for result in taken.json()["results"]] == ["created", "quarantined"], taken.text
    assert "plain mare" not in taken.text
    assert opened.status_code == 201, opened.text
    problem_in(refused, 422, "member-not-identified")
    await owner_connection.execute("SET ROLE fill_ledger_owner")
    everything = await owner_connection.fetch("SELECT canonical FROM ledger.event")
    assert not any(b"plain mare" in row["canonical"] or b"04A2B31C" in row["canonical"] for row in everything)
