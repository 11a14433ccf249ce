"""Checks of what a person makes of a finding."""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.entries.registry import Known, Refusal, check, too_early
from fill_ledger.trade.events import findings
from fill_ledger.trade.found import finding_ids
from fill_ledger.trade.identifiers import finding_subject
from fill_ledger.trade.states.findings import FindingState


def _state(known: Known, body: findings.FindingBody) -> FindingState:
    state: FindingState = known.state(finding_subject(body.finding_id))
    return state


@check(findings.FindingReviewed, findings.FindingReopened)
def _finding_is_known(body: findings.FindingBody, known: Known, moment: datetime) -> Iterable[Refusal]:
    about = known.named_event()
    if about is None or body.finding_id not in finding_ids(about):
        yield Refusal(
            code="finding-unknown", detail="The ledger has no such finding about this event.", pointer="/finding_id"
        )
    elif moment < about.effective_at:
        yield too_early("What it was found about took effect", about.effective_at)


@check(findings.FindingReviewed)
def _is_open(body: findings.FindingReviewed, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _state(known, body)
    review, reopened_at = state.review_in_force(), state.last_reopened_at()
    if review is not None:
        yield Refusal(
            code="finding-reviewed",
            detail=f"The finding was reviewed {review.reviewed_at.isoformat()}. Open it again to review it anew.",
            pointer="/finding_id",
        )
    elif reopened_at is not None and moment <= reopened_at:
        yield too_early("The finding was opened again", reopened_at)


@check(findings.FindingReviewed)
def _other_causes_are_told(body: findings.FindingReviewed, known: Known, moment: datetime) -> Iterable[Refusal]:
    if body.cause == "other" and body.note is None:
        yield Refusal(
            code="note-missing",
            detail="The cause 'other' says nothing by itself; write in a note what it was.",
            pointer="/note",
            conflict=False,
        )


@check(findings.FindingReopened)
def _is_reviewed(body: findings.FindingReopened, known: Known, moment: datetime) -> Iterable[Refusal]:
    review = _state(known, body).review_in_force()
    if review is None:
        yield Refusal(
            code="finding-not-reviewed",
            detail="The finding is not reviewed, so there is no review to open again.",
            pointer="/finding_id",
        )
    elif moment <= review.reviewed_at:
        yield too_early("The finding was reviewed", review.reviewed_at)
