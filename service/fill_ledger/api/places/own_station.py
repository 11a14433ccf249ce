"""`/v1/own-station`: what a controller must know of the station it stands at, found by its key alone."""

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.places.station_views import VIEW_EXAMPLE, StationView, view_of
from fill_ledger.api.places.stations import read_station_and_sources


@get(
    "/v1/own-station",
    right=rights.OWN_STATION_READ,
    tag="stations",
    summary="The controller's own station",
    answers=(
        answer(StationView, "The station.", example=VIEW_EXAMPLE, headers={"ETag": "The version."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.NOT_FOUND, problem_types.INVALID_HEADER),
    request_headers=(IF_NONE_MATCH,),
)
async def read_own_station(request: AnyRequest, principal: Principal) -> Reply[StationView] | Reply[None]:
    """Return the station of the controller behind the key, with the ids of its fill positions and air sources.

    Ask at start and now and then: `If-None-Match` makes it cheap. Reasons of closures are not shown to a device.
    """
    if principal.station_id is None:
        raise Problem(problem_types.NOT_FOUND, "The key's principal has no station.")
    known = await read_station_and_sources(request, principal, principal.station_id)
    etag = version_tag(known.version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    return Reply(view_of(known.station, known.sources, {}), etag=etag)


HANDLERS: list[HTTPRouteHandler] = [read_own_station]
