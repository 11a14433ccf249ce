"""The parts of a running service that handlers use: made once in `app`, found through the request."""

import msgspec

from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.rate_limits import RateLimiter
from fill_ledger.api.listings import Listings
from fill_ledger.database import Database
from fill_ledger.intake.lane import Lanes
from fill_ledger.intake.outbox import Outbox
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.handles import MemberSessions, PermitReferences
from fill_ledger.ledger.passcodes import PasscodeHasher
from fill_ledger.views.questions import QuestionReader
from fill_ledger.views.rulebooks import Rulebooks

PARTS_KEY = "parts"


class Parts(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a handler may need beyond its request."""

    database: Database
    rulebooks: Rulebooks
    questions: QuestionReader
    listings: Listings
    lanes: Lanes
    outbox: Outbox
    vault: Vault
    member_sessions: MemberSessions
    permit_references: PermitReferences
    passcode_hasher: PasscodeHasher
    public_limiter: RateLimiter
    failure_limiter: RateLimiter
    principal_limiter: RateLimiter


def parts_of(request: AnyRequest) -> Parts:
    """Return the parts of the service that handles this request."""
    parts: Parts = request.app.state[PARTS_KEY]
    return parts
