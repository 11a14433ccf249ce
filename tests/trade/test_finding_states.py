"""What persons made of a finding: the newest review holds until somebody opens the finding again."""

import uuid
from datetime import UTC, datetime, timedelta

from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.findings import FindingBody, FindingReopened, FindingReviewed
from fill_ledger.trade.identifiers import derived_id, finding_id
from fill_ledger.trade.states.findings import KEPT_REVIEWS, FindingState, finding_fold

START = datetime(2026, 6, 1, 12, tzinfo=UTC)
DEPARTMENT, FACT = uuid.UUID(int=1), uuid.UUID(int=2)
OFFICER, TECHNICIAN = uuid.UUID(int=3), uuid.UUID(int=4)
FINDING = finding_id(FACT, "on-hold")
REVIEWED = FindingReviewed(finding_id=FINDING, about_event_id=FACT, cause="training")
OTHERWISE = FindingReviewed(finding_id=FINDING, about_event_id=FACT, cause="equipment")
REOPENED = FindingReopened(finding_id=FINDING, about_event_id=FACT, reason="once more")


def folded(*bodies: FindingBody) -> FindingState:
    """Fold bodies an hour apart: reviews by a technician, reopenings by an officer."""
    state = finding_fold.empty(DEPARTMENT, FINDING)
    for hour, body in enumerate(bodies):
        moment = START + timedelta(hours=hour)
        event = Event(
            department_id=DEPARTMENT,
            event_id=derived_id("test", hour),
            occurred_at=moment,
            effective_at=moment,
            recorded_by=OFFICER if isinstance(body, FindingReopened) else TECHNICIAN,
            body=body,
        )
        finding_fold.apply(state, event)
    return state


def test_the_id_follows_from_event_and_code_and_stays() -> None:
    """Written down when reviews were first recorded: another id would lose every review."""
    assert uuid.UUID("7f0f803c-6d71-5b87-8089-da1c6e58c241") == FINDING
    assert finding_id(FACT, "condemned") != FINDING


def test_the_newest_review_holds() -> None:
    assert folded().review_in_force() is None
    held = folded(REVIEWED, OTHERWISE).review_in_force()
    assert held is not None
    assert (held.cause, held.reviewed_at, held.reviewed_by) == ("equipment", START + timedelta(hours=1), TECHNICIAN)


def test_a_reopening_ends_every_review_before_it_and_none_after() -> None:
    state = folded(REVIEWED, OTHERWISE, REOPENED)
    assert state.review_in_force() is None
    assert state.last_reopened_at() == START + timedelta(hours=2)
    assert [(review.reopened_at, review.reopened_by) for review in state.reviews] == [
        (START + timedelta(hours=2), OFFICER)
    ] * 2
    again = folded(REVIEWED, REOPENED, OTHERWISE, REOPENED, REVIEWED)
    assert again.review_in_force() == again.reviews[-1]
    assert [review.reopened_at for review in again.reviews] == [
        START + timedelta(hours=1),
        START + timedelta(hours=3),
        None,
    ]


def test_a_reopening_whose_review_was_taken_back_opens_nothing() -> None:
    assert folded(REOPENED).reviews == []
    held = folded(REOPENED, REVIEWED).review_in_force()
    assert held is not None


def test_of_many_reviews_the_newest_are_kept() -> None:
    state = folded(*(body for _ in range(KEPT_REVIEWS) for body in (REVIEWED, REOPENED)), OTHERWISE)
    assert len(state.reviews) == KEPT_REVIEWS
    held = state.review_in_force()
    assert held is not None
    assert (held.cause, state.reviews[0].reviewed_at) == ("equipment", START + timedelta(hours=2))
