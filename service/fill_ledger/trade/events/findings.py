"""What a person makes of a finding: reviewed with a cause, and opened again.

A finding itself is no event: it follows from a fact and its judgement. Its id follows from the fact's id and the code,
so that a review survives a rebuild of the views and a new judgement.
"""

import uuid
from collections.abc import Iterable
from typing import Literal

from fill_ledger.trade.events.envelope import Body, Nature, SealedText, event
from fill_ledger.trade.identifiers import Subject, SubjectKind, finding_subject

ReviewCause = Literal["training", "equipment", "record_error", "accepted_risk", "false_alarm", "other"]
"""What a person found to be behind a finding (common practice, no source).

training: somebody did not know better. equipment: a device, gauge or hose was at fault. record_error: what is on record
was wrong. accepted_risk: it was known and gone ahead with. false_alarm: nothing was wrong. other: the note says what.
"""


class FindingBody(Body, frozen=True, kw_only=True):
    """Base of events about one finding. `about_event_id` is the fact that the finding is about."""

    finding_id: uuid.UUID
    about_event_id: uuid.UUID

    def folds_into(self) -> Iterable[Subject]:
        return (finding_subject(self.finding_id),)

    def mentions(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.EVENT, self.about_event_id),)


@event("finding.reviewed", Nature.OFFICE, sealed=("note",))
class FindingReviewed(FindingBody, frozen=True, kw_only=True):
    """A person looked at a finding and says what was behind it. It stays reviewed until somebody opens it again."""

    cause: ReviewCause
    note: SealedText | None = None


@event("finding.reopened", Nature.OFFICE, sealed=("reason",))
class FindingReopened(FindingBody, frozen=True, kw_only=True):
    """A review does not hold any more: the finding waits for a person again."""

    reason: SealedText
