"""The main job, live over HTTP: stations ask about each cylinder, fill what is permitted, and report it."""

import asyncio
import random
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import msgspec

from demo_seed.caller import Caller
from demo_seed.cast import Asker

# So that the eye can follow; nothing waits for it when the demonstration is to end by itself.
PAUSE_S = 0.25


class Told(msgspec.Struct, frozen=True, kw_only=True):
    """What happened to one cylinder at one station."""

    station: str
    cylinder: str
    decision: str
    sentence: str
    fill_limit_psi: int | None
    recorded: str | None
    milliseconds: int


class ShowError(Exception):
    """The service answered something else than it should; the text says what."""


async def play(
    base_url: str,
    askers: tuple[Asker, ...],
    keys: dict[uuid.UUID, str],
    tell: Callable[[Told], None],
    *,
    pause_s: float,
) -> list[Told]:
    """Let all stations work at once, each on a thread with a connection of its own; return everything that was told.

    Raises:
        ShowError: an answer was no answer.
    """
    told: list[Told] = []

    def note(one: Told) -> None:
        told.append(one)
        tell(one)

    loop = asyncio.get_running_loop()
    async with asyncio.TaskGroup() as group:
        for asker in askers:
            work = _Work(base_url, asker, keys[asker.controller_id], pause_s)
            group.create_task(asyncio.to_thread(work.run, lambda one: loop.call_soon_threadsafe(note, one)))
    # What the threads told last is still to be noted.
    await asyncio.sleep(0)
    return told


class _Work:
    """One station's work, done in a thread."""

    def __init__(self, base_url: str, asker: Asker, key: str, pause_s: float) -> None:
        self._base_url = base_url
        self._asker = asker
        self._key = key
        self._pause_s = pause_s
        self._stream_id, self._boot_id = uuid.uuid4(), uuid.uuid4()

    def run(self, note: Callable[[Told], Any]) -> None:
        with Caller(self._base_url, self._key) as caller:
            for number, tag in enumerate(self._asker.tags, start=1):
                note(self._fill(caller, tag, number))
                if self._pause_s:
                    time.sleep(self._pause_s * random.uniform(0.5, 1.5))

    def _fill(self, caller: Caller, tag: str, number: int) -> Told:
        asker = self._asker
        asked_at = datetime.now(UTC)
        status, answer = caller.get(
            "/v1/eligibility",
            tag=tag,
            member_id=asker.member_id,
            fill_position_id=asker.fill_position_id,
            air_source_id=asker.air_source_id,
        )
        milliseconds = int((datetime.now(UTC) - asked_at).total_seconds() * 1000)
        if status != 200:
            raise ShowError(f"GET /v1/eligibility answered {status}: {answer}")
        recorded = None
        if answer["decision"] == "permit":
            recorded = self._report(caller, tag, number, answer)
        brief = answer["cylinder"]
        return Told(
            station=f"{asker.department_code} {asker.station_name}",
            cylinder=tag.partition(":")[2] if brief is None else f"no. {brief['inventory_number']} {brief['serial']}",
            decision=answer["decision"],
            sentence=answer["display_text"],
            fill_limit_psi=answer["fill_limit_psi"],
            recorded=recorded,
            milliseconds=milliseconds,
        )

    def _report(self, caller: Caller, tag: str, number: int, answer: dict[str, Any]) -> str:
        fact = fill_fact(self._asker, tag, answer, self._stream_id, self._boot_id, number)
        status, receipt = caller.post("/v1/fills", fact)
        if status != 201:
            raise ShowError(f"POST /v1/fills answered {status}: {receipt}")
        found = len(receipt["finding_ids"])
        return f"filled, recorded at {receipt['ledger_position']}" + (f", {found} to look at" if found else "")


def fill_fact(
    asker: Asker, tag: str, answer: dict[str, Any], stream_id: uuid.UUID, boot_id: uuid.UUID, number: int
) -> dict[str, Any]:
    """Return the fact that a controller sends after a fill it was permitted."""
    limit_psi = answer["fill_limit_psi"]
    return {
        "type": "cylinder.filled",
        "type_version": 1,
        "event_id": str(uuid.uuid4()),
        "stream_id": str(stream_id),
        "stream_number": number,
        "occurred_at": datetime.now(UTC).isoformat(),
        "clock": {"boot_id": str(boot_id), "uptime_ms": 60_000 * number, "synced": True},
        "body": {
            "cylinder_id": answer["cylinder"]["cylinder_id"],
            "tag": tag,
            "member_id": str(asker.member_id),
            "fill_position_id": str(asker.fill_position_id),
            "mode": "automatic",
            "sources": [{"air_source_id": str(asker.air_source_id)}],
            "start_psi": 480,
            "end_psi": limit_psi,
            "gas_temperature_f": 96,
            "duration_s": 440,
            "look_over": "passed",
            # The neighbour's crew stands beside its cylinder and agrees.
            "owner_consent": True if _asks_consent(answer) else None,
            "permit_reference": answer["permit_reference"],
        },
    }


def _asks_consent(answer: dict[str, Any]) -> bool:
    return any(obligation["code"] == "owner-consent" for obligation in answer["obligations"])
