"""Which PostgreSQL the suite takes, and whether a container engine is noticed."""

import socket
import threading
from pathlib import Path

import pytest

from tests.support import postgres_sources
from tests.support.postgres_sources import UnknownSourceError, choose_source, docker_answers, working_folder

URL = {"TEST_DATABASE_URL": "postgresql://somebody@127.0.0.1/somewhere"}


def yes() -> bool:
    return True


def no() -> bool:
    return False


def test_a_given_address_comes_first_then_a_container_then_the_embedded_server() -> None:
    assert choose_source(URL, yes) == "url"
    assert choose_source({}, yes) == "docker"
    assert choose_source({}, no) == "embedded"
    assert choose_source({"TEST_DATABASE_URL": ""}, no) == "embedded"


def test_a_source_asked_for_by_name_is_taken() -> None:
    assert choose_source({**URL, "TEST_DATABASE_SOURCE": "embedded"}, yes) == "embedded"
    assert choose_source({**URL, "TEST_DATABASE_SOURCE": "docker"}, no) == "docker"


def test_a_source_that_cannot_be_is_refused() -> None:
    with pytest.raises(UnknownSourceError, match="not 'oracle'"):
        choose_source({"TEST_DATABASE_SOURCE": "oracle"}, yes)
    with pytest.raises(UnknownSourceError, match="TEST_DATABASE_URL is not set"):
        choose_source({"TEST_DATABASE_SOURCE": "url"}, yes)


@pytest.mark.parametrize(("answer", "expected"), [(b"HTTP/1.0 200 OK", True), (b"HTTP/1.0 503 Busy", False)])
def test_a_container_engine_is_one_that_answers_a_ping(tmp_path: Path, answer: bytes, expected: bool) -> None:
    path = tmp_path / "engine.sock"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()

        def serve() -> None:
            connection, _address = listener.accept()
            with connection:
                connection.recv(1000)
                connection.sendall(answer + b"\r\n\r\nOK")

        server = threading.Thread(target=serve)
        server.start()
        assert docker_answers(f"unix://{path}") is expected
        server.join()
    # The socket's file is still there, and nobody listens.
    assert docker_answers(f"unix://{path}") is False


def test_no_container_engine_is_no_error() -> None:
    assert docker_answers("unix:///nowhere/engine.sock") is False
    assert docker_answers("tcp://127.0.0.1:1") is False
    assert docker_answers("tcp://") is False


@pytest.mark.parametrize("bytes_wanted", [0, 2**62])
def test_the_working_folder_is_in_memory_if_there_is_plenty_and_leftovers_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bytes_wanted: int
) -> None:
    memory, disk = tmp_path / "memory", tmp_path / "disk"
    parent, other = (memory, disk) if bytes_wanted == 0 else (disk, memory)
    for folder in (memory, disk):
        folder.mkdir()
        # Process numbers end at 2^22 on Linux (proc(5)): this one is nobody's. Process 1 always runs.
        (folder / "fill-ledger-tests-4194305-left").mkdir()
        (folder / "fill-ledger-tests-1-running").mkdir()
    monkeypatch.setattr(postgres_sources, "MEMORY_FOLDER", memory)
    monkeypatch.setattr(postgres_sources, "MEMORY_BYTES_WANTED", bytes_wanted)
    monkeypatch.setattr("tempfile.tempdir", str(disk))
    made = working_folder()
    assert made.parent == parent
    assert {path.name for path in parent.iterdir()} == {made.name, "fill-ledger-tests-1-running"}
    assert len(list(other.iterdir())) == 2
