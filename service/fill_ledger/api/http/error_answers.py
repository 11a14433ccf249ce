"""Every exception a request can end with becomes one problem answer; nothing internal leaves the service."""

import socket
from collections.abc import Iterable
from typing import Any

import asyncpg
import msgspec
import structlog
from litestar import Request, Response
from litestar.exceptions import HTTPException

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problem_types import ProblemType
from fill_ledger.api.http.problems import PROBLEM_MEDIA_TYPE, Problem
from fill_ledger.api.http.replies import problem_response
from fill_ledger.intake.lane import LaneBusyError, LaneFullError
from fill_ledger.ledger.append import UnknownDepartmentError

RETRY_UNAVAILABLE_S = 5
RETRY_BUSY_S = 1

_LOG = structlog.get_logger("fill_ledger.errors")

_CLIENT_STATUSES: dict[int, ProblemType] = {
    400: problem_types.BAD_REQUEST,
    404: problem_types.NOT_FOUND,
    405: problem_types.METHOD_NOT_ALLOWED,
    406: problem_types.NOT_ACCEPTABLE,
    413: problem_types.BODY_TOO_LARGE,
    415: problem_types.UNSUPPORTED_MEDIA_TYPE,
}

_BUSY_ERRORS = (
    asyncpg.QueryCanceledError,
    asyncpg.LockNotAvailableError,
    asyncpg.SerializationError,
    asyncpg.DeadlockDetectedError,
    asyncpg.IdleInTransactionSessionTimeoutError,
    TimeoutError,
)

_UNAVAILABLE_ERRORS = (
    asyncpg.PostgresConnectionError,
    asyncpg.InsufficientResourcesError,
    asyncpg.OperatorInterventionError,
    asyncpg.ReadOnlySQLTransactionError,
    asyncpg.InvalidAuthorizationSpecificationError,
    asyncpg.TargetServerAttributeNotMatched,
    ConnectionError,
    socket.gaierror,
)


def answer_exception(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """Return the problem answer for an exception outside an operation (no such path, wrong method).

    Registered with the framework for every Exception; it wants its own kind of response.
    """
    ready = problem_response(problem_of(error), request.scope)
    headers = {name: value for name, value in ready.headers.items() if name not in ("content-type", "content-length")}
    return Response(ready.body, status_code=ready.status_code, headers=headers, media_type=PROBLEM_MEDIA_TYPE)


def problem_of(error: Exception) -> Problem:
    """Return the problem an exception amounts to; an unknown one is logged in full and told as nothing but a fault."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, HTTPException):
        return _of_framework(error)
    if isinstance(error, _BUSY_ERRORS):
        _LOG.warning("database_busy", error=type(error).__name__)
        return _retry_later(problem_types.DATABASE_BUSY, "The database did not answer in time.", RETRY_BUSY_S)
    if isinstance(error, _UNAVAILABLE_ERRORS) or _is_lost_connection(error):
        _LOG.error("database_unavailable", error=type(error).__name__)
        return _retry_later(
            problem_types.DATABASE_UNAVAILABLE, "The database cannot be reached just now.", RETRY_UNAVAILABLE_S
        )
    if isinstance(error, LaneFullError | LaneBusyError):
        _LOG.warning("lane_busy", error=str(error))
        return _retry_later(problem_types.LEDGER_BUSY, "Too many writes wait for this department.", RETRY_BUSY_S)
    if isinstance(error, UnknownDepartmentError):
        return Problem(problem_types.NOT_PROCESSABLE, "The county has registered no such department.")
    if isinstance(error, msgspec.MsgspecError):
        # Every value from outside goes through the decoders of this package: this one came from our own store.
        _LOG.error("unreadable_stored_value", error=str(error))
    _LOG.error("request_failed", exc_info=error)
    return Problem(
        problem_types.INTERNAL_ERROR, "The service failed while answering. The request_id leads to the cause."
    )


def _is_lost_connection(error: Exception) -> bool:
    # asyncpg says "connection is closed" and "pool is closing" with InterfaceError, which also covers misuse.
    return isinstance(error, asyncpg.InterfaceError) and ("clos" in str(error) or "lost" in str(error))


def _retry_later(kind: ProblemType, detail: str, seconds: int) -> Problem:
    return Problem(kind, detail, headers={"Retry-After": str(seconds)})


def _of_framework(error: HTTPException) -> Problem:
    kind = _CLIENT_STATUSES.get(error.status_code)
    if kind is None:
        if error.status_code < 500:
            return Problem(problem_types.BAD_REQUEST, "The request could not be understood.")
        _LOG.error("request_failed", exc_info=error)
        return Problem(problem_types.INTERNAL_ERROR, "The service failed while answering.")
    if kind is problem_types.METHOD_NOT_ALLOWED:
        methods = allow_header((error.headers or {}).get("allow", "").split(", "))
        return Problem(kind, f"Methods offered here: {methods}.", headers={"Allow": methods})
    details = {
        problem_types.NOT_FOUND: "No resource has this path.",
        problem_types.BAD_REQUEST: "The request could not be understood.",
    }
    return Problem(kind, details.get(kind, kind.title + "."))


def allow_header(methods: Iterable[str]) -> str:
    """Return the value of Allow for the methods routed at a path, plus HEAD wherever GET is offered."""
    offered = {method for method in methods if method}
    if "GET" in offered:
        offered.add("HEAD")
    return ", ".join(sorted(offered))
