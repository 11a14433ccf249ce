"""The two probes, without a key."""

import asyncpg
import httpx
import msgspec

from fill_ledger.api.http.rate_limits import RateLimiter, RatePolicy
from fill_ledger.api.parts import PARTS_KEY
from fill_ledger.schema import newest_revision
from tests.api.clients import problem_in
from tests.support.county import County


async def ready(county: County) -> httpx.Response:
    async with county.client(None) as client:
        return await client.get("/v1/ready")


async def test_a_live_process_says_so_without_its_database(county: County) -> None:
    await county.parts.database.close()
    async with county.client(None) as client:
        response = await client.get("/v1/health")
    assert (response.status_code, response.json()) == (200, {"status": "live"})


async def test_readers_of_the_rules_do_not_use_up_what_the_probes_may_ask(county: County) -> None:
    limiter = RateLimiter(RatePolicy(name="public", quota=2, window_s=60))
    county.service.state[PARTS_KEY] = msgspec.structs.replace(county.parts, public_limiter=limiter)
    async with county.client(None) as client:
        assert [(await client.get("/v1/rules")).status_code for _ in range(3)] == [200, 200, 429]
        assert [(await client.get("/v1/health")).status_code for _ in range(3)] == [200, 200, 200]
        assert [(await client.get("/v1/ready")).status_code for _ in range(3)] == [200, 200, 429]


async def test_a_migrated_writable_database_is_ready(county: County) -> None:
    response = await ready(county)
    assert (response.status_code, response.json()) == (200, {"status": "ready", "revision": newest_revision()})


async def test_a_database_of_an_older_revision_is_not_ready(
    county: County, owner_connection: asyncpg.Connection
) -> None:
    await owner_connection.execute("UPDATE public.alembic_version SET version_num = '0001'")
    response = await ready(county)
    problem = problem_in(response, 503, "temporarily-unavailable")
    assert f"needs {newest_revision()}" in problem["detail"]
    assert response.headers["retry-after"] == "5"


async def test_a_read_only_database_is_not_ready(county: County, owner_connection: asyncpg.Connection) -> None:
    name = await owner_connection.fetchval("SELECT current_database()")
    await owner_connection.execute(f'ALTER DATABASE "{name}" SET default_transaction_read_only = on')
    await county.parts.database.writes.expire_connections()
    problem = problem_in(await ready(county), 503, "temporarily-unavailable")
    assert "takes no writes" in problem["detail"]


async def test_a_database_that_is_gone_is_not_ready(county: County) -> None:
    await county.parts.database.close()
    problem = problem_in(await ready(county), 503, "temporarily-unavailable")
    assert problem["detail"] == "The database does not answer."


async def test_a_query_is_refused(county: County) -> None:
    async with county.client(None) as client:
        problem_in(await client.get("/v1/health?deep=true"), 400, "invalid-query")
