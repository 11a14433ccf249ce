"""What comes due: when something that may be filled, may fill, or gives air stops being permitted, and what clears it.

The rules, the dates and the walk from one instant to the next are the judgement's own; nothing here works out a date.
A cylinder is asked the rules about cylinders and about the fill as such, a member those about members, an air source
those about air, each for itself: what is due about one does not hide behind another. It informs; a trained person
decides. A cylinder's own marks and the maker's instructions prevail.
"""

import uuid
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import TypeVar

import msgspec
from msgspec import structs

from fill_ledger.trade.events.cylinders import CylinderDetails, ServicePressure
from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.judgement import Decision, next_instant, reasons_at, rules_concerning
from fill_ledger.trade.rules import members, standing
from fill_ledger.trade.rules.air_limits import CODES_FOR_THE_OFFICE
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.moment import CALENDAR_ENDS_AT, outside_calendar
from fill_ledger.trade.rules.question import Question
from fill_ledger.trade.rules.reasons import Reason
from fill_ledger.trade.rules.rule import Concern, Rule
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.members import Authorisation, MemberState
from fill_ledger.trade.states.stations import AirSourceState, StationState

Subject = TypeVar("Subject")

CYLINDER_CONCERNS: frozenset[Concern] = frozenset({"cylinder", "fill"})
MEMBER_CONCERNS: frozenset[Concern] = frozenset({"member"})
AIR_CONCERNS: frozenset[Concern] = frozenset({"air"})

USES: tuple[Use, ...] = ("scba", "scuba", "storage")
MAXIMUM_STOPS = 20
"""So many instants of one subject are told; more than a handful comes only with a past moment and a busy history."""

# Who or what left for good is not waited for: nothing comes due about it.
ENDED_CODES = frozenset(
    kind.code
    for kind in (
        standing.CONDEMNED,
        standing.RETIRED,
        standing.TRANSFERRED,
        members.NOT_ENROLLED,
        members.DEACTIVATED,
    )
)

_NOBODY_ID = uuid.UUID(int=0)
# Rules about members and air look at nothing of a cylinder but its use, and at nothing of a station but its id.
_STAND_INS: dict[Use, CylinderState] = {
    use: CylinderState(
        department_id=_NOBODY_ID,
        subject_id=_NOBODY_ID,
        details=CylinderDetails(
            serial="-", specification="-", service_pressure=ServicePressure(value="0", unit="psi"), use=use
        ),
    )
    for use in USES
}
_ANY_STATION = StationState(department_id=_NOBODY_ID, subject_id=_NOBODY_ID)


class Stop(msgspec.Struct, frozen=True, kw_only=True):
    """An instant at which something begins to deny.

    at: aware, in UTC. denials: all that denies from then on, the first is what to act on. begun: those of them whose
    code did not deny just before. was_permitted: whether nothing denied just before.
    """

    at: datetime
    denials: tuple[Reason, ...]
    begun: tuple[Reason, ...]
    was_permitted: bool


class Outlook(msgspec.Struct, frozen=True, kw_only=True):
    """How something stands at a moment and what begins to deny after it, up to and including a last moment.

    denials: what denies at the moment, the first is what to act on. stops: in order of time, at most `MAXIMUM_STOPS`.
    advice: what the office should see to at the moment, though nothing is stopped by it.
    """

    denials: tuple[Reason, ...]
    stops: tuple[Stop, ...]
    advice: tuple[Reason, ...] = ()

    @property
    def decision(self) -> Decision:
        """Whether it is permitted at the moment."""
        return "deny" if self.denials else "permit"

    @property
    def stopping(self) -> Stop | None:
        """The first instant after the moment at which it stops being permitted, or None within the time looked at."""
        return next((stop for stop in self.stops if stop.was_permitted), None)

    @property
    def has_ended(self) -> bool:
        """Whether it was out of use for good at the moment: condemned, retired, given away, or the member left."""
        return any(reason.code in ENDED_CODES for reason in self.denials)


class UsesOutlook(msgspec.Struct, frozen=True, kw_only=True):
    """The outlook of a member or an air source for the uses, and of a member at the stations, for which it is one.

    uses: what is filled. station_ids: the stations a member's authorisation names; empty where it names none.
    """

    uses: tuple[Use, ...]
    station_ids: tuple[uuid.UUID, ...] = ()
    outlook: Outlook


def outlook_of(question: Question, concerns: frozenset[Concern], until: datetime) -> Outlook:
    """Return how the subject of a question stands at the question's moment and what stops it until `until` (inclusive).

    Both moments are aware.
    """
    outside = outside_calendar(question.at)
    if outside is not None:
        return Outlook(denials=(outside,), stops=())
    case, rules = Case(question), rules_concerning(concerns)
    reasons = reasons_at(case, rules)
    denials = tuple(reason for reason in reasons if reason.effect == "deny")
    advice = tuple(reason for reason in reasons if reason.code in CODES_FOR_THE_OFFICE)
    stops: list[Stop] = []
    for stop in _stops(case, rules, denials, until):
        stops.append(stop)
        if len(stops) == MAXIMUM_STOPS:
            break
    return Outlook(denials=denials, stops=tuple(stops), advice=advice)


def cylinder_outlook(question: Question, until: datetime) -> Outlook:
    """Return the outlook of the question's cylinder, wherever its station, air and members stand."""
    return outlook_of(question, CYLINDER_CONCERNS, until)


def air_source_outlooks(question: Question, source: AirSourceState, until: datetime) -> tuple[UsesOutlook, ...]:
    """Return the outlooks of an air source, one for all uses that stand alike.

    `question` gives moment, calendar, policy, rulebook and the other sources of the station. SCUBA is left out where
    policy fills none.
    """
    found: dict[Use, Outlook] = {}
    for use in USES:
        if use == "scuba" and not question.policy.scuba_fills_allowed:
            continue
        asked = structs.replace(
            question,
            cylinder=_STAND_INS[use],
            air_sources=(source,),
            station_air_sources=(*question.air_sources, *question.station_air_sources),
            every_air_source=True,
        )
        found[use] = outlook_of(asked, AIR_CONCERNS, until)
    return tuple(
        UsesOutlook(uses=uses, outlook=outlook)
        for uses, outlook in _alike([((use,), one) for use, one in found.items()])
    )


def member_outlooks(
    question: Question, member: MemberState, until: datetime, time_zones: Mapping[uuid.UUID, str]
) -> tuple[UsesOutlook, ...]:
    """Return the outlooks of a member, one for all uses and stations that stand alike; none without an authorisation.

    Only uses that an authorisation names at the question's moment or later are asked about: who was never to fill
    SCUBA has nothing coming due there. `question` gives moment, calendar, policy and rulebook; `time_zones` the
    calendars of stations, by which an authorisation that names them ends there.
    """
    running = [known for known in member.authorisations if known.ends_at is None or known.ends_at > question.at]
    kinds = {kind for known in running for kind in known.kinds}
    asked: list[tuple[tuple[tuple[Use, uuid.UUID | None], ...], Outlook]] = []
    for use in USES:
        for stations, time_zone in _stations_alike(running, question.time_zone, time_zones) if use in kinds else ():
            one = structs.replace(
                question,
                cylinder=_STAND_INS[use],
                station=structs.replace(_ANY_STATION, subject_id=stations[0] or _NOBODY_ID),
                time_zone=time_zone,
                member=member,
            )
            asked.append((tuple((use, station_id) for station_id in stations), outlook_of(one, MEMBER_CONCERNS, until)))
    return tuple(
        UsesOutlook(
            uses=tuple(dict.fromkeys(use for use, _ in subjects)),
            station_ids=tuple(sorted({station_id for _, station_id in subjects if station_id is not None})),
            outlook=outlook,
        )
        for subjects, outlook in _alike(asked)
    )


def _stations_alike(
    running: Sequence[Authorisation], time_zone: str, time_zones: Mapping[uuid.UUID, str]
) -> list[tuple[list[uuid.UUID | None], str]]:
    """Put the stations that authorisations name together by authorisations and calendar; None alone if none is named.

    An authorisation may name hundreds, and each is asked about for every use.
    """
    named_by: dict[uuid.UUID, list[int]] = {}
    for place, known in enumerate(running):
        for station_id in dict.fromkeys(known.station_ids or ()):
            named_by.setdefault(station_id, []).append(place)
    if not named_by:
        return [([None], time_zone)]
    groups: dict[tuple[tuple[int, ...], str], list[uuid.UUID | None]] = {}
    for station_id, places in sorted(named_by.items()):
        groups.setdefault((tuple(places), time_zones.get(station_id, time_zone)), []).append(station_id)
    return [(stations, calendar) for (_, calendar), stations in groups.items()]


def _denials(case: Case, rules: tuple[Rule, ...]) -> tuple[Reason, ...]:
    return tuple(reason for reason in reasons_at(case, rules) if reason.effect == "deny")


def _stops(case: Case, rules: tuple[Rule, ...], denials: tuple[Reason, ...], last: datetime) -> Iterator[Stop]:
    """Yield every instant after the case's moment at which a code begins to deny. Ends as the judgement's walk does."""
    before = {reason.code for reason in denials}
    while (following := next_instant(case, rules)) is not None and following <= last:
        if following >= CALENDAR_ENDS_AT:
            return
        case.move_to(following)
        denials = _denials(case, rules)
        begun = tuple(reason for reason in denials if reason.code not in before)
        if begun:
            yield Stop(at=following, denials=denials, begun=begun, was_permitted=not before)
        before = {reason.code for reason in denials}


def _alike(found: Sequence[tuple[tuple[Subject, ...], Outlook]]) -> list[tuple[tuple[Subject, ...], Outlook]]:
    """Put together those that stand alike."""
    together: list[tuple[tuple[Subject, ...], Outlook]] = []
    for subjects, outlook in found:
        for place, (others, known) in enumerate(together):
            if known == outlook:
                together[place] = ((*others, *subjects), known)
                break
        else:
            together.append((subjects, outlook))
    return together
