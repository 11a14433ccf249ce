"""The application object: the framework's routing inside one thin layer of our own.

The layer gives every request an id, every answer its standing headers, every GET its HEAD, and writes one log line.
There is no other middleware: what an operation needs it states itself, so the look-up pays for nothing else.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Any

import structlog
from litestar import Litestar
from litestar.datastructures import State
from litestar.handlers import HTTPRouteHandler
from litestar.types import ControllerRouterHandler, Message, Scope, Send

from fill_ledger.api.document.documentation import DOCUMENT_KEY, ServedDocument
from fill_ledger.api.http.decoding import ClientGoneError
from fill_ledger.api.http.error_answers import allow_header, answer_exception
from fill_ledger.api.http.operations import DOORKEEPER_KEY, OPERATION_KEY, Doorkeeper, Operation, options_handler
from fill_ledger.api.http.paging import CURSOR_CODEC_KEY, CursorCodec
from fill_ledger.api.http.request_context import RequestContext, open_context

STANDING_HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
"""Headers of every answer (common practice for HTTP interfaces; OWASP REST Security Cheat Sheet, from memory). HSTS is
left to whatever ends TLS, because only that knows whether the name is served over TLS alone."""

_DEFAULTS: tuple[tuple[bytes, bytes], ...] = (
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)
"""Headers an answer gets unless it brings its own."""

CLIENT_GONE_STATUS = 499
"""Logged, never sent: the client left before its body was complete (no standard number; common practice)."""

_REQUEST_LOG = structlog.get_logger("fill_ledger.requests")


class Service(Litestar):
    """The ASGI application of the fill ledger. Made by `create_service`."""

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Handle one connection (ASGI)."""
        if scope["type"] != "http":
            await super().__call__(scope, receive, send)
            return
        context = open_context(scope)
        noted = structlog.contextvars.bind_contextvars(request_id=context.request_id)
        method = scope["method"]
        if method == "HEAD":
            # RFC 9110 section 9.3.2: HEAD is GET without the content. A copy, because the server reads its own scope.
            scope = {**scope, "method": "GET"}
        try:
            await super().__call__(scope, receive, _outgoing(send, context, is_head=method == "HEAD"))
        except ClientGoneError:
            context.status = CLIENT_GONE_STATUS
        except Exception:
            # The answer had begun, so no problem can be sent any more: the server must cut the connection.
            _REQUEST_LOG.exception("answer_broken_off")
            raise
        finally:
            _log_request(scope, method, context)
            structlog.contextvars.reset_contextvars(**noted)


def _outgoing(send: Send, context: RequestContext, *, is_head: bool) -> Send:
    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            context.status = message["status"]
            own = list(message["headers"])
            names = {name for name, _ in own}
            message["headers"] = [
                *own,
                *STANDING_HEADERS,
                *(header for header in _DEFAULTS if header[0] not in names),
                (b"x-request-id", context.request_id.encode("ascii")),
                *context.answer_headers,
            ]
        elif is_head and message["type"] == "http.response.body":
            message["body"] = b""
        await send(message)

    return send_with_headers


def _log_request(scope: Scope, method: str, context: RequestContext) -> None:
    """Write the line of one request: the route, not the path, and never query values, headers, bodies or names."""
    handler = scope.get("route_handler")
    stated = getattr(handler, "opt", {}).get(OPERATION_KEY)
    _REQUEST_LOG.info(
        "request",
        method=method,
        route=stated.path if isinstance(stated, Operation) else None,
        status=context.status,
        milliseconds=round((time.perf_counter() - context.started) * 1000, 2),
        principal_id=context.principal_id,
    )


def create_service(
    handlers: Sequence[HTTPRouteHandler],
    *,
    doorkeeper: Doorkeeper,
    cursor_key: bytes,
    tags: Mapping[str, str],
    state: Mapping[str, Any] | None = None,
    lifespan: Sequence[Callable[[Litestar], AbstractAsyncContextManager[None]]] = (),
) -> Service:
    """Return the application with these operations.

    Args:
        handlers: made by the decorators of `operations`; nothing else is taken.
        doorkeeper: asked for every operation that does not admit its callers itself.
        cursor_key: at least 32 bytes; authenticates cursors. All processes of one service share it.
        tags: a description for each tag of the operations, for the OpenAPI document.
        state: what handlers find in ``request.app.state``: pools, keepers of rules and so on.
        lifespan: opened before the first request and closed after the last.

    Raises:
        ValueError: two operations share an id or a route, or a handler was not made by `operations`.
    """
    _check_operations(handlers)
    # Those for OPTIONS come first: else the framework adds its own, which know only the first method of a path.
    routes: list[ControllerRouterHandler] = [*_options_handlers(handlers), *handlers]
    found = {
        **(state or {}),
        DOORKEEPER_KEY: doorkeeper,
        CURSOR_CODEC_KEY: CursorCodec(cursor_key),
        DOCUMENT_KEY: ServedDocument(operations_of(handlers), tags),
    }
    return Service(
        route_handlers=routes,
        state=State(found, deep_copy=False),
        lifespan=list(lifespan),
        exception_handlers={Exception: answer_exception},
        openapi_config=None,
        logging_config=None,
        debug=False,
        request_max_body_size=None,
    )


def _options_handlers(handlers: Sequence[HTTPRouteHandler]) -> list[HTTPRouteHandler]:
    """Return a handler for OPTIONS of each path; it answers with the methods offered there (RFC 9110 section 9.3.7)."""
    methods: dict[str, set[str]] = {}
    for stated in operations_of(handlers):
        methods.setdefault(stated.path, {"OPTIONS"}).add(stated.method)
    return [options_handler(path, allow_header(offered)) for path, offered in methods.items()]


def operations_of(handlers: Sequence[HTTPRouteHandler]) -> list[Operation]:
    """Return what the handlers state, ordered by path and method.

    Raises:
        ValueError: a handler states nothing.
    """
    found: list[Operation] = []
    for handler in handlers:
        stated = handler.opt.get(OPERATION_KEY)
        if not isinstance(stated, Operation):
            raise ValueError(f"{handler} was not made by the decorators of operations")
        found.append(stated)
    return sorted(found, key=lambda stated: (stated.path, stated.method))


def _check_operations(handlers: Sequence[HTTPRouteHandler]) -> None:
    ids: set[str] = set()
    routes: set[tuple[str, str]] = set()
    for stated in operations_of(handlers):
        if stated.operation_id in ids or (stated.path, stated.method) in routes:
            raise ValueError(f"{stated.method} {stated.path} ({stated.operation_id}) is stated twice")
        ids.add(stated.operation_id)
        routes.add((stated.path, stated.method))
