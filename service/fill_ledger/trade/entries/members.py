"""Checks of office entries about members, their authorisations and credentials."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check, consults, day_refusals
from fill_ledger.trade.events import members
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.members import MemberState


@consults(members.MemberAuthorised)
def _named_stations(body: members.MemberAuthorised) -> Iterable[Subject]:
    return [Subject(SubjectKind.STATION, station_id) for station_id in body.station_ids or ()]


@check(members.MemberAuthorised)
def _last_day_exists(body: members.MemberAuthorised, known: Known, moment: datetime) -> Iterable[Refusal]:
    return () if body.through is None else day_refusals(body.through, "/through")


def _member(known: Known, member_id: Any) -> MemberState:
    state: MemberState = known.state(Subject(SubjectKind.MEMBER, member_id))
    return state


@check(
    members.MemberPersonalCorrected,
    members.MemberAuthorised,
    members.MemberDeactivated,
    members.MemberReactivated,
    members.CredentialRevoked,
)
def _member_is_known(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _member(known, body.member_id)
    if state.enrolled_at is None:
        yield Refusal(code="member-unknown", detail="This department has no such member.", pointer="/member_id")
    elif isinstance(body, members.CredentialRevoked) and not any(
        credential.credential_id == body.credential_id and credential.ends_at is None
        for credential in state.credentials
    ):
        yield Refusal(
            code="credential-unknown",
            detail="The member has no such credential, or it was revoked already.",
            pointer="/credential_id",
        )


@check(members.MemberDeactivated, members.MemberReactivated)
def _member_changes(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _member(known, body.member_id)
    if state.enrolled_at is None:
        return
    away = any(absence.ends_at is None for absence in state.absences)
    if isinstance(body, members.MemberDeactivated) and away:
        yield Refusal(code="member-inactive", detail="The member is inactive already.")
    if isinstance(body, members.MemberReactivated) and not away:
        yield Refusal(code="member-active", detail="The member is active already.")
