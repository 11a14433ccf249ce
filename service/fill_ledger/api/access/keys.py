"""`/v1/keys`: issued once, listed without their secret, rotated with an overlap, revoked at once."""

import uuid
from datetime import datetime, timedelta
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.key_issuing import KEY_ANSWERS, Entered, KeyReceipt, key_id_of, keyed, record_key
from fill_ledger.api.access.principal_entries import EndReason, KnownPrincipal, RightsEntry, known_principal
from fill_ledger.api.access.principal_views import (
    LISTED_KEY_EXAMPLE,
    KeyStandingWord,
    ListedKey,
    Scopes,
    listed_key,
    may_manage,
)
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.access.rights import ROLE_RIGHTS
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Receipt, event_id_for, record_entry
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.access_keys import make_access_key
from fill_ledger.ledger.read import RecordedEvent, seeing
from fill_ledger.trade.events.county import KeyIssued, KeyRevoked, Role
from fill_ledger.trade.identifiers import COUNTY_ID, derived_id
from fill_ledger.trade.states.county import Key

# Long enough to reach every truck of a county; longer, and the old key would never be missed (no source).
LONGEST_OVERLAP_HOURS = 30 * 24
USUAL_OVERLAP_HOURS = 24
# A repeat of a rotation reckons the end of the overlap anew; within this it is the same overlap.
OVERLAP_TOLERANCE = timedelta(minutes=5)

BY_ID = SortOrder(name="key", keys=(SortKey(column="access_key.key_id", kind="uuid"),))


class KeyQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of keys. `ends_before` finds keys that end by themselves or by a rotation before then."""

    principal_id: Annotated[uuid.UUID, Meta(description="Only keys of this principal.")] | None = None
    role: Annotated[Role, Meta(description="Only keys of principals of this role.")] | None = None
    department_id: (
        Annotated[uuid.UUID, Meta(description="Only keys that open this department, among others or all.")] | None
    ) = None
    station_id: Annotated[uuid.UUID, Meta(description="Only keys of controllers of this station.")] | None = None
    standing: Annotated[KeyStandingWord, Meta(description="current, ending (being replaced), or ended.")] | None = None
    ends_before: (
        Annotated[
            Moment,
            Meta(description="Only keys that end, or ended, before this time; keys without an end are left out."),
        ]
        | None
    ) = None


@get(
    "/v1/keys",
    right=rights.PRINCIPALS_READ,
    tag="keys",
    summary="List keys",
    answers=answer(Page[ListedKey], "One page of keys.", example=Page(items=[LISTED_KEY_EXAMPLE], next_cursor=None)),
)
async def list_keys(request: AnyRequest, query: KeyQuery, principal: Principal) -> Reply[Page[ListedKey]]:
    """Return keys with whose they are; neither a key nor its digest is ever shown."""
    window = open_window(request, query, BY_ID)
    after, arguments = window.after(9)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        rows = await connection.fetch(
            f"""
            SELECT access_key.key_id, principal_id, issued_at, ends_at, revoked_at, scopes, role, station_id,
                department_ids, principal_deactivated_at, clock_timestamp() AS now
            FROM views.access_key
            WHERE access_key.department_id = $1 AND role IS NOT NULL
                AND ($2::uuid[] IS NULL OR department_ids <@ $2)
                AND ($3::uuid IS NULL OR principal_id = $3) AND ($4::text IS NULL OR role = $4)
                AND ($5::uuid IS NULL OR department_ids IS NULL OR $5 = ANY (department_ids))
                AND ($6::uuid IS NULL OR station_id = $6)
                AND ($7::text IS NULL OR $7 = CASE
                    WHEN principal_deactivated_at IS NOT NULL OR ends_at <= clock_timestamp() THEN 'ended'
                    WHEN revoked_at IS NOT NULL THEN 'ending' ELSE 'current' END)
                AND ($8::timestamptz IS NULL OR ends_at < $8) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            COUNTY_ID,
            principal.department_ids,
            query.principal_id,
            query.role,
            query.department_id,
            query.station_id,
            query.standing,
            query.ends_before,
            *arguments,
        )
    return window.page(rows, listed_key)


async def _known_key(request: AnyRequest, operator: Principal, key_id: uuid.UUID) -> ListedKey:
    """Return a key that an operator may manage.

    Raises:
        Problem: 404 where there is none, or it opens more than the operator's departments.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        row = await connection.fetchrow(
            """
            SELECT *, clock_timestamp() AS now FROM views.access_key
            WHERE department_id = $1 AND key_id = $2 AND role IS NOT NULL
            """,
            COUNTY_ID,
            key_id,
        )
    if row is None or not may_manage(operator, row["department_ids"]):
        raise Problem(problem_types.NOT_FOUND, "No key has this id.")
    return listed_key(row)


@get(
    "/v1/keys/{key_id}",
    right=rights.PRINCIPALS_READ,
    tag="keys",
    summary="One key",
    answers=answer(ListedKey, "The key, without its secret.", example=LISTED_KEY_EXAMPLE),
)
async def read_key(request: AnyRequest, key_id: uuid.UUID, principal: Principal) -> ListedKey:
    """Return whose key it is, what it opens and until when."""
    return await _known_key(request, principal, key_id)


class NewKey(RightsEntry, frozen=True, kw_only=True):
    """A key for a principal. Without `expires_at` it ends only when it is revoked or rotated."""

    expires_at: Moment | None = None
    scopes: Scopes | None = None


@post(
    "/v1/principals/{principal_id}/keys",
    right=rights.PRINCIPALS_WRITE,
    tag="keys",
    summary="Issue a key",
    answers=KEY_ANSWERS,
    body_example=NewKey(scopes=("cylinders:read", "fills:read")),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def issue_key(
    request: AnyRequest, principal_id: uuid.UUID, body: NewKey, principal: Principal
) -> Reply[KeyReceipt]:
    """Issue a key of 256 random bits. It is shown in this answer only: the service keeps nothing but its SHA-256."""
    known = await known_principal(request, principal, principal_id)
    _check_scopes(known, body.scopes)
    source = event_id_for(request, principal, body.event_id)
    key = make_access_key()
    issued = KeyIssued(
        principal_id=principal_id,
        key_id=key_id_of(source),
        key_digest=key.digest.hex(),
        expires_at=body.expires_at,
        scopes=body.scopes,
    )
    return await record_key(request, principal, source, [keyed(source.event_id, issued)], key, issued)


def _check_scopes(known: KnownPrincipal, scopes: tuple[str, ...] | None) -> None:
    """Refuse scopes that the role does not have: they would open nothing, and the caller means something else.

    Raises:
        Problem: 422 not-processable with the place of each.
    """
    assert known.state.role is not None
    given = ROLE_RIGHTS[known.state.role]
    faults = [
        Fault(
            code="scope-not-of-role",
            detail=f"The role {known.state.role} does not have the right {scope}. It has: {', '.join(sorted(given))}.",
            pointer=f"/scopes/{place}",
        )
        for place, scope in enumerate(scopes or ())
        if scope not in given
    ]
    if faults:
        raise Problem(problem_types.NOT_PROCESSABLE, "Scopes may only narrow the rights of the role.", errors=faults)


class Rotation(RightsEntry, frozen=True, kw_only=True):
    """How long the old key goes on working. Without `expires_at` the new key lives as long as the old was to live."""

    overlap_hours: Annotated[int, Meta(ge=0, le=LONGEST_OVERLAP_HOURS, extra_json_schema={"format": "int32"})] = (
        USUAL_OVERLAP_HOURS
    )
    expires_at: Moment | None = None


@post(
    "/v1/keys/{key_id}/rotations",
    right=rights.PRINCIPALS_WRITE,
    tag="keys",
    summary="Replace a key",
    answers=KEY_ANSWERS,
    body_example=Rotation(overlap_hours=24),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def rotate_key(request: AnyRequest, key_id: uuid.UUID, body: Rotation, principal: Principal) -> Reply[KeyReceipt]:
    """Issue a new key with the same scopes; both work during the overlap, after it only the new one.

    The old key then reads `ending`: its `revoked_at` is the moment of the rotation, its `ends_at` the end of the
    overlap. Without an overlap (`overlap_hours` 0) both are that moment, and it reads `ended`.
    """
    listed = await _known_key(request, principal, key_id)
    known = await known_principal(request, principal, listed.principal_id)
    old = next(key for key in known.state.keys if key.key_id == key_id)
    source = event_id_for(request, principal, body.event_id)
    key = make_access_key()
    issued = KeyIssued(
        principal_id=listed.principal_id,
        key_id=key_id_of(source),
        key_digest=key.digest.hex(),
        expires_at=body.expires_at or _same_lifetime(old, known.now),
        scopes=old.scopes,
    )
    overlap = timedelta(hours=body.overlap_hours)
    entered = [
        keyed(source.event_id, issued, with_expiry=body.expires_at is not None),
        _overlapping_end(derived_id("rotation", source.event_id), issued.principal_id, key_id, known.now, overlap),
    ]
    return await record_key(request, principal, source, entered, key, issued)


def _same_lifetime(old: Key, now: datetime) -> datetime | None:
    if old.ends_at is None or old.revoked_at is not None:
        return None
    return now + (old.ends_at - old.issued_at)


def _overlapping_end(
    event_id: uuid.UUID, principal_id: uuid.UUID, key_id: uuid.UUID, now: datetime, overlap: timedelta
) -> Entered:
    """Return the end of a replaced key; a repeat is the same where key and overlap are, though it is reckoned anew."""
    ends_at = now + overlap if overlap else None
    body = KeyRevoked(principal_id=principal_id, key_id=key_id, ends_at=ends_at, reason="rotated")

    def is_same(recorded: RecordedEvent) -> bool:
        stored = recorded.event.body
        if not isinstance(stored, KeyRevoked) or stored.key_id != key_id or stored.reason != body.reason:
            return False
        given = timedelta(0) if stored.ends_at is None else stored.ends_at - recorded.event.effective_at
        return abs(given - overlap) < OVERLAP_TOLERANCE

    return Entered(event_id=event_id, body=body, is_same=is_same)


class KeyRevocation(RightsEntry, frozen=True, kw_only=True):
    """Why, in one word."""

    reason: EndReason = "other"


@post(
    "/v1/keys/{key_id}/revocations",
    right=rights.PRINCIPALS_WRITE,
    tag="keys",
    summary="Revoke a key",
    answers=ENTRY_ANSWERS,
    body_example=KeyRevocation(reason="lost"),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def revoke_key(
    request: AnyRequest, key_id: uuid.UUID, body: KeyRevocation, principal: Principal
) -> Reply[Receipt]:
    """End a key at once: the next request with it is refused, in every process."""
    listed = await _known_key(request, principal, key_id)
    event = KeyRevoked(principal_id=listed.principal_id, key_id=key_id, reason=body.reason)
    return await record_entry(request, principal, COUNTY_ID, body.as_entry(), event, subject_id=listed.principal_id)


HANDLERS: list[HTTPRouteHandler] = [list_keys, read_key, issue_key, rotate_key, revoke_key]
