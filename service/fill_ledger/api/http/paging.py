"""Cursor pages: opaque cursors that belong to one list with its filters, the ``Link`` header, and the page itself."""

import base64
import binascii
import hashlib
import hmac
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import parse_qsl, urlencode

import msgspec
from msgspec import Meta, Struct

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SORT_TYPES, SortOrder, SortValue, after_clause
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, instance_of
from fill_ledger.api.http.value_types import CursorText, StrictStruct

T = TypeVar("T")

DEFAULT_PAGE_SIZE = 50
MAX_PAGE_SIZE = 500

CURSOR_CODEC_KEY = "cursor_codec"

_CURSOR_VERSION = 1
_CHECK_BYTES = 16
_MIN_KEY_BYTES = 32

PageSize = Annotated[
    int,
    Meta(
        ge=1, le=MAX_PAGE_SIZE, extra_json_schema={"format": "int32"}, description="Greatest number of items in a page."
    ),
]


class PageQuery(StrictStruct, frozen=True, kw_only=True):
    """Base of the query of every list; add the filters as fields."""

    limit: PageSize = DEFAULT_PAGE_SIZE
    cursor: CursorText | None = None


class Page(Struct, Generic[T], frozen=True, kw_only=True):
    """One page of a list."""

    items: Annotated[list[T], Meta(max_length=MAX_PAGE_SIZE, description="In the order of the list.")]
    next_cursor: Annotated[
        CursorText | None, Meta(description="Send it as cursor for the next page; null on the last.")
    ]


class _Cursor(Struct, frozen=True, array_like=True):
    """What a cursor says: version, direction, which list, and where its last row stands."""

    version: int
    direction: str
    list_digest: bytes
    values: list[str | int | None]


class CursorCodec:
    """Makes cursors and reads them back, with a check that only this service can make.

    The check is HMAC-SHA-256 (RFC 2104) cut to 16 bytes; it keeps callers from building cursors, so that a change of
    their inside breaks nobody. It hides nothing: the values in a cursor are values the page has shown.
    """

    def __init__(self, key: bytes) -> None:
        if len(key) < _MIN_KEY_BYTES:
            raise ValueError(f"the cursor key needs at least {_MIN_KEY_BYTES} bytes")
        self._key = hmac.digest(key, b"fill-ledger cursor v1", "sha256")

    def encode(self, list_digest: bytes, values: Sequence[SortValue]) -> str:
        """Return the cursor for "after the row with these values" of a list."""
        plain = [value if isinstance(value, str | int) or value is None else _text(value) for value in values]
        body = msgspec.msgpack.encode(
            _Cursor(version=_CURSOR_VERSION, direction="next", list_digest=list_digest, values=plain)
        )
        return base64.urlsafe_b64encode(self._check(body) + body).rstrip(b"=").decode("ascii")

    def decode(self, cursor: str, list_digest: bytes, order: SortOrder) -> list[SortValue]:
        """Return the values in a cursor.

        Raises:
            Problem: 400 invalid-cursor if this service did not make it; 400 cursor-mismatch if it belongs to another
                list, other filters, or another order.
        """
        try:
            raw = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
        except (binascii.Error, ValueError):
            raise _invalid_cursor() from None
        check, body = raw[:_CHECK_BYTES], raw[_CHECK_BYTES:]
        if not hmac.compare_digest(check, self._check(body)):
            raise _invalid_cursor()
        try:
            read = msgspec.msgpack.decode(body, type=_Cursor)
        except msgspec.MsgspecError:
            raise _invalid_cursor() from None
        if read.version != _CURSOR_VERSION or read.direction != "next":
            raise _invalid_cursor()
        if read.list_digest != list_digest or len(read.values) != len(order.keys):
            detail = "The cursor was answered for another list, other filters or another order."
            fault = Fault(code="cursor-mismatch", detail=detail, parameter="cursor")
            raise Problem(problem_types.CURSOR_MISMATCH, detail, errors=[fault])
        return [
            None if value is None else msgspec.convert(value, SORT_TYPES[key.kind])
            for key, value in zip(order.keys, read.values, strict=True)
        ]

    def _check(self, body: bytes) -> bytes:
        return hmac.digest(self._key, body, "sha256")[:_CHECK_BYTES]


def _text(value: Any) -> str:
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _invalid_cursor() -> Problem:
    detail = "The cursor is not one that this service answered."
    return Problem(
        problem_types.INVALID_CURSOR, detail, errors=[Fault(code="invalid-cursor", detail=detail, parameter="cursor")]
    )


class PageWindow:
    """Which part of a list a request asks for, and how to fetch and answer it. Made by `open_window`."""

    def __init__(self, request: AnyRequest, limit: int, order: SortOrder, after: list[SortValue] | None) -> None:
        self._request = request
        self._after = after
        self.limit = limit
        self.order = order

    @property
    def order_by(self) -> str:
        """The columns for ORDER BY."""
        return self.order.order_by

    @property
    def after_values(self) -> Sequence[SortValue] | None:
        """Where the last row of the page before stands, for a list that no statement orders; None on the first page."""
        return self._after

    @property
    def fetch_limit(self) -> int:
        """How many rows to fetch: one more than the page, which tells whether another page follows."""
        return self.limit + 1

    def after(self, first_parameter: int) -> tuple[str, list[SortValue]]:
        """Return the condition that skips what came before, and its arguments; ``TRUE`` on the first page.

        Args:
            first_parameter: the number of the first free parameter of the statement.
        """
        if self._after is None:
            return "TRUE", []
        return after_clause(self.order, self._after, first_parameter)

    def page(self, rows: Sequence[Any], item: Callable[[Any], T]) -> Reply[Page[T]]:
        """Return the answer for the fetched rows.

        Args:
            rows: at most `fetch_limit` rows, each giving the columns of the order by name.
            item: turns a row into what the page lists.
        """
        shown = rows[: self.limit]
        if len(rows) <= self.limit:
            return Reply(Page(items=[item(row) for row in shown], next_cursor=None))
        cursor, headers = self.next_page(self.order.values_of(shown[-1]))
        return Reply(Page(items=[item(row) for row in shown], next_cursor=cursor), headers=headers)

    def next_page(self, values: Sequence[SortValue]) -> tuple[str, dict[str, str]]:
        """Return the cursor for "after the row with these values", and the header that links to that page."""
        codec: CursorCodec = self._request.app.state[CURSOR_CODEC_KEY]
        cursor = codec.encode(_list_digest(self._request, self.order), values)
        return cursor, {"Link": f'<{_with_cursor(self._request, cursor)}>; rel="next"'}


def open_window(request: AnyRequest, query: PageQuery, order: SortOrder) -> PageWindow:
    """Return which part of the list the request asks for.

    Raises:
        Problem: 400 invalid-cursor or cursor-mismatch.
    """
    after: list[SortValue] | None = None
    if query.cursor is not None:
        codec: CursorCodec = request.app.state[CURSOR_CODEC_KEY]
        after = codec.decode(query.cursor, _list_digest(request, order), order)
    return PageWindow(request, query.limit, order, after)


def _list_digest(request: AnyRequest, order: SortOrder) -> bytes:
    """Return what tells one list from another: its path, its filters as sent (any order), and the name of its order."""
    filters = sorted(pair for pair in _query_pairs(request) if pair[0] not in ("cursor", "limit"))
    return hashlib.sha256(msgspec.json.encode([request.scope["path"], order.name, filters])).digest()[:_CHECK_BYTES]


def _query_pairs(request: AnyRequest) -> list[tuple[str, str]]:
    return parse_qsl(request.scope["query_string"].decode("ascii"), keep_blank_values=True)


def _with_cursor(request: AnyRequest, cursor: str) -> str:
    others = [pair for pair in _query_pairs(request) if pair[0] != "cursor"]
    return f"{instance_of(request.scope)}?{urlencode([*others, ('cursor', cursor)])}"
