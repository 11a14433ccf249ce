"""Every resource of the interface, in the order of the document: one line a resource."""

from collections.abc import Mapping

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api import eligibility, fills, rules, stations

TAGS: Mapping[str, str] = {
    "eligibility": "The question: may this cylinder be filled here, now, by this member?",
    "rules": "Every code an answer may carry, with its source.",
    "stations": "Fill stations, fixed and on trucks, with their fill positions.",
    "fills": "Fills of cylinders, as reported and as judged.",
}

HANDLERS: tuple[HTTPRouteHandler, ...] = (
    *eligibility.HANDLERS,
    *rules.HANDLERS,
    *stations.HANDLERS,
    *fills.HANDLERS,
)
