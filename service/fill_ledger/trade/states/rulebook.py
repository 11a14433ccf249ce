"""The state of the rulebook: what the last release installed, and what the county entered, oldest first."""

import uuid
from datetime import datetime
from typing import Generic, TypeVar

import msgspec

from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.events.rulebook import (
    AirStandard,
    AirStandardEntered,
    RuleAmended,
    RulebookInstalled,
    SpecificationEntered,
    SpecificationEntry,
)
from fill_ledger.trade.states.base import Fold, State

EntryType = TypeVar("EntryType", bound=Body)


class Entered(msgspec.Struct, Generic[EntryType], kw_only=True):
    """An entry of the county and when it was made."""

    event_id: uuid.UUID
    entered_at: datetime
    entry: EntryType


class RulebookState(State, kw_only=True, omit_defaults=True):
    """What the rules go by. `installed` is None where no release has installed anything yet."""

    installed: RulebookInstalled | None = None
    specifications: list[Entered[SpecificationEntry]] = msgspec.field(default_factory=list)
    air_standards: list[Entered[AirStandard]] = msgspec.field(default_factory=list)
    amendments: list[Entered[RuleAmended]] = msgspec.field(default_factory=list)


rulebook_fold = Fold(RulebookState)


@rulebook_fold.on(RulebookInstalled)
def _installed(state: RulebookState, body: RulebookInstalled, event: Event) -> None:
    state.installed = body


@rulebook_fold.on(SpecificationEntered)
def _specification_entered(state: RulebookState, body: SpecificationEntered, event: Event) -> None:
    state.specifications.append(Entered(event_id=event.event_id, entered_at=event.effective_at, entry=body.entry))


@rulebook_fold.on(AirStandardEntered)
def _air_standard_entered(state: RulebookState, body: AirStandardEntered, event: Event) -> None:
    state.air_standards.append(Entered(event_id=event.event_id, entered_at=event.effective_at, entry=body.standard))


@rulebook_fold.on(RuleAmended)
def _rule_amended(state: RulebookState, body: RuleAmended, event: Event) -> None:
    state.amendments.append(Entered(event_id=event.event_id, entered_at=event.effective_at, entry=body))
