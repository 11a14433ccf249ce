"""`/v1/quarantine`: facts that could not be read, and facts that came under an id already used, kept as they came."""

import base64
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, structs

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.filters import OneDepartment
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problem_types import NOT_FOUND, NOT_PROCESSABLE
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerPosition, Moment, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing
from fill_ledger.ledger.sealing import Erased
from fill_ledger.trade.events.corrections import FactConflictKept, FactQuarantined
from fill_ledger.trade.events.envelope import Event, SealedReference

MAXIMUM_CONTENT_TEXT = 400_000  # base64 of the longest bytes that are kept in one piece
MAXIMUM_COUNTED = 1_000
"""More than so many of one outcome are told as so many: somebody has to look anyway."""

Outcome = Literal["quarantined", "conflict_kept"]
EVENT_TYPES: Mapping[Outcome, str] = {"quarantined": "fact.quarantined", "conflict_kept": "fact.conflict_kept"}
_OUTCOMES: Mapping[str, Outcome] = {event_type: outcome for outcome, event_type in EVENT_TYPES.items()}


class QuarantineQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list; `department_id` is needed only where the key may act for several departments."""

    department_id: OneDepartment | None = None
    outcome: Annotated[Outcome, Meta(description="Why the facts were kept beside.")] = "quarantined"


class DepartmentQuery(StrictStruct, frozen=True, kw_only=True):
    """`department_id` is needed only where the key may act for several departments."""

    department_id: OneDepartment | None = None


class KeptFact(Struct, frozen=True, kw_only=True):
    """One fact that was kept beside. What it says of itself may be wrong or missing."""

    event_id: uuid.UUID
    department_id: uuid.UUID
    outcome: Outcome
    ledger_position: LedgerPosition
    recorded_at: Moment
    recorded_by: uuid.UUID
    station_id: uuid.UUID | None
    claimed_event_id: uuid.UUID | None
    claimed_type: Annotated[str, Meta(max_length=200)] | None
    reason: Annotated[str, Meta(max_length=2000)]


class KeptFactDetail(KeptFact, frozen=True, kw_only=True):
    """One kept fact with its bytes in base64; null where `withheld` says why.

    A fact may name a person, so the bytes are shown to those who may read names. Of a fact kept because its id was
    used, they are the canonical body.
    """

    content: Annotated[str, Meta(max_length=MAXIMUM_CONTENT_TEXT)] | None
    withheld: Literal["not-permitted", "erased"] | None


class KeptCounts(Struct, frozen=True, kw_only=True):
    """How many facts were kept beside, up to a thousand of each kind."""

    quarantined: Annotated[int, Meta(ge=0, le=MAXIMUM_COUNTED, extra_json_schema={"format": "int32"})]
    conflict_kept: Annotated[int, Meta(ge=0, le=MAXIMUM_COUNTED, extra_json_schema={"format": "int32"})]


EXAMPLE = KeptFact(
    event_id=uuid.UUID("5f0c7c52-6f2b-5d7e-9a41-2f0d3b8c6e11"),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    outcome="quarantined",
    ledger_position=60_212,
    recorded_at=datetime(2026, 11, 24, 8, 10, 23, tzinfo=UTC),
    recorded_by=uuid.UUID("8c6f4a50-1d36-4f0e-8f7b-0f5b1c1f9b77"),
    station_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    claimed_event_id=uuid.UUID("0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01"),
    claimed_type="cylinder.filled",
    reason="The fact has 1 fault. /body/start_psi: Expected an integer from -2147483648 to 2147483647 or null.",
)
BY_POSITION = SortOrder(
    name="newest_first", keys=(SortKey(column="event.ledger_position", kind="integer", descending=True),)
)
REASON_OF_CONFLICT = "Another fact with other content has this event_id."


def _kept(row: Any, event: Event) -> KeptFact:
    body = event.body
    assert isinstance(body, FactQuarantined | FactConflictKept)
    return KeptFact(
        event_id=event.event_id,
        department_id=event.department_id,
        outcome=_OUTCOMES[body.event_type],
        ledger_position=row["ledger_position"],
        recorded_at=row["recorded_at"],
        recorded_by=event.recorded_by,
        station_id=event.station_id,
        claimed_event_id=body.claimed_event_id,
        claimed_type=body.claimed_type,
        reason=body.reason if isinstance(body, FactQuarantined) else REASON_OF_CONFLICT,
    )


@get(
    "/v1/quarantine",
    right=rights.QUARANTINE_READ,
    tag="quarantine",
    summary="List facts kept beside",
    answers=answer(Page[KeptFact], "One page of kept facts.", example=Page(items=[EXAMPLE], next_cursor=None)),
    problems=(NOT_PROCESSABLE,),
)
async def list_quarantine(request: AnyRequest, query: QuarantineQuery, principal: Principal) -> Reply[Page[KeptFact]]:
    """Return facts that were kept beside, the newest first."""
    department_id = principal.department(query.department_id)
    window = open_window(request, query, BY_POSITION)
    after, arguments = window.after(3)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            f"""
            SELECT event.ledger_position, event.recorded_at, event.canonical FROM ledger.event
            WHERE event.department_id = $1 AND event.event_type = $2 AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            department_id,
            EVENT_TYPES[query.outcome],
            *arguments,
        )
    return window.page(rows, lambda row: _kept(row, read_event(row["canonical"])))


@get(
    "/v1/quarantine/counts",
    right=rights.QUARANTINE_READ,
    tag="quarantine",
    summary="Count facts kept beside",
    answers=answer(KeptCounts, "The counts.", example=KeptCounts(quarantined=2, conflict_kept=0)),
    problems=(NOT_PROCESSABLE,),
)
async def count_quarantine(request: AnyRequest, query: DepartmentQuery, principal: Principal) -> KeptCounts:
    """Return how many facts of a department were kept beside."""
    department_id = principal.department(query.department_id)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            """
            SELECT kept.event_type, (
                SELECT count(*) FROM (
                    SELECT 1 FROM ledger.event
                    WHERE event.department_id = $1 AND event.event_type = kept.event_type LIMIT $3
                ) AS found) AS number
            FROM unnest($2::text[]) AS kept (event_type)
            """,
            department_id,
            list(_OUTCOMES),
            MAXIMUM_COUNTED,
        )
    return KeptCounts(**{str(_OUTCOMES[row["event_type"]]): row["number"] for row in rows})


@get(
    "/v1/quarantine/{event_id}",
    right=rights.QUARANTINE_READ,
    tag="quarantine",
    summary="One fact kept beside",
    answers=answer(
        KeptFactDetail,
        "The kept fact.",
        example=KeptFactDetail(
            **structs.asdict(EXAMPLE), content="eyJ0eXBlIjoiY3lsaW5kZXIuZmlsbGVkIn0=", withheld=None
        ),
    ),
)
async def read_quarantined(request: AnyRequest, event_id: uuid.UUID, principal: Principal) -> KeptFactDetail:
    """Return one kept fact, with its bytes for those who may read names."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            """
            SELECT ledger_position, recorded_at, canonical FROM ledger.event
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND event_id = $1
                AND event_type = ANY ($2)
            ORDER BY department_id LIMIT 1
            """,
            event_id,
            list(_OUTCOMES),
        )
    if row is None:
        raise Problem(NOT_FOUND, "No fact kept beside has this id.")
    event = read_event(row["canonical"])
    kept = structs.asdict(_kept(row, event))
    if rights.MEMBERS_READ_NAMES not in principal.rights:
        return KeptFactDetail(**kept, content=None, withheld="not-permitted")
    content = await _open(request, event)
    return KeptFactDetail(**kept, content=content, withheld="erased" if content is None else None)


async def _open(request: AnyRequest, event: Event) -> str | None:
    """Open the bytes of a kept fact: base64, or None where they were erased."""
    body = event.body
    assert isinstance(body, FactQuarantined | FactConflictKept)
    vault = parts_of(request).vault
    async with parts_of(request).database.lookups.acquire() as connection:
        stored = await vault.loader(connection, event.department_id)([body.record_id])
    texts = stored.get(body.record_id)
    reference = SealedReference(record_id=body.record_id, digest=body.digest)
    opened = vault.sealer.open_text(
        event.department_id,
        reference,
        None if texts is None else texts.record,
        None if texts is None else texts.key,
    )
    if isinstance(opened, Erased):
        return None
    # What was sealed is base64 already; reading it shows that it still is.
    return base64.b64encode(base64.b64decode(opened, validate=True)).decode("ascii")


HANDLERS: list[HTTPRouteHandler] = [list_quarantine, count_quarantine, read_quarantined]
