"""Every resource of the interface, in the order of the document: one line a resource."""

from collections.abc import Mapping

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api import stations

TAGS: Mapping[str, str] = {
    "stations": "Fill stations, fixed and on trucks, with their fill positions.",
}

HANDLERS: tuple[HTTPRouteHandler, ...] = (*stations.HANDLERS,)
