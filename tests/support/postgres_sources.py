"""Where the suite finds its PostgreSQL: a given server, a container, or the embedded one, in this order."""

import contextlib
import os
import shutil
import socket
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import msgspec

from fill_ledger.embedded_postgres import EmbeddedPostgres

URL_VARIABLE = "TEST_DATABASE_URL"
SOURCE_VARIABLE = "TEST_DATABASE_SOURCE"
CONTAINER_IMAGE = "postgres:17-alpine"
DOCKER_SOCKET = "unix:///var/run/docker.sock"
DOCKER_ANSWER_TIMEOUT_S = 5.0
MEMORY_FOLDER = Path("/dev/shm")
# A few databases at a time, and the server's log of changes; the usual 64 MB of a container are too little.
MEMORY_BYTES_WANTED = 3 * 1024**3
FOLDER_PREFIX = "fill-ledger-tests-"
# Every worker opens small pools, and some tests open many connections on purpose.
MAX_CONNECTIONS = 300


class Server(msgspec.Struct, frozen=True, kw_only=True):
    """A running PostgreSQL that the suite may make databases and roles in."""

    source: str
    admin_url: str
    # Only the suite's own servers run without flushing: copying files is quick there, and slow elsewhere.
    is_ours: bool


class UnknownSourceError(Exception):
    """`TEST_DATABASE_SOURCE` names no source, or the one it names cannot be used."""


def docker_answers(address: str | None = None) -> bool:
    """Say whether a container engine answers at the address, by default `DOCKER_HOST` or the usual socket.

    Asked here and not by the client library, which leaves its socket open when nobody answers.
    """
    parts = urlsplit(address or os.environ.get("DOCKER_HOST", "") or DOCKER_SOCKET)
    try:
        if parts.scheme == "unix":
            with socket.socket(socket.AF_UNIX) as connection:
                connection.settimeout(DOCKER_ANSWER_TIMEOUT_S)
                connection.connect(parts.path)
                connection.sendall(b"GET /_ping HTTP/1.0\r\nHost: docker\r\n\r\n")
                return b" 200 " in connection.recv(100).partition(b"\r\n")[0]
        with socket.create_connection((parts.hostname or "", parts.port or 0), DOCKER_ANSWER_TIMEOUT_S):
            return True
    except OSError:
        return False


def choose_source(environment: Mapping[str, str], is_docker_there: Callable[[], bool]) -> str:
    """Return `url`, `docker` or `embedded`. `TEST_DATABASE_SOURCE` settles it; else the first that is there.

    Raises:
        UnknownSourceError: it names something else, or `url` without `TEST_DATABASE_URL`.
    """
    wanted = environment.get(SOURCE_VARIABLE, "")
    if wanted not in ("", "url", "docker", "embedded"):
        raise UnknownSourceError(f"{SOURCE_VARIABLE} must be url, docker or embedded, not {wanted!r}.")
    has_url = bool(environment.get(URL_VARIABLE))
    if wanted == "url" and not has_url:
        raise UnknownSourceError(f"{SOURCE_VARIABLE} is url, but {URL_VARIABLE} is not set.")
    if wanted:
        return wanted
    if has_url:
        return "url"
    return "docker" if is_docker_there() else "embedded"


@contextmanager
def open_source() -> Iterator[Server]:
    """Open the source the environment asks for; whatever was started for the run is stopped at the end.

    A container engine that answers but cannot run the image (no network to fetch it, say) is passed over, unless it
    was asked for by name.
    """
    source = choose_source(os.environ, docker_answers)
    with contextlib.ExitStack() as stack:
        yield _enter(source, stack)


def _enter(source: str, stack: contextlib.ExitStack) -> Server:
    if source == "url":
        return Server(source=f"given by {URL_VARIABLE}", admin_url=os.environ[URL_VARIABLE], is_ours=False)
    if source == "docker":
        try:
            return stack.enter_context(_container())
        except Exception as error:
            if os.environ.get(SOURCE_VARIABLE) == "docker":
                raise
            reason = f"embedded; a container did not start: {type(error).__name__}"
            return stack.enter_context(_embedded(reason))
    return stack.enter_context(_embedded("embedded"))


@contextmanager
def _container() -> Iterator[Server]:
    from testcontainers.postgres import PostgresContainer

    container = PostgresContainer(CONTAINER_IMAGE, driver=None)
    container.with_command(
        f"postgres -c fsync=off -c synchronous_commit=off -c full_page_writes=off -c max_connections={MAX_CONNECTIONS}"
    )
    with container:
        yield Server(source=f"container {CONTAINER_IMAGE}", admin_url=container.get_connection_url(), is_ours=True)


def working_folder() -> Path:
    """Make a folder for the embedded server: in memory if there is plenty, and programs may run from there.

    What a run that was killed has left behind is removed first.
    """
    parent = Path(tempfile.gettempdir())
    if MEMORY_FOLDER.is_dir():
        status = os.statvfs(MEMORY_FOLDER)
        is_roomy = status.f_bavail * status.f_frsize >= MEMORY_BYTES_WANTED
        # Root may have to copy the server's programs beside the data, for an account that cannot reach them.
        if is_roomy and not status.f_flag & os.ST_NOEXEC:
            parent = MEMORY_FOLDER
    for left in parent.glob(f"{FOLDER_PREFIX}*"):
        process_id = left.name.removeprefix(FOLDER_PREFIX).partition("-")[0]
        if not Path(f"/proc/{process_id}").exists():
            shutil.rmtree(left, ignore_errors=True)
    return Path(tempfile.mkdtemp(prefix=f"{FOLDER_PREFIX}{os.getpid()}-", dir=parent))


def _embedded(source: str) -> AbstractContextManager[Server]:
    @contextmanager
    def opened() -> Iterator[Server]:
        folder = working_folder()
        # Started by root, the server runs under another account that must reach its data; the data stay private.
        folder.chmod(0o755)
        server = EmbeddedPostgres(folder / "postgres", durable=False, max_connections=MAX_CONNECTIONS)
        try:
            with server:
                yield Server(source=source, admin_url=server.dsn("postgres"), is_ours=True)
        finally:
            shutil.rmtree(server.home, ignore_errors=True)
            shutil.rmtree(folder, ignore_errors=True)

    return opened()
