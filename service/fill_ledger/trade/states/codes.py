"""Short codes of departments and stations: who has which one now. A code that was given up may be given again."""

import uuid

import msgspec

from fill_ledger.trade.events.county import DepartmentRegistered
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.stations import StationDetailsCorrected, StationRegistered
from fill_ledger.trade.states.base import Fold, State


class CodeHolder(msgspec.Struct, kw_only=True):
    """A department or station and the code it has."""

    holder_id: uuid.UUID
    code: str


class CodesState(State, kw_only=True, omit_defaults=True):
    """Who has which code, by id of the holder: departments in the county ledger, stations in a department's."""

    holders: list[CodeHolder] = msgspec.field(default_factory=list)

    def holder_of(self, code: str) -> uuid.UUID | None:
        """Return who has a code now, or None."""
        return next((holder.holder_id for holder in self.holders if holder.code == code), None)


codes_fold = Fold(CodesState)


def _give(state: CodesState, holder_id: uuid.UUID, code: str) -> None:
    others = [holder for holder in state.holders if holder.holder_id != holder_id]
    state.holders = sorted([*others, CodeHolder(holder_id=holder_id, code=code)], key=lambda holder: holder.holder_id)


@codes_fold.on(DepartmentRegistered)
def _department_registered(state: CodesState, body: DepartmentRegistered, event: Event) -> None:
    _give(state, body.department_id, body.code)


@codes_fold.on(StationRegistered)
def _station_registered(state: CodesState, body: StationRegistered, event: Event) -> None:
    _give(state, body.station_id, body.code)


@codes_fold.on(StationDetailsCorrected)
def _station_corrected(state: CodesState, body: StationDetailsCorrected, event: Event) -> None:
    if body.code is not None:
        _give(state, body.station_id, body.code)
