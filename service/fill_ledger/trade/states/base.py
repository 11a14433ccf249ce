"""States are folds over dated facts: the same set of facts gives the same state, in whatever order it arrived.

A fold receives the events of one subject in the order of (`effective_at`, `event_id`), retracted ones left out. Where a
late event is `order_free` the fold may receive it out of turn and must come to the same state.
"""

import uuid
from collections.abc import Callable
from datetime import datetime
from typing import Any, ClassVar, Generic, TypeVar

import msgspec

from fill_ledger.trade.events.envelope import Body, Event


class State(msgspec.Struct, kw_only=True, omit_defaults=True):
    """Base of all states. `through_at` and `through_id` are the key of the newest event folded in."""

    department_id: uuid.UUID
    subject_id: uuid.UUID
    through_at: datetime | None = None
    through_id: uuid.UUID | None = None

    # Fields that depend on the order of arrival and are therefore left out of digests of state.
    assigned: ClassVar[tuple[str, ...]] = ()

    def is_after(self, event: Event) -> bool:
        """Tell whether an event with a later key has already been folded in."""
        if self.through_at is None or self.through_id is None:
            return False
        return (self.through_at, self.through_id) > event.key


StateType = TypeVar("StateType", bound=State)
FoldStep = Callable[[Any, Any, Event], None]


class Fold(Generic[StateType]):
    """How the events of one kind of subject change its state: one step for each body class.

    `keeps_retracted` is for what was given once and stays given, such as a number: retracted events count as well, and
    the steps must come to the same state in any order, because such a subject is never folded anew.
    """

    def __init__(self, state_class: type[StateType], *, keeps_retracted: bool = False) -> None:
        self.state_class = state_class
        self.keeps_retracted = keeps_retracted
        self._steps: dict[type[Body], FoldStep] = {}

    def on(self, *body_classes: type[Body]) -> Callable[[FoldStep], FoldStep]:
        """Register the step for these body classes: `step(state, body, event)` changes the state in place."""

        def register(step: FoldStep) -> FoldStep:
            for body_class in body_classes:
                if body_class in self._steps:
                    raise ValueError(f"{body_class.__name__} has two steps in the fold of {self.state_class.__name__}")
                self._steps[body_class] = step
            return step

        return register

    def empty(self, department_id: uuid.UUID, subject_id: uuid.UUID) -> StateType:
        """Return the state of a subject of which nothing is known yet."""
        return self.state_class(department_id=department_id, subject_id=subject_id)

    def apply(self, state: StateType, event: Event) -> None:
        """Fold one event into the state. An event without a step for this subject changes only the fold's key."""
        step = self._steps.get(type(event.body))
        if step is not None:
            step(state, event.body, event)
        if not state.is_after(event):
            state.through_at, state.through_id = event.key

    def body_classes(self) -> frozenset[type[Body]]:
        """Return the body classes that have a step."""
        return frozenset(self._steps)


class Period(msgspec.Struct, kw_only=True, omit_defaults=True):
    """A time from an event to another: half open, `ends_at` exclusive, None while it lasts."""

    event_id: uuid.UUID
    starts_at: datetime
    ends_at: datetime | None = None

    def covers(self, moment: datetime) -> bool:
        """Tell whether the period holds at a moment."""
        return self.starts_at <= moment and (self.ends_at is None or moment < self.ends_at)


PeriodType = TypeVar("PeriodType", bound=Period)


def period_at(periods: list[PeriodType], moment: datetime) -> PeriodType | None:
    """Return the latest period that covers a moment, or None."""
    for period in reversed(periods):
        if period.covers(moment):
            return period
    return None


def end_open_periods(periods: list[PeriodType], moment: datetime) -> None:
    """End whatever still lasts."""
    for period in periods:
        if period.ends_at is None:
            period.ends_at = moment
