"""The station a plan or forecast is made for: its fill positions, its air sources and its department's policy."""

import uuid
from collections.abc import Sequence
from datetime import datetime

import msgspec

from fill_ledger.api.access.principals import Principal, presented_key_digest
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.parts import parts_of
from fill_ledger.api.question.eligibility_request import Faults, Question
from fill_ledger.api.question.eligibility_subject import UNKNOWN
from fill_ledger.api.question.eligibility_types import EligibilityQuery
from fill_ledger.api.question.judged_question import judged_question, policy_at
from fill_ledger.ledger.handles import MemberSession
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.judgement import Question as Judged
from fill_ledger.trade.states.stations import AirSourceState, FillPosition
from fill_ledger.views.questions import Asked, Gathered


class StationAtHand(msgspec.Struct, frozen=True, kw_only=True):
    """What was read of the station. `policy` asks for no member where nobody was named: a plan is no permit."""

    station_id: uuid.UUID
    key_digest: bytes
    member_id: uuid.UUID | None
    gathered: Gathered
    policy: PolicySet

    @property
    def at(self) -> datetime:
        """The moment the plan is made for: now, but never before what the department has recorded."""
        return self.gathered.asked_at

    def wanted(self, subject_kind: str | None, value: str | None) -> Asked:
        """Return what must be read to judge a cylinder here."""
        return Asked(
            key_digest=self.key_digest,
            station_id=self.station_id,
            subject_kind=subject_kind,
            value=value,
            member_id=self.member_id,
        )

    def position(self, fill_position_id: uuid.UUID) -> FillPosition | None:
        """Return a fill position that is there now."""
        station = self.gathered.station
        for position in [] if station is None else reversed(station.positions):
            if position.fill_position_id == fill_position_id and position.covers(self.at):
                return position
        return None

    def sources(self, air_source_ids: Sequence[uuid.UUID], pointer: str) -> tuple[AirSourceState, ...]:
        """Return the station's air sources of these ids. `pointer`: that of the array.

        Raises:
            Problem: 422 where one is none of the station's.
        """
        known = {source.subject_id: source for source in self.gathered.air_sources if source.registered_at is not None}
        faults = [
            Fault(
                code="air-source-unknown",
                detail="The station has no air source with this id.",
                pointer=f"{pointer}/{place}",
            )
            for place, air_source_id in enumerate(air_source_ids)
            if air_source_id not in known
        ]
        if faults:
            raise Problem(problem_types.NOT_PROCESSABLE, faults[0].detail, errors=faults)
        return tuple(known[air_source_id] for air_source_id in dict.fromkeys(air_source_ids))

    def question(self) -> Judged:
        """Return a question about no cylinder in particular, to ask what stands against the place itself."""
        return judged_question(unnamed(self.member_id), self.gathered, self.policy, UNKNOWN, self.at)


def unnamed(member_id: uuid.UUID | None) -> Question:
    """Return a question that names no cylinder."""
    return Question(
        asked=EligibilityQuery(),
        subject_kind=None,
        value=None,
        as_marked=None,
        member_id=member_id,
        session=None,
        min_ledger=None,
        faults=Faults(is_body=True),
    )


async def read_station(
    request: AnyRequest,
    principal: Principal,
    station_id: uuid.UUID | None,
    *,
    is_needed: bool,
    faults: Faults,
    member_id: uuid.UUID | None = None,
    session: MemberSession | None = None,
) -> StationAtHand | None:
    """Return the station: a controller's own, else the one named; None where there is none and none is needed.

    Raises:
        Problem: 403 where a controller names another station; 404 where the key knows no such station; 422 with every
            fault noted so far, where one is needed and was not named, or the session was opened elsewhere.
    """
    if principal.station_id is not None and station_id not in (None, principal.station_id):
        raise Problem(problem_types.NOT_PERMITTED, "A controller plans for its own station only.")
    wanted_id = principal.station_id or station_id
    if wanted_id is None and is_needed:
        faults.add(
            "station_id", "missing", "Name the station: what is on record is taken by its id, and this key has none."
        )
    faults.refuse_any()
    if wanted_id is None:
        return None
    digest = presented_key_digest(request)
    gathered = await parts_of(request).questions.read(
        Asked(key_digest=digest, station_id=wanted_id, subject_kind=None, value=None, member_id=member_id)
    )
    if gathered.department_id is None:
        raise Problem(problem_types.NOT_FOUND, "No station has this id.")
    if session is not None and (session.station_id, session.department_id) != (wanted_id, gathered.department_id):
        faults.add("member_session", "elsewhere", "The member was identified at another station.")
        faults.refuse_any()
    policy = policy_at(gathered, gathered.asked_at)
    if member_id is None:
        policy = msgspec.structs.replace(policy, member_required=False)
    return StationAtHand(station_id=wanted_id, key_digest=digest, member_id=member_id, gathered=gathered, policy=policy)
