"""A tiny resource on the foundation: a list with filters and pages, one item, and one that is made from a body.

It keeps toy rows in memory, so that what is tested here is the foundation and nothing of the trade.
"""

import datetime
import uuid
from typing import Annotated, Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.document import documentation
from fill_ledger.api.http import conditional, problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_MATCH
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import PUBLIC, Operation, answer, get, post, put
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.request_context import context_of
from fill_ledger.api.http.service import Service, create_service
from fill_ledger.api.http.value_types import GaugePsi, Label, Moment, StrictStruct

CURSOR_KEY = b"cursor key of the tests, 32 bytes at least"
GOOD_KEY = "Bearer sample"


class Dial(StrictStruct, frozen=True, kw_only=True):
    """A pressure dial as somebody describes it."""

    label: Label
    reading_psi: GaugePsi
    read_at: Moment
    marks: Annotated[tuple[Annotated[str, Meta(max_length=8)], ...], Meta(max_length=4)] = ()


class DialView(Struct, frozen=True, kw_only=True):
    """A pressure dial on record."""

    dial_id: uuid.UUID
    label: Label
    reading_psi: GaugePsi


class DialQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of dials."""

    at_least_psi: GaugePsi | None = None
    broken: Annotated[bool | None, Meta(description="Only dials that are broken, or that are not.")] = None


class Caller(Struct, frozen=True):
    """Who called."""

    name: str


class SampleDoorkeeper:
    """Admits one key; counts how often it was asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    async def admit(self, request: AnyRequest, operation: Operation) -> Any:
        self.asked.append(operation.operation_id)
        if operation.right is None:
            return None
        if request.headers.get("authorization") != GOOD_KEY:
            raise Problem(
                problem_types.NOT_AUTHENTICATED, "The key is not known.", headers={"WWW-Authenticate": "Bearer"}
            )
        context_of(request.scope).principal_id = "sample-principal"
        return Caller("sample")


EXAMPLE_ID = uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11")
EXAMPLE = DialView(dial_id=EXAMPLE_ID, label="left", reading_psi=4500)
ROWS: list[dict[str, Any]] = [
    {"dial_id": uuid.UUID(int=number), "label": f"dial {number:03}", "reading_psi": number * 10}
    for number in range(1, 8)
]
BY_LABEL = SortOrder(
    name="label", keys=(SortKey(column="dial.label", kind="text"), SortKey(column="dial.dial_id", kind="uuid"))
)


def view_of(row: dict[str, Any]) -> DialView:
    return DialView(**row)


@get(
    "/v1/dials",
    right="dials:read",
    tag="dials",
    summary="List dials",
    answers=answer(Page[DialView], "One page of dials.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_dials(request: AnyRequest, query: DialQuery, principal: Caller) -> Reply[Page[DialView]]:
    """Return dials by their label."""
    assert principal.name == "sample"
    window = open_window(request, query, BY_LABEL)
    condition, arguments = window.after(1)
    rows = ROWS
    if condition != "TRUE":
        assert condition == "(dial.label, dial.dial_id) > ($1, $2)"
        rows = [row for row in rows if (row["label"], row["dial_id"]) > (arguments[0], arguments[1])]
    return window.page(rows[: window.fetch_limit], view_of)


@get(
    "/v1/dials/{dial_id}",
    right="dials:read",
    tag="dials",
    summary="One dial",
    answers=(answer(DialView, "The dial.", example=EXAMPLE, headers={"ETag": "Its version."}),),
)
async def read_dial(request: AnyRequest, dial_id: uuid.UUID) -> Reply[DialView] | Reply[None]:
    """Return one dial."""
    etag = conditional.version_tag(17)
    if conditional.is_not_modified(request, etag):
        return not_modified(etag)
    for row in ROWS:
        if row["dial_id"] == dial_id:
            return Reply(view_of(row), etag=etag)
    raise Problem(problem_types.NOT_FOUND, "No dial has this id.")


@post(
    "/v1/dials",
    right="dials:write",
    tag="dials",
    summary="Register a dial",
    answers=answer(DialView, "The dial is on record.", status=201, example=EXAMPLE),
    body_example=Dial(label="left", reading_psi=4500, read_at=datetime.datetime(2026, 11, 24, 3, tzinfo=datetime.UTC)),
    problems=(problem_types.CONFLICT,),
)
async def register_dial(request: AnyRequest, body: Dial) -> DialView:
    """Take a dial as somebody describes it. It is not kept: the rows of the tests stay as they are."""
    return DialView(dial_id=ROWS[0]["dial_id"], label=body.label, reading_psi=body.reading_psi)


@put(
    "/v1/dials/{dial_id}/position/{number}",
    right="dials:write",
    tag="dials",
    summary="Move a dial",
    answers=answer(None, "Moved.", status=204),
    problems=(problem_types.PRECONDITION_FAILED, problem_types.PRECONDITION_REQUIRED),
    request_headers=(IF_MATCH,),
)
async def move_dial(request: AnyRequest, dial_id: uuid.UUID, number: Annotated[int, Meta(ge=1, le=9)]) -> Reply[None]:
    """Move a dial that is at version 17."""
    conditional.require_version(request, 17)
    return Reply(None)


@get("/v1/trouble", right=PUBLIC, tag="dials", summary="Fail", answers=answer(DialView, "Never.", example=EXAMPLE))
async def make_trouble(request: AnyRequest) -> DialView:
    """Fail with whatever the test put into the state."""
    raise request.app.state["trouble"]


RESOURCES: list[HTTPRouteHandler] = [list_dials, read_dial, register_dial, move_dial, make_trouble]
HANDLERS = [*RESOURCES, *documentation.HANDLERS]
TAGS = {"dials": "Pressure dials of the tests."}


def make_service(doorkeeper: SampleDoorkeeper | None = None, trouble: Exception | None = None) -> Service:
    return create_service(
        HANDLERS,
        doorkeeper=doorkeeper or SampleDoorkeeper(),
        cursor_key=CURSOR_KEY,
        tags=TAGS,
        state={"trouble": trouble or RuntimeError("secret detail")},
    )
