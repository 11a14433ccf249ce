"""`/v1/due`: what stops being permitted, when, and what clears it; and the same by month."""

import uuid
from collections import Counter, defaultdict
from datetime import datetime, timedelta

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.due.due_survey import DueFacets, DueScope, DueSurvey
from fill_ledger.api.due.due_types import (
    PAGE_EXAMPLE,
    WORKLOAD_EXAMPLE,
    DueKind,
    DuePage,
    DueQuery,
    Workload,
    WorkloadCount,
    WorkloadMonth,
    WorkloadQuery,
)
from fill_ledger.api.due.surveys import Continued, continued, page_of, refuse_unknown_code, surveyed, written
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import open_window
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.listings import Listing, Pauses
from fill_ledger.trade.judgement import rules_catalogue
from fill_ledger.views.fleet import Fleet

# No statement sorts by it: it says what a cursor holds, in the order of a place.
BY_CONSEQUENCE = SortOrder(
    name="consequence",
    keys=(
        SortKey(column="at", kind="integer"),
        SortKey(column="positions", kind="text"),
        SortKey(column="coming", kind="integer"),
        SortKey(column="stops_at", kind="integer"),
        SortKey(column="consequence", kind="integer"),
        SortKey(column="code", kind="integer"),
        SortKey(column="label", kind="text"),
        SortKey(column="subject", kind="text"),
    ),
)
_PROBLEMS = (problem_types.FLEET_LISTS_BUSY, problem_types.NOT_PROCESSABLE)
_DENYING = [entry.code for entry in rules_catalogue() if entry.effect == "deny"]
_Counted = tuple[DueKind, str, str]


@get(
    "/v1/due",
    right=rights.DUE_READ,
    tag="due",
    summary="List what comes due",
    answers=answer(DuePage, "One page of what comes due.", example=PAGE_EXAMPLE),
    problems=_PROBLEMS,
)
async def list_due(request: AnyRequest, query: DueQuery, principal: Principal) -> Reply[DuePage]:
    """Return cylinders, members and air sources that may not be filled, fill or give air any more, now or soon.

    What is stopped already comes first: air before cylinders before members, then in the order in which to act on the
    reasons. What comes due follows by time. The look-up's own rules say when: at `stops_at` they deny, and just before
    they do not. A cylinder goes by the calendar of its home station, or else of its department. Uses nobody was
    authorised for are not listed, nor is what left for good. The pages of one list are all of one moment.
    """
    refuse_unknown_code(query.code, _DENYING)
    window = open_window(request, query, BY_CONSEQUENCE)
    page = continued(window.after_values)
    scope = _scope(query)
    listing = await _surveyed(request, principal, scope, query.at, page)
    shown, cursor, headers = await page_of(window, listing, page, lambda facets: _is_wanted(facets, query))
    found = DuePage(items=written(shown), next_cursor=cursor, at=listing.at, until=scope.until(listing.at))
    return Reply(found, headers=headers)


@get(
    "/v1/due/workload",
    right=rights.DUE_READ,
    tag="due",
    summary="Count what comes due by month",
    answers=answer(Workload, "What comes due, counted.", example=WORKLOAD_EXAMPLE),
    problems=_PROBLEMS,
)
async def read_workload(request: AnyRequest, query: WorkloadQuery, principal: Principal) -> Workload:
    """Return how many requalifications, samples, authorisations and ends of life fall in each month.

    It counts the list of what comes due under the same filters: all `stops` together are as many as the list has items.
    A month has what must be done in it at the latest: what stops at the first instant of May counts for April.
    """
    scope = _scope(query)
    listing = await _surveyed(request, principal, scope, query.at, None)
    return await workload_of(listing, scope.until(listing.at))


async def workload_of(listing: Listing, until: datetime) -> Workload:
    """Return the listing of what comes due, counted."""
    pauses, counts = Pauses(), _Counts()
    for entry in listing.entries:
        await pauses.breathe()
        counts.take(entry.facets)
    return Workload(
        at=listing.at,
        until=until,
        items=len(listing.entries),
        stopped=counts.of(None),
        months=tuple(_month(month, counts.of(month)) for month in _every_month(listing.at, until, counts.months())),
    )


class _Counts:
    """Counts by month (None: stopped), and in it by kind, code and station."""

    def __init__(self) -> None:
        self._stops: defaultdict[str | None, Counter[_Counted]] = defaultdict(Counter)
        self._begins: defaultdict[str | None, Counter[_Counted]] = defaultdict(Counter)

    def take(self, facets: DueFacets) -> None:
        """Count one item."""
        station = "" if facets.station_id is None else str(facets.station_id)
        self._stops[facets.month][(facets.kind, facets.code, station)] += 1
        for month, code in facets.begins:
            self._begins[month][(facets.kind, code, station)] += 1

    def months(self) -> set[str]:
        """Return the months in which anything was counted."""
        return {month for month in self._begins if month is not None}

    def of(self, month: str | None) -> tuple[WorkloadCount, ...]:
        """Return the counts of one month. What stops in it also begins in it."""
        stops, begins = self._stops[month], self._begins[month]
        return tuple(
            WorkloadCount(
                kind=kind,
                code=code,
                station_id=uuid.UUID(station) if station else None,
                stops=stops[(kind, code, station)],
                begins=number,
            )
            for (kind, code, station), number in sorted(begins.items())
        )


def _month(month: str, counts: tuple[WorkloadCount, ...]) -> WorkloadMonth:
    return WorkloadMonth(
        month=month,
        stops=sum(count.stops for count in counts),
        begins=sum(count.begins for count in counts),
        counts=counts,
    )


def _every_month(at: datetime, until: datetime, found: set[str]) -> list[str]:
    """Return the months from one moment to another without a gap, and those found beyond in other calendars."""
    months = set(found)
    day = at.replace(day=1)
    while day <= until:
        months.add(f"{day:%Y-%m}")
        day = (day + timedelta(days=32)).replace(day=1)
    return sorted(months)


def _scope(query: DueQuery | WorkloadQuery) -> DueScope:
    return DueScope(
        horizon_days=query.horizon_days,
        department_id=query.department_id,
        station_id=query.station_id,
        kind=query.kind,
        include_ended=query.include_ended,
    )


async def _surveyed(
    request: AnyRequest, principal: Principal, scope: DueScope, at: datetime | None, page: Continued | None
) -> Listing:
    async def work_out(fleet: Fleet, moment: datetime) -> Listing:
        return await DueSurvey(fleet, scope, moment).work_out()

    return await surveyed(request, principal, scope, at, page, work_out, department_id=scope.department_id)


def _is_wanted(facets: DueFacets, query: DueQuery) -> bool:
    if facets.month is None and not query.include_stopped:
        return False
    return query.code is None or any(code == query.code for _, code in facets.begins)


HANDLERS: list[HTTPRouteHandler] = [list_due, read_workload]
