"""Installing what a release brings for the rules to go by, as an event of the county's ledger."""

from importlib.metadata import version

from fill_ledger.intake.claims import Claim, Unit
from fill_ledger.intake.founding import FOUNDER_ID
from fill_ledger.intake.lane import Lanes
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.trade.identifiers import COUNTY_ID, derived_id
from fill_ledger.trade.rulebook import shipped_rulebook

DISTRIBUTION = "fill-ledger"


async def install_rulebook(lanes: Lanes) -> bool:
    """Record this release's rulebook, once for ever; tell whether it was new.

    The id follows from the content, so that every process may do it when it starts, and an older release that is
    started again does not bring its old figures back.
    """
    body = shipped_rulebook(version(DISTRIBUTION))
    event_id = derived_id("rulebook", canonical_body(body).decode())
    claim = Claim(event_id=event_id, body=body, recorded_by=FOUNDER_ID)
    recorded = await lanes.record(Unit(department_id=COUNTY_ID, claims=(claim,)))
    return recorded.outcomes[0].outcome == "created"
