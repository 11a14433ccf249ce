"""Events about members. Names, badges and credentials are sealed: the ledger carries ids and digests only."""

import uuid
from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.envelope import Body, Day, Nature, SealedText, ShortText, event
from fill_ledger.trade.identifiers import Subject, SubjectKind

FillKind = Literal["scba", "scuba", "storage"]
CredentialKind = Literal["card", "passcode"]
# A code and no text: what a person writes freely may name somebody, and would stand in the chain for good.
CourseCode = Annotated[
    str,
    Meta(
        pattern=r"^[A-Z0-9][A-Z0-9.-]{0,23}\Z", max_length=24, description="code of a course, as programmes number it"
    ),
]


class MemberBody(Body, frozen=True, kw_only=True):
    """Base of events that change a member."""

    member_id: uuid.UUID

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.MEMBER, self.member_id),)


@event("member.enrolled", Nature.OBSERVATION, sealed=("personal",))
class MemberEnrolled(MemberBody, frozen=True, kw_only=True):
    """A member joins. `personal` is a JSON text with name and badge number, sealed under the member's own key."""

    personal: SealedText | None = None


@event("member.personal_corrected", Nature.OFFICE, sealed=("personal",))
class MemberPersonalCorrected(MemberBody, frozen=True, kw_only=True):
    """The member's name or badge number changed."""

    personal: SealedText


@event("member.authorised", Nature.OFFICE)
class MemberAuthorised(MemberBody, frozen=True, kw_only=True):
    """The member may fill cylinders of these kinds through the named day (None: until ended).

    A later authorisation replaces an earlier one; an empty set of kinds ends it.
    """

    kinds: Annotated[tuple[FillKind, ...], Meta(max_length=3)]
    through: Day | None = None
    station_ids: Annotated[tuple[uuid.UUID, ...], Meta(max_length=500)] | None = None


@event("member.trained", Nature.OFFICE)
class MemberTrained(MemberBody, frozen=True, kw_only=True):
    """The member was trained, or the training was refreshed, on this day."""

    trained_on: Day
    course_code: CourseCode | None = None


@event("member.deactivated", Nature.OFFICE, sealed=("reason",))
class MemberDeactivated(MemberBody, frozen=True, kw_only=True):
    """The member left or was suspended: no fills, no sessions. History stays."""

    reason: SealedText | None = None


@event("member.reactivated", Nature.OFFICE, sealed=("reason",))
class MemberReactivated(MemberBody, frozen=True, kw_only=True):
    """The member is back."""

    reason: SealedText | None = None


@event("credential.bound", Nature.OBSERVATION, sealed=("secret",))
class CredentialBound(MemberBody, frozen=True, kw_only=True):
    """A card or passcode identifies this member from now on.

    `secret` is what was scanned, or a passcode's hash, as a JSON text; it is sealed under the member's own key.
    """

    credential_id: uuid.UUID
    credential_kind: CredentialKind
    secret: SealedText | None = None


@event("credential.revoked", Nature.OFFICE)
class CredentialRevoked(MemberBody, frozen=True, kw_only=True):
    """The credential identifies nobody any more."""

    credential_id: uuid.UUID
    reason: ShortText | None = None
