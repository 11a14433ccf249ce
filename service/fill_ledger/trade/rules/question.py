"""The question every rule answers a part of: may this cylinder be filled here, now, by this member?"""

import uuid
from datetime import datetime
from typing import Literal

import msgspec

from fill_ledger.trade.events.fills import AsMarked, FillMode
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.rulebook import SHIPPED, Rulebook
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.members import MemberState
from fill_ledger.trade.states.stations import AirSourceState, StationState

SubjectProblem = Literal["unknown", "ambiguous", "unreadable"]


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """All that bears on the answer, gathered before it is asked; judging reads nothing else.

    department_id: the station's. at: an aware moment. time_zone: IANA name, the station's calendar decides what "this
    month" is. cylinder: None where it was not found; then `subject_problem` says why, or `as_marked` gives what is
    stamped on it. owner_department_id: whose cylinder it is; None counts as the station's own.
    air_sources: those the fill may draw from; `air_source_id` picks one where there are several, and
    `every_air_source` says that it drew from all of them, as a fill on record may have. station_air_sources: those of
    the station beside them, by which a storage bank may be judged; needed only where policy allows it. policy: the
    station's department's at that moment. owner_shares: the owner is a mutual-aid partner by policy. owner_consent:
    None where nobody asked the owner. member_asked: somebody was named, whether or not found. gas_temperature_f: whole
    degrees F.
    rulebook: what the county's ledger says the rules go by; what the release brings where it says nothing.
    """

    department_id: uuid.UUID
    at: datetime
    time_zone: str
    policy: PolicySet
    cylinder: CylinderState | None = None
    subject_problem: SubjectProblem | None = None
    owner_department_id: uuid.UUID | None = None
    as_marked: AsMarked | None = None
    station: StationState | None = None
    fill_position_id: uuid.UUID | None = None
    air_sources: tuple[AirSourceState, ...] = ()
    air_source_id: uuid.UUID | None = None
    every_air_source: bool = False
    station_air_sources: tuple[AirSourceState, ...] = ()
    owner_shares: bool = False
    owner_consent: bool | None = None
    member: MemberState | None = None
    member_asked: bool = False
    mode: FillMode | None = None
    gas_temperature_f: int | None = None
    rulebook: Rulebook = SHIPPED
