"""Working out what comes due about a whole fleet, one entry for each subject that has something coming."""

import uuid
from datetime import datetime, timedelta
from typing import Any

import msgspec

from fill_ledger.api.due.due_types import MAXIMUM_LISTED_CODES, DueItem, DueKind, LaterReason
from fill_ledger.api.due.surveys import MICROSECOND, Asking, microseconds_of, refuse_too_many
from fill_ledger.api.listings import Entry, Gathering, Listing, Place
from fill_ledger.api.question.eligibility_answer import note_view
from fill_ledger.trade.due import Outlook, Stop, air_source_outlooks, cylinder_outlook, member_outlooks
from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.judgement import Question, rules_catalogue
from fill_ledger.trade.rules.air import STORAGE_BANK
from fill_ledger.trade.rules.calendar import UTC_ZONE, day_text, zone_of
from fill_ledger.trade.rules.reasons import Reason
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.members import MemberState
from fill_ledger.trade.states.stations import AirSourceState
from fill_ledger.views.fleet import Condition, Fleet

# Bad or missing air stops a whole station, a cylinder that is out stops itself, for a member another one can fill.
_CONSEQUENCE: dict[DueKind, int] = {"air_source": 0, "cylinder": 1, "member": 2}
LABEL_IN_PLACE = 40
"""So much of a label sorts; a cursor carries it, and has a greatest length."""

_ACT_ON_FIRST = {entry.code: place for place, entry in enumerate(rules_catalogue())}


class DueScope(msgspec.Struct, frozen=True, kw_only=True):
    """What a list of what comes due is about."""

    horizon_days: int
    department_id: uuid.UUID | None
    station_id: uuid.UUID | None
    kind: DueKind | None
    include_ended: bool

    def until(self, at: datetime) -> datetime:
        """Return the last instant looked at."""
        return at + timedelta(days=self.horizon_days)


class DueFacets(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What filters and sums look at. month: None where it is stopped. begins: month (None: stands already) and code."""

    kind: DueKind
    station_id: uuid.UUID | None
    code: str
    month: str | None
    begins: tuple[tuple[str | None, str], ...]


class _Subject(msgspec.Struct, frozen=True, kw_only=True):
    kind: DueKind
    subject_id: uuid.UUID
    department_id: uuid.UUID
    label: str | None
    station_ids: tuple[uuid.UUID, ...]
    uses: tuple[Use, ...]
    time_zone: str


class DueSurvey:
    """One survey: reads the fleet in chunks and makes an entry of everything that is stopped or comes due."""

    def __init__(self, fleet: Fleet, scope: DueScope, at: datetime) -> None:
        self._fleet = fleet
        self._scope = scope
        self._at = at
        self._until = scope.until(at)
        self._asking = Asking(fleet, at)
        self._gathering = Gathering()
        self._asked = 0

    async def work_out(self) -> Listing:
        """Return the listing.

        Raises:
            Problem: 422 where it would be about too many subjects.
        """
        kind = self._scope.kind
        if kind in (None, "air_source"):
            await self._air_sources()
        if kind in (None, "cylinder"):
            await self._cylinders()
        if kind in (None, "member"):
            await self._members()
        return Listing(
            asked=None,
            at=self._at,
            positions=self._fleet.positions,
            entries=await self._gathering.in_order(),
            size_bytes=self._gathering.size_bytes,
        )

    async def _cylinders(self) -> None:
        station_id = self._scope.station_id
        conditions = [] if station_id is None else [Condition("cylinder.home_station_id = ${}", station_id)]
        async for cylinders in self._fleet.cylinders(conditions):
            for cylinder in cylinders:
                await self._turn()
                self._cylinder(cylinder)

    def _cylinder(self, cylinder: CylinderState) -> None:
        details = cylinder.details
        home_id = None if details is None else details.home_station_id
        question = self._asking.about(cylinder.department_id, home_id, cylinder)
        subject = _Subject(
            kind="cylinder",
            subject_id=cylinder.subject_id,
            department_id=cylinder.department_id,
            label=cylinder.inventory_number or (None if details is None else details.serial),
            station_ids=() if home_id is None else (home_id,),
            uses=() if details is None else (details.use,),
            time_zone=question.time_zone,
        )
        self._take(subject, cylinder_outlook(question, self._until))

    async def _air_sources(self) -> None:
        async for sources in self._fleet.subjects(SubjectKind.AIR_SOURCE):
            for source in sources:
                if source.registered_at is not None and self._scope.station_id in (None, source.station_id):
                    await self._turn()
                    self._air_source(source, await self._beside(source))

    async def _beside(self, source: AirSourceState) -> tuple[AirSourceState, ...]:
        """Return the sources of a storage bank's station, where policy lets the bank go by its compressors."""
        question = self._asking.about(source.department_id, source.station_id)
        if source.air_source_kind != STORAGE_BANK or question.policy.bank_needs_own_sample or question.station is None:
            return ()
        return await self._fleet.air_sources_at(question.station)

    def _air_source(self, source: AirSourceState, beside: tuple[AirSourceState, ...]) -> None:
        question = msgspec.structs.replace(
            self._asking.about(source.department_id, source.station_id), station_air_sources=beside
        )
        for found in air_source_outlooks(question, source, self._until):
            subject = _Subject(
                kind="air_source",
                subject_id=source.subject_id,
                department_id=source.department_id,
                label=source.label,
                station_ids=() if source.station_id is None else (source.station_id,),
                uses=found.uses,
                time_zone=question.time_zone,
            )
            self._take(subject, found.outlook)

    async def _members(self) -> None:
        time_zones: dict[uuid.UUID, dict[uuid.UUID, str]] = {}
        async for members in self._fleet.subjects(SubjectKind.MEMBER):
            for member in members:
                if member.department_id not in time_zones:
                    time_zones[member.department_id] = self._asking.time_zones(member.department_id)
                await self._turn()
                self._member(member, time_zones[member.department_id])

    def _member(self, member: MemberState, time_zones: dict[uuid.UUID, str]) -> None:
        question: Question = self._asking.about(member.department_id, None)
        for found in member_outlooks(question, member, self._until, time_zones):
            if self._scope.station_id is not None and self._scope.station_id not in found.station_ids:
                continue
            subject = _Subject(
                kind="member",
                subject_id=member.subject_id,
                department_id=member.department_id,
                label=None,
                station_ids=found.station_ids,
                uses=found.uses,
                time_zone=next((time_zones[one] for one in found.station_ids if one in time_zones), question.time_zone),
            )
            self._take(subject, found.outlook)

    async def _turn(self) -> None:
        self._asked += 1
        refuse_too_many(self._asked)
        await self._gathering.pauses.breathe()

    def _take(self, subject: _Subject, outlook: Outlook) -> None:
        if outlook.has_ended and not self._scope.include_ended:
            return
        if outlook.denials or outlook.stops:
            self._gathering.add(_entry(subject, outlook, self._at))


def _entry(subject: _Subject, outlook: Outlook, at: datetime) -> Entry:
    zone = zone_of(subject.time_zone) or UTC_ZONE
    stopping: Stop | None = None if outlook.denials else outlook.stops[0]
    denials = outlook.denials if stopping is None else stopping.denials
    first, station_ids = denials[0], subject.station_ids
    last_day = None if stopping is None else day_text(stopping.at - MICROSECOND, zone)
    later = [
        (stop.at.astimezone(zone), day_text(stop.at - MICROSECOND, zone), reason)
        for stop in outlook.stops
        if stop is not stopping
        for reason in stop.begun
    ][:MAXIMUM_LISTED_CODES]
    item = DueItem(
        kind=subject.kind,
        id=subject.subject_id,
        department_id=subject.department_id,
        label=subject.label,
        station_id=station_ids[0] if len(station_ids) == 1 else None,
        uses=subject.uses,
        standing="deny" if stopping is None else "permit",
        stops_at=None if stopping is None else stopping.at.astimezone(zone),
        last_day=last_day,
        days_left=None if last_day is None else _days_between(day_text(at, zone), last_day),
        code=first.code,
        text=first.text,
        source=first.source,
        clears_by=first.clears_by,
        clears_at=None if first.clears_at is None else first.clears_at.astimezone(zone),
        codes=_codes(denials),
        later=tuple(_later(*one) for one in later),
        advice=tuple(note_view(note) for note in outlook.advice[:MAXIMUM_LISTED_CODES]),
    )
    month = None if last_day is None else last_day[:7]
    facets = DueFacets(
        kind=item.kind,
        station_id=item.station_id,
        code=item.code,
        month=month,
        begins=(
            *((month, code) for code in item.codes),
            *((last[:7], reason.code) for _, last, reason in later),
        ),
    )
    return Entry(place=_place(subject, item), item=msgspec.json.encode(item), facets=facets)


def _later(at: datetime, last_day: str, reason: Reason) -> LaterReason:
    return LaterReason(
        at=at,
        last_day=last_day,
        code=reason.code,
        text=reason.text,
        source=reason.source,
        clears_by=reason.clears_by,
    )


def _codes(denials: tuple[Reason, ...]) -> tuple[str, ...]:
    """Return each code once, in the order in which a person should act on them."""
    return tuple(dict.fromkeys(reason.code for reason in denials))[:MAXIMUM_LISTED_CODES]


def _days_between(first: str, last: str) -> int:
    return (_day(last) - _day(first)).days


def _day(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _place(subject: _Subject, item: DueItem) -> Place:
    """Return where an item stands: what is stopped first, by consequence; then by time."""
    which: list[Any] = [subject.subject_id, *subject.uses, *subject.station_ids[:1]]
    return (
        0 if item.stops_at is None else 1,
        0 if item.stops_at is None else microseconds_of(item.stops_at),
        _CONSEQUENCE[item.kind],
        _ACT_ON_FIRST[item.code],
        (item.label or "")[:LABEL_IN_PLACE],
        " ".join(str(part) for part in which),
    )
