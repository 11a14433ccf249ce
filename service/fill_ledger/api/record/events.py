"""`/v1/events`: a department's ledger as it is, event by event, and taking a mistaken event back."""

import base64
import uuid
from collections.abc import Sequence
from typing import Annotated, Any, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, structs

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import (
    ENTRY_PROBLEMS,
    RECEIPT_EXAMPLE,
    Entry,
    Receipt,
    record_entry,
)
from fill_ledger.api.filters import OfDepartment, OneDepartment
from fill_ledger.api.fleet.cylinder_history import EXAMPLE_ENTRY, EventType, HistoryEntry
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problem_types import INVALID_QUERY, NOT_FOUND, NOT_PROCESSABLE
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerPosition, StrictStruct
from fill_ledger.api.opened_texts import ShownBody, show_bodies
from fill_ledger.api.parts import parts_of
from fill_ledger.api.record.facts import Digest
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.envelope import MAXIMUM_INTEGER, Event

MAXIMUM_CANONICAL_TEXT = 1_000_000

Reason = Annotated[str, Meta(min_length=1, max_length=2000, description="Kept sealed, because it may name a person.")]

SubjectKindName = Literal[
    "department",
    "principal",
    "policy",
    "numbering",
    "station",
    "air_source",
    "cylinder",
    "inventory_number",
    "tag",
    "member",
    "rulebook",
    "finding",
    "event",
]


class EventQuery(PageQuery, frozen=True, kw_only=True):
    """Which events of which ledger: those after a position, of one type, about one subject.

    `department_id` is needed only where the key may act for several departments. A subject is named by kind and id.
    """

    department_id: OneDepartment | None = None
    after: Annotated[LedgerPosition, Meta(description="Only events after this position.")] = 0
    type: Annotated[EventType, Meta(description="Only events of this type.")] | None = None
    subject_kind: Annotated[SubjectKindName, Meta(description="The kind of the subject in subject_id.")] | None = None
    subject_id: Annotated[uuid.UUID, Meta(description="Only events about this subject.")] | None = None


class OneEventQuery(StrictStruct, frozen=True, kw_only=True):
    """Which ledger the event stands in; needed only where several have an event with this id."""

    department_id: OfDepartment | None = None


class EventView(HistoryEntry, frozen=True, kw_only=True):
    """One event of a ledger, with its place in the digest chain: `payload_digest` is SHA-256 of the canonical bytes."""

    department_id: uuid.UUID
    stream_id: uuid.UUID | None
    stream_number: Annotated[int, Meta(ge=0, le=MAXIMUM_INTEGER, extra_json_schema={"format": "int64"})] | None
    payload_digest: Digest
    chain_digest: Digest


class EventDetail(EventView, frozen=True, kw_only=True):
    """One event with the canonical bytes (RFC 8785) that the digest chain covers, in base64."""

    canonical: Annotated[str, Meta(max_length=MAXIMUM_CANONICAL_TEXT)]


class Retraction(Entry, frozen=True, kw_only=True):
    """Why an event is taken back. `department_id` is needed only where no ledger has the event yet."""

    reason: Reason
    department_id: uuid.UUID | None = None


class RetractionReceipt(Receipt, frozen=True, kw_only=True, omit_defaults=True):
    """What became of a retraction. `note` says so where the ledger knows no event with that id yet."""

    note: Annotated[str, Meta(max_length=300)] | None = None


NOTHING_KNOWN = (
    "No event with this id is in the department's ledger yet. If it arrives, it will count for nothing; if the id was "
    "mistyped, nothing has been taken back: retract the right one."
)
RETRACTION_EXAMPLE = RetractionReceipt(**structs.asdict(RECEIPT_EXAMPLE))
RETRACTION_ANSWERS = (
    answer(RetractionReceipt, "The retraction is on record.", status=201, example=RETRACTION_EXAMPLE),
    answer(RetractionReceipt, "The same retraction was on record already.", status=200, example=RETRACTION_EXAMPLE),
)

EXAMPLE = EventView(
    **structs.asdict(EXAMPLE_ENTRY),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    stream_id=uuid.UUID("4e2a7b90-3f6c-4d8e-9b1a-7c5d2e8f6a03"),
    stream_number=1234,
    payload_digest="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    chain_digest="60303ae22b998861bce3b28f33eec1be758a213c86c93c076dbe9f558c11c752",
)
EXAMPLE_DETAIL = EventDetail(**structs.asdict(EXAMPLE), canonical="eyJib2R5Ijp7fX0=")
BY_POSITION = SortOrder(name="position", keys=(SortKey(column="event.ledger_position", kind="integer"),))

_COLUMNS = """
    event.department_id, event.ledger_position, event.recorded_at, event.canonical, event.payload_digest,
    event.chain_digest, retraction.event_id AS retracted_by_event_id
"""
_RETRACTION = """
    LEFT JOIN LATERAL (
        SELECT taken_back.event_id FROM ledger.event_subject AS taken_back
        WHERE taken_back.department_id = event.department_id AND taken_back.subject_kind = 'event'
            AND taken_back.subject_id = event.event_id AND taken_back.folds
        ORDER BY taken_back.effective_at, taken_back.event_id LIMIT 1
    ) AS retraction ON true
"""
_ABOUT_SUBJECT = """
    JOIN ledger.event_subject AS named ON named.department_id = event.department_id
        AND named.ledger_position = event.ledger_position AND named.subject_kind = $4 AND named.subject_id = $5
"""


def _view(row: Any, event: Event, shown: ShownBody) -> EventView:
    return EventView(
        event_id=event.event_id,
        department_id=event.department_id,
        type=event.body.event_type,
        type_version=event.body.type_version,
        occurred_at=event.occurred_at,
        effective_at=event.effective_at,
        recorded_at=row["recorded_at"],
        ledger_position=row["ledger_position"],
        recorded_by=event.recorded_by,
        station_id=event.station_id,
        stream_id=event.stream_id,
        stream_number=event.stream_number,
        retracted=row["retracted_by_event_id"] is not None,
        retracted_by_event_id=row["retracted_by_event_id"],
        body=shown.values,
        sealed=shown.sealed,
        erased=shown.erased,
        payload_digest=row["payload_digest"].hex(),
        chain_digest=row["chain_digest"].hex(),
    )


async def _views(request: AnyRequest, principal: Principal, rows: Sequence[Any]) -> dict[int, EventView]:
    """Return the events of some rows of one department, by position."""
    events = {row["ledger_position"]: read_event(row["canonical"]) for row in rows}
    shown = await show_bodies(request, principal, list(events.values()))
    return {
        row["ledger_position"]: _view(row, event, shown[event.department_id, event.event_id])
        for row in rows
        for event in [events[row["ledger_position"]]]
    }


@get(
    "/v1/events",
    right=rights.EVENTS_READ,
    tag="events",
    summary="List events",
    answers=answer(Page[EventView], "One page of a ledger.", example=Page(items=[EXAMPLE], next_cursor=None)),
    problems=(NOT_PROCESSABLE,),
)
async def list_events(request: AnyRequest, query: EventQuery, principal: Principal) -> Reply[Page[EventView]]:
    """Return one department's events in the order of their positions.

    To follow a ledger, ask again with `after` set to the last position seen. Texts that may name a person are shown to
    those who may read names.
    """
    department_id = principal.department(query.department_id)
    if (query.subject_kind is None) != (query.subject_id is None):
        detail = "A subject is named by subject_kind and subject_id together."
        raise Problem(
            INVALID_QUERY, detail, errors=[Fault(code="missing-field", detail=detail, parameter="subject_id")]
        )
    about: tuple[Any, ...] = () if query.subject_id is None else (query.subject_kind, query.subject_id)
    window = open_window(request, query, BY_POSITION)
    after, arguments = window.after(4 + len(about))
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            f"""
            SELECT {_COLUMNS} FROM ledger.event {_ABOUT_SUBJECT if about else ""} {_RETRACTION}
            WHERE event.department_id = $1 AND event.ledger_position > $2
                AND ($3::text IS NULL OR event.event_type = $3) AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            department_id,
            query.after,
            query.type,
            *about,
            *arguments,
        )
    views = await _views(request, principal, rows[: window.limit])
    return window.page(rows, lambda row: views[row["ledger_position"]])


@get(
    "/v1/events/{event_id}",
    right=rights.EVENTS_READ,
    tag="events",
    summary="One event",
    answers=answer(EventDetail, "The event.", example=EXAMPLE_DETAIL),
)
async def read_event_by_id(
    request: AnyRequest, event_id: uuid.UUID, query: OneEventQuery, principal: Principal
) -> EventDetail:
    """Return one event with its canonical bytes and digests, from which its place in the chain can be checked."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            f"""
            SELECT {_COLUMNS} FROM ledger.event {_RETRACTION}
            WHERE event.department_id = ANY (coalesce($2::uuid[], (SELECT lookup.visible_departments())))
                AND event.event_id = $1
            ORDER BY event.department_id LIMIT 1
            """,
            event_id,
            None if query.department_id is None else [query.department_id],
        )
    if row is None:
        raise Problem(NOT_FOUND, "No event has this id.")
    view = (await _views(request, principal, [row]))[row["ledger_position"]]
    return EventDetail(**structs.asdict(view), canonical=base64.b64encode(row["canonical"]).decode("ascii"))


@post(
    "/v1/events/{event_id}/retractions",
    right=rights.EVENTS_RETRACT,
    tag="events",
    summary="Take an event back",
    answers=RETRACTION_ANSWERS,
    body_example=Retraction(reason="The cylinder was mistaken for its neighbour."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def retract_event(
    request: AnyRequest, event_id: uuid.UUID, body: Retraction, principal: Principal
) -> Reply[RetractionReceipt]:
    """Take a mistaken event out of every fold. It stays on record, and what it had changed is folded anew.

    The event need not have arrived: then it counts for nothing when it does, and the receipt says in `note` that
    nothing with that id is known yet. What gives or ends rights, and what the
    ledger wrote itself, is ended by an entry of its own instead.
    """
    department_id = body.department_id
    if department_id is None:
        department_id = await _department_of_event(request, principal, event_id)
    department_id = principal.department(department_id)
    event = EventRetracted(retracted_event_id=event_id, reason=body.reason)
    reply = await record_entry(request, principal, department_id, body, event, subject_id=event_id)
    note = None if await _is_known(request, department_id, event_id) else NOTHING_KNOWN
    receipt = RetractionReceipt(**structs.asdict(reply.value), note=note)
    return Reply(receipt, status=reply.status, headers=reply.headers)


async def _is_known(request: AnyRequest, department_id: uuid.UUID, event_id: uuid.UUID) -> bool:
    """Tell whether a department's ledger has an event with this id; what was kept beside is not in it."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        known: bool = await connection.fetchval(
            "SELECT EXISTS (SELECT 1 FROM ledger.event WHERE department_id = $1 AND event_id = $2)",
            department_id,
            event_id,
        )
    return known


async def _department_of_event(request: AnyRequest, principal: Principal, event_id: uuid.UUID) -> uuid.UUID | None:
    """Return the department, among the principal's, whose ledger has an event; None where none or several have."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            """
            SELECT department_id FROM ledger.event
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND event_id = $1 LIMIT 2
            """,
            event_id,
        )
    return rows[0]["department_id"] if len(rows) == 1 else None


HANDLERS: list[HTTPRouteHandler] = [list_events, read_event_by_id, retract_event]
