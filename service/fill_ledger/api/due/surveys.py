"""A survey: one list about a whole fleet, worked out at one moment of the ledger, or found as it was kept."""

import difflib
import uuid
from collections.abc import Awaitable, Callable, Hashable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

import msgspec

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortValue
from fill_ledger.api.http.paging import PageWindow
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.listings import Entry, Listing, Pauses, Place
from fill_ledger.api.parts import parts_of
from fill_ledger.api.planning.station_at_hand import unnamed
from fill_ledger.api.question.eligibility_request import FURTHEST_MOMENT
from fill_ledger.api.question.eligibility_subject import UNKNOWN, Resolved
from fill_ledger.api.question.judged_question import judged_question, policy_at
from fill_ledger.trade.judgement import Question
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.stations import AirSourceState, StationState
from fill_ledger.views.fleet import Fleet, open_fleet
from fill_ledger.views.questions import Gathered, Match

MAXIMUM_SUBJECTS = 50_000
"""More than this in one list would take minutes and a process's memory: the caller names a department or a station."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = EPOCH.resolution

Worker = Callable[[Fleet, datetime], Awaitable[Listing]]


class Continued(msgspec.Struct, frozen=True, kw_only=True):
    """Where a later page goes on: the moment and ledger its first page was of, and the place of the last item."""

    at: datetime
    positions: str
    place: Place


def continued(values: Sequence[SortValue] | None) -> Continued | None:
    """Return what a cursor of a survey says; None on the first page."""
    if values is None:
        return None
    microseconds, positions, *place = values
    assert isinstance(microseconds, int)
    return Continued(at=EPOCH + microseconds * MICROSECOND, positions=str(positions), place=tuple(place))  # type: ignore[arg-type]


async def page_of(
    window: PageWindow, listing: Listing, page: Continued | None, is_wanted: Callable[[Any], bool]
) -> tuple[list[Entry], str | None, dict[str, str]]:
    """Return the entries of one page whose facets are wanted, the cursor of the next page, and the header with it."""
    shown, pauses = list[Entry](), Pauses()
    for entry in listing.after(None if page is None else page.place):
        await pauses.breathe()
        if is_wanted(entry.facets):
            shown.append(entry)
            if len(shown) == window.fetch_limit:
                break
    if len(shown) <= window.limit:
        return shown, None, {}
    shown.pop()
    place = shown[-1].place
    cursor, headers = window.next_page([microseconds_of(listing.at), listing.positions, *place])
    return shown, cursor, headers


def written(entries: Sequence[Entry]) -> Any:
    """Return the items of entries for a page: they were written out as JSON when they were made."""
    return [msgspec.Raw(entry.item) for entry in entries]


def microseconds_of(moment: datetime) -> int:
    """Return a moment as whole microseconds since 1970."""
    return (moment - EPOCH) // MICROSECOND


async def surveyed(
    request: AnyRequest,
    principal: Principal,
    scope: Hashable,
    asked_at: datetime | None,
    page: Continued | None,
    work_out: Worker,
    *,
    department_id: uuid.UUID | None,
) -> Listing:
    """Return the listing of a scope, as it was kept or worked out now.

    A later page is of the listing its first page was of. Where that is no longer kept it is worked out again for the
    same moment, from what is on record by then, and goes on after the same place.

    Raises:
        Problem: 400 for a moment too far away; 503 where too many surveys wait.
    """
    if asked_at is not None and abs(asked_at - datetime.now(UTC)) > FURTHEST_MOMENT:
        detail = "The moment asked about must lie within fifty years of now."
        fault = Fault(code="out-of-range", detail=detail, parameter="at")
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault])
    parts = parts_of(request)
    visible = principal.visible
    asked = (visible if isinstance(visible, str) else tuple(sorted(visible)), scope)
    if page is not None and (kept := parts.listings.find(asked, page.at, page.positions)) is not None:
        return kept
    async with parts.listings.turn(), open_fleet(parts.database.lookups, visible, department_id) as fleet:
        at = asked_at if page is None else page.at
        kept = (
            parts.listings.find_fresh(asked, fleet.now, fleet.positions)
            if at is None
            else parts.listings.find(asked, at, fleet.positions)
        )
        if kept is not None:
            return kept
        await fleet.read_surroundings(parts.rulebooks)
        listing = msgspec.structs.replace(await work_out(fleet, at or fleet.now), asked=asked)
        parts.listings.keep(listing)
        return listing


def refuse_too_many(count: int) -> None:
    """Refuse a list about more subjects than one list may be.

    Raises:
        Problem: 422 not-processable.
    """
    if count > MAXIMUM_SUBJECTS:
        detail = (
            f"More than {MAXIMUM_SUBJECTS} subjects would be asked about. Name a department, a station or a kind, and "
            "ask for one after the other."
        )
        fault = Fault(code="too-many-subjects", detail=detail, parameter="department_id")
        raise Problem(problem_types.NOT_PROCESSABLE, detail, errors=[fault])


def refuse_unknown_code(code: str | None, known: Iterable[str]) -> None:
    """Refuse a filter by a code that no rule gives: its list would be empty, and look as if nothing were due.

    Raises:
        Problem: 400 invalid-query.
    """
    choices = frozenset(known)
    if code is not None and code not in choices:
        near = difflib.get_close_matches(code, sorted(choices), n=1)
        detail = f"No rule gives this code. {f'Did you mean {near[0]}?' if near else 'See /v1/rules.'}"
        fault = Fault(code="no-such-code", detail=detail, parameter="code")
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault])


class Asking:
    """Makes the questions of a survey, in the way the look-up makes its own."""

    def __init__(self, fleet: Fleet, at: datetime) -> None:
        self._fleet = fleet
        self._at = at
        self._gathered: dict[tuple[uuid.UUID, uuid.UUID | None], Gathered] = {}

    def about(
        self,
        department_id: uuid.UUID,
        station_id: uuid.UUID | None,
        cylinder: CylinderState | None = None,
    ) -> Question:
        """Return the question for a department, by the calendar of its station if it has that, else by its own."""
        gathered = self._gathered.get((department_id, station_id))
        if gathered is None:
            station = None if station_id is None else self._fleet.stations.get((department_id, station_id))
            gathered = self._gathered[(department_id, station_id)] = self.at_station(department_id, station)
        return self.of(gathered, cylinder)

    def at_station(
        self,
        department_id: uuid.UUID,
        station: StationState | None,
        air_sources: tuple[AirSourceState, ...] = (),
    ) -> Gathered:
        """Return what bears on every question for a station."""
        fleet = self._fleet
        return Gathered(
            key=None,
            checked_at=fleet.now,
            asked_at=fleet.now,
            department_id=department_id,
            position=fleet.heads.get(department_id, 0),
            station=station,
            department=fleet.departments.get(department_id),
            policy=fleet.policies.get(department_id),
            air_sources=air_sources,
            member=None,
            matches=(),
            rulebook=fleet.rulebook,
        )

    def of(self, gathered: Gathered, cylinder: CylinderState | None) -> Question:
        """Return the question about a cylinder, with what bears on it."""
        resolved = UNKNOWN
        if cylinder is not None:
            match = Match(department_id=cylinder.department_id, cylinder_id=cylinder.subject_id, cylinder=cylinder)
            resolved = Resolved(match=match)
        return judged_question(_NOBODY, gathered, policy_at(gathered, self._at), resolved, self._at)

    def time_zones(self, department_id: uuid.UUID) -> dict[uuid.UUID, str]:
        """Return the calendars of a department's stations that have one of their own."""
        return {
            station_id: station.time_zone
            for (owner_id, station_id), station in self._fleet.stations.items()
            if owner_id == department_id and station.time_zone is not None
        }


_NOBODY = unnamed(None)
