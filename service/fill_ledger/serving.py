"""Serving the application with uvicorn: as the program's whole life, or beside other work in one process.

uvloop and httptools are asked for by name, so that a missing one is an error and not a slower service.
"""

import asyncio
import gc
import os
import signal
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Any

import uvicorn

from fill_ledger.api.http.service import Service
from fill_ledger.app import create_app
from fill_ledger.logging import configure_logging
from fill_ledger.settings import Settings, read_settings

# Requests under way get this long to end after a stop was asked for; a write may wait for its department's lane.
GRACEFUL_STOP_S = 20
# Connections that wait to be taken while all workers are busy.
BACKLOG = 2_048
KEEP_ALIVE_S = 75
FACTORY = "fill_ledger.serving:app_from_environment"


class ServingError(Exception):
    """The server could not start; the text says what to change."""


def app_from_environment() -> Service:
    """Return the application of one worker process, which reads the same environment as the command did.

    Raises:
        SettingsError: see `settings.read_settings`.
    """
    settings = read_settings(os.environ)
    configure_logging(level=settings.log_level)
    return _settled(create_app(settings))


def _settled(app: Service) -> Service:
    """Return an application whose own parts the garbage collector no longer walks through.

    They live as long as the process. Walking through them takes a tenth of a second, in which no look-up is answered,
    and happens again and again while the list of a large fleet is worked out.
    """
    gc.collect()
    gc.freeze()
    return app


def serve(settings: Settings) -> None:
    """Serve until SIGINT or SIGTERM, then let the requests under way end. Returns after a clean stop.

    Several workers are processes of their own that read the environment again; one is this process.

    Raises:
        ServingError: the port is taken or may not be used.
    """
    _check_address(settings.host, settings.port)
    configure_logging(level=settings.log_level)
    options = _options(settings.host, settings.port)
    if settings.workers == 1:
        uvicorn.run(_settled(create_app(settings)), **options)
    else:
        uvicorn.run(FACTORY, factory=True, workers=settings.workers, **options)


@asynccontextmanager
async def serving(app: Service, host: str, port: int) -> AsyncIterator[str]:
    """Serve an application while the block runs, and give its address. Port 0 takes any free one.

    Signals are left to whoever opened the block; leaving it stops the server as gracefully as a signal would.

    Raises:
        ServingError: the port is taken, or the application did not start.
    """
    listener = _listen(host, port)
    server = _QuietServer(uvicorn.Config(app, **_options(host, port)))
    task = asyncio.create_task(server.serve(sockets=[listener]))
    try:
        while not server.started:
            if task.done():
                await task
                raise ServingError("The service did not start; its log says why.")
            await asyncio.sleep(0.01)
        yield f"http://{host}:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        await asyncio.gather(task, return_exceptions=True)
        listener.close()


class _QuietServer(uvicorn.Server):
    """A server inside a larger program: it takes no signals away from it."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@contextmanager
def stopping_on_signals(stop: asyncio.Event) -> Iterator[None]:
    """Set an event when SIGINT or SIGTERM asks for a stop, instead of breaking off whatever runs."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    try:
        yield
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


def _options(host: str, port: int) -> dict[str, Any]:
    return {
        "host": host,
        "port": port,
        "loop": "uvloop",
        "http": "httptools",
        "ws": "none",
        "lifespan": "on",
        "log_config": None,  # the service's own logging stands
        "access_log": False,  # the service writes a line for each request itself
        "server_header": False,
        "date_header": True,
        # Whatever forwards requests must be named by the one who runs it, so that nobody picks his own address.
        "proxy_headers": False,
        "backlog": BACKLOG,
        "timeout_keep_alive": KEEP_ALIVE_S,
        "timeout_graceful_shutdown": GRACEFUL_STOP_S,
    }


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise ServingError(f"Cannot listen on {host} port {port}: {error.strerror}. Choose another port.") from error
    listener.setblocking(False)
    return listener


def is_free(host: str, port: int) -> bool:
    """Tell whether a port could be listened on just now."""
    try:
        _listen(host, port).close()
    except ServingError:
        return False
    return True


def _check_address(host: str, port: int) -> None:
    """Fail with plain words before the workers start, where otherwise each of them would fail in turn."""
    _listen(host, port).close()
