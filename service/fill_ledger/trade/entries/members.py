"""Checks of office entries about members, their authorisations and credentials."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, consults, day_refusals, latest_local
from fill_ledger.trade.events import members
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.members import MemberState
from fill_ledger.trade.states.stations import StationState

# Clocks on Earth run up to twelve hours behind UTC (IANA time zone database, Etc/GMT+12).
EARLIEST_ZONE = timedelta(hours=-12)


@consults(members.MemberAuthorised)
def _named_stations(body: members.MemberAuthorised) -> Iterable[Subject]:
    return [Subject(SubjectKind.STATION, station_id) for station_id in body.station_ids or ()]


@check(members.MemberAuthorised)
def _authorisation_makes_sense(body: members.MemberAuthorised, known: Known, moment: datetime) -> Iterable[Refusal]:
    if body.through is not None:
        yield from day_refusals(body.through, "/through")
        if body.through < f"{moment.astimezone(UTC) + EARLIEST_ZONE:%Y-%m-%d}":
            yield Refusal(
                code="authorisation-over",
                detail=f"The last day {body.through} lies before the day on which the authorisation begins.",
                pointer="/through",
                conflict=False,
            )
    for place, station_id in enumerate(body.station_ids or ()):
        station: StationState = known.state(Subject(SubjectKind.STATION, station_id))
        if station.registered_at is None:
            yield Refusal(
                code="station-unknown",
                detail="This department has no such station.",
                pointer=f"/station_ids/{place}",
                conflict=False,
            )


def _member(known: Known, member_id: Any) -> MemberState:
    state: MemberState = known.state(Subject(SubjectKind.MEMBER, member_id))
    return state


@check(members.MemberEnrolled)
def _enrolled_once(body: members.MemberEnrolled, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _member(known, body.member_id).enrolled_at is not None:
        yield Refusal(code="already-enrolled", detail="This member is enrolled already.", pointer="/member_id")


@check(
    members.MemberPersonalCorrected,
    members.MemberAuthorised,
    members.MemberTrained,
    members.MemberDeactivated,
    members.MemberReactivated,
    members.CredentialBound,
    members.CredentialRevoked,
)
def _member_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _member(known, body.member_id).enrolled_at is None:
        yield Refusal(code="member-unknown", detail="This department has no such member.", pointer="/member_id")


@check(members.MemberTrained)
def _training_makes_sense(body: members.MemberTrained, known: Known, moment: datetime) -> Iterable[Refusal]:
    yield from day_refusals(body.trained_on, "/trained_on")
    if body.trained_on > f"{latest_local(moment):%Y-%m-%d}":
        yield Refusal(
            code="trained-in-future",
            detail=f"The day of the training, {body.trained_on}, lies in the future.",
            pointer="/trained_on",
            conflict=False,
        )
    for training in _member(known, body.member_id).trainings:
        if (training.trained_on, training.course_code) == (body.trained_on, body.course_code):
            yield Refusal(code="training-known", detail="This very training is on record already.")
            return


@check(members.CredentialBound)
def _credential_is_new(body: members.CredentialBound, known: Known, moment: datetime) -> Iterable[Refusal]:
    credentials = _member(known, body.member_id).credentials
    if any(credential.credential_id == body.credential_id for credential in credentials):
        yield Refusal(code="credential-known", detail="This credential is on record already.", pointer="/credential_id")


@check(members.CredentialRevoked)
def _credential_stands(body: members.CredentialRevoked, known: Known, moment: datetime) -> Iterable[Refusal]:
    standing = [
        credential
        for credential in _member(known, body.member_id).credentials
        if credential.credential_id == body.credential_id and credential.ends_at is None
    ]
    if not standing:
        yield Refusal(
            code="credential-unknown",
            detail="The member has no such credential, or it identifies nobody any more.",
            pointer="/credential_id",
        )
    elif moment < standing[-1].starts_at:
        # Folded before the binding it would end nothing, and the credential would go on working.
        yield _too_early("credential was bound", standing[-1].starts_at)


@check(members.MemberDeactivated, members.MemberReactivated)
def _member_changes(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _member(known, body.member_id)
    if state.enrolled_at is None:
        return
    absence = next((absence for absence in state.absences if absence.ends_at is None), None)
    if isinstance(body, members.MemberDeactivated):
        if absence is not None:
            yield Refusal(code="member-inactive", detail="The member is inactive already.")
        elif any(earlier.ends_at is not None and moment < earlier.ends_at for earlier in state.absences):
            yield _too_early("member came back", max(earlier.ends_at for earlier in state.absences if earlier.ends_at))
    elif absence is None:
        yield Refusal(code="member-active", detail="The member is active already.")
    elif moment < absence.starts_at:
        yield _too_early("member was deactivated", absence.starts_at)


def _too_early(what: str, since: datetime) -> Refusal:
    return Refusal(
        code="too-early",
        detail=f"The {what} only at {since.isoformat()}; before that this entry would have no effect.",
        pointer="/occurred_at",
        conflict=False,
    )
