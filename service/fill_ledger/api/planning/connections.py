"""The cylinders of a fill plan: those given by numbers, and those on record, which the judgement admits or not."""

import asyncio
import uuid
from collections.abc import Sequence

import msgspec

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.parts import Parts
from fill_ledger.api.planning.fill_plan_types import GivenConnection, NotFilled
from fill_ledger.api.planning.station_at_hand import StationAtHand, unnamed
from fill_ledger.api.planning.supplies import free_label, volume_ml
from fill_ledger.api.question.eligibility_answer import note_view, reason_view
from fill_ledger.api.question.eligibility_request import SUBJECT_NAMES, Faults, Question, read_subject
from fill_ledger.api.question.eligibility_types import EligibilityQuery, NoteView
from fill_ledger.api.question.judged_question import judged_question, which_cylinder
from fill_ledger.trade.gas.plan_types import Connection
from fill_ledger.trade.judgement import Judgement, judge
from fill_ledger.trade.states.stations import AirSourceState, FillPosition

WATER_VOLUME_UNKNOWN = "water-volume-unknown"


class ReadConnection(msgspec.Struct, frozen=True, kw_only=True):
    """A connection as it was read from the body. `question`: None where the cylinder was given by numbers."""

    place: int
    label: str
    given: GivenConnection
    water_volume_ml: int | None
    question: Question | None


class Admitted(msgspec.Struct, frozen=True, kw_only=True):
    """A cylinder that may be filled."""

    connection: Connection
    cylinder_id: uuid.UUID | None
    fill_position_id: uuid.UUID | None
    obligations: tuple[NoteView, ...] = ()
    advice: tuple[NoteView, ...] = ()


def read_connections(
    connections: Sequence[GivenConnection], member_id: uuid.UUID | None, faults: Faults
) -> list[ReadConnection]:
    """Return the connections as they are to be looked up, each with a label of its own; notes what is wrong."""
    labels = {given.label for given in connections if given.label is not None}
    used: set[str] = set()
    position_ids: set[uuid.UUID] = set()
    read: list[ReadConnection] = []
    for place, given in enumerate(connections):
        here = faults.within(f"/connections/{place}")
        if given.label is not None and given.label in used:
            here.add("label", "used-twice", "Each connection needs a label of its own.")
        if given.fill_position_id is not None and given.fill_position_id in position_ids:
            here.add("fill_position_id", "used-twice", "A fill position takes one cylinder at a time.")
        label = given.label or free_label((f"connection {place + 1}",), labels)
        used.add(label)
        position_ids |= {given.fill_position_id} if given.fill_position_id is not None else set()
        read.append(
            ReadConnection(
                place=place,
                label=label,
                given=given,
                water_volume_ml=volume_ml(given.water_volume_ml, given.water_volume_l, here),
                question=_read_cylinder(given, member_id, here),
            )
        )
    return read


def is_on_record(read: ReadConnection) -> bool:
    """Tell whether a connection names anything that is on record."""
    return read.question is not None or read.given.fill_position_id is not None


async def admit(
    parts: Parts,
    station: StationAtHand | None,
    connections: Sequence[ReadConnection],
    sources: Sequence[AirSourceState],
) -> tuple[list[Admitted], list[NotFilled]]:
    """Return the cylinders that may be filled and those that stay shut.

    The judgement answers for each cylinder on record, with the air of `sources` where any are named.

    Raises:
        Problem: 422 for a fill position that is none of the station's, and for a cylinder given twice.
    """
    positions = _positions(station, connections)
    admitted: list[Admitted] = []
    not_filled: list[NotFilled] = []
    on_record = [read for read in connections if read.question is not None]
    # Read together: waiting questions share one read.
    answers = await asyncio.gather(*(_ask(parts, station, read.question, sources) for read in on_record))
    answered = {read.place: answer for read, answer in zip(on_record, answers, strict=True)}
    _refuse_the_same_twice(answered)
    for read in connections:
        answer = answered.get(read.place)
        outcome = _admitted(read, answer, positions.get(read.place), station)
        if isinstance(outcome, Admitted):
            admitted.append(outcome)
        else:
            not_filled.append(outcome)
    return admitted, not_filled


class _Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What the judgement says of a cylinder on record; cylinder_id and volume are None where it is not known."""

    judgement: Judgement
    cylinder_id: uuid.UUID | None
    water_volume_ml: int | None


def _read_cylinder(given: GivenConnection, member_id: uuid.UUID | None, here: Faults) -> Question | None:
    if all(getattr(given, name) is None for name in SUBJECT_NAMES):
        wanting = [
            name
            for name, is_missing in (
                ("water_volume_ml", given.water_volume_ml is None and given.water_volume_l is None),
                ("limit_psi", given.limit_psi is None),
            )
            if is_missing
        ]
        for name in wanting:
            detail = "Give the water volume and the limit, or name a cylinder on record by " + ", ".join(SUBJECT_NAMES)
            here.add(name, "missing", f"{detail}.")
        return None
    asked = EligibilityQuery(
        tag=given.tag,
        cylinder_id=given.cylinder_id,
        inventory_number=given.inventory_number,
        serial=given.serial,
        fill_position_id=given.fill_position_id,
    )
    subject_kind, value = read_subject(asked, None, here)
    return msgspec.structs.replace(unnamed(member_id), asked=asked, subject_kind=subject_kind, value=value)


def _positions(station: StationAtHand | None, connections: Sequence[ReadConnection]) -> dict[int, FillPosition]:
    found: dict[int, FillPosition] = {}
    faults: list[Fault] = []
    for read in connections:
        position_id = read.given.fill_position_id
        if position_id is None or station is None:
            continue
        position = station.position(position_id)
        if position is None:
            detail = "The station has no fill position with this id."
            pointer = f"/connections/{read.place}/fill_position_id"
            faults.append(Fault(code="fill-position-unknown", detail=detail, pointer=pointer))
        else:
            found[read.place] = position
    if faults:
        raise Problem(problem_types.NOT_PROCESSABLE, faults[0].detail, errors=faults)
    return found


async def _ask(
    parts: Parts, station: StationAtHand | None, question: Question | None, sources: Sequence[AirSourceState]
) -> _Answer:
    assert station is not None  # without one nothing on record is taken
    assert question is not None
    wanted = station.wanted(question.subject_kind, question.value)
    gathered = await parts.questions.read(wanted)
    resolved = await which_cylinder(parts, wanted, question, gathered, station.policy, station.at)
    judged = judged_question(question, gathered, station.policy, resolved, station.at)
    if sources:
        judged = msgspec.structs.replace(
            judged, air_sources=tuple(sources), station_air_sources=judged.air_sources, every_air_source=True
        )
    cylinder = None if resolved.match is None else resolved.match.cylinder
    return _Answer(
        judgement=judge(judged, look_ahead=False),
        cylinder_id=None if cylinder is None else cylinder.subject_id,
        water_volume_ml=None if cylinder is None or cylinder.details is None else cylinder.details.water_volume_ml,
    )


def _refuse_the_same_twice(answered: dict[int, _Answer]) -> None:
    seen: set[uuid.UUID] = set()
    faults: list[Fault] = []
    for place, answer in sorted(answered.items()):
        if answer.cylinder_id is not None and answer.cylinder_id in seen:
            detail = "This cylinder is on another connection already."
            faults.append(Fault(code="used-twice", detail=detail, pointer=f"/connections/{place}"))
        seen |= {answer.cylinder_id} if answer.cylinder_id is not None else set()
    if faults:
        raise Problem(problem_types.NOT_PROCESSABLE, faults[0].detail, errors=faults)


def _admitted(
    read: ReadConnection, answer: _Answer | None, position: FillPosition | None, station: StationAtHand | None
) -> Admitted | NotFilled:
    judgement = None if answer is None else answer.judgement
    cylinder_id = None if answer is None else answer.cylinder_id
    if judgement is not None and judgement.decision == "deny":
        return NotFilled(
            label=read.label,
            cylinder_id=cylinder_id,
            code=judgement.code,
            text=judgement.reasons[0].text,
            reasons=[reason_view(reason) for reason in judgement.reasons],
        )
    recorded_ml = None if answer is None else answer.water_volume_ml
    water_volume_ml = recorded_ml or read.water_volume_ml
    if water_volume_ml is None:
        return NotFilled(
            label=read.label,
            cylinder_id=cylinder_id,
            code=WATER_VOLUME_UNKNOWN,
            text=f"The water volume of {read.label} is not on record: give water_volume_ml beside it.",
            reasons=[],
        )
    return Admitted(
        connection=Connection(
            label=read.label,
            water_volume_ml=water_volume_ml,
            present_psi=read.given.present_psi,
            limit_psi=_limit_psi(read, judgement, station),
            rating_psi=None if position is None else _rating_psi(position),
        ),
        cylinder_id=cylinder_id,
        fill_position_id=read.given.fill_position_id,
        obligations=() if judgement is None else tuple(note_view(note) for note in judgement.obligations),
        advice=() if judgement is None else tuple(note_view(note) for note in judgement.advice),
    )


def _limit_psi(read: ReadConnection, judgement: Judgement | None, station: StationAtHand | None) -> int:
    """Return the least of what the judgement permits, what was given, and the department's cap."""
    limits = [
        None if judgement is None else judgement.fill_limit_psi,
        read.given.limit_psi,
        None if station is None else station.policy.fill_limit_cap_psi,
    ]
    return min(limit for limit in limits if limit is not None)


def _rating_psi(position: FillPosition) -> int | None:
    return min((psi for psi in (position.regulator_psi, position.hose_rating_psi) if psi is not None), default=None)
