"""`/v1/health` and `/v1/ready`: is the process alive, and can it do its work? Public, for whatever watches it."""

import asyncio
from functools import cache
from typing import Annotated, Literal

import asyncpg
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import PUBLIC, answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.rate_limits import address_key, refuse_if_limited
from fill_ledger.api.parts import parts_of
from fill_ledger.database import Database
from fill_ledger.schema import newest_revision

READY_TIMEOUT_S = 2.0
"""Whoever watches gives up soon as well; a database that takes longer serves no station."""
RETRY_NOT_READY_S = 5

Revision = Annotated[str, Meta(max_length=32, description="The newest migration applied to the database.")]

# Both probes admit themselves: behind a proxy all callers share one address, and a crowd that reads the documentation
# there must not make a balancer take the process for a dead one. What asks the database has an account of its own.


class HealthView(Struct, frozen=True, kw_only=True):
    """The process answers."""

    status: Literal["live"]


class ReadyView(Struct, frozen=True, kw_only=True):
    """The process can ask and record."""

    status: Literal["ready"]
    revision: Revision


@get(
    "/v1/health",
    right=PUBLIC,
    tag="health",
    summary="Is the process alive?",
    answers=answer(HealthView, "It is.", example=HealthView(status="live")),
    admits_itself=True,
)
async def read_health(request: AnyRequest) -> HealthView:
    """Answer without asking the database: a process that answers need not be started again."""
    return HealthView(status="live")


@get(
    "/v1/ready",
    right=PUBLIC,
    tag="health",
    summary="Can the process do its work?",
    answers=answer(ReadyView, "It can.", example=ReadyView(status="ready", revision="0003")),
    problems=(problem_types.TEMPORARILY_UNAVAILABLE,),
    admits_itself=True,
)
async def read_readiness(request: AnyRequest) -> ReadyView:
    """Answer 200 only where the database takes writes and stands at the revision this version of the service expects.

    Send requests elsewhere while it does not.
    """
    parts = parts_of(request)
    address = address_key(request.client.host if request.client else None)
    refuse_if_limited(parts.public_limiter.charge(f"readiness {address}"))
    try:
        async with asyncio.timeout(READY_TIMEOUT_S):
            revision = await _usable_revision(parts.database)
    except (asyncpg.PostgresError, asyncpg.InterfaceError, OSError, TimeoutError):
        raise _not_ready("The database does not answer.") from None
    return ReadyView(status="ready", revision=revision)


async def _usable_revision(database: Database) -> str:
    """Return the revision the database stands at.

    Raises:
        Problem: 503 where it takes no writes, or stands at another revision than this version needs.
    """
    if not await database.is_writable():
        raise _not_ready("The database takes no writes: it is a standby, or was made read-only.")
    applied: str | None = await database.lookups.fetchval("SELECT max(version_num) FROM public.alembic_version")
    wanted = _wanted_revision()
    # A newer database is a roll-out under way: migrations only add, so the older process goes on.
    if applied is None or wanted is None or applied < wanted:
        raise _not_ready(f"The database stands at revision {applied or 'none'} and needs {wanted}: migrate it.")
    return applied


@cache
def _wanted_revision() -> str | None:
    return newest_revision()


def _not_ready(detail: str) -> Problem:
    return Problem(problem_types.TEMPORARILY_UNAVAILABLE, detail, headers={"Retry-After": str(RETRY_NOT_READY_S)})


HANDLERS: list[HTTPRouteHandler] = [read_health, read_readiness]
