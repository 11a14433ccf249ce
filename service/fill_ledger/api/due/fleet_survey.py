"""Judging every cylinder of a fleet: alone, or as if each stood at one station."""

import uuid
from collections import Counter
from datetime import datetime

import msgspec

from fill_ledger.api.due.due_types import MAXIMUM_LISTED_CODES
from fill_ledger.api.due.fleet_judgement_types import CodeCount, FleetDecision, FleetJudgement, FleetTotals, UseCount
from fill_ledger.api.due.surveys import Asking, refuse_too_many
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.listings import Entry, Gathering, Listing
from fill_ledger.trade.due import CYLINDER_CONCERNS, ENDED_CODES, USES
from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.judgement import Judgement, Question, judge, rules_version
from fill_ledger.trade.rules.rule import Concern
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.views.fleet import Condition, Fleet
from fill_ledger.views.questions import Gathered

STATION_CONCERNS: frozenset[Concern] = CYLINDER_CONCERNS | {"station", "air"}
"""Everything but who fills: a fleet is not judged for one member."""

NO_NUMBER = "~"
"""Stands after every inventory number: letters and digits in upper case."""


class FleetScope(msgspec.Struct, frozen=True, kw_only=True):
    """Which cylinders are judged, and where. specification: its condition and argument."""

    department_id: uuid.UUID | None
    station_id: uuid.UUID | None
    air_source_id: uuid.UUID | None
    home_station_id: uuid.UUID | None
    use: Use | None
    specification: tuple[str, str] | None
    include_ended: bool

    def conditions(self) -> list[Condition]:
        """Return the conditions on `views.cylinder`."""
        found: list[Condition] = []
        if self.home_station_id is not None:
            found.append(Condition("cylinder.home_station_id = ${}", self.home_station_id))
        if self.use is not None:
            found.append(Condition('cylinder."use" = ${}', self.use))
        if self.specification is not None:
            found.append(Condition(*self.specification))
        return found


class FleetFacets(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What filters look at."""

    decision: FleetDecision
    codes: tuple[str, ...]


class FleetSummary(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of the whole fleet."""

    totals: FleetTotals
    rules_version: str


class FleetSurvey:
    """One survey: judges every cylinder of its scope."""

    def __init__(self, fleet: Fleet, scope: FleetScope, at: datetime) -> None:
        self._fleet = fleet
        self._scope = scope
        self._at = at
        self._asking = Asking(fleet, at)
        self._there: Gathered | None = None
        self._gathering = Gathering()
        self._tally = _Tally()

    async def work_out(self) -> Listing:
        """Return the listing.

        Raises:
            Problem: 404 for a station the principal does not know; 422 for too many cylinders.
        """
        if self._scope.station_id is not None:
            station = self._fleet.station(self._scope.station_id)
            if station is None:
                raise Problem(problem_types.NOT_FOUND, "No station has this id.")
            sources = await self._fleet.air_sources_at(station)
            self._there = self._asking.at_station(station.department_id, station, sources)
        asked = 0
        async for cylinders in self._fleet.cylinders(self._scope.conditions()):
            for cylinder in cylinders:
                asked += 1
                refuse_too_many(asked)
                await self._gathering.pauses.breathe()
                self._take(cylinder)
        return Listing(
            asked=None,
            at=self._at,
            positions=self._fleet.positions,
            entries=await self._gathering.in_order(),
            size_bytes=self._gathering.size_bytes,
            summary=FleetSummary(totals=self._tally.totals(), rules_version=rules_version(self._fleet.rulebook)),
        )

    def _take(self, cylinder: CylinderState) -> None:
        judgement = self._judged(cylinder)
        if not self._scope.include_ended and any(reason.code in ENDED_CODES for reason in judgement.reasons):
            return
        details = cylinder.details
        item = FleetJudgement(
            cylinder_id=cylinder.subject_id,
            department_id=cylinder.department_id,
            inventory_number=cylinder.inventory_number,
            serial=None if details is None else details.serial,
            specification=None if details is None else details.specification,
            use=None if details is None else details.use,
            home_station_id=None if details is None else details.home_station_id,
            decision=judgement.decision,
            code=judgement.code,
            display_text=judgement.display_text,
            codes=_codes(judgement),
            fill_limit_psi=judgement.fill_limit_psi,
            valid_until=judgement.valid_until,
        )
        self._tally.count(item)
        self._gathering.add(
            Entry(
                place=(
                    str(item.department_id),
                    NO_NUMBER if item.inventory_number is None else item.inventory_number,
                    str(item.cylinder_id),
                ),
                item=msgspec.json.encode(item),
                facets=FleetFacets(decision=item.decision, codes=(item.code, *item.codes)),
            )
        )

    def _judged(self, cylinder: CylinderState) -> Judgement:
        if self._there is None:
            home_id = None if cylinder.details is None else cylinder.details.home_station_id
            return judge(self._asking.about(cylinder.department_id, home_id, cylinder), concerns=CYLINDER_CONCERNS)
        question: Question = self._asking.of(self._there, cylinder)
        if self._scope.air_source_id is not None:
            question = msgspec.structs.replace(question, air_source_id=self._scope.air_source_id)
        return judge(question, concerns=STATION_CONCERNS)


class _Tally:
    """Counts answers as they are given."""

    def __init__(self) -> None:
        self._by_use: Counter[tuple[Use | None, FleetDecision]] = Counter()
        self._first: Counter[str] = Counter()
        self._carried: Counter[str] = Counter()

    def count(self, item: FleetJudgement) -> None:
        """Count one answer."""
        self._by_use[(item.use, item.decision)] += 1
        self._first[item.code] += 1
        self._carried.update({item.code, *item.codes})

    def totals(self) -> FleetTotals:
        """Return the counts so far, the code that comes first most often first."""
        uses: tuple[Use | None, ...] = (*USES, None)
        by_use = tuple(
            UseCount(use=use, asked=permit + deny, permit=permit, deny=deny)
            for use in uses
            if (permit := self._by_use[(use, "permit")]) + (deny := self._by_use[(use, "deny")])
        )
        return FleetTotals(
            asked=sum(one.asked for one in by_use),
            permit=sum(one.permit for one in by_use),
            deny=sum(one.deny for one in by_use),
            by_code=tuple(
                CodeCount(code=code, first=self._first[code], carried=carried)
                for code, carried in sorted(self._carried.items(), key=lambda one: (-self._first[one[0]], one[0]))
            ),
            by_use=by_use,
        )


def _codes(judgement: Judgement) -> tuple[str, ...]:
    """Return each code once: what denies, what obliges, what advises."""
    reasons = (*judgement.reasons, *judgement.obligations, *judgement.advice)
    return tuple(dict.fromkeys(reason.code for reason in reasons))[:MAXIMUM_LISTED_CODES]
