"""The state of a member: ids, dates and references to sealed records, never a name."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events import members
from fill_ledger.trade.events.envelope import Event, SealedReference
from fill_ledger.trade.states.base import Fold, Period, State, end_open_periods

KEPT_TRAININGS = 50


class Authorisation(Period, kw_only=True, omit_defaults=True):
    """What the member may fill while it holds; `through` is the last day, in the station's calendar."""

    kinds: tuple[str, ...]
    through: str | None = None
    station_ids: tuple[uuid.UUID, ...] | None = None


class Credential(Period, kw_only=True, omit_defaults=True):
    """A card or passcode while it identifies the member."""

    credential_id: uuid.UUID
    credential_kind: str
    record_id: uuid.UUID | None = None


class Training(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One training, in the order of the days."""

    event_id: uuid.UUID
    trained_on: str
    course_code: str | None = None


class MemberState(State, kw_only=True, omit_defaults=True):
    """A member as the rules see one."""

    enrolled_at: datetime | None = None
    personal: SealedReference | None = None
    absences: list[Period] = msgspec.field(default_factory=list)
    authorisations: list[Authorisation] = msgspec.field(default_factory=list)
    credentials: list[Credential] = msgspec.field(default_factory=list)
    trainings: list[Training] = msgspec.field(default_factory=list)


member_fold = Fold(MemberState)


@member_fold.on(members.MemberEnrolled, members.MemberPersonalCorrected)
def _enrolled(state: MemberState, body: members.MemberEnrolled | members.MemberPersonalCorrected, event: Event) -> None:
    if isinstance(body, members.MemberEnrolled) and state.enrolled_at is None:
        state.enrolled_at = event.effective_at
    if isinstance(body.personal, SealedReference):
        state.personal = body.personal


@member_fold.on(members.MemberAuthorised)
def _authorised(state: MemberState, body: members.MemberAuthorised, event: Event) -> None:
    end_open_periods(state.authorisations, event.effective_at)
    state.authorisations.append(
        Authorisation(
            event_id=event.event_id,
            starts_at=event.effective_at,
            kinds=body.kinds,
            through=body.through,
            station_ids=body.station_ids,
        )
    )


@member_fold.on(members.MemberTrained)
def _trained(state: MemberState, body: members.MemberTrained, event: Event) -> None:
    state.trainings.append(Training(event_id=event.event_id, trained_on=body.trained_on, course_code=body.course_code))
    state.trainings.sort(key=lambda training: (training.trained_on, training.event_id))
    del state.trainings[:-KEPT_TRAININGS]


@member_fold.on(members.MemberDeactivated)
def _deactivated(state: MemberState, body: members.MemberDeactivated, event: Event) -> None:
    if not any(absence.ends_at is None for absence in state.absences):
        state.absences.append(Period(event_id=event.event_id, starts_at=event.effective_at))


@member_fold.on(members.MemberReactivated)
def _reactivated(state: MemberState, body: members.MemberReactivated, event: Event) -> None:
    end_open_periods(state.absences, event.effective_at)


@member_fold.on(members.CredentialBound)
def _bound(state: MemberState, body: members.CredentialBound, event: Event) -> None:
    if body.credential_kind == "passcode":
        # A member has one passcode: a new one replaces the last, as with any changed passcode.
        end_open_periods(
            [known for known in state.credentials if known.credential_kind == "passcode"], event.effective_at
        )
    state.credentials.append(
        Credential(
            event_id=event.event_id,
            starts_at=event.effective_at,
            credential_id=body.credential_id,
            credential_kind=body.credential_kind,
            record_id=body.secret.record_id if isinstance(body.secret, SealedReference) else None,
        )
    )


@member_fold.on(members.CredentialRevoked)
def _revoked(state: MemberState, body: members.CredentialRevoked, event: Event) -> None:
    end_open_periods(
        [known for known in state.credentials if known.credential_id == body.credential_id], event.effective_at
    )
