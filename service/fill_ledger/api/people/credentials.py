"""Credentials of members: cards and passcodes. What is scanned or chosen is sealed, and shown to nobody again."""

import uuid
from typing import Annotated, Literal

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    RECEIPT_EXAMPLE,
    Entry,
    EventIdSource,
    Receipt,
    department_of,
    event_id_for,
    record_entry,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import answer, post
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.parts import parts_of
from fill_ledger.api.people.identification import attempt_subject, cards_in_use
from fill_ledger.api.people.member_names import names_of_one
from fill_ledger.api.recorded_entries import receipt_of_recorded, recorded_event
from fill_ledger.api.states import KnownState, read_state
from fill_ledger.intake.credential_attempts import forget_failures
from fill_ledger.ledger.credentials import (
    MAXIMUM_CARD_VALUE,
    CardSecret,
    CardUnreadable,
    CredentialSecret,
    PasscodeSecret,
    decode_secret,
    encode_secret,
    normal_card_value,
)
from fill_ledger.ledger.passcodes import (
    MAXIMUM_LENGTH,
    HashingBusy,
    PasscodeUnacceptable,
    check_chosen_passcode,
    draw_passcode,
)
from fill_ledger.ledger.read import RecordedEvent
from fill_ledger.ledger.sealed_bodies import open_body
from fill_ledger.trade.events.members import CredentialBound, CredentialRevoked
from fill_ledger.trade.identifiers import Subject, SubjectKind, derived_id

# What a person types may be too long, or no text at all: the rules of passcodes say so in words, so the bound is wider.
MAXIMUM_TYPED = 2 * MAXIMUM_LENGTH
SHOWN_ONCE = "Shown in this answer only; null on a repeat."

CardValue = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_CARD_VALUE, description="As the reader sends it.")]
Passcode = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_TYPED)]


class NewCard(Entry, frozen=True, kw_only=True, tag_field="credential_kind", tag="card"):
    """A scanned card to bind to the member."""

    card_value: CardValue

    def __repr__(self) -> str:
        return "NewCard(...)"


class NewPasscode(Entry, frozen=True, kw_only=True, tag_field="credential_kind", tag="passcode"):
    """A passcode for the member, in place of the one before. Left out: the service draws one and shows it once."""

    passcode: Passcode | None = None

    def __repr__(self) -> str:
        return "NewPasscode(...)"


class CredentialReceipt(Receipt, frozen=True, kw_only=True):
    """The receipt of a bound credential; `subject_id` is the member."""

    credential_id: uuid.UUID
    # No default: a field with one is left out of receipts, and this one shall say plainly that it is null.
    passcode: Annotated[str, Meta(max_length=16, description=f"The passcode that was drawn. {SHOWN_ONCE}")] | None


EXAMPLE = CredentialReceipt(
    **msgspec.structs.asdict(RECEIPT_EXAMPLE),
    credential_id=uuid.UUID("9c5d3f0e-0d3f-4b2e-8f3c-6a1b2c3d4e5f"),
    passcode=None,
)


@post(
    "/v1/members/{member_id}/credentials",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Bind a card or a passcode to a member",
    answers=(
        answer(CredentialReceipt, "The credential is bound.", status=201, example=EXAMPLE),
        answer(CredentialReceipt, "The same credential was bound already.", status=200, example=EXAMPLE),
    ),
    body_example=NewCard(card_value="04:A2:B3:1C"),
    problems=(*ENTRY_PROBLEMS, problem_types.PASSCODE_CHECKS_BUSY),
    request_headers=(IDEMPOTENCY_KEY,),
)
async def bind_credential(
    request: AnyRequest, member_id: uuid.UUID, body: NewCard | NewPasscode, principal: Principal
) -> Reply[CredentialReceipt]:
    """Bind a credential. A card is found by a keyed digest; of a passcode only an argon2id hash is kept, encrypted.

    A chosen passcode has at least 8 characters; one that the service draws has 6 digits (NIST SP 800-63B, 5.1.1.1).
    """
    known = await read_state(request, principal, Subject(SubjectKind.MEMBER, member_id))
    source = event_id_for(request, principal, body.event_id)
    if isinstance(body, NewCard):
        secret: CredentialSecret = await _card(request, known, member_id, body)
        return await _record(request, principal, known.department_id, body, source, member_id, secret)
    recorded = await recorded_event(request, known.department_id, source.event_id)
    if recorded is not None:
        return await _passcode_again(request, known.department_id, member_id, body, recorded, source)
    passcode = await _acceptable(request, known, body)
    secret = PasscodeSecret(argon2id=await _hashed(request, passcode))
    try:
        reply = await _record(request, principal, known.department_id, body, source, member_id, secret)
    except Problem:
        # The same entry may have come in a second time while its hash was being made.
        recorded = await recorded_event(request, known.department_id, source.event_id)
        if recorded is None:
            raise
        return await _passcode_again(request, known.department_id, member_id, body, recorded, source)
    parts = parts_of(request)
    async with parts.database.writes.acquire() as connection:
        await forget_failures(connection, known.department_id, attempt_subject(parts.vault, str(member_id)))
    if body.passcode is None:
        shown = msgspec.structs.replace(reply.value, passcode=passcode)
        return Reply(shown, status=reply.status, headers=reply.headers)
    return reply


async def _card(request: AnyRequest, known: KnownState, member_id: uuid.UUID, body: NewCard) -> CardSecret:
    try:
        value = normal_card_value(body.card_value)
    except CardUnreadable as unreadable:
        raise _fault("card-unreadable", f"{str(unreadable).capitalize()}.", "/card_value") from None
    parts = parts_of(request)
    async with parts.database.lookups.acquire() as connection:
        holders = await cards_in_use(parts.vault, connection, known.department_id, value)
    if any(holder.subject_id != member_id for holder in holders):
        detail = "The card is bound to another member. Revoke it there first."
        fault = Fault(code="card-taken", detail=detail, pointer="/card_value")
        raise Problem(problem_types.CONFLICT, detail, errors=[fault])
    return CardSecret(value=value)


async def _acceptable(request: AnyRequest, known: KnownState, body: NewPasscode) -> str:
    if body.passcode is None:
        return draw_passcode()
    names = await names_of_one(request, known.department_id, known.state)
    try:
        check_chosen_passcode(body.passcode, badge_number=names.badge_number)
    except PasscodeUnacceptable as unacceptable:
        raise _fault("passcode-unacceptable", f"{str(unacceptable).capitalize()}.", "/passcode") from None
    return body.passcode


async def _hashed(request: AnyRequest, passcode: str) -> str:
    try:
        return await parts_of(request).passcode_hasher.hash(passcode)
    except HashingBusy as busy:
        raise busy_problem(busy) from None


def busy_problem(busy: HashingBusy) -> Problem:
    """Return the problem of a service that has too many passcodes to check."""
    return Problem(
        problem_types.PASSCODE_CHECKS_BUSY,
        "Too many passcodes are being checked at this moment. Try again shortly.",
        headers={"Retry-After": str(busy.retry_after_seconds)},
    )


async def _record(
    request: AnyRequest,
    principal: Principal,
    department_id: uuid.UUID,
    body: NewCard | NewPasscode,
    source: EventIdSource,
    member_id: uuid.UUID,
    secret: CredentialSecret,
) -> Reply[CredentialReceipt]:
    credential_id = _credential_id(source)
    event = CredentialBound(
        member_id=member_id,
        credential_id=credential_id,
        credential_kind="card" if isinstance(secret, CardSecret) else "passcode",
        secret=encode_secret(secret),
    )
    reply = await record_entry(request, principal, department_id, body, event, subject_id=member_id, source=source)
    receipt = CredentialReceipt(**msgspec.structs.asdict(reply.value), credential_id=credential_id, passcode=None)
    return Reply(receipt, status=reply.status, headers=reply.headers)


def _credential_id(source: EventIdSource) -> uuid.UUID:
    return derived_id("credential", source.event_id)


async def _passcode_again(
    request: AnyRequest,
    department_id: uuid.UUID,
    member_id: uuid.UUID,
    body: NewPasscode,
    recorded: RecordedEvent,
    source: EventIdSource,
) -> Reply[CredentialReceipt]:
    """Answer a repeat: the hash of the same passcode differs each time, so the entry cannot be compared as others are.

    A drawn passcode cannot be drawn again, so a repeat that asks for one is told that it is on record.
    """
    stored = recorded.event.body
    is_same = (
        isinstance(stored, CredentialBound)
        and stored.member_id == member_id
        and stored.credential_kind == "passcode"
        and (body.passcode is None or await _has_passcode(request, department_id, stored, body.passcode))
    )
    if not is_same:
        kind = problem_types.IDEMPOTENCY_KEY_REUSED if source.from_key else problem_types.CONFLICT
        detail = "Another event has this event_id."
        raise Problem(kind, detail, errors=[Fault(code="event-id-taken", detail=detail, pointer="/event_id")])
    receipt = await receipt_of_recorded(request, department_id, recorded, member_id)
    again = CredentialReceipt(**msgspec.structs.asdict(receipt), credential_id=_credential_id(source), passcode=None)
    return Reply(again, status=200, headers={"Idempotency-Hit": "true"})


async def _has_passcode(request: AnyRequest, department_id: uuid.UUID, stored: CredentialBound, passcode: str) -> bool:
    parts = parts_of(request)
    async with parts.database.lookups.acquire() as connection:
        opened = await open_body(
            parts.vault.sealer, stored, department_id, parts.vault.loader(connection, department_id)
        )
    text = opened.body.secret
    secret = decode_secret(text) if isinstance(text, str) else None
    if not isinstance(secret, PasscodeSecret):
        return False
    try:
        return (await parts.passcode_hasher.verify(secret.argon2id, passcode)).matches
    except HashingBusy as busy:
        raise busy_problem(busy) from None


def _fault(code: str, detail: str, pointer: str) -> Problem:
    return Problem(problem_types.NOT_PROCESSABLE, detail, errors=[Fault(code=code, detail=detail, pointer=pointer)])


class CredentialRevocation(Entry, frozen=True, kw_only=True):
    """Why, in one word: free text might name a person."""

    reason: Literal["lost", "left", "replaced", "misused", "other"] = "other"


@post(
    "/v1/members/{member_id}/credentials/{credential_id}/revocations",
    right=rights.MEMBERS_WRITE,
    tag="members",
    summary="Revoke a credential",
    answers=ENTRY_ANSWERS,
    body_example=CredentialRevocation(reason="lost"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def revoke_credential(
    request: AnyRequest,
    member_id: uuid.UUID,
    credential_id: uuid.UUID,
    body: CredentialRevocation,
    principal: Principal,
) -> Reply[Receipt]:
    """Revoke a card or passcode: it identifies nobody from then on. Sessions that are open end by themselves."""
    department_id = await department_of(request, principal, Subject(SubjectKind.MEMBER, member_id))
    event = CredentialRevoked(member_id=member_id, credential_id=credential_id, reason=body.reason)
    return await record_entry(request, principal, department_id, body, event, subject_id=member_id)


HANDLERS: list[HTTPRouteHandler] = [bind_credential, revoke_credential]
