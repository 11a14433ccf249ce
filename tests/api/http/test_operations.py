"""The sample resource over HTTP: what every resource gets from the foundation."""

import asyncio
import json
import uuid
from typing import Any

import asyncpg
import pytest

from fill_ledger.api.http import decoding, problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import PUBLIC, Operation, answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.request_context import context_of
from fill_ledger.api.http.service import create_service
from fill_ledger.api.http.value_types import UnboundedTypeError
from tests.api.clients import client_of, places, problem_in
from tests.api.sample_service import CURSOR_KEY, ROWS, DialView, SampleDoorkeeper, make_service

GOOD_BODY = {"label": "left", "reading_psi": 4500, "read_at": "2026-11-24T03:10:22-05:00"}


async def test_a_good_body_is_taken_with_the_declared_status() -> None:
    async with client_of(make_service()) as client:
        response = await client.post("/v1/dials", json=GOOD_BODY)
    assert response.status_code == 201
    assert response.json()["reading_psi"] == 4500
    assert response.headers["content-type"] == "application/json"


async def test_every_answer_has_its_standing_headers() -> None:
    async with client_of(make_service()) as client:
        for response in (await client.get("/v1/dials"), await client.get("/nowhere")):
            assert response.headers["cache-control"] == "no-store"
            assert response.headers["x-content-type-options"] == "nosniff"
            assert response.headers["x-frame-options"] == "DENY"
            assert "default-src 'none'" in response.headers["content-security-policy"]
            assert str(uuid.UUID(response.headers["x-request-id"])) == response.headers["x-request-id"]


async def test_a_plain_request_id_is_kept_and_any_other_replaced() -> None:
    async with client_of(make_service()) as client:
        kept = await client.get("/v1/dials", headers={"x-request-id": "station-4.17_a"})
        replaced = await client.get("/v1/dials", headers={"x-request-id": 'x" injected="1'})
    assert kept.headers["x-request-id"] == "station-4.17_a"
    assert "injected" not in replaced.headers["x-request-id"]


async def test_pages_visit_every_row_once() -> None:
    seen: list[str] = []
    url = "/v1/dials?limit=3"
    async with client_of(make_service()) as client:
        while url:
            response = await client.get(url)
            assert response.status_code == 200, response.text
            page = response.json()
            seen += [item["label"] for item in page["items"]]
            url = response.links["next"]["url"] if "next" in response.links else ""
            assert bool(url) == (page["next_cursor"] is not None)
    assert seen == [row["label"] for row in ROWS]


async def test_page_size_may_change_between_pages() -> None:
    async with client_of(make_service()) as client:
        first = (await client.get("/v1/dials?limit=2")).json()
        second = (await client.get(f"/v1/dials?limit=5&cursor={first['next_cursor']}")).json()
    assert [len(first["items"]), len(second["items"]), second["next_cursor"]] == [2, 5, None]


async def test_a_cursor_is_refused_with_other_filters() -> None:
    async with client_of(make_service()) as client:
        cursor = (await client.get("/v1/dials?limit=2&broken=true")).json()["next_cursor"]
        mismatch = await client.get(f"/v1/dials?limit=2&cursor={cursor}")
        forged = await client.get(f"/v1/dials?cursor={cursor[:-3]}AAA")
    assert places(problem_in(mismatch, 400, "cursor-mismatch")) == {("cursor", "cursor-mismatch")}
    assert places(problem_in(forged, 400, "invalid-cursor")) == {("cursor", "invalid-cursor")}


async def test_query_faults_are_all_told_at_once() -> None:
    async with client_of(make_service()) as client:
        response = await client.get("/v1/dials?limt=5&broken=yes&at_least_psi=99999&limit=0")
    document = problem_in(response, 400, "invalid-query")
    assert places(document) == {
        ("limt", "unknown-parameter"),
        ("broken", "wrong-type"),
        ("at_least_psi", "out-of-range"),
        ("limit", "out-of-range"),
    }
    details = {fault["parameter"]: fault["detail"] for fault in document["errors"]}
    assert "Did you mean limit?" in details["limt"]


async def test_an_operation_without_query_refuses_one() -> None:
    async with client_of(make_service()) as client:
        response = await client.post("/v1/dials?dry_run=true", json=GOOD_BODY)
    assert places(problem_in(response, 400, "invalid-query")) == {("dry_run", "unknown-parameter")}


async def test_body_faults_are_all_told_at_once() -> None:
    body = {"label": "", "reading_psi": "4500", "read_at": "2026-11-24T03:10:22", "colour": 1, "marks": ["a", 7]}
    async with client_of(make_service()) as client:
        response = await client.post("/v1/dials", json=body)
    assert places(problem_in(response, 422, "invalid-body")) == {
        ("/label", "too-short"),
        ("/reading_psi", "wrong-type"),
        ("/read_at", "needs-offset"),
        ("/colour", "unknown-field"),
        ("/marks/1", "wrong-type"),
    }


@pytest.mark.parametrize(
    ("content_type", "taken"),
    [
        ("application/json", True),
        ("application/json; charset=UTF-8", True),
        ("APPLICATION/JSON", True),
        ("application/merge-patch+json", True),
        ("text/plain", False),
        ("text/json", False),
        ("application/json; charset=latin-1", False),
        ("application/x-www-form-urlencoded", False),
        ("", False),
    ],
)
async def test_only_json_in_utf_8_is_taken(content_type: str, taken: bool) -> None:
    async with client_of(make_service()) as client:
        response = await client.post(
            "/v1/dials", content=json.dumps(GOOD_BODY).encode(), headers={"content-type": content_type}
        )
    if taken:
        assert response.status_code == 201
    else:
        problem_in(response, 415, "unsupported-media-type")
        assert response.headers["accept"] == "application/json"


async def test_a_body_without_media_type_and_a_compressed_one_are_refused() -> None:
    async with client_of(make_service()) as client:
        request = client.build_request("POST", "/v1/dials", content=b"{}")
        assert "content-type" not in request.headers
        refused = problem_in(await client.send(request), 415, "unsupported-media-type")
        assert "'Content-Type: application/json'" in refused["detail"]
        zipped = await client.post("/v1/dials", json=GOOD_BODY, headers={"content-encoding": "gzip"})
    problem_in(zipped, 415, "unsupported-content-encoding")
    assert zipped.headers["accept-encoding"] == "identity"


async def test_a_large_body_is_refused_by_its_declared_length_and_while_it_arrives() -> None:
    async def chunks() -> Any:
        for _ in range(100):
            yield b" " * 1024

    async with client_of(make_service()) as client:
        declared = await client.post("/v1/dials", content=b" " * 70_000, headers={"content-type": "application/json"})
        streamed = await client.post("/v1/dials", content=chunks(), headers={"content-type": "application/json"})
    assert "65536" in problem_in(declared, 413, "body-too-large")["detail"]
    problem_in(streamed, 413, "body-too-large")


@pytest.mark.parametrize("path", ["/v1", "/v1/dials/", "/v1/dials//", "/nowhere", "/v1/dials/x/y"])
async def test_unknown_paths_are_problems(path: str) -> None:
    async with client_of(make_service()) as client:
        response = await client.get(path)
    if path.rstrip("/") == "/v1/dials":
        assert response.status_code == 200  # a trailing slash is forgiven
    else:
        problem_in(response, 404, "not-found")


@pytest.mark.parametrize("dial_id", ["17", "5f0c7c52-6f2b-4d7e-9a41", "%00", "%F0%9F", "urn:uuid:x"])
async def test_a_malformed_id_is_a_404_that_says_why(dial_id: str) -> None:
    async with client_of(make_service()) as client:
        response = await client.get(f"/v1/dials/{dial_id}")
    assert places(problem_in(response, 404, "not-found")) == {("dial_id", "wrong-format")}


async def test_a_wrong_method_is_told_which_are_offered() -> None:
    async with client_of(make_service()) as client:
        response = await client.delete("/v1/dials")
        odd = await client.request("BREW", "/v1/dials")
    for answered in (response, odd):
        problem_in(answered, 405, "method-not-allowed")
        assert answered.headers["allow"] == "GET, HEAD, OPTIONS, POST"


async def test_options_tells_which_methods_are_offered() -> None:
    async with client_of(make_service(), authorization="") as client:
        response = await client.options("/v1/dials")
        other = await client.options("/v1/dials/5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11/position/3")
        problem_in(await client.options("/nowhere"), 404, "not-found")
    assert (response.status_code, response.headers["allow"]) == (204, "GET, HEAD, OPTIONS, POST")
    assert (other.status_code, other.headers["allow"]) == (204, "OPTIONS, PUT")


async def test_head_answers_as_get_without_the_content() -> None:
    async with client_of(make_service()) as client:
        full = await client.get("/v1/dials")
        head = await client.head("/v1/dials")
    assert head.status_code == 200
    assert head.content == b""
    assert head.headers["content-length"] == str(len(full.content))


async def test_the_doorkeeper_comes_before_query_and_body() -> None:
    doorkeeper = SampleDoorkeeper()
    async with client_of(make_service(doorkeeper)) as client:
        for response in (
            await client.get("/v1/dials?limt=1", headers={"authorization": "Bearer other"}),
            await client.post("/v1/dials", content=b"{", headers={"authorization": "Bearer other"}),
        ):
            problem_in(response, 401, "not-authenticated")
            assert response.headers["www-authenticate"] == "Bearer"
        await client.get("/v1/trouble")
    assert doorkeeper.asked == ["list_dials", "register_dial", "make_trouble"]


async def test_etags() -> None:
    path = f"/v1/dials/{ROWS[0]['dial_id']}"
    async with client_of(make_service()) as client:
        first = await client.get(path)
        assert first.headers["etag"] == '"v17"'
        for header in ('"v17"', 'W/"v17"', '"v1", "v17"', "*"):
            again = await client.get(path, headers={"if-none-match": header})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", '"v17"')
        assert (await client.get(path, headers={"if-none-match": '"v16"'})).status_code == 200
        bare = await client.get(path, headers={"if-none-match": "v17"})
        assert places(problem_in(bare, 400, "invalid-header")) == {("If-None-Match", "wrong-format")}


async def test_a_change_must_start_from_the_present_version() -> None:
    path = f"/v1/dials/{ROWS[0]['dial_id']}/position/3"
    async with client_of(make_service()) as client:
        good = await client.put(path, headers={"if-match": '"v17"'})
        assert (good.status_code, good.content) == (204, b"")
        problem_in(await client.put(path), 428, "precondition-required")
        stale = await client.put(path, headers={"if-match": '"v16"'})
        problem_in(stale, 412, "precondition-failed")
        assert stale.headers["etag"] == '"v17"'
        problem_in(await client.put(path, headers={"if-match": 'W/"v17"'}), 412, "precondition-failed")
        problem_in(await client.put(path, headers={"if-match": "17"}), 400, "invalid-header")
        far = await client.put(path.replace("/3", "/10"), headers={"if-match": '"v17"'})
        assert places(problem_in(far, 404, "not-found")) == {("number", "wrong-format")}


async def test_an_unknown_failure_tells_nothing() -> None:
    async with client_of(make_service(trouble=RuntimeError("password is swordfish"))) as client:
        response = await client.get("/v1/trouble")
    problem_in(response, 500, "internal-error")
    assert "swordfish" not in response.text
    assert "RuntimeError" not in response.text


@pytest.mark.parametrize(
    ("trouble", "code"),
    [
        (asyncpg.QueryCanceledError("canceling statement due to statement timeout"), "database-busy"),
        (asyncpg.LockNotAvailableError("lock"), "database-busy"),
        (asyncpg.SerializationError("serialize"), "database-busy"),
        (TimeoutError(), "database-busy"),
        (ConnectionRefusedError(111, "refused"), "database-unavailable"),
        (asyncpg.ConnectionDoesNotExistError("gone"), "database-unavailable"),
        (asyncpg.AdminShutdownError("terminating connection"), "database-unavailable"),
        (asyncpg.TooManyConnectionsError("too many clients"), "database-unavailable"),
        (asyncpg.ReadOnlySQLTransactionError("read only"), "database-unavailable"),
        (asyncpg.InterfaceError("connection is closed"), "database-unavailable"),
        (asyncpg.InterfaceError("pool is closing"), "database-unavailable"),
    ],
)
async def test_database_trouble_can_be_retried(trouble: Exception, code: str) -> None:
    async with client_of(make_service(trouble=trouble)) as client:
        response = await client.get("/v1/trouble")
    problem_in(response, 503, code)
    assert int(response.headers["retry-after"]) >= 1


@pytest.mark.parametrize("trouble", [asyncpg.UndefinedTableError("events"), asyncpg.InterfaceError("bad argument")])
async def test_a_fault_in_our_own_sql_is_not_called_an_outage(trouble: Exception) -> None:
    async with client_of(make_service(trouble=trouble)) as client:
        problem_in(await client.get("/v1/trouble"), 500, "internal-error")


async def test_a_client_that_leaves_in_the_middle_of_its_body_breaks_nothing() -> None:
    service = make_service()
    sent: list[Any] = []
    messages = iter([{"type": "http.request", "body": b'{"la', "more_body": True}, {"type": "http.disconnect"}])
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "path": "/v1/dials",
        "raw_path": b"/v1/dials",
        "query_string": b"",
        "headers": [(b"authorization", b"Bearer sample"), (b"content-type", b"application/json")],
        "client": ("127.0.0.1", 1),
        "server": ("localhost", 80),
        "scheme": "http",
        "root_path": "",
    }

    async def receive() -> Any:
        return next(messages)

    async def send(message: Any) -> None:
        sent.append(message)

    async with asyncio.timeout(5):
        await service(scope, receive, send)
    assert all(message.get("status") != 500 for message in sent)


async def test_a_body_that_stalls_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoding, "BODY_TIMEOUT_S", 0.05)

    async def stalling() -> Any:
        yield b'{"label":'
        await asyncio.sleep(30)

    async with client_of(make_service()) as client:
        response = await client.post("/v1/dials", content=stalling(), headers={"content-type": "application/json"})
    problem_in(response, 408, "request-timeout")


async def test_noted_headers_come_with_whatever_the_answer_becomes() -> None:
    class Counting(SampleDoorkeeper):
        async def admit(self, request: AnyRequest, operation: Operation) -> Any:
            context_of(request.scope).add_answer_headers({"RateLimit": '"per-key";r=9;t=1'})
            return await super().admit(request, operation)

    async with client_of(make_service(Counting())) as client:
        for path in ("/v1/dials", "/v1/dials?limt=1", "/v1/trouble"):
            assert (await client.get(path)).headers["ratelimit"] == '"per-key";r=9;t=1'


async def test_extensions_of_a_problem_stand_beside_its_members() -> None:
    trouble = Problem(problem_types.CONFLICT, "Two of them.", extensions={"choices": [1, 2]})
    async with client_of(make_service(trouble=trouble)) as client:
        document = problem_in(await client.get("/v1/trouble"), 409, "conflict")
    assert document["choices"] == [1, 2]
    with pytest.raises(ValueError, match="status"):
        Problem(problem_types.CONFLICT, "x", extensions={"status": 200})


def test_what_an_operation_cannot_take_is_refused_while_it_loads() -> None:
    told: dict[str, Any] = {"right": PUBLIC, "tag": "dials", "summary": "x", "answers": answer(DialView, "x")}

    async def unbounded(request: AnyRequest, name: str) -> None: ...

    async def stray(request: AnyRequest, colour: uuid.UUID) -> None: ...

    async def lacking(request: AnyRequest) -> None: ...

    async def has_no_principal(request: AnyRequest, principal: Any) -> None: ...

    with pytest.raises(UnboundedTypeError, match="greatest length"):
        get("/v1/a/{name}", **told)(unbounded)
    with pytest.raises(TypeError, match="colour"):
        get("/v1/a", **told)(stray)
    with pytest.raises(TypeError, match="lacks: \\['name'\\]"):
        get("/v1/a/{name}", **told)(lacking)
    with pytest.raises(TypeError, match="no principal"):
        get("/v1/a", **told)(has_no_principal)


def test_two_operations_cannot_share_an_id_or_a_route() -> None:
    told: dict[str, Any] = {"right": PUBLIC, "tag": "dials", "summary": "x", "answers": answer(DialView, "x")}

    async def first(request: AnyRequest) -> None: ...

    async def second(request: AnyRequest) -> None: ...

    twice = [get("/v1/a", **told)(first), get("/v1/a", **told)(second)]
    with pytest.raises(ValueError, match="stated twice"):
        create_service(twice, doorkeeper=SampleDoorkeeper(), cursor_key=CURSOR_KEY, tags={})


async def test_a_broken_host_header_is_a_problem() -> None:
    async with client_of(make_service()) as client:
        response = await client.get("/v1/dials", headers={"host": "bad host/"})
    problem_in(response, 400, "bad-request")
