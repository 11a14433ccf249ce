"""Wiring: the parts of a running service, and the application that serves them."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from litestar import Litestar

from fill_ledger.api.access.principals import KeyDoorkeeper
from fill_ledger.api.http.rate_limits import RateLimiter, RatePolicy
from fill_ledger.api.http.service import Service, create_service
from fill_ledger.api.listings import Listings
from fill_ledger.api.parts import PARTS_KEY, Parts
from fill_ledger.api.resources import HANDLERS, TAGS
from fill_ledger.database import Database, open_database
from fill_ledger.intake.installing import install_rulebook
from fill_ledger.intake.lane import Lanes
from fill_ledger.intake.outbox import Outbox
from fill_ledger.intake.recorder import Recorder
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.handles import MemberSessions
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.ledger.passcodes import PasscodeHasher
from fill_ledger.settings import Settings
from fill_ledger.views.questions import QuestionReader
from fill_ledger.views.rulebooks import Rulebooks

# A station asks a few times a minute, an import sends thousands of requests in one: generous, against runaway loops.
PRINCIPAL_POLICY = RatePolicy(name="principal", quota=6_000, window_s=60)
# Anybody may read the rules and the documentation, without a key.
PUBLIC_POLICY = RatePolicy(name="public", quota=600, window_s=60)
# Wrong keys from one address; a 256-bit key cannot be guessed, but a loop with a stale one should be noticed.
FAILURE_POLICY = RatePolicy(name="failed-keys", quota=60, window_s=60)


def make_parts(database: Database, key_ring: KeyRing) -> Parts:
    """Put the parts of a service together over an open database."""
    vault = Vault.from_key_ring(key_ring)
    rulebooks = Rulebooks()
    lanes = Lanes(Recorder(database.writes, vault, rulebooks))
    return Parts(
        database=database,
        rulebooks=rulebooks,
        questions=QuestionReader(database.lookups, rulebooks),
        listings=Listings(),
        lanes=lanes,
        outbox=Outbox(database.writes, lanes),
        vault=vault,
        member_sessions=MemberSessions.from_key_ring(key_ring),
        permit_references=vault.permit_references,
        passcode_hasher=PasscodeHasher(),
        public_limiter=RateLimiter(PUBLIC_POLICY),
        failure_limiter=RateLimiter(FAILURE_POLICY),
        principal_limiter=RateLimiter(PRINCIPAL_POLICY),
    )


async def close_parts(parts: Parts) -> None:
    """Let what waits be recorded, then close the database."""
    await parts.outbox.stop()
    await parts.lanes.close()
    parts.passcode_hasher.close()
    await parts.database.close()


def create_app(settings: Settings) -> Service:
    """Return the application for a process; its database is opened when it starts and closed when it stops."""
    key_ring = KeyRing(settings.master_key)

    @asynccontextmanager
    async def running(app: Litestar) -> AsyncIterator[None]:
        database = await open_database(settings.database_url, lookups=settings.lookups, writes=settings.writes)
        parts = make_parts(database, key_ring)
        app.state[PARTS_KEY] = parts
        await install_rulebook(parts.lanes)
        parts.outbox.start()
        try:
            yield
        finally:
            await close_parts(parts)

    return create_service(
        HANDLERS,
        doorkeeper=KeyDoorkeeper(),
        cursor_key=key_ring.cursor_keys[0],
        tags=TAGS,
        lifespan=(running,),
    )
