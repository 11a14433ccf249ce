"""A county that is served on an event loop of its own, for tools that call an application from plain functions."""

import asyncio
import threading
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from contextlib import AsyncExitStack, contextmanager
from typing import Any, TypeVar

import msgspec

from fill_ledger.api.http.rate_limits import RateLimiter, RatePolicy
from fill_ledger.api.parts import PARTS_KEY
from fill_ledger.database import open_database
from fill_ledger.settings import DEFAULT_LOOKUPS, DEFAULT_WRITES
from tests.support.county import County, open_county
from tests.support.databases import Databases, fresh_database

Result = TypeVar("Result")
Message = dict[str, Any]

POOL_SIZE = 4
# A tool that tries thousands of faulty requests is what the limits are against; they have tests of their own.
PATIENT = RatePolicy(name="patient", quota=1_000_000, window_s=1)


class ThreadedCounty:
    """A county whose database and service live on the loop of another thread."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self.county: County

    def run(self, coroutine: Coroutine[Any, Any, Result]) -> Result:
        """Run a coroutine where the county lives, and return its result."""
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result()

    async def application(
        self,
        scope: dict[str, Any],
        receive: Callable[[], Awaitable[Message]],
        send: Callable[[Message], Awaitable[None]],
    ) -> None:
        """Answer one request (ASGI) from whatever loop the caller has."""
        if scope["type"] != "http":
            raise RuntimeError("only HTTP is served here")
        body = b""
        while True:
            message = await receive()
            body += message.get("body", b"")
            if not message.get("more_body", False):
                break
        answered = asyncio.run_coroutine_threadsafe(self._answer(scope, body), self._loop)
        for message in await asyncio.wrap_future(answered):
            await send(message)

    async def _answer(self, scope: dict[str, Any], body: bytes) -> list[Message]:
        sent: list[Message] = []
        waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> Message:
            return waiting.pop() if waiting else {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            sent.append(message)

        await self.county.service(scope, receive, send)
        return sent


@contextmanager
def open_threaded_county(databases: Databases) -> Iterator[ThreadedCounty]:
    """Found a county on a fresh database, on a loop in a thread that ends with the county."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="county", daemon=True)
    thread.start()
    threaded = ThreadedCounty(loop)
    stack = AsyncExitStack()
    try:
        threaded.county = threaded.run(_open(stack, databases))
        yield threaded
    finally:
        threaded.run(stack.aclose())
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


async def _open(stack: AsyncExitStack, databases: Databases) -> County:
    name = await stack.enter_async_context(fresh_database(databases))
    database = await open_database(
        databases.service_url(name),
        lookups=msgspec.structs.replace(DEFAULT_LOOKUPS, max_size=POOL_SIZE),
        writes=msgspec.structs.replace(DEFAULT_WRITES, max_size=POOL_SIZE),
    )
    stack.push_async_callback(database.close)
    county = await stack.enter_async_context(open_county(database))
    county.service.state[PARTS_KEY] = msgspec.structs.replace(
        county.parts,
        public_limiter=RateLimiter(PATIENT),
        failure_limiter=RateLimiter(PATIENT),
        principal_limiter=RateLimiter(PATIENT),
    )
    return county
