"""Problem details (RFC 9457): the exception that handlers raise and the document it turns into."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from fill_ledger.api.http.problem_types import ProblemType

PROBLEM_MEDIA_TYPE = "application/problem+json"

MAX_FAULTS = 100
MAX_DETAIL_LENGTH = 4000
"""At most this many faults are listed: enough to correct a form, and a bound on the answer to a hostile body."""

_RESERVED_MEMBERS = frozenset({"type", "title", "status", "detail", "instance", "errors", "request_id"})

Pointer = Annotated[
    str, Meta(max_length=8000, description="JSON Pointer (RFC 6901) into the request body; empty: the whole body.")
]
FaultCode = Annotated[
    str, Meta(max_length=64, pattern=r"^[a-z0-9]+(-[a-z0-9]+)*\Z", description="Stable code of the fault, kebab-case.")
]
Explanation = Annotated[str, Meta(max_length=4000)]
ProblemUri = Annotated[
    str,
    Meta(
        max_length=200,
        pattern=r"^/v1/problems/[a-z0-9-]+\Z",
        description="Identity of the problem; a page tells of it.",
    ),
]
ParameterName = Annotated[str, Meta(max_length=200, description="Name of the query or path parameter.")]
HeaderName = Annotated[str, Meta(max_length=200, description="Name of the request header.")]


class Fault(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One fault: its place (body pointer, query or path parameter, or header), its code, and what is wrong."""

    code: FaultCode
    detail: Explanation
    pointer: Pointer | UnsetType = UNSET
    parameter: ParameterName | UnsetType = UNSET
    header: HeaderName | UnsetType = UNSET


class ProblemDocument(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Problem details (RFC 9457). Further members may be present; ignore those you do not know."""

    type: ProblemUri
    title: Annotated[str, Meta(max_length=200, description="Constant short text of the problem type.")]
    status: Annotated[int, Meta(ge=400, le=599, extra_json_schema={"format": "int32"}, description="The HTTP status.")]
    detail: Annotated[str, Meta(max_length=MAX_DETAIL_LENGTH, description="What happened this time.")]
    instance: Annotated[str, Meta(max_length=4000, description="Path of the request this is about.")]
    request_id: Annotated[str, Meta(max_length=128, description="Identifier of the request, as in the log.")]
    errors: Annotated[list[Fault], Meta(max_length=MAX_FAULTS, description="Every fault found.")] | UnsetType = UNSET


class Problem(Exception):
    """A request that ends with a problem answer.

    Raise it anywhere below a handler: ``raise Problem(NOT_FOUND, "No cylinder has this id.")``.

    Args:
        kind: the type from the catalogue; fixes status and title.
        detail: what happened this time, in a sentence for the caller; never internals, names or keys.
        errors: every single fault, when there are several or when a place can be named.
        headers: headers of the answer, such as ``Retry-After``.
        extensions: further members of the document, such as the choices of an ambiguous subject.
    """

    def __init__(
        self,
        kind: ProblemType,
        detail: str,
        *,
        errors: Sequence[Fault] = (),
        headers: Mapping[str, str] | None = None,
        extensions: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(detail)
        reserved = _RESERVED_MEMBERS.intersection(extensions or ())
        if reserved:
            raise ValueError(f"extension members must not use the reserved names {sorted(reserved)}")
        self.kind = kind
        self.detail = detail[:MAX_DETAIL_LENGTH]
        self.errors = tuple(errors)[:MAX_FAULTS]
        self.headers = dict(headers or {})
        self.extensions = dict(extensions or {})

    def document(self, *, instance: str, request_id: str) -> dict[str, Any]:
        """Return the members of the problem document as plain values, extensions last."""
        members: dict[str, Any] = {
            "type": self.kind.uri,
            "title": self.kind.title,
            "status": self.kind.status,
            "detail": self.detail,
            "instance": instance,
            "request_id": request_id,
        }
        if self.errors:
            members["errors"] = [msgspec.to_builtins(fault) for fault in self.errors]
        members.update(self.extensions)
        return members


def pointer_to(*parts: str | int) -> str:
    """Return the JSON Pointer (RFC 6901 section 3) of the given member names and array positions."""
    return "".join("/" + escape_pointer_part(part) for part in parts)


def escape_pointer_part(part: str | int) -> str:
    """Escape one reference token: ``~`` as ``~0``, then ``/`` as ``~1`` (RFC 6901 section 3)."""
    return str(part).replace("~", "~0").replace("/", "~1")
