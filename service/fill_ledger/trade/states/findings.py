"""What persons made of a finding: its reviews, oldest first, and which of them holds."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.findings import FindingReopened, FindingReviewed, ReviewCause
from fill_ledger.trade.states.base import Fold, State

KEPT_REVIEWS = 50
"""So many of the newest reviews are kept in the state; the ledger has them all."""


class Review(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One review; it holds while `reopened_at` is None. `reviewed_by` and `reopened_by` are principals."""

    event_id: uuid.UUID
    reviewed_at: datetime
    reviewed_by: uuid.UUID
    cause: ReviewCause
    reopened_at: datetime | None = None
    reopened_by: uuid.UUID | None = None
    reopened_by_event_id: uuid.UUID | None = None


class FindingState(State, kw_only=True, omit_defaults=True):
    """What persons made of one finding."""

    reviews: list[Review] = msgspec.field(default_factory=list)

    def review_in_force(self) -> Review | None:
        """Return the newest review where it was not opened again, else None."""
        newest = self.reviews[-1] if self.reviews else None
        return None if newest is None or newest.reopened_at is not None else newest

    def last_reopened_at(self) -> datetime | None:
        """Return when the finding was opened again last, or None."""
        return max((review.reopened_at for review in self.reviews if review.reopened_at is not None), default=None)


finding_fold = Fold(FindingState)


@finding_fold.on(FindingReviewed)
def _reviewed(state: FindingState, body: FindingReviewed, event: Event) -> None:
    state.reviews.append(
        Review(event_id=event.event_id, reviewed_at=event.effective_at, reviewed_by=event.recorded_by, cause=body.cause)
    )
    del state.reviews[:-KEPT_REVIEWS]


@finding_fold.on(FindingReopened)
def _reopened(state: FindingState, body: FindingReopened, event: Event) -> None:
    # One that opens nothing, because its review was taken back, changes nothing.
    for review in state.reviews:
        if review.reopened_at is None:
            review.reopened_at, review.reopened_by = event.effective_at, event.recorded_by
            review.reopened_by_event_id = event.event_id
