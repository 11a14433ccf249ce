"""The interface explains itself: its OpenAPI document, every problem type, and pages to read and try it.

The pages are a few files of our own, served from the package: they need no other host, run no inline script, and work
under the strict content security policy below.
"""

import hashlib
from collections.abc import Mapping, Sequence
from functools import cached_property
from importlib import resources
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.document.openapi_document import build_openapi, openapi_text
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.operations import PUBLIC, Operation, answer, get
from fill_ledger.api.http.problem_types import CATALOGUE, ProblemType
from fill_ledger.api.http.problems import FaultCode, Problem, ProblemUri
from fill_ledger.api.http.replies import Reply, not_modified

DOCUMENT_KEY = "openapi_document"
TAG = "documentation"
TAG_DESCRIPTION = "What the interface says about itself: this document and the problem types. Public."

_PAGE_FOLDER = "docs_page"
_PAGE_FILES = {
    "index.html": "text/html",
    "page.css": "text/css",
    "page.js": "text/javascript",
    "calls.js": "text/javascript",
    "schemas.js": "text/javascript",
}
_PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class ServedDocument:
    """The OpenAPI document of a running service: made when it is first asked for, the same ever after."""

    def __init__(self, operations: Sequence[Operation], tags: Mapping[str, str]) -> None:
        self._operations = operations
        self._tags = {TAG: TAG_DESCRIPTION, **tags}

    @cached_property
    def text(self) -> bytes:
        """The document as it is served and committed."""
        return openapi_text(build_openapi(self._operations, self._tags)).encode("utf-8")

    @cached_property
    def etag(self) -> str:
        """Its strong ETag."""
        return content_tag(self.text)


def content_tag(content: bytes) -> str:
    """Return a strong ETag that changes with the content."""
    return f'"{hashlib.sha256(content).hexdigest()[:32]}"'


class ProblemTypeView(Struct, frozen=True, kw_only=True):
    """A kind of problem this service answers with."""

    type: ProblemUri
    code: FaultCode
    status: Annotated[int, Meta(ge=400, le=599, description="The HTTP status it comes with.")]
    title: Annotated[str, Meta(max_length=200, description="Constant short text.")]
    what_to_change: Annotated[str, Meta(max_length=2000, description="What the caller should change.")]


class ProblemTypeList(Struct, frozen=True, kw_only=True):
    """Every kind of problem, by code."""

    items: Annotated[list[ProblemTypeView], Meta(max_length=500)]


def _view(kind: ProblemType) -> ProblemTypeView:
    return ProblemTypeView(
        type=kind.uri, code=kind.code, status=kind.status, title=kind.title, what_to_change=kind.what_to_change
    )


_EXAMPLE = _view(problem_types.NOT_FOUND)


@get(
    "/v1/openapi.json",
    right=PUBLIC,
    tag=TAG,
    summary="The OpenAPI document",
    answers=(
        answer(None, "This document (OpenAPI 3.1).", headers={"ETag": ""}, file_types=("application/json",)),
        answer(None, "The document the caller has is the present one.", status=304, headers={"ETag": ""}),
    ),
    request_headers=(IF_NONE_MATCH,),
)
async def read_openapi_document(request: AnyRequest) -> Reply[bytes] | Reply[None]:
    """Return the description of the whole interface, as a machine reads it."""
    document: ServedDocument = request.app.state[DOCUMENT_KEY]
    if is_not_modified(request, document.etag):
        return not_modified(document.etag)
    return Reply(document.text, etag=document.etag, headers={"Cache-Control": "no-cache"})


@get(
    "/v1/problems",
    right=PUBLIC,
    tag=TAG,
    summary="Every problem type",
    answers=answer(ProblemTypeList, "The catalogue.", example=ProblemTypeList(items=[_EXAMPLE])),
)
async def list_problem_types(request: AnyRequest) -> ProblemTypeList:
    """Return every kind of problem that the type member of an error answer may name, with what to change."""
    return ProblemTypeList(items=[_view(CATALOGUE[code]) for code in sorted(CATALOGUE)])


@get(
    "/v1/problems/{code}",
    right=PUBLIC,
    tag=TAG,
    summary="One problem type",
    answers=answer(ProblemTypeView, "The problem type.", example=_EXAMPLE),
    parameters={"code": "The last part of the type member of a problem."},
)
async def read_problem_type(request: AnyRequest, code: FaultCode) -> ProblemTypeView:
    """Return what a kind of problem means and what to change. The type member of a problem leads here."""
    kind = CATALOGUE.get(code)
    if kind is None:
        raise Problem(problem_types.NOT_FOUND, "There is no problem type with this code.")
    return _view(kind)


@get(
    "/", right=PUBLIC, tag=TAG, summary="To the pages", answers=answer(None, "To /docs.", status=307), in_document=False
)
async def go_to_docs(request: AnyRequest) -> Reply[None]:
    """Lead whoever opens the bare address to the pages."""
    return Reply(None, headers={"Location": "/docs"})


@get("/docs", right=PUBLIC, tag=TAG, summary="The pages", answers=answer(None, "A page."), in_document=False)
async def read_docs_page(request: AnyRequest) -> Reply[bytes] | Reply[None]:
    """Return the page that lists every operation and can call it."""
    return _page_file(request, "index.html")


@get("/docs/{name}", right=PUBLIC, tag=TAG, summary="A file", answers=answer(None, "A file."), in_document=False)
async def read_docs_file(request: AnyRequest, name: Annotated[str, Meta(max_length=40)]) -> Reply[bytes] | Reply[None]:
    """Return a script or style of the page."""
    if name not in _PAGE_FILES:
        raise Problem(problem_types.NOT_FOUND, "The pages have no such file.")
    return _page_file(request, name)


def _page_file(request: AnyRequest, name: str) -> Reply[bytes] | Reply[None]:
    content, etag = _read_page_file(name)
    if is_not_modified(request, etag):
        return not_modified(etag)
    headers = {"Cache-Control": "no-cache", "Content-Security-Policy": _PAGE_POLICY}
    return Reply(content, etag=etag, headers=headers, media_type=_PAGE_FILES[name])


_PAGE_CACHE: dict[str, tuple[bytes, str]] = {}


def _read_page_file(name: str) -> tuple[bytes, str]:
    if name not in _PAGE_CACHE:
        content = resources.files("fill_ledger.api.document").joinpath(_PAGE_FOLDER, name).read_bytes()
        _PAGE_CACHE[name] = (content, content_tag(content))
    return _PAGE_CACHE[name]


HANDLERS: list[HTTPRouteHandler] = [
    read_openapi_document,
    list_problem_types,
    read_problem_type,
    go_to_docs,
    read_docs_page,
    read_docs_file,
]
"""To be given to `create_service` together with the resources."""
