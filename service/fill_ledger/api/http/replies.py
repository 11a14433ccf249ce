"""What a handler returns, and how it becomes an HTTP answer."""

from collections.abc import Mapping
from typing import Any, Generic, TypeVar

import msgspec
from litestar.response.base import ASGIResponse

from fill_ledger.api.http.problems import PROBLEM_MEDIA_TYPE, Problem
from fill_ledger.api.http.request_context import context_of

T = TypeVar("T")

JSON_MEDIA_TYPE = "application/json"

_ENCODER = msgspec.json.Encoder()


class Reply(Generic[T]):
    """An answer that is more than a value with the usual status.

    Args:
        value: the struct to send as JSON; bytes are sent as they are; None sends no body.
        status: one of the statuses the operation declares; None means its first.
        headers: further headers, such as Location.
        etag: the strong ETag of what is sent, quotes included (`conditional.version_tag`).
        media_type: of the body; JSON unless told otherwise.
    """

    __slots__ = ("etag", "headers", "media_type", "status", "value")

    def __init__(
        self,
        value: T,
        *,
        status: int | None = None,
        headers: Mapping[str, str] | None = None,
        etag: str | None = None,
        media_type: str = JSON_MEDIA_TYPE,
    ) -> None:
        self.value = value
        self.status = status
        self.headers = dict(headers or {})
        self.etag = etag
        self.media_type = media_type


def not_modified(etag: str) -> Reply[None]:
    """Return the answer to a read whose If-None-Match named the present ETag."""
    return Reply(None, status=304, etag=etag)


def to_response(answer: Any, default_status: int) -> ASGIResponse:
    """Return the HTTP answer for what a handler returned: a struct or plain value, a `Reply`, or a ready answer."""
    if isinstance(answer, ASGIResponse):
        return answer
    if not isinstance(answer, Reply):
        return json_response(answer, default_status)
    headers = dict(answer.headers)
    if answer.etag is not None:
        headers["ETag"] = answer.etag
    status = default_status if answer.status is None else answer.status
    if answer.value is None:
        return ASGIResponse(status_code=status, headers=headers, body=b"")
    if isinstance(answer.value, bytes):
        return ASGIResponse(status_code=status, headers=headers, body=answer.value, media_type=answer.media_type)
    return json_response(answer.value, status, headers=headers, media_type=answer.media_type)


def json_response(
    value: Any, status: int, *, headers: Mapping[str, str] | None = None, media_type: str = JSON_MEDIA_TYPE
) -> ASGIResponse:
    """Return a value as a JSON answer."""
    return ASGIResponse(
        status_code=status, headers=dict(headers or {}), body=_ENCODER.encode(value), media_type=media_type
    )


def problem_response(problem: Problem, scope: Any) -> ASGIResponse:
    """Return a problem as its ``application/problem+json`` answer; the instance is the path, never the query."""
    document = problem.document(instance=instance_of(scope), request_id=context_of(scope).request_id)
    return json_response(document, problem.kind.status, headers=problem.headers, media_type=PROBLEM_MEDIA_TYPE)


def instance_of(scope: Any) -> str:
    """Return the path of the request as it was sent (still percent-encoded, thus a URI reference), cut to 2,000."""
    raw: bytes = scope.get("raw_path") or b""
    path = raw.partition(b"?")[0].decode("latin-1") or "/"
    return path[:2000]
