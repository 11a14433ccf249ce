"""Judging a fill when it is taken: the question is built from what is known then, the answer is kept with the fact."""

import uuid
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Protocol

import msgspec

from fill_ledger.intake.marked_cylinders import belongs_to, serial_keyed
from fill_ledger.intake.neighbours import Neighbour, Neighbours
from fill_ledger.trade.events.envelope import Judged
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.contents import air_of_fill_litres
from fill_ledger.trade.gas.readings import settled_psi
from fill_ledger.trade.identifiers import Subject, SubjectKind, tag_subject
from fill_ledger.trade.judgement import Question, judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rules.after_the_fact import codes_after_the_fact
from fill_ledger.trade.rules.as_marked import provisional_cylinder
from fill_ledger.trade.rules.finding_kinds import DATED_IN_THE_FUTURE, STATION_DIFFERS
from fill_ledger.trade.rules.permits import PermitStanding, codes_of_permit, compared
from fill_ledger.trade.states.county import PolicyState
from fill_ledger.trade.states.cylinders import CylinderState, TagState
from fill_ledger.trade.states.stations import AirSourceState, StationState

FALLBACK_TIME_ZONE = "UTC"


class States(Protocol):
    """The states of one department that a judgement looks at: as they stand, or as they were known once."""

    department_id: uuid.UUID

    async def ensure(self, subjects: Iterable[Subject]) -> None:
        """Read the states of subjects that are not held yet."""

    def state(self, subject: Subject) -> Any:
        """Return the state of a subject that is held."""


class FillTaken(msgspec.Struct, frozen=True, kw_only=True):
    """A fill that is judged.

    station_id: that of the controller, else the one the fact names. permit: what is known of the permit it quotes.
    is_dated_ahead: it claimed a time well after the server's now, the device's clock having been corrected.
    """

    body: Filled
    effective_at: datetime
    station_id: uuid.UUID | None
    is_from_controller: bool
    permit: PermitStanding
    is_dated_ahead: bool = False


class Whose(msgspec.Struct, frozen=True, kw_only=True):
    """The cylinder that a fill was taken for, as far as anybody knows."""

    cylinder: CylinderState | None = None
    owner_department_id: uuid.UUID | None = None
    attributed_by: str | None = None


def subjects_to_judge(body: Filled, department_id: uuid.UUID, station_id: uuid.UUID | None) -> tuple[Subject, ...]:
    """Name the subjects of the station's department that bear on the judgement of a fill."""
    subjects = [Subject(SubjectKind.POLICY, department_id)]
    if station_id is not None:
        subjects.append(Subject(SubjectKind.STATION, station_id))
    if body.cylinder_id is not None:
        subjects.append(Subject(SubjectKind.CYLINDER, body.cylinder_id))
    if body.tag is not None:
        subjects.append(tag_subject(body.tag))
    if body.member_id is not None:
        subjects.append(Subject(SubjectKind.MEMBER, body.member_id))
    subjects.extend(Subject(SubjectKind.AIR_SOURCE, source.air_source_id) for source in body.sources or ())
    return tuple(subjects)


async def whose_cylinder(states: States, body: Filled, effective_at: datetime, neighbours: Neighbours) -> Whose:
    """Find the cylinder: by id, else by its tag, else by its marks, in this department first and then elsewhere."""
    if body.cylinder_id is not None:
        own: CylinderState = states.state(Subject(SubjectKind.CYLINDER, body.cylinder_id))
        neighbour = neighbours.by_id.get(body.cylinder_id)
        if own.registered_at is None or (neighbour is not None and own.transferred_at is not None):
            return _of_neighbour(neighbour, "id")
        return Whose(cylinder=own, owner_department_id=states.department_id, attributed_by="id")
    whose = Whose() if body.tag is None else await _by_tag(states, body.tag, effective_at, neighbours)
    return whose if whose.cylinder is not None else await _by_marks(states, body, effective_at, neighbours)


async def _by_tag(states: States, tag_read: str, effective_at: datetime, neighbours: Neighbours) -> Whose:
    tag: TagState = states.state(tag_subject(tag_read))
    cylinder_id = tag.cylinder_at(effective_at)
    if cylinder_id is not None:
        subject = Subject(SubjectKind.CYLINDER, cylinder_id)
        await states.ensure((subject,))
        worn_by: CylinderState = states.state(subject)
        new_owner = neighbours.by_tag.get(tag_read)
        if new_owner is None or worn_by.transferred_at is None:
            return Whose(cylinder=worn_by, owner_department_id=states.department_id, attributed_by="tag")
    return _of_neighbour(neighbours.by_tag.get(tag_read), "tag")


async def _by_marks(states: States, body: Filled, effective_at: datetime, neighbours: Neighbours) -> Whose:
    """Find the registered cylinder that has the serial keyed in. It is judged by its record, not by its marks."""
    marks, serial = body.cylinder_as_marked, serial_keyed(body)
    if marks is None or serial is None:
        return Whose()
    own = [Subject(SubjectKind.CYLINDER, cylinder_id) for cylinder_id in neighbours.own_by_serial.get(serial, ())]
    await states.ensure(own)
    policy: PolicyState = states.state(Subject(SubjectKind.POLICY, states.department_id))
    candidates = [Neighbour(department_id=states.department_id, cylinder=states.state(subject)) for subject in own]
    found = belongs_to(
        [*candidates, *neighbours.by_serial.get(serial, ())],
        marks,
        department_id=states.department_id,
        partner_ids=policy.at(effective_at).mutual_aid_department_ids or (),
        at=effective_at,
    )
    return _of_neighbour(found, "marks")


def _of_neighbour(neighbour: Neighbour | None, attributed_by: str) -> Whose:
    if neighbour is None:
        return Whose()
    return Whose(
        cylinder=neighbour.cylinder,
        owner_department_id=neighbour.department_id,
        attributed_by=attributed_by,
    )


async def air_sources_of(states: States, body: Filled, station_id: uuid.UUID | None) -> tuple[AirSourceState, ...]:
    """Return the sources a fill says it drew from; where it names none, all that its station has."""
    named = [source.air_source_id for source in body.sources or ()]
    if not named and station_id is not None:
        named = states.state(Subject(SubjectKind.STATION, station_id)).air_source_ids
    subjects = [Subject(SubjectKind.AIR_SOURCE, air_source_id) for air_source_id in named]
    await states.ensure(subjects)
    return tuple(states.state(subject) for subject in subjects)


async def _beside(states: States, policy: PolicySet, station: StationState | None) -> tuple[AirSourceState, ...]:
    """Return the sources of the station, where policy lets a storage bank go by its compressors."""
    if policy.bank_needs_own_sample or station is None:
        return ()
    subjects = [Subject(SubjectKind.AIR_SOURCE, air_source_id) for air_source_id in station.air_source_ids]
    await states.ensure(subjects)
    return tuple(states.state(subject) for subject in subjects)


async def judge_fill(
    states: States, fill: FillTaken, whose: Whose, department_time_zone: str | None, rulebook: Rulebook
) -> Judged:
    """Judge a fill at the moment it took effect, by the states given: what is known when it is taken, or later.

    The calendar is the station's, else the department's, as for the question that was asked before the fill.
    """
    department_id = states.department_id
    body, effective_at, station_id = fill.body, fill.effective_at, fill.station_id
    station = None
    if station_id is not None:
        station = states.state(Subject(SubjectKind.STATION, station_id))
    policy_state: PolicyState = states.state(Subject(SubjectKind.POLICY, department_id))
    policy = policy_state.at(effective_at)
    partners = policy.mutual_aid_department_ids or ()
    question = Question(
        department_id=department_id,
        at=effective_at.astimezone(UTC),
        time_zone=(station.time_zone if station is not None else None) or department_time_zone or FALLBACK_TIME_ZONE,
        policy=policy,
        cylinder=whose.cylinder,
        subject_problem="unknown" if whose.cylinder is None and body.cylinder_as_marked is None else None,
        owner_department_id=whose.owner_department_id,
        as_marked=None if whose.cylinder is not None else body.cylinder_as_marked,
        station=station,
        fill_position_id=body.fill_position_id,
        air_sources=await air_sources_of(states, body, station_id),
        air_source_id=body.sources[0].air_source_id if body.sources else None,
        station_air_sources=await _beside(states, policy, station),
        owner_shares=whose.owner_department_id in partners,
        owner_consent=body.owner_consent,
        member=(None if body.member_id is None else states.state(Subject(SubjectKind.MEMBER, body.member_id))),
        member_asked=body.member_id is not None,
        mode=body.mode,
        gas_temperature_f=body.gas_temperature_f,
        every_air_source=bool(body.sources),
        rulebook=rulebook,
    )
    judgement = judge(question, look_ahead=False)
    standing = _compared_permit(question, fill)
    # Two holds of a kind are two reasons with one code, and a code has one finding.
    codes = (
        *(reason.code for reason in judgement.reasons),
        *codes_after_the_fact(body, question, judgement),
        *codes_of_permit(body, effective_at, standing, is_from_controller=fill.is_from_controller),
        *((DATED_IN_THE_FUTURE.code,) if fill.is_dated_ahead else ()),
        *((STATION_DIFFERS.code,) if body.station_id not in (None, station_id) else ()),
    )
    return Judged(
        decision=judgement.decision,
        code=judgement.code,
        rules_version=judgement.rules_version,
        reasons=tuple(dict.fromkeys(codes)),
        fill_limit_psi=judgement.fill_limit_psi,
        cylinder_id=None if whose.cylinder is None else whose.cylinder.subject_id,
        owner_department_id=whose.owner_department_id,
        settled_psi=_settled_psi(body),
        air_delivered_l=_air_delivered_l(body, whose.cylinder),
        attributed_by=whose.attributed_by,  # type: ignore[arg-type]  # the three words of Judged
        permit=standing.permit,
    )


def _compared_permit(question: Question, fill: FillTaken) -> PermitStanding:
    """Hold the permit against the fill. A permit for a cylinder that nobody registered names it by its marks."""
    if fill.permit.permit is None:
        return fill.permit
    cylinder = question.cylinder or provisional_cylinder(question)
    cylinder_id = fill.body.cylinder_id if cylinder is None else cylinder.subject_id
    permit = compared(fill.permit.permit, fill.body, station_id=fill.station_id, cylinder_id=cylinder_id)
    return msgspec.structs.replace(fill.permit, permit=permit)


def _settled_psi(body: Filled) -> int | None:
    """Return what the end reading comes to at 70 F; None without a temperature, or where the table does not reach."""
    if body.end_psi is None or body.gas_temperature_f is None:
        return None
    settled = settled_psi(body.end_psi, body.gas_temperature_f)
    return None if isinstance(settled, OutsideTable) else settled


def _air_delivered_l(body: Filled, cylinder: CylinderState | None) -> int | None:
    details = None if cylinder is None else cylinder.details
    if details is None or details.water_volume_ml is None or body.start_psi is None or body.end_psi is None:
        return None
    return air_of_fill_litres(body.start_psi, body.end_psi, details.water_volume_ml, body.gas_temperature_f)
