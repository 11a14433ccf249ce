"""Events about events: a mistake taken back, and what the ledger keeps beside."""

import uuid
from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.envelope import Body, LongText, Nature, SealedText, ShortText, event
from fill_ledger.trade.identifiers import Subject, SubjectKind

Digest = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z", max_length=64, description="SHA-256, hex")]


@event("event.retracted", Nature.OFFICE, sealed=("reason",))
class EventRetracted(Body, frozen=True, kw_only=True):
    """A mistaken event is taken out of every fold. It stays in the ledger. The retraction may arrive first."""

    retracted_event_id: uuid.UUID
    reason: SealedText

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.EVENT, self.retracted_event_id),)


@event("fact.conflict_kept", Nature.LEDGER)
class FactConflictKept(Body, frozen=True, kw_only=True):
    """An observation came with an id that another fact already has. Its sealed bytes are kept beside."""

    claimed_event_id: uuid.UUID
    claimed_type: ShortText
    kept: Literal["sealed"] = "sealed"
    record_id: uuid.UUID
    digest: Digest

    def mentions(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.EVENT, self.claimed_event_id),)


@event("fact.quarantined", Nature.LEDGER)
class FactQuarantined(Body, frozen=True, kw_only=True):
    """A fact could not be read as its type. Its sealed bytes are kept beside; the reason says what was wrong."""

    claimed_event_id: uuid.UUID | None = None
    claimed_type: ShortText | None = None
    record_id: uuid.UUID
    digest: Digest
    reason: LongText

    def mentions(self) -> Iterable[Subject]:
        if self.claimed_event_id is not None:
            yield Subject(SubjectKind.EVENT, self.claimed_event_id)
