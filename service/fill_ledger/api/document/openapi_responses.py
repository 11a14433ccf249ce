"""The responses of the OpenAPI document: each way an operation succeeds, and every problem it may end with."""

import typing
from typing import Any

import msgspec

from fill_ledger.api.document.openapi_schemas import REFERENCE, Schema
from fill_ledger.api.http.operations import Answer, Operation
from fill_ledger.api.http.paging import Page
from fill_ledger.api.http.problem_types import ProblemType
from fill_ledger.api.http.problems import PROBLEM_MEDIA_TYPE, ProblemDocument

_MAX_HEADER_LENGTH = 4096
_MAX_FILE_BYTES = 2**24
"""Above every file the service answers with."""
_HEADERS_AT = "#/components/headers/"
_HEADER_TEXT: Schema = {"type": "string", "maxLength": _MAX_HEADER_LENGTH, "pattern": "^[ -~]*$"}


def _header(description: str, example: Any, schema: Schema | None = None) -> dict[str, Any]:
    return {
        "description": description,
        "schema": schema or dict(_HEADER_TEXT),
        "example": example,
    }


HEADER_COMPONENTS: dict[str, Any] = {
    "X-Request-Id": _header(
        "Identifier of the request, as in the log and in problems.", "5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"
    ),
    "RateLimit": _header(
        "What is left of the limit, and in how many seconds it is whole (draft-ietf-httpapi-ratelimit-headers-10).",
        '"per-key";r=99;t=1',
    ),
    "RateLimit-Policy": _header("The limit: quota and window in seconds.", '"per-key";q=100;w=60'),
    "Retry-After": _header(
        "Seconds to wait before the request is sent again.",
        5,
        {"type": "integer", "format": "int32", "minimum": 0, "maximum": 86_400},
    ),
    "Link": _header("The next page, if there is one (RFC 8288).", '</v1/cylinders?limit=50&cursor=x>; rel="next"'),
    "ETag": _header("The version of the resource, for If-Match and If-None-Match.", '"v17"'),
    "Location": _header("The path of what was made.", "/v1/cylinders/5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    "Allow": _header("The methods offered.", "GET, HEAD"),
    "WWW-Authenticate": _header("How to authenticate.", "Bearer"),
    "Accept": _header("The media types taken.", "application/json"),
    "Accept-Encoding": _header("The content encodings taken.", "identity"),
}
"""Headers that answers may carry. An operation may name others; their description stands where they are named."""

_ALWAYS = ("X-Request-Id", "RateLimit", "RateLimit-Policy")
_BY_STATUS = {
    401: ("WWW-Authenticate",),
    412: ("ETag",),
    415: ("Accept", "Accept-Encoding"),
    429: ("Retry-After",),
    503: ("Retry-After",),
}


def _headers(names: tuple[str, ...]) -> dict[str, Any]:
    return {name: {"$ref": f"{_HEADERS_AT}{name}"} for name in names}


def answer_response(answered: Answer, schema: Schema | None) -> dict[str, Any]:
    """Return the response object of one way an operation succeeds."""
    names = list(_ALWAYS)
    if typing.get_origin(answered.content_type) is Page:
        names.append("Link")
    headers = _headers(tuple(names))
    for name, description in answered.headers.items():
        headers[name] = _headers((name,))[name] if name in HEADER_COMPONENTS else _header(description, "")
    written: dict[str, Any] = {"description": answered.description, "headers": headers}
    if schema is not None:
        content: dict[str, Any] = {"schema": schema}
        if answered.example is not None:
            content["examples"] = {"example": {"value": msgspec.to_builtins(answered.example, str_keys=True)}}
        written["content"] = {answered.media_type: content}
    elif answered.file_types:
        written["content"] = {media_type: {"schema": _file_schema(media_type)} for media_type in answered.file_types}
    return written


def _file_schema(media_type: str) -> Schema:
    if media_type == "application/json":
        return {"type": "object"}
    return {"type": "string", "format": "binary", "maxLength": _MAX_FILE_BYTES}


def used_headers(parts: Any) -> dict[str, Any]:
    """Return the header components that the given parts of the document refer to."""
    found: set[str] = set()
    _collect_references(parts, found)
    return {name: header for name, header in HEADER_COMPONENTS.items() if f"{_HEADERS_AT}{name}" in found}


def _collect_references(part: Any, found: set[str]) -> None:
    if isinstance(part, dict):
        if isinstance(part.get("$ref"), str):
            found.add(part["$ref"])
        for item in part.values():
            _collect_references(item, found)
    elif isinstance(part, list):
        for item in part:
            _collect_references(item, found)


class ProblemResponses:
    """The problem responses of all operations; those with the same problems of a status share a component."""

    def __init__(self) -> None:
        self._components: dict[str, Any] = {}

    def of(self, stated: Operation) -> dict[str, Any]:
        """Return the problem responses of an operation, by status."""
        by_status: dict[int, list[ProblemType]] = {}
        for kind in stated.problems:
            by_status.setdefault(kind.status, []).append(kind)
        return {str(status): self._reference(kinds) for status, kinds in sorted(by_status.items())}

    def components(self) -> dict[str, Any]:
        """Return the components that were referred to."""
        return dict(sorted(self._components.items()))

    def _reference(self, kinds: list[ProblemType]) -> dict[str, Any]:
        kinds = sorted(kinds, key=lambda kind: kind.code)
        name = "Or".join("".join(part.capitalize() for part in kind.code.split("-")) for kind in kinds)
        if name not in self._components:
            self._components[name] = _problem_response(kinds)
        return {"$ref": f"#/components/responses/{name}"}


def _problem_response(kinds: list[ProblemType]) -> dict[str, Any]:
    status = kinds[0].status
    names = (*_ALWAYS, *_BY_STATUS.get(status, ()))
    examples = {kind.code: {"summary": kind.title, "value": _example(kind)} for kind in kinds}
    return {
        "description": " ".join(f"{kind.title} ({kind.code})." for kind in kinds),
        "headers": _headers(names),
        "content": {
            PROBLEM_MEDIA_TYPE: {
                "schema": {"$ref": REFERENCE.format(name=ProblemDocument.__name__)},
                "examples": examples,
            }
        },
    }


def _example(kind: ProblemType) -> dict[str, Any]:
    return {
        "type": kind.uri,
        "title": kind.title,
        "status": kind.status,
        "detail": kind.what_to_change,
        "instance": "/v1/cylinders",
        "request_id": "5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11",
    }
