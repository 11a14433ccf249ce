"""What an office entry must not contradict. Observations are never refused: they are kept and judged.

A check sees the states of the subjects that the entry names and says what is wrong, in words that tell what to change.
"""

from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any, Protocol, TypeVar

import msgspec

from fill_ledger.trade.events import air, corrections, county, cylinders, members, stations
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.identifiers import COUNTY_ID, Subject, SubjectKind
from fill_ledger.trade.mark_types import SpecificationFault
from fill_ledger.trade.marks import parse_specification
from fill_ledger.trade.pressure import PressureUnit, StampedPressure, service_pressure_fault
from fill_ledger.trade.states.county import DepartmentState, PrincipalState
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.members import MemberState
from fill_ledger.trade.states.stations import AirSourceState, StationState

# Only what a person may have entered or a device reported in error can be taken back; what gives or ends rights, and
# what the ledger wrote itself, is ended by an event of its own.
NOT_RETRACTABLE = (
    county.DepartmentRegistered,
    county.PrincipalRegistered,
    county.PrincipalDeactivated,
    county.KeyIssued,
    county.KeyRevoked,
    corrections.EventRetracted,
    corrections.FactConflictKept,
    corrections.FactQuarantined,
    cylinders.CylinderTransferredIn,
    cylinders.CylinderTransferredOut,
)


# Clocks on Earth run up to fourteen hours ahead of UTC (IANA time zone database, Pacific/Kiritimati).
LATEST_ZONE = timedelta(hours=14)


class Refusal(msgspec.Struct, frozen=True, kw_only=True):
    """Why an office entry is not taken: `pointer` is a JSON pointer into its body; `conflict` tells 409 from 422."""

    code: str
    detail: str
    pointer: str = ""
    conflict: bool = True


class Known(Protocol):
    """What a check may look at."""

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject the entry names."""

    def retracted_event(self) -> Event | None:
        """Return the event that a retraction names, where it is known."""


BodyType = TypeVar("BodyType", bound=Body)
Check = Callable[[Any, Known, datetime], Iterable[Refusal]]
_checks: dict[type[Body], list[Check]] = {}


def _check(*body_classes: type[Body]) -> Callable[[Check], Check]:
    def register(check: Check) -> Check:
        for body_class in body_classes:
            _checks.setdefault(body_class, []).append(check)
        return check

    return register


def refusals(body: Body, known: Known, moment: datetime) -> list[Refusal]:
    """Return everything that speaks against an office entry effective at a moment; an empty list lets it in."""
    return [refusal for check in _checks.get(type(body), ()) for refusal in check(body, known, moment)]


def consulted(body: Body) -> tuple[Subject, ...]:
    """Name the subjects a check of this body looks at, beyond those it folds into."""
    named = [subject for subject in body.mentions() if subject.kind is not SubjectKind.EVENT]
    if isinstance(body, members.MemberAuthorised):
        named.extend(Subject(SubjectKind.STATION, station_id) for station_id in body.station_ids or ())
    if isinstance(body, cylinders.CylinderRegistered | cylinders.CylinderDetailsCorrected):
        home = body.details.home_station_id
        if home is not None:
            named.append(Subject(SubjectKind.STATION, home))
    return tuple(named)


def _latest_local(moment: datetime) -> datetime:
    """Return the local time of the zone where it is latest: what has not begun even there lies in the future."""
    return moment.astimezone(UTC) + LATEST_ZONE


def _cylinder(known: Known, body: Any) -> CylinderState:
    state: CylinderState = known.state(Subject(SubjectKind.CYLINDER, body.cylinder_id))
    return state


@_check(cylinders.CylinderRegistered)
def _registered_once(body: cylinders.CylinderRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _cylinder(known, body).registered_at is not None:
        yield Refusal(code="already-registered", detail="This cylinder is registered already.", pointer="/cylinder_id")


@_check(cylinders.CylinderRegistered, cylinders.CylinderDetailsCorrected)
def _details_make_sense(
    body: cylinders.CylinderRegistered | cylinders.CylinderDetailsCorrected, known: Known, moment: datetime
) -> Iterable[Refusal]:
    details = body.details
    if details.manufactured is not None and details.manufactured > f"{_latest_local(moment):%Y-%m}":
        yield Refusal(
            code="made-in-future",
            detail=f"The manufacture month {details.manufactured} lies in the future.",
            pointer="/details/manufactured",
            conflict=False,
        )
    stamped = StampedPressure(value=details.service_pressure.value, unit=PressureUnit(details.service_pressure.unit))
    fault = service_pressure_fault(stamped)
    if fault is not None:
        yield Refusal(
            code=fault.code,
            detail=f"{fault.detail} {fault.suggestion}",
            pointer="/details/service_pressure",
            conflict=False,
        )
    if details.home_station_id is not None:
        station: StationState = known.state(Subject(SubjectKind.STATION, details.home_station_id))
        if station.registered_at is None:
            yield Refusal(
                code="station-unknown",
                detail="The home station is not a station of this department.",
                pointer="/details/home_station_id",
                conflict=False,
            )
    mark = parse_specification(details.specification)
    if isinstance(mark, SpecificationFault):
        yield Refusal(
            code=mark.code, detail=f"{mark.detail} {mark.suggestion}", pointer="/details/specification", conflict=False
        )


@_check(cylinders.CylinderRegistered)
def _stamps_make_sense(body: cylinders.CylinderRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    for place, stamp in enumerate(body.requalifications or ()):
        yield from _stamp_faults(stamp, body.details, moment, f"/requalifications/{place}")


@_check(cylinders.CylinderRequalified)
def _requalification_makes_sense(
    body: cylinders.CylinderRequalified, known: Known, moment: datetime
) -> Iterable[Refusal]:
    state = _cylinder(known, body)
    if state.details is not None:
        yield from _stamp_faults(body.stamp, state.details, moment, "/stamp")
    if state.condemned_at is not None and body.stamp.outcome != "condemned":
        yield Refusal(
            code="cylinder-condemned",
            detail="A condemned cylinder cannot be requalified, by any procedure (49 CFR 180.205(i)).",
        )
    if any(known_stamp.stamp == body.stamp for known_stamp in state.requalifications):
        yield Refusal(code="requalification-known", detail="This very requalification is on record already.")


def _stamp_faults(
    stamp: cylinders.RequalificationStamp, details: cylinders.CylinderDetails, moment: datetime, pointer: str
) -> Iterable[Refusal]:
    if stamp.month > f"{_latest_local(moment):%Y-%m}":
        yield Refusal(
            code="requalified-in-future",
            detail=f"The requalification month {stamp.month} lies in the future.",
            pointer=f"{pointer}/month",
            conflict=False,
        )
    if details.manufactured is not None and stamp.month < details.manufactured:
        yield Refusal(
            code="requalified-before-made",
            detail=f"The requalification month {stamp.month} lies before the manufacture month {details.manufactured}.",
            pointer=f"{pointer}/month",
            conflict=False,
        )


@_check(
    cylinders.CylinderDetailsCorrected,
    cylinders.CylinderRequalified,
    cylinders.CylinderInspected,
    cylinders.CylinderHeld,
    cylinders.CylinderHoldReleased,
    cylinders.CylinderTransferredOut,
    cylinders.CylinderCondemned,
    cylinders.CylinderRetired,
)
def _cylinder_is_ours(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _cylinder(known, body)
    if state.registered_at is None:
        yield Refusal(code="cylinder-unknown", detail="This department has no such cylinder.", pointer="/cylinder_id")
    elif state.transferred_at is not None:
        yield Refusal(
            code="cylinder-transferred",
            detail="The cylinder belongs to another department since it was transferred.",
            pointer="/cylinder_id",
        )


@_check(cylinders.CylinderHeld)
def _hold_is_new(body: cylinders.CylinderHeld, known: Known, moment: datetime) -> Iterable[Refusal]:
    if any(hold.hold_id == body.hold_id for hold in _cylinder(known, body).holds):
        yield Refusal(code="hold-known", detail="This hold is on record already.", pointer="/hold_id")


@_check(cylinders.CylinderHoldReleased)
def _hold_stands(body: cylinders.CylinderHoldReleased, known: Known, moment: datetime) -> Iterable[Refusal]:
    matching = [hold for hold in _cylinder(known, body).holds if hold.hold_id == body.hold_id]
    if not matching:
        yield Refusal(code="hold-unknown", detail="No such hold is on this cylinder.", pointer="/hold_id")
    elif all(hold.ends_at is not None for hold in matching):
        yield Refusal(code="hold-released", detail="This hold was released already.", pointer="/hold_id")


@_check(cylinders.CylinderTransferredOut)
def _transfer_leaves(body: cylinders.CylinderTransferredOut, known: Known, moment: datetime) -> Iterable[Refusal]:
    if body.to_department_id == _cylinder(known, body).department_id:
        yield Refusal(
            code="transfer-to-self",
            detail="The cylinder belongs to this department already.",
            pointer="/to_department_id",
            conflict=False,
        )


@_check(cylinders.CylinderCondemned)
def _condemned_once(body: cylinders.CylinderCondemned, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _cylinder(known, body).condemned_at is not None:
        yield Refusal(code="cylinder-condemned", detail="The cylinder is condemned already.")


@_check(cylinders.CylinderRetired)
def _retired_once(body: cylinders.CylinderRetired, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _cylinder(known, body).retired_at is not None:
        yield Refusal(code="cylinder-retired", detail="The cylinder is retired already.")


def _station(known: Known, station_id: Any) -> StationState:
    state: StationState = known.state(Subject(SubjectKind.STATION, station_id))
    return state


@_check(stations.StationRegistered)
def _station_is_new(body: stations.StationRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _station(known, body.station_id).registered_at is not None:
        yield Refusal(code="already-registered", detail="This station is registered already.", pointer="/station_id")


@_check(
    stations.StationDetailsCorrected,
    stations.StationClosed,
    stations.StationOpened,
    stations.FillPositionRegistered,
    stations.FillPositionRemoved,
    air.AirSourceRegistered,
)
def _station_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _station(known, body.station_id).registered_at is None:
        yield Refusal(code="station-unknown", detail="This department has no such station.", pointer="/station_id")


@_check(stations.StationClosed)
def _station_is_open(body: stations.StationClosed, known: Known, moment: datetime) -> Iterable[Refusal]:
    if any(closure.ends_at is None for closure in _station(known, body.station_id).closures):
        yield Refusal(code="station-closed", detail="The station is closed already.")


@_check(stations.StationOpened)
def _station_is_closed(body: stations.StationOpened, known: Known, moment: datetime) -> Iterable[Refusal]:
    if all(closure.ends_at is not None for closure in _station(known, body.station_id).closures):
        yield Refusal(code="station-open", detail="The station is not closed.")


@_check(stations.FillPositionRegistered)
def _position_is_new(body: stations.FillPositionRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    positions = _station(known, body.station_id).positions
    if any(position.fill_position_id == body.fill_position_id and position.ends_at is None for position in positions):
        yield Refusal(
            code="already-registered",
            detail="This fill position is registered already.",
            pointer="/fill_position_id",
        )


@_check(stations.FillPositionRemoved)
def _position_is_known(body: stations.FillPositionRemoved, known: Known, moment: datetime) -> Iterable[Refusal]:
    positions = _station(known, body.station_id).positions
    if not any(
        position.fill_position_id == body.fill_position_id and position.ends_at is None for position in positions
    ):
        yield Refusal(
            code="fill-position-unknown", detail="The station has no such fill position.", pointer="/fill_position_id"
        )


@_check(air.AirSourceSampled, members.MemberAuthorised)
def _day_exists(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    name = "taken_on" if isinstance(body, air.AirSourceSampled) else "through"
    day = getattr(body, name)
    if day is None:
        return
    try:
        date.fromisoformat(day)
    except ValueError:
        yield Refusal(code="no-such-day", detail=f"{day} is not in the calendar.", pointer=f"/{name}", conflict=False)


@_check(air.AirSourceRegistered)
def _source_is_new(body: air.AirSourceRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: AirSourceState = known.state(Subject(SubjectKind.AIR_SOURCE, body.air_source_id))
    if state.registered_at is not None:
        yield Refusal(
            code="already-registered", detail="This air source is registered already.", pointer="/air_source_id"
        )


@_check(
    air.AirSourceOutOfService,
    air.AirSourceReturnedToService,
    air.StorageBottleInstalled,
    air.StorageBottleRemoved,
    air.AirSourceSampled,
)
def _source_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: AirSourceState = known.state(Subject(SubjectKind.AIR_SOURCE, body.air_source_id))
    if state.registered_at is None:
        yield Refusal(
            code="air-source-unknown", detail="This department has no such air source.", pointer="/air_source_id"
        )
    if isinstance(body, air.AirSourceSampled):
        if body.taken_on > f"{_latest_local(moment):%Y-%m-%d}":
            yield Refusal(
                code="sampled-in-future",
                detail=f"The sample day {body.taken_on} lies in the future.",
                pointer="/taken_on",
                conflict=False,
            )
        if any(sample.sample_id == body.sample_id for sample in state.samples):
            yield Refusal(code="sample-known", detail="This sample is on record already.", pointer="/sample_id")


def _member(known: Known, member_id: Any) -> MemberState:
    state: MemberState = known.state(Subject(SubjectKind.MEMBER, member_id))
    return state


@_check(
    members.MemberPersonalCorrected,
    members.MemberAuthorised,
    members.MemberDeactivated,
    members.MemberReactivated,
    members.CredentialRevoked,
)
def _member_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _member(known, body.member_id)
    if state.enrolled_at is None:
        yield Refusal(code="member-unknown", detail="This department has no such member.", pointer="/member_id")
    elif isinstance(body, members.CredentialRevoked) and not any(
        credential.credential_id == body.credential_id and credential.ends_at is None
        for credential in state.credentials
    ):
        yield Refusal(
            code="credential-unknown",
            detail="The member has no such credential, or it was revoked already.",
            pointer="/credential_id",
        )


@_check(members.MemberDeactivated, members.MemberReactivated)
def _member_changes(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _member(known, body.member_id)
    if state.enrolled_at is None:
        return
    away = any(absence.ends_at is None for absence in state.absences)
    if isinstance(body, members.MemberDeactivated) and away:
        yield Refusal(code="member-inactive", detail="The member is inactive already.")
    if isinstance(body, members.MemberReactivated) and not away:
        yield Refusal(code="member-active", detail="The member is active already.")


@_check(county.DepartmentRegistered)
def _department_is_new(body: county.DepartmentRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, body.department_id))
    if state.registered_at is not None or body.department_id == COUNTY_ID:
        yield Refusal(
            code="already-registered", detail="This department is registered already.", pointer="/department_id"
        )


@_check(county.DepartmentDetailsCorrected)
def _department_is_known(body: county.DepartmentDetailsCorrected, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, body.department_id))
    if state.registered_at is None:
        yield Refusal(code="department-unknown", detail="There is no such department.", pointer="/department_id")


@_check(county.PrincipalRegistered)
def _principal_is_new(body: county.PrincipalRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    if state.registered_at is not None:
        yield Refusal(
            code="already-registered", detail="This principal is registered already.", pointer="/principal_id"
        )
    if body.role is county.Role.CONTROLLER and (body.station_id is None or len(body.department_ids or ()) != 1):
        yield Refusal(
            code="controller-needs-station",
            detail="A controller names its station and exactly one department.",
            pointer="/station_id",
            conflict=False,
        )


@_check(county.KeyIssued, county.KeyRevoked, county.PrincipalDeactivated)
def _principal_is_active(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    if state.registered_at is None:
        yield Refusal(code="principal-unknown", detail="There is no such principal.", pointer="/principal_id")
    elif state.deactivated_at is not None:
        yield Refusal(code="principal-deactivated", detail="The principal was deactivated.", pointer="/principal_id")
    elif isinstance(body, county.KeyRevoked) and not any(key.key_id == body.key_id for key in state.keys):
        yield Refusal(code="key-unknown", detail="The principal has no such key.", pointer="/key_id")


@_check(corrections.EventRetracted)
def _retractable(body: corrections.EventRetracted, known: Known, moment: datetime) -> Iterable[Refusal]:
    target = known.retracted_event()
    if target is not None and isinstance(target.body, NOT_RETRACTABLE):
        yield Refusal(
            code="not-retractable",
            detail=f"An event of type {target.body.event_type} is not taken back; end it by an event of its own.",
            pointer="/retracted_event_id",
        )
