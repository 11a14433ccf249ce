"""`/v1/fleet-judgements`: the same judgement for every cylinder of a fleet, now or on another date."""

from datetime import datetime

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.due.fleet_judgement_types import FLEET_EXAMPLE, FleetPage, FleetQuery
from fill_ledger.api.due.fleet_survey import FleetFacets, FleetScope, FleetSummary, FleetSurvey
from fill_ledger.api.due.surveys import continued, page_of, refuse_unknown_code, surveyed, written
from fill_ledger.api.fleet.cylinder_listing import specification_condition
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.listings import Listing
from fill_ledger.trade.judgement import CODE_OK, rules_catalogue
from fill_ledger.views.fleet import Fleet

# No statement sorts by it: it says what a cursor holds, in the order of a place.
BY_NUMBER = SortOrder(
    name="inventory_number",
    keys=(
        SortKey(column="at", kind="integer"),
        SortKey(column="positions", kind="text"),
        SortKey(column="department_id", kind="text"),
        SortKey(column="inventory_number", kind="text"),
        SortKey(column="cylinder_id", kind="text"),
    ),
)

_CODES = [CODE_OK, *(entry.code for entry in rules_catalogue())]


@get(
    "/v1/fleet-judgements",
    right=rights.DUE_READ,
    tag="fleet-judgements",
    summary="Judge a whole fleet",
    answers=answer(FleetPage, "One page of answers, and the totals of all.", example=FLEET_EXAMPLE),
    problems=(problem_types.FLEET_LISTS_BUSY, problem_types.NOT_PROCESSABLE, problem_types.NOT_FOUND),
)
async def list_fleet_judgements(request: AnyRequest, query: FleetQuery, principal: Principal) -> Reply[FleetPage]:
    """Ask the look-up's question about every cylinder at once, for now or with `at` for another date.

    Without `station_id` each cylinder is judged for itself, by the calendar of its home station or else of its
    department. With it each is judged as the look-up would there: station, air and ownership count, and only who fills
    is left out. `totals` say how many could be filled. What is on record now counts for every date: a test that will
    be made by then is not foreseen. The pages of one list are all of one moment.
    """
    if query.air_source_id is not None and query.station_id is None:
        detail = "An air source is named together with its station: send station_id as well."
        fault = Fault(code="missing", detail=detail, parameter="station_id")
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault])
    refuse_unknown_code(query.code, _CODES)
    window = open_window(request, query, BY_NUMBER)
    page = continued(window.after_values)
    scope = FleetScope(
        department_id=query.department_id,
        station_id=query.station_id,
        air_source_id=query.air_source_id,
        home_station_id=query.home_station_id,
        use=query.use,
        specification=None if query.specification is None else specification_condition(query.specification),
        include_ended=query.include_ended,
    )

    async def work_out(fleet: Fleet, moment: datetime) -> Listing:
        return await FleetSurvey(fleet, scope, moment).work_out()

    listing = await surveyed(request, principal, scope, query.at, page, work_out, department_id=query.department_id)
    shown, cursor, headers = await page_of(window, listing, page, lambda facets: _is_wanted(facets, query))
    summary: FleetSummary = listing.summary
    found = FleetPage(
        items=written(shown),
        next_cursor=cursor,
        at=listing.at,
        rules_version=summary.rules_version,
        totals=summary.totals,
    )
    return Reply(found, headers=headers)


def _is_wanted(facets: FleetFacets, query: FleetQuery) -> bool:
    return query.decision in (None, facets.decision) and (query.code is None or query.code in facets.codes)


HANDLERS: list[HTTPRouteHandler] = [list_fleet_judgements]
