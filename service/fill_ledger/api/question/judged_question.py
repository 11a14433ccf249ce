"""The question as the judgement takes it: which cylinder is meant, and everything that was read about it.

The look-up and the fill plan ask alike, so both make their questions here.
"""

from datetime import datetime

from fill_ledger.api.parts import Parts
from fill_ledger.api.question.eligibility_request import Question
from fill_ledger.api.question.eligibility_subject import UNKNOWN, Resolved, resolve, resolve_marks
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.identifiers import normal_serial
from fill_ledger.trade.judgement import Question as Judged
from fill_ledger.trade.rules.question import SubjectProblem
from fill_ledger.views.cylinders import ENTRY_SERIAL, ENTRY_TAG
from fill_ledger.views.questions import Asked, Gathered, Match

NO_TIME_ZONE = "unknown"
"""Stands for a zone that nobody entered: no calendar is guessed, and the rules deny."""


def policy_at(gathered: Gathered, at: datetime) -> PolicySet:
    """Return the policy of the station's department at a moment; the built-in one where it has set none."""
    if gathered.policy is not None:
        return gathered.policy.at(at)
    assert gathered.department_id is not None
    return PolicySet(department_id=gathered.department_id)


async def which_cylinder(
    parts: Parts, wanted: Asked, question: Question, gathered: Gathered, policy: PolicySet, at: datetime
) -> Resolved:
    """Return which cylinder is meant, among those that were read for `wanted` and those its marks may belong to."""
    matches: tuple[Match, ...] = gathered.matches
    if question.subject_kind == ENTRY_TAG and question.asked.at is not None:
        matches = await _wearing_then(parts, matches, at)
    marks = question.as_marked
    is_by_marks = marks is not None and question.asked.serial is None and question.subject_kind == ENTRY_SERIAL
    resolved = UNKNOWN
    if not is_by_marks:
        assert gathered.department_id is not None
        resolved = resolve(
            question.subject_kind,
            matches,
            department_id=gathered.department_id,
            partner_ids=policy.mutual_aid_department_ids or (),
            at=at,
        )
    if marks is None or marks.serial is None or resolved.problem != "unknown":
        return resolved
    if not is_by_marks:
        matches = (await parts.questions.read(_by_serial(wanted, marks.serial))).matches
    return resolve_marks(matches, marks.specification, at)


def _by_serial(wanted: Asked, serial: str) -> Asked:
    return Asked(
        key_digest=wanted.key_digest,
        station_id=wanted.station_id,
        subject_kind=ENTRY_SERIAL,
        value=normal_serial(serial),
        member_id=None,
    )


async def _wearing_then(parts: Parts, matches: tuple[Match, ...], at: datetime) -> tuple[Match, ...]:
    """Return the cylinders that wore a tag at another moment, by its past pairings."""
    then = {
        match.department_id: cylinder_id
        for match in matches
        if match.tag is not None and (cylinder_id := match.tag.cylinder_at(at)) is not None
    }
    states = {match.cylinder.subject_id: match.cylinder for match in matches if match.cylinder is not None}
    missing = [(department_id, cylinder_id) for department_id, cylinder_id in then.items() if cylinder_id not in states]
    if missing:
        states |= await parts.questions.cylinders(missing)
    return tuple(
        Match(department_id=department_id, cylinder_id=cylinder_id, cylinder=states.get(cylinder_id))
        for department_id, cylinder_id in then.items()
    )


def judged_question(
    question: Question, gathered: Gathered, policy: PolicySet, resolved: Resolved, at: datetime
) -> Judged:
    """Return all that bears on a question whose station is known, as the judgement takes it."""
    asked, station, match = question.asked, gathered.station, resolved.match
    assert gathered.department_id is not None
    # Where nothing registered answers to it, what is stamped on the cylinder is judged.
    as_marked = question.as_marked if resolved.problem == "unknown" else None
    problem: SubjectProblem | None = None if as_marked is not None else resolved.problem
    time_zone = (station.time_zone if station is not None else None) or (
        gathered.department.time_zone if gathered.department is not None else None
    )
    return Judged(
        department_id=gathered.department_id,
        at=at,
        time_zone=time_zone or NO_TIME_ZONE,
        policy=policy,
        cylinder=None if match is None else match.cylinder,
        subject_problem=problem,
        owner_department_id=None if match is None else match.department_id,
        as_marked=as_marked,
        station=station,
        fill_position_id=asked.fill_position_id,
        air_sources=gathered.air_sources,
        air_source_id=asked.air_source_id,
        owner_shares=match is not None and match.department_id in (policy.mutual_aid_department_ids or ()),
        member=gathered.member,
        member_asked=question.member_id is not None,
        mode=asked.mode,
        gas_temperature_f=asked.gas_temperature_f,
        rulebook=gathered.rulebook,
    )
