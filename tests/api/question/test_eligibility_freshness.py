"""What one process has acknowledged, another one answers from, however busy both are."""

import asyncio
import os
import uuid

import httpx

from fill_ledger.api.access.principals import KeyDoorkeeper
from fill_ledger.api.http.service import create_service
from fill_ledger.api.parts import PARTS_KEY
from fill_ledger.api.resources import HANDLERS, TAGS
from fill_ledger.app import close_parts, make_parts
from fill_ledger.database import open_database
from fill_ledger.intake.founding import record_entries
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.ledger.ledger_token import encode_ledger_token
from fill_ledger.trade.events.county import KeyRevoked, Role
from fill_ledger.trade.events.cylinders import CylinderHeld, CylinderHoldReleased
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.support.county import County
from tests.support.questions import PATH

ROUNDS = 15
ASKING_AT_ONCE = 6


async def test_another_process_answers_from_every_acknowledged_write(county: County, service_url: str) -> None:
    cylinder_id = await county.cylinder()
    key_ring = KeyRing(os.urandom(32))
    parts = make_parts(await open_database(service_url), key_ring)
    other = create_service(
        HANDLERS, doorkeeper=KeyDoorkeeper(), cursor_key=key_ring.cursor_keys[0], tags=TAGS, state={PARTS_KEY: parts}
    )
    key = county.own.keys[Role.CONTROLLER]
    params = {"cylinder_id": str(cylinder_id), "member_id": str(county.own.member_id)}
    transport = httpx.ASGITransport(app=other, raise_app_exceptions=False)
    headers = {"authorization": f"Bearer {key.plain_key}"}
    stop = asyncio.Event()
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=headers) as client:

        async def code_now(**more: str) -> str:
            response = await client.get(PATH, params={**params, **more})
            assert response.status_code == 200, response.text
            code: str = response.json()["code"]
            return code

        async def keep_asking() -> set[str]:
            seen = set()
            while not stop.is_set():
                seen.add(await code_now())
            return seen

        async def acknowledged(body: Body) -> str:
            recorded = await record_entries(county.parts.lanes, county.own.department_id, (body,))
            return encode_ledger_token(county.own.department_id, recorded.ledger_position)

        asking = [asyncio.create_task(keep_asking()) for _ in range(ASKING_AT_ONCE)]
        try:
            for _ in range(ROUNDS):
                hold_id = uuid.uuid4()
                held = CylinderHeld(cylinder_id=cylinder_id, hold_id=hold_id, hold_kind="other", reason="test")
                token = await acknowledged(held)
                assert await code_now() == "on-hold"
                assert await code_now(min_ledger=token) == "on-hold"
                await acknowledged(CylinderHoldReleased(cylinder_id=cylinder_id, hold_id=hold_id, reason="test"))
                assert await code_now() == "ok"
        finally:
            stop.set()
            seen = await asyncio.gather(*asking)
        assert set().union(*seen) == {"ok", "on-hold"}

        revoked = KeyRevoked(principal_id=key.principal_id, key_id=key.key_id)
        await record_entries(county.parts.lanes, COUNTY_ID, (revoked,))
        assert (await client.get(PATH, params=params)).status_code == 401
    await close_parts(parts)
