"""The embedded server: it keeps its data, is reached by password only, and is gone when it should be."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import asyncpg
import pytest

from fill_ledger import embedded_postgres
from fill_ledger.embedded_postgres import EmbeddedPostgres, EmbeddedPostgresError

ENDING_TIMEOUT_S = 15.0

CHILD = """
import sys, time
from pathlib import Path
from fill_ledger.embedded_postgres import EmbeddedPostgres

with EmbeddedPostgres(Path(sys.argv[1]), durable=False) as server:
    print(server.process_id, server.dsn(), flush=True)
    time.sleep(60)
"""


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder the server's account can reach, whoever runs the tests: pytest keeps its own folders private."""
    path = Path(tempfile.mkdtemp(prefix="fill-ledger-embedded-"))
    path.chmod(0o755)
    yield path
    shutil.rmtree(path)


@pytest.fixture
def home(folder: Path) -> Path:
    """Where a server is to live; it is not there yet."""
    return folder / "postgres"


def is_running(process_id: int) -> bool:
    """Say whether a process runs; one that has ended and is not yet collected does not."""
    try:
        state = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def wait_until_ended(process_id: int) -> bool:
    give_up_at = time.monotonic() + ENDING_TIMEOUT_S
    while time.monotonic() < give_up_at:
        if not is_running(process_id):
            return True
        time.sleep(0.05)
    return False


async def query(dsn: str, text: str) -> object:
    connection = await asyncpg.connect(dsn)
    try:
        return await connection.fetchval(text)
    finally:
        await connection.close()


async def test_data_outlive_a_stop(home: Path) -> None:
    with EmbeddedPostgres(home) as server:
        first_id = server.process_id
        await query(server.dsn(), ["CREATE TABLE kept (number int)", " INSERT INTO kept VALUES (4500)"][0])
        await query(server.dsn(), "INSERT INTO kept VALUES (4500)")
    assert not is_running(first_id)
    with EmbeddedPostgres(home) as server:
        assert await query(server.dsn(), "SELECT number FROM kept") == 4500
        second_id = server.process_id
    assert not is_running(second_id)


async def test_the_server_is_set_up_as_promised(home: Path) -> None:
    with EmbeddedPostgres(home) as server:
        connection = await asyncpg.connect(server.dsn())
        try:
            names = ("data_checksums", "fsync", "listen_addresses", "unix_socket_directories", "server_encoding")
            values = [await connection.fetchval("SELECT current_setting($1)", name) for name in names]
            assert values == ["on", "on", "127.0.0.1", "", "UTF8"]
            # Sorted by code point, and letters beyond ASCII have their case.
            assert await connection.fetchval("SELECT array_agg(w ORDER BY w) FROM unnest('{é,a,B}'::text[]) w") == [
                "B",
                "a",
                "é",
            ]
            assert await connection.fetchval("SELECT upper('é')") == "É"
            version = await connection.fetchval("SHOW server_version")
            assert version.startswith(embedded_postgres.packaged_version())
        finally:
            await connection.close()


async def test_nobody_gets_in_without_the_password(home: Path) -> None:
    with EmbeddedPostgres(home, durable=False) as server:
        parts = urlsplit(server.dsn())
        assert parts.hostname == "127.0.0.1"
        wrong = parts._replace(netloc=f"postgres:wrong@{parts.hostname}:{parts.port}").geturl()
        with pytest.raises(asyncpg.InvalidPasswordError):
            await asyncpg.connect(wrong)
        for name in ("password", "server.log"):
            assert (server.home / name).stat().st_mode & 0o077 == 0
        assert (server.home / "data").stat().st_mode & 0o077 == 0


async def test_volatile_servers_do_not_flush(home: Path) -> None:
    with EmbeddedPostgres(home, durable=False, max_connections=37) as server:
        assert await query(server.dsn(), "SHOW fsync") == "off"
        assert await query(server.dsn(), "SHOW max_connections") == "37"


@pytest.fixture
def child(home: Path) -> Iterator["subprocess.Popen[str]"]:
    """Another process that runs a server until it is ended."""
    source = Path(embedded_postgres.__file__).parent.parent
    process = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(home)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(source)},
        start_new_session=True,
    )
    yield process
    lock_file = home / "data/postmaster.pid"
    server_id = int(lock_file.read_text().split()[0]) if lock_file.exists() else None
    process.kill()
    process.wait()
    if server_id is not None:
        assert wait_until_ended(server_id)
    assert process.stdout is not None
    process.stdout.close()


def read_start(child: "subprocess.Popen[str]") -> tuple[int, str]:
    assert child.stdout is not None
    process_id, dsn = child.stdout.readline().split()
    return int(process_id), dsn


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
async def test_the_server_ends_with_its_process(
    child: "subprocess.Popen[str]", home: Path, number: signal.Signals
) -> None:
    process_id, dsn = read_start(child)
    connection = await asyncpg.connect(dsn)
    try:
        child.send_signal(number)
        assert wait_until_ended(process_id), "the server outlived the process that started it"
        assert wait_until_ended(child.pid)
        # A clean end: PostgreSQL takes this file away itself.
        assert not (home / "data/postmaster.pid").exists()
    finally:
        connection.terminate()


async def test_a_new_start_waits_for_the_old_server_to_let_go(child: "subprocess.Popen[str]", home: Path) -> None:
    process_id, dsn = read_start(child)
    await query(dsn, "CREATE TABLE kept AS SELECT 3000 AS number")
    child.kill()
    with EmbeddedPostgres(home, durable=False) as server:
        assert server.process_id != process_id
        assert await query(server.dsn(), "SELECT number FROM kept") == 3000


def test_data_in_use_are_refused(child: "subprocess.Popen[str]", home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    process_id, _dsn = read_start(child)
    monkeypatch.setattr(embedded_postgres, "RELEASE_TIMEOUT_S", 0.5)
    with pytest.raises(EmbeddedPostgresError, match="Another process uses"):
        EmbeddedPostgres(home, durable=False).start()
    assert is_running(process_id)


def test_data_of_another_major_version_are_refused(home: Path) -> None:
    (home / "data").mkdir(parents=True)
    (home / "data/PG_VERSION").write_text("12\n")
    with pytest.raises(EmbeddedPostgresError, match="written by PostgreSQL 12"):
        EmbeddedPostgres(home).start()


async def test_a_first_start_that_was_cut_short_is_done_again(home: Path) -> None:
    (home / "data.partial/base").mkdir(parents=True)
    (home / "data.partial/PG_VERSION").write_text("18\n")
    with EmbeddedPostgres(home, durable=False) as server:
        assert await query(server.dsn(), "SELECT 1") == 1


def test_damaged_data_end_the_start_with_the_log(home: Path) -> None:
    with EmbeddedPostgres(home, durable=False):
        pass
    (home / "data/global/pg_control").write_bytes(b"")
    server = EmbeddedPostgres(home, durable=False)
    with pytest.raises(EmbeddedPostgresError, match="pg_control"):
        server.start()
    with pytest.raises(EmbeddedPostgresError, match="not running"):
        _ = server.process_id
    server.stop()


async def test_a_port_lost_to_somebody_else_is_replaced(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        free_port = embedded_postgres._free_port
        ports = iter([taken.getsockname()[1]])
        monkeypatch.setattr(embedded_postgres, "_free_port", lambda: next(ports, None) or free_port())
        with EmbeddedPostgres(home, durable=False) as server:
            assert urlsplit(server.dsn()).port != taken.getsockname()[1]
            assert await query(server.dsn(), "SELECT 1") == 1


def test_a_start_from_another_thread_is_refused(home: Path) -> None:
    errors: list[Exception] = []

    def start() -> None:
        try:
            EmbeddedPostgres(home).start()
        except EmbeddedPostgresError as error:
            errors.append(error)

    thread = threading.Thread(target=start)
    thread.start()
    thread.join()
    assert "main thread" in str(errors[0])


def test_a_second_start_is_refused_and_a_second_stop_is_nothing(home: Path) -> None:
    server = EmbeddedPostgres(home, durable=False)
    with server, pytest.raises(EmbeddedPostgresError, match="started already"):
        server.start()
    server.stop()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root hands the server to another account")
class TestStartedByRoot:
    async def test_unreachable_data_and_programs_are_kept_where_they_can_be_reached(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        private, relocated = folder / "private", folder / "relocated"
        private.mkdir(mode=0o700)
        relocated.mkdir(mode=0o755)
        installed = embedded_postgres.packaged_programs()
        for folder in (installed, installed.with_name("embedded_postgres.libs")):
            (private / folder.name).symlink_to(folder)
        # Seen through the private folder, the installed programs are out of the account's reach as well.
        monkeypatch.setattr(embedded_postgres, "packaged_programs", lambda: private / installed.name)
        monkeypatch.setattr(embedded_postgres, "RELOCATION_ROOT", relocated)
        with EmbeddedPostgres(private / "postgres", durable=False) as server:
            assert server.home.parent == relocated
            assert Path(f"/proc/{server.process_id}/exe").readlink().is_relative_to(server.home)
            assert Path(f"/proc/{server.process_id}").stat().st_uid != 0
            assert await query(server.dsn(), "SELECT 1") == 1
            first_home = server.home
        with EmbeddedPostgres(private / "postgres", durable=False) as server:
            assert server.home == first_home

    def test_a_folder_laid_in_the_way_by_somebody_else_is_not_used(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        private = folder / "private"
        private.mkdir(mode=0o700)
        monkeypatch.setattr(embedded_postgres, "RELOCATION_ROOT", folder)
        laid = embedded_postgres._relocated_home(private / "postgres")
        os.chown(laid, 65534, 65534)
        with pytest.raises(EmbeddedPostgresError, match="not ours alone"):
            EmbeddedPostgres(private / "postgres").start()


def test_without_the_wheel_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(EmbeddedPostgresError, match=r"fill-ledger\[embedded\]"):
        embedded_postgres.packaged_programs()
