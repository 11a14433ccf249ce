"""Credentials over HTTP: bound, repeated, replaced, revoked; secrets are shown once or never."""

import asyncio
import uuid
from typing import Any

import httpx
import pytest

from fill_ledger.intake.credential_facts import CredentialNotTaken, credential_of_device
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.events.envelope import SealedReference
from fill_ledger.trade.events.members import CredentialBound, CredentialKind
from tests.api.clients import places, problem_in
from tests.support.county import County
from tests.support.hashing import use_hasher

CARD = {"credential_kind": "card", "card_value": "04:a2:b3:1c"}
PASSCODE = {"credential_kind": "passcode", "passcode": "correct mare 42"}


def credentials_path(county: County) -> str:
    return f"/v1/members/{county.own.member_id}/credentials"


async def standing(client: httpx.AsyncClient, county: County) -> list[tuple[str, bool]]:
    shown: dict[str, Any] = (await client.get(f"/v1/members/{county.own.member_id}")).json()
    return [(known["credential_kind"], known["ends_at"] is None) for known in shown["credentials"]]


async def test_a_card_is_bound_once_however_its_reader_writes_it(county: County) -> None:
    event_id = str(uuid.uuid4())
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post(credentials_path(county), json={**CARD, "event_id": event_id})
        again = await client.post(
            credentials_path(county), json={**CARD, "card_value": "04A2B31C", "event_id": event_id}
        )
        other = await client.post(credentials_path(county), json={**CARD, "card_value": "05", "event_id": event_id})
        assert await standing(client, county) == [("card", True)]
    assert (first.status_code, again.status_code) == (201, 200), again.text
    assert first.json()["credential_id"] == again.json()["credential_id"]
    assert CARD["card_value"] not in first.text
    assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}


async def test_a_card_in_use_is_not_bound_to_another_member(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        bound = await client.post(credentials_path(county), json=CARD)
        other = (await client.post("/v1/members", json={"name": "Second Holder"})).json()["subject_id"]
        taken = await client.post(f"/v1/members/{other}/credentials", json=CARD)
        revocation = f"{credentials_path(county)}/{bound.json()['credential_id']}/revocations"
        revoked = await client.post(revocation, json={"reason": "lost"})
        twice = await client.post(revocation, json={"reason": "lost"})
        free = await client.post(f"/v1/members/{other}/credentials", json=CARD)
        assert await standing(client, county) == [("card", False)]
    assert places(problem_in(taken, 409, "conflict")) == {("/card_value", "card-taken")}
    assert revoked.status_code == 201
    assert places(problem_in(twice, 409, "conflict")) == {("/credential_id", "credential-unknown")}
    assert free.status_code == 201, free.text


async def test_a_revocation_before_the_binding_is_refused(county: County) -> None:
    # Folded in the order of time it would end nothing, and the card would go on working.
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        bound = await client.post(credentials_path(county), json=CARD)
        path = f"{credentials_path(county)}/{bound.json()['credential_id']}/revocations"
        early = await client.post(path, json={"occurred_at": "2020-01-01T00:00:00Z"})
    assert places(problem_in(early, 422, "not-processable")) == {("/occurred_at", "too-early")}


async def test_a_chosen_passcode_is_bound_once_and_replaces_the_one_before(county: County) -> None:
    use_hasher(county)
    body = {**PASSCODE, "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post(credentials_path(county), json=body)
        again = await client.post(credentials_path(county), json=body)
        other = await client.post(credentials_path(county), json={**body, "passcode": "another mare 43"})
        await client.post(credentials_path(county), json={**PASSCODE, "passcode": "another mare 43"})
        assert await standing(client, county) == [("passcode", False), ("passcode", True)]
    assert (first.status_code, again.status_code) == (201, 200), again.text
    assert first.json()["passcode"] is None
    assert again.json()["ledger_position"] == first.json()["ledger_position"]
    assert places(problem_in(other, 409, "conflict")) == {("/event_id", "event-id-taken")}


async def test_a_passcode_sent_twice_at_once_is_bound_once(county: County) -> None:
    use_hasher(county)
    body = {"credential_kind": "passcode", "event_id": str(uuid.uuid4())}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        answers = await asyncio.gather(*(client.post(credentials_path(county), json=body) for _ in range(4)))
        assert await standing(client, county) == [("passcode", True)]
    assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 201]
    assert len({answer.json()["credential_id"] for answer in answers}) == 1
    assert len([answer for answer in answers if answer.json()["passcode"] is not None]) == 1


async def test_a_drawn_passcode_is_shown_once(county: County) -> None:
    use_hasher(county)
    body = {"credential_kind": "passcode"}
    headers = {"idempotency-key": "draw-one"}
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        first = await client.post(credentials_path(county), json=body, headers=headers)
        again = await client.post(credentials_path(county), json=body, headers=headers)
        reused = await client.post(credentials_path(county), json=PASSCODE, headers=headers)
    # NIST SP 800-63B (revision 3), 5.1.1.1: at least six characters where the verifier draws it.
    assert first.status_code == 201
    assert len(first.json()["passcode"]) == 6
    assert (again.status_code, again.json()["passcode"]) == (200, None)
    problem_in(reused, 422, "idempotency-key-reused")


@pytest.mark.parametrize(
    ("body", "status", "code", "place"),
    [
        ({**PASSCODE, "passcode": "short"}, 422, "not-processable", "/passcode"),
        ({**PASSCODE, "passcode": "12345678"}, 422, "not-processable", "/passcode"),
        ({**CARD, "card_value": " \t "}, 422, "not-processable", "/card_value"),
        ({**CARD, "card_value": "a\x07b"}, 422, "not-processable", "/card_value"),
        ({**CARD, "passcode": "correct mare 42"}, 422, "invalid-body", "/passcode"),
        ({"credential_kind": "finger"}, 422, "invalid-body", "/credential_kind"),
        ({"card_value": "0042"}, 422, "invalid-body", "/credential_kind"),
    ],
)
async def test_what_cannot_be_a_credential_is_refused(
    county: County, body: dict[str, str], status: int, code: str, place: str
) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        response = await client.post(credentials_path(county), json=body)
    document = problem_in(response, status, code)
    assert place in {found for found, _ in places(document)}
    for secret in (body.get("passcode"), body.get("card_value")):
        assert secret is None or secret.strip() == "" or secret not in response.text


def test_a_device_may_bind_a_card_and_never_a_passcode() -> None:
    def bound(kind: CredentialKind, secret: str | SealedReference | None) -> CredentialBound:
        return CredentialBound(
            member_id=uuid.UUID(int=2), credential_id=uuid.UUID(int=3), credential_kind=kind, secret=secret
        )

    taken = credential_of_device(bound("card", "04:a2:b3:1c\r\n"))
    assert taken.secret == '{"kind":"card","value":"04A2B31C"}'
    reference = SealedReference(record_id=uuid.UUID(int=4), digest="0" * 64)
    for refused in (bound("passcode", "482913"), bound("card", None), bound("card", " "), bound("card", reference)):
        with pytest.raises(CredentialNotTaken) as caught:
            credential_of_device(refused)
        assert "482913" not in str(caught.value)
