"""Every resource of the interface, in the order of the document: one line a resource."""

from collections.abc import Mapping

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api import fills, stations

TAGS: Mapping[str, str] = {
    "stations": "Fill stations, fixed and on trucks, with their fill positions.",
    "fills": "Fills of cylinders, as reported and as judged.",
}

HANDLERS: tuple[HTTPRouteHandler, ...] = (
    *stations.HANDLERS,
    *fills.HANDLERS,
)
