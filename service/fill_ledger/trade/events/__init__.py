"""All event types of the ledger. Importing this package registers them."""

from fill_ledger.trade.events import air, corrections, county, cylinders, fills, findings, members, rulebook, stations
from fill_ledger.trade.events.envelope import Body, Clock, Event, Nature, SealedReference, body_class, catalogue

__all__ = [
    "Body",
    "Clock",
    "Event",
    "Nature",
    "SealedReference",
    "air",
    "body_class",
    "catalogue",
    "corrections",
    "county",
    "cylinders",
    "fills",
    "findings",
    "members",
    "rulebook",
    "stations",
]
