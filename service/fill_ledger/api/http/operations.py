"""State an operation once: routing, decoding, rights and the OpenAPI document all follow from it.

A resource file reads::

    @get("/v1/cylinders/{cylinder_id}", right="cylinders:read", tag="cylinders",
         summary="One cylinder", answers=answer(CylinderView, "The cylinder.", example=EXAMPLE))
    async def read_cylinder(request: AnyRequest, cylinder_id: UUID, principal: Principal) -> CylinderView:
        ...

The parameters of the function say what it takes, by their names:

``request``
    the request itself, always first;
``query``
    a `StrictStruct`; the query string is parsed into it strictly;
``body``
    a `StrictStruct`; the JSON body is decoded into it strictly;
``principal``
    whoever the doorkeeper admitted;
any name in braces in the path
    a UUID, a bounded string or a bounded integer.

The function returns a struct (sent as JSON with the first status declared), or a `Reply`. The order is fixed: admit the
caller, then path, query and body, so that nobody without a right makes the service read a body.
"""

import functools
import inspect as signatures
import re
import typing
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Protocol

from litestar import route
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse
from litestar.types import ASGIApp
from msgspec import Struct

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import DEFAULT_BODY_LIMIT_BYTES, AnyRequest, BodyDecoder, body_decoder, decode_body
from fill_ledger.api.http.error_answers import problem_of
from fill_ledger.api.http.path_parameters import PathParameter, PathReader
from fill_ledger.api.http.problem_types import ProblemType
from fill_ledger.api.http.queries import QueryParser, query_parser
from fill_ledger.api.http.replies import problem_response, to_response
from fill_ledger.api.http.value_types import check_answer_type

PUBLIC = None
"""The right of an operation that anybody may call without a key. Has to be written out: forgetting it is an error."""

OPERATION_KEY = "operation"
DOORKEEPER_KEY = "doorkeeper"

_PATH_PARAMETER = re.compile(r"\{([a-z][a-z0-9_]*)\}")
_OWN_NAMES = frozenset({"request", "query", "body", "principal", "return"})

Endpoint = Callable[..., Awaitable[Any]]


class Doorkeeper(Protocol):
    """Decides who may call an operation. Given to `create_service`."""

    async def admit(self, request: AnyRequest, operation: "Operation") -> Any:
        """Return the principal that may call the operation; None for a public one.

        Asked for every operation that does not admit its caller itself, public ones too, so that each request is
        counted. Notes in ``context_of(request.scope)`` the principal's id, and the RateLimit headers of the answer.

        Raises:
            Problem: 401 not-authenticated, 403 not-permitted, 429 rate-limited.
        """


class Answer(Struct, frozen=True, kw_only=True):
    """One way an operation succeeds: status, what is sent, an example that must fit it, and headers by name."""

    status: int
    description: str
    content_type: Any = None
    example: Any = None
    headers: Mapping[str, str] = {}
    media_type: str = "application/json"
    file_types: tuple[str, ...] = ()


class BodyDescription(Struct, frozen=True, kw_only=True):
    """A body that the handler reads itself: its media type, its type if it is JSON, and an example."""

    media_type: str
    description: str
    content_type: Any = None
    example: Any = None
    form_part: str | None = None
    """The name of the one part, if it is a form that carries a file."""


class RequestHeader(Struct, frozen=True, kw_only=True):
    """A request header an operation takes; the pattern is written for JSON Schema."""

    name: str
    description: str
    pattern: str
    example: str
    is_required: bool = False


class Operation(Struct, frozen=True, kw_only=True):
    """Everything there is to know about one operation."""

    method: str
    path: str
    operation_id: str
    summary: str
    description: str
    tag: str
    right: str | None
    admits_itself: bool
    answers: tuple[Answer, ...]
    problems: tuple[ProblemType, ...]
    path_parameters: tuple[PathParameter, ...]
    query_type: Any
    bodies: tuple[BodyDescription, ...]
    body_limit_bytes: int
    request_headers: tuple[RequestHeader, ...]
    in_document: bool


def answer(
    content_type: Any,
    description: str,
    *,
    status: int = 200,
    example: Any = None,
    headers: Mapping[str, str] | None = None,
    media_type: str = "application/json",
    file_types: tuple[str, ...] = (),
) -> Answer:
    """Describe one way an operation succeeds.

    ``content_type`` None means no body, or, with ``file_types``, a file of one of these media types.
    """
    return Answer(
        status=status,
        description=description,
        content_type=content_type,
        example=example,
        headers=dict(headers or {}),
        media_type=media_type,
        file_types=file_types,
    )


def operation(
    method: str,
    path: str,
    *,
    right: str | None,
    tag: str,
    summary: str,
    answers: Answer | tuple[Answer, ...],
    description: str = "",
    problems: tuple[ProblemType, ...] = (),
    operation_id: str | None = None,
    admits_itself: bool = False,
    bodies: tuple[BodyDescription, ...] = (),
    body_example: Any = None,
    body_limit_bytes: int = DEFAULT_BODY_LIMIT_BYTES,
    parameters: Mapping[str, str] | None = None,
    request_headers: tuple[RequestHeader, ...] = (),
    in_document: bool = True,
) -> Callable[[Endpoint], HTTPRouteHandler]:
    """Return a decorator that makes a function an operation of the service.

    Args:
        method: GET, POST, PUT, PATCH or DELETE. HEAD is answered wherever GET is.
        path: with parameters in braces, ``/v1/cylinders/{cylinder_id}``.
        right: the right the caller needs, or `PUBLIC`.
        tag: the resource, plural noun.
        summary: one line; the docstring of the function is the description unless one is given.
        answers: each way it succeeds, the usual one first.
        problems: problem types beyond those that follow from what the operation takes.
        operation_id: the name of the function unless given; unique.
        admits_itself: the handler checks the key and the right in its own statement (the look-up does); the doorkeeper
            is not asked.
        bodies: bodies the handler reads itself; not together with a ``body`` parameter.
        body_example: an example of the ``body``, as a struct or plain values.
        body_limit_bytes: greatest body.
        parameters: descriptions of path parameters by name.
        request_headers: headers the handler reads, such as those of `header_parameters`.
        in_document: False only for pages that are no part of the interface.

    Raises:
        TypeError: the function takes something that is not described above; raised while modules load.
    """

    def decorate(endpoint: Endpoint) -> HTTPRouteHandler:
        hints = typing.get_type_hints(endpoint, include_extras=True)
        names = _PATH_PARAMETER.findall(path)
        _check_parameters(endpoint, names, bodies)
        _check_answers(endpoint, answers if isinstance(answers, tuple) else (answers,))
        body_type = hints.get("body")
        told_bodies = bodies
        if body_type is not None:
            told_bodies = (
                BodyDescription(
                    media_type="application/json", description="", content_type=body_type, example=body_example
                ),
            )
        stated = Operation(
            method=method,
            path=path,
            operation_id=operation_id or _name_of(endpoint),
            summary=summary,
            description=description or signatures.cleandoc(endpoint.__doc__ or summary),
            tag=tag,
            right=right,
            admits_itself=admits_itself,
            answers=answers if isinstance(answers, tuple) else (answers,),
            problems=_problems(right, names, hints, told_bodies, problems),
            path_parameters=tuple(
                PathParameter(name=name, annotation=hints[name], description=(parameters or {}).get(name, ""))
                for name in names
            ),
            query_type=hints.get("query"),
            bodies=told_bodies,
            body_limit_bytes=body_limit_bytes,
            request_headers=request_headers,
            in_document=in_document,
        )
        return _handler(stated, _Runner(stated, endpoint, body_type))

    return decorate


get = functools.partial(operation, "GET")
post = functools.partial(operation, "POST")
put = functools.partial(operation, "PUT")
patch = functools.partial(operation, "PATCH")
delete = functools.partial(operation, "DELETE")


def _name_of(endpoint: Endpoint) -> str:
    return str(getattr(endpoint, "__name__", endpoint))


def _check_parameters(endpoint: Endpoint, path_names: list[str], bodies: tuple[BodyDescription, ...]) -> None:
    taken = list(signatures.signature(endpoint).parameters)
    where = _name_of(endpoint)
    if not signatures.iscoroutinefunction(endpoint) or taken[:1] != ["request"]:
        raise TypeError(f"{where} must be a coroutine function whose first parameter is the request")
    unknown = [name for name in taken if name not in _OWN_NAMES and name not in path_names]
    missing = [name for name in path_names if name not in taken]
    if unknown or missing:
        raise TypeError(f"{where} takes parameters that are not in its path: {unknown}; and lacks: {missing}")
    if bodies and "body" in taken:
        raise TypeError(f"{where} reads its bodies itself and so cannot take a decoded one")


def _check_answers(endpoint: Endpoint, answers: tuple[Answer, ...]) -> None:
    statuses = [stated.status for stated in answers]
    if not statuses or len(set(statuses)) != len(statuses) or not all(200 <= status < 400 for status in statuses):
        raise TypeError(
            f"{_name_of(endpoint)} must state at least one answer, each with another status from 200 to 399"
        )
    for stated in answers:
        if stated.content_type is not None:
            check_answer_type(stated.content_type)


def _problems(
    right: str | None,
    path_names: list[str],
    hints: Mapping[str, Any],
    bodies: tuple[BodyDescription, ...],
    further: tuple[ProblemType, ...],
) -> tuple[ProblemType, ...]:
    """Return the problems that follow from what the operation takes, then the further ones, without repeats."""
    follow = [problem_types.BAD_REQUEST, problem_types.INTERNAL_ERROR, problem_types.RATE_LIMITED]
    if right is not None:
        follow += [
            problem_types.NOT_AUTHENTICATED,
            problem_types.NOT_PERMITTED,
            problem_types.DATABASE_UNAVAILABLE,
            problem_types.DATABASE_BUSY,
        ]
    if path_names:
        follow.append(problem_types.NOT_FOUND)
    if "query" in hints:
        follow.append(problem_types.INVALID_QUERY)
    if bodies:
        follow += [
            problem_types.MALFORMED_JSON,
            problem_types.REQUEST_TIMEOUT,
            problem_types.BODY_TOO_LARGE,
            problem_types.UNSUPPORTED_MEDIA_TYPE,
            problem_types.UNSUPPORTED_CONTENT_ENCODING,
            problem_types.INVALID_BODY,
        ]
    return tuple(dict.fromkeys([*follow, *further]))


def _handler(stated: Operation, run: "_Runner") -> HTTPRouteHandler:
    async def endpoint(request: AnyRequest) -> ASGIApp:
        return await run(request)

    # The framework routes; a parameter's text is read by us, so that a malformed one is told like any other fault.
    routed_path = _PATH_PARAMETER.sub(r"{\1:str}", stated.path)
    return route(
        routed_path,
        http_method=[stated.method],  # type: ignore[list-item]
        name=stated.operation_id,
        opt={OPERATION_KEY: stated, "right": stated.right},
        include_in_schema=False,
        status_code=200,  # not used: every answer comes ready with its own
        request_max_body_size=None,  # read_body holds the limit, and says which it is
    )(endpoint)


def options_handler(path: str, allow: str) -> HTTPRouteHandler:
    """Return the handler that answers OPTIONS at a path with the methods offered there. Public, and no operation."""

    async def endpoint(request: AnyRequest) -> ASGIApp:
        return ASGIResponse(status_code=204, headers={"Allow": allow})

    return route(
        _PATH_PARAMETER.sub(r"{\1:str}", path), http_method=["OPTIONS"], include_in_schema=False, status_code=200
    )(endpoint)


class _Runner:
    """Runs one operation: admit, read what it takes, call, answer."""

    __slots__ = ("_body", "_default_status", "_endpoint", "_operation", "_path", "_query", "_takes_principal")

    def __init__(self, stated: Operation, endpoint: Endpoint, body_type: Any) -> None:
        self._operation = stated
        self._endpoint = endpoint
        self._default_status = stated.answers[0].status
        self._takes_principal = "principal" in signatures.signature(endpoint).parameters
        self._path = [(parameter.name, PathReader(parameter)) for parameter in stated.path_parameters]
        self._query: QueryParser[Any] | None = None if stated.query_type is None else query_parser(stated.query_type)
        self._body: BodyDecoder[Any] | None = None if body_type is None else body_decoder(body_type)
        if self._takes_principal and (stated.right is None or stated.admits_itself):
            raise TypeError(f"{stated.operation_id} has no principal: the doorkeeper is not asked")

    async def __call__(self, request: AnyRequest) -> ASGIApp:
        try:
            arguments = await self._arguments(request)
            answered = await self._endpoint(request, **arguments)
            return to_response(answered, self._default_status)
        except Exception as error:  # every failure becomes a problem here
            return problem_response(problem_of(error), request.scope)

    async def _arguments(self, request: AnyRequest) -> dict[str, Any]:
        arguments: dict[str, Any] = {}
        stated = self._operation
        if not stated.admits_itself:
            principal = await request.app.state[DOORKEEPER_KEY].admit(request, stated)
            if self._takes_principal:
                arguments["principal"] = principal
        for name, reader in self._path:
            arguments[name] = reader.read(request.path_params[name])
        if self._query is not None:
            arguments["query"] = self._query.parse(request.scope["query_string"])
        elif request.scope["query_string"]:
            _refuse_query(request.scope["query_string"])
        if self._body is not None:
            arguments["body"] = await decode_body(request, self._body, limit_bytes=stated.body_limit_bytes)
        return arguments


class _NoQuery(Struct, frozen=True, forbid_unknown_fields=True):
    """The query of an operation that takes none."""


def _refuse_query(query_string: bytes) -> None:
    query_parser(_NoQuery).parse(query_string)
