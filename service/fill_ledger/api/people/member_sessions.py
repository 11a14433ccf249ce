"""`/v1/member-sessions`: who is at the whip, as a short-lived handle bound to the station."""

import datetime
import uuid
from datetime import timedelta
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer, post
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.value_types import Moment, StrictStruct
from fill_ledger.api.parts import Parts, parts_of
from fill_ledger.api.people.credentials import CardValue, Passcode, busy_problem
from fill_ledger.api.people.identification import (
    attempt_subject,
    cards_in_use,
    find_by_badge_number,
    stored_passcode_hash,
)
from fill_ledger.intake.credential_attempts import (
    CARD_FAILURES_BEFORE_PAUSE,
    PASSCODE_FAILURES_BEFORE_PAUSE,
    AttemptRefused,
    begin_attempt,
    forget_failures,
    has_failures,
    pending_pause,
    take_back_attempt,
)
from fill_ledger.ledger.credentials import CardUnreadable
from fill_ledger.ledger.handles import MAXIMUM_HANDLE_LENGTH, MemberSession
from fill_ledger.ledger.passcodes import HashingBusy
from fill_ledger.ledger.personal import BadgeNumber, normal_badge_number
from fill_ledger.ledger.read import Connection
from fill_ledger.trade.allowed_kinds import allowed_kinds, is_active
from fill_ledger.trade.events.members import CredentialKind, FillKind
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind
from fill_ledger.trade.rules.calendar import UTC_ZONE, zone_of
from fill_ledger.trade.states.members import MemberState
from fill_ledger.views.folding import decode_state

# Long enough to fill a few cylinders in a row, short enough that nobody goes on under the name of who has left.
MEMBER_SESSION_LIFETIME = timedelta(minutes=10)


class MemberSessionRequest(StrictStruct, frozen=True, kw_only=True):
    """Either `card_value`, or `passcode` with one of `badge_number` and `member_id`."""

    card_value: CardValue | None = None
    badge_number: BadgeNumber | None = None
    member_id: uuid.UUID | None = None
    passcode: Passcode | None = None

    def __repr__(self) -> str:
        return "MemberSessionRequest(...)"


class MemberSessionView(Struct, frozen=True, kw_only=True):
    """The handle to send as `member_session`, and what the member may fill at this station."""

    member_session: Annotated[str, Meta(max_length=MAXIMUM_HANDLE_LENGTH, description="Opaque.")]
    member_id: uuid.UUID
    expires_at: Moment
    may_fill: Annotated[list[FillKind], Meta(max_length=3)]


class Whip(Struct, frozen=True, kw_only=True):
    """The station a session is bound to, and the moment by the database's clock."""

    station_id: uuid.UUID
    department_id: uuid.UUID
    now: datetime.datetime


EXAMPLE = MemberSessionView(
    member_session="fls_AToLXY5UoUomj30PL29tmgFfDHxSb",
    member_id=uuid.UUID("3a0b5d8e-54a1-4a26-8f7d-0f2f6f6d9a01"),
    expires_at=datetime.datetime(2026, 11, 24, 8, 20, 22, tzinfo=datetime.UTC),
    may_fill=["scba", "storage"],
)


@post(
    "/v1/member-sessions",
    right=rights.MEMBER_SESSIONS_OPEN,
    tag="member-sessions",
    summary="Say who is at the whip",
    answers=answer(MemberSessionView, "The member is identified.", status=201, example=EXAMPLE),
    body_example=MemberSessionRequest(card_value="04:A2:B3:1C"),
    problems=(
        problem_types.MEMBER_NOT_IDENTIFIED,
        problem_types.CREDENTIAL_LOCKED,
        problem_types.PASSCODE_CHECKS_BUSY,
    ),
)
async def open_member_session(
    request: AnyRequest, body: MemberSessionRequest, principal: Principal
) -> MemberSessionView:
    """Turn a scanned card or a passcode into a handle that holds at this station for ten minutes.

    Nothing is recorded. An unknown member and a wrong passcode are answered alike. After some failures in a row the
    member (or, for cards, the station) has to wait, longer each time; all processes of the service count together.
    """
    _check_combination(body)
    if principal.station_id is None or principal.department_ids is None or len(principal.department_ids) != 1:
        raise Problem(problem_types.NOT_PERMITTED, "A member session is bound to a station, and this key names none.")
    parts = parts_of(request)
    whip = Whip(
        station_id=principal.station_id,
        department_id=principal.department_ids[0],
        now=await parts.database.lookups.fetchval("SELECT clock_timestamp()"),
    )
    if body.card_value is not None:
        return await _answer(parts, whip, await _by_card(parts, whip, body.card_value), "card")
    assert body.passcode is not None
    return await _answer(parts, whip, await _by_passcode(parts, whip, body, body.passcode), "passcode")


def _check_combination(body: MemberSessionRequest) -> None:
    """Refuse a body that names no credential, or more than one.

    Raises:
        Problem: 422 invalid-body with the place of every field that is missing or too much.
    """
    given = {
        name for name in ("card_value", "badge_number", "member_id", "passcode") if getattr(body, name) is not None
    }
    faults: list[Fault] = []
    if "card_value" in given:
        faults = [
            Fault(code="not-together", detail="Not together with card_value.", pointer=f"/{name}")
            for name in sorted(given - {"card_value"})
        ]
    else:
        if "passcode" not in given:
            faults.append(
                Fault(code="missing-field", detail="Send card_value, or passcode with who it is.", pointer="/passcode")
            )
        if {"badge_number", "member_id"} <= given:
            faults.append(Fault(code="not-together", detail="Not together with badge_number.", pointer="/member_id"))
        if "passcode" in given and not given & {"badge_number", "member_id"}:
            faults.append(
                Fault(code="missing-field", detail="Say whose passcode it is: badge_number or member_id.", pointer="")
            )
    if faults:
        raise Problem(
            problem_types.INVALID_BODY,
            "Send either card_value, or passcode with one of badge_number and member_id.",
            errors=faults,
        )


async def _by_card(parts: Parts, whip: Whip, card_value: str) -> MemberState:
    """Return the member whom a card identifies. Failures count for the station: a card nobody has names no member."""
    subject = attempt_subject(parts.vault, "station", whip.station_id)
    async with parts.database.lookups.acquire() as connection:
        _refuse_pause(await pending_pause(connection, whip.department_id, subject))
        try:
            holders = await cards_in_use(parts.vault, connection, whip.department_id, card_value, whip.now)
        except CardUnreadable as unreadable:
            raise _not_identified("card-unreadable", f"{str(unreadable).capitalize()}.", "/card_value") from None
        is_good = len(holders) == 1 and is_active(holders[0], whip.now)
        failed_before = is_good and await has_failures(connection, whip.department_id, subject)
    if failed_before:
        async with parts.database.writes.acquire() as connection:
            await forget_failures(connection, whip.department_id, subject)
    if is_good:
        return holders[0]
    async with parts.database.writes.acquire() as connection:
        await begin_attempt(
            connection,
            whip.department_id,
            subject,
            failures_before_pause=CARD_FAILURES_BEFORE_PAUSE,
            may_close=False,
        )
    if not holders:
        raise _not_identified("card-unknown", "The card is not bound to a member here, or was revoked.", "/card_value")
    if len(holders) > 1:
        raise _not_identified("card-ambiguous", "The card is bound to several members.", "/card_value")
    raise _inactive("/card_value")


async def _by_passcode(parts: Parts, whip: Whip, body: MemberSessionRequest, passcode: str) -> MemberState:
    """Return the member whose passcode it is; unknown and wrong take the same way and the same time."""
    async with parts.database.lookups.acquire() as connection:
        member = await _named(parts, connection, whip, body)
        stored = await stored_passcode_hash(parts.vault, connection, whip.department_id, member, whip.now)
    named = (body.member_id or normal_badge_number(body.badge_number or "")) if member is None else member.subject_id
    subject = attempt_subject(parts.vault, named)
    async with parts.database.writes.acquire() as connection:
        _refuse_pause(
            await begin_attempt(
                connection, whip.department_id, subject, failures_before_pause=PASSCODE_FAILURES_BEFORE_PAUSE
            )
        )
    # No connection is held while the hash is made: a crowd at the whips must not use up the pool.
    try:
        check = await parts.passcode_hasher.verify(stored, passcode)
    except HashingBusy as busy:
        async with parts.database.writes.acquire() as connection:
            await take_back_attempt(connection, whip.department_id, subject)
        raise busy_problem(busy) from None
    if member is None or not check.matches:
        raise _not_identified(
            "passcode-wrong", "No member has this badge number or id together with this passcode.", "/passcode"
        )
    async with parts.database.writes.acquire() as connection:
        await forget_failures(connection, whip.department_id, subject)
    if not is_active(member, whip.now):
        raise _inactive("/passcode")
    return member


async def _named(parts: Parts, connection: Connection, whip: Whip, body: MemberSessionRequest) -> MemberState | None:
    if body.badge_number is not None:
        found = await find_by_badge_number(parts.vault, connection, (whip.department_id,), body.badge_number)
        return found[0] if len(found) == 1 else None
    rows = await connection.fetch(
        "SELECT state FROM lookup.states($1, $2, $3)",
        [whip.department_id],
        [SubjectKind.MEMBER.value],
        [body.member_id],
    )
    return decode_state(SubjectKind.MEMBER, rows[0]["state"]) if rows else None


async def _answer(parts: Parts, whip: Whip, member: MemberState, kind: CredentialKind) -> MemberSessionView:
    async with parts.database.lookups.acquire() as connection:
        rows = await connection.fetch(
            "SELECT subject_kind, state FROM lookup.states($1, $2, $3)",
            [whip.department_id, COUNTY_ID],
            [SubjectKind.STATION.value, SubjectKind.DEPARTMENT.value],
            [whip.station_id, whip.department_id],
        )
    states = {row["subject_kind"]: decode_state(SubjectKind(row["subject_kind"]), row["state"]) for row in rows}
    zones = [states[owner].time_zone for owner in ("station", "department") if owner in states]
    zone = next((zone_of(name) for name in zones if name is not None), None)
    expires_at = whip.now + MEMBER_SESSION_LIFETIME
    session = MemberSession(
        member_id=member.subject_id,
        station_id=whip.station_id,
        department_id=whip.department_id,
        credential_kind=kind,
        expires_at=expires_at,
    )
    return MemberSessionView(
        member_session=parts.member_sessions.issue(session),
        member_id=member.subject_id,
        expires_at=expires_at,
        may_fill=list(allowed_kinds(member, whip.now, zone or UTC_ZONE, whip.station_id)),  # type: ignore[arg-type]
    )


def _refuse_pause(refused: AttemptRefused | None) -> None:
    if refused is None:
        return
    detail = f"Too many failed attempts in a row. Wait {refused.retry_after_s} seconds."
    if refused.is_closed:
        detail = "Too many failed attempts in a row. An officer must bind a new passcode."
    raise Problem(problem_types.CREDENTIAL_LOCKED, detail, headers={"Retry-After": str(refused.retry_after_s)})


def _inactive(pointer: str) -> Problem:
    return _not_identified("member-inactive", "The member is not active in this department.", pointer)


def _not_identified(code: str, detail: str, pointer: str) -> Problem:
    return Problem(
        problem_types.MEMBER_NOT_IDENTIFIED, detail, errors=[Fault(code=code, detail=detail, pointer=pointer)]
    )


HANDLERS: list[HTTPRouteHandler] = [open_member_session]
