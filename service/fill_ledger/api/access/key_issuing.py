"""Recording a new key and answering with it once. A repeat is recognised, and cannot show the key again."""

import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated

import msgspec
from msgspec import Meta

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import RECEIPT_EXAMPLE, EventIdSource, Receipt, receipt, record, refusal_problem
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.recorded_entries import receipt_of_recorded, recorded_event
from fill_ledger.intake.claims import Claim
from fill_ledger.ledger.access_keys import ACCESS_KEY_LENGTH, AccessKey
from fill_ledger.ledger.read import RecordedEvent
from fill_ledger.trade.events.county import KeyIssued
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import COUNTY_ID, derived_id

SHOWN_NOW = "Keep the key now: it is shown in this answer only."
SHOWN_BEFORE = "The key was shown when it was issued and cannot be shown again; if it was lost, revoke it."


class KeyReceipt(Receipt, frozen=True, kw_only=True):
    """The receipt of an issued key; `subject_id` is its principal."""

    key_id: uuid.UUID
    # No defaults: fields with one are left out of receipts, and null shall be said plainly here.
    plain_key: (
        Annotated[
            str,
            Meta(
                max_length=ACCESS_KEY_LENGTH,
                description="What to send as 'Authorization: Bearer'. Shown once; null on a repeat.",
            ),
        ]
        | None
    )
    expires_at: Moment | None
    note: Annotated[str, Meta(max_length=200, description="Whether the key is shown, in words.")]

    def __repr__(self) -> str:
        return f"KeyReceipt(key_id={self.key_id})"  # a key must not reach a log by accident


KEY_RECEIPT_EXAMPLE = KeyReceipt(
    **msgspec.structs.asdict(RECEIPT_EXAMPLE),
    key_id=uuid.UUID("9c5d3f0e-0d3f-4b2e-8f3c-6a1b2c3d4e5f"),
    plain_key=None,
    expires_at=None,
    note=SHOWN_BEFORE,
)
KEY_ANSWERS = (
    answer(KeyReceipt, "The key, in this answer only.", status=201, example=KEY_RECEIPT_EXAMPLE),
    answer(KeyReceipt, "The same key was issued before; not shown again.", status=200, example=KEY_RECEIPT_EXAMPLE),
)


class Entered(msgspec.Struct, frozen=True, kw_only=True):
    """One event of a request, under its own id, and how a recorded one is recognised as the same."""

    event_id: uuid.UUID
    body: Body
    is_same: Callable[[RecordedEvent], bool]


def key_id_of(source: EventIdSource) -> uuid.UUID:
    """Return the id of the key that an entry issues."""
    return derived_id("key", source.event_id)


def plainly(event_id: uuid.UUID, body: Body) -> Entered:
    """Return an event that is the same where its body is."""
    return Entered(event_id=event_id, body=body, is_same=lambda recorded: recorded.event.body == body)


def keyed(event_id: uuid.UUID, body: KeyIssued, *, with_expiry: bool = True) -> Entered:
    """Return the event of a new key: the same where all but the key itself is, whose digest is new each time.

    `with_expiry` False leaves out the expiry, which the service reckoned and would reckon otherwise now.
    """

    def is_same(recorded: RecordedEvent) -> bool:
        stored = recorded.event.body
        if not isinstance(stored, KeyIssued):
            return False
        expires_at = body.expires_at if with_expiry else stored.expires_at
        return stored == msgspec.structs.replace(body, key_digest=stored.key_digest, expires_at=expires_at)

    return Entered(event_id=event_id, body=body, is_same=is_same)


async def record_key(
    request: AnyRequest,
    operator: Principal,
    source: EventIdSource,
    entered: Sequence[Entered],
    key: AccessKey,
    issued: KeyIssued,
    *,
    pointers: Mapping[str, str] | None = None,
) -> Reply[KeyReceipt]:
    """Record a new key with what belongs to it, all or nothing: 201 with the key, or 200 without it on a repeat.

    `pointers` says where in the request a field of the events stands, where the names differ.

    Raises:
        Problem: 409 or 422 where the ledger contradicts it, with every reason.
    """
    claims = [
        Claim(event_id=event.event_id, body=event.body, recorded_by=operator.principal_id, entered=True)
        for event in entered
    ]
    recorded = await record(request, COUNTY_ID, claims, atomic=True)
    refusals = [refusal for outcome in recorded.outcomes for refusal in outcome.refusals]
    if not refusals:
        place = next(place for place, event in enumerate(entered) if event.body is issued)
        base = receipt(recorded, recorded.outcomes[place], issued.principal_id)
        return Reply(_with_key(base, source, issued, key.plain), status=201, headers={"Cache-Control": "no-store"})
    again = await _recorded_before(request, source, entered)
    if again is None:
        telling = [
            msgspec.structs.replace(refusal, pointer=(pointers or {}).get(refusal.pointer, refusal.pointer))
            for refusal in refusals
            if refusal.code != "not-taken-alone"
        ]
        raise refusal_problem(telling, from_key=source.from_key)
    return again


async def _recorded_before(
    request: AnyRequest, source: EventIdSource, entered: Sequence[Entered]
) -> Reply[KeyReceipt] | None:
    """Return the answer to a repeat; None where something else, or nothing, is on record under these ids."""
    found: RecordedEvent | None = None
    for event in entered:
        recorded = await recorded_event(request, COUNTY_ID, event.event_id)
        if recorded is None or not event.is_same(recorded):
            return None
        if isinstance(recorded.event.body, KeyIssued):
            found = recorded
    assert found is not None
    assert isinstance(found.event.body, KeyIssued)
    base = await receipt_of_recorded(request, COUNTY_ID, found, found.event.body.principal_id)
    return Reply(_with_key(base, source, found.event.body, None), status=200, headers={"Idempotency-Hit": "true"})


def _with_key(base: Receipt, source: EventIdSource, issued: KeyIssued, plain: str | None) -> KeyReceipt:
    fields = msgspec.structs.asdict(base) | {"event_id": source.event_id}
    return KeyReceipt(
        **fields,
        key_id=issued.key_id,
        plain_key=plain,
        expires_at=issued.expires_at,
        note=SHOWN_BEFORE if plain is None else SHOWN_NOW,
    )
