"""Checks of entries in the county ledger: departments, principals and keys."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import (
    Known,
    Refusal,
    check,
    consults,
    nothing_to_correct,
    too_early,
    zone_refusals,
)
from fill_ledger.trade.events import county
from fill_ledger.trade.identifiers import COUNTY_ID, Subject, SubjectKind, codes_subject
from fill_ledger.trade.states.codes import CodesState
from fill_ledger.trade.states.county import DepartmentState, PrincipalState


@check(county.DepartmentRegistered)
def _department_is_new(body: county.DepartmentRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, body.department_id))
    if state.registered_at is not None or body.department_id == COUNTY_ID:
        yield Refusal(
            code="already-registered", detail="This department is registered already.", pointer="/department_id"
        )


@check(county.DepartmentRegistered)
def _department_makes_sense(body: county.DepartmentRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    codes: CodesState = known.state(codes_subject())
    if codes.holder_of(body.code) not in (None, body.department_id):
        yield Refusal(code="code-taken", detail=f"Another department has the code {body.code}.", pointer="/code")
    yield from zone_refusals(body.time_zone)


@check(county.DepartmentDetailsCorrected)
def _correction_makes_sense(
    body: county.DepartmentDetailsCorrected, known: Known, moment: datetime
) -> Iterable[Refusal]:
    yield from nothing_to_correct(body.name, body.time_zone)
    yield from zone_refusals(body.time_zone)


@check(county.DepartmentDetailsCorrected)
def _department_is_known(body: county.DepartmentDetailsCorrected, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, body.department_id))
    if state.registered_at is None:
        yield Refusal(code="department-unknown", detail="There is no such department.", pointer="/department_id")
    elif moment < state.registered_at:
        yield too_early("The department was registered", state.registered_at)


@consults(county.PrincipalRegistered)
def _departments_named(body: county.PrincipalRegistered) -> Iterable[Subject]:
    return [Subject(SubjectKind.DEPARTMENT, department_id) for department_id in body.department_ids or ()]


@check(county.PrincipalRegistered)
def _principal_makes_sense(body: county.PrincipalRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    if state.registered_at is not None:
        yield Refusal(
            code="already-registered", detail="This principal is registered already.", pointer="/principal_id"
        )
    if body.role is county.Role.CONTROLLER and (body.station_id is None or len(body.department_ids or ()) != 1):
        yield Refusal(
            code="controller-needs-station",
            detail="A controller names its station and exactly one department.",
            pointer="/station_id",
            conflict=False,
        )
    for place, department_id in enumerate(body.department_ids or ()):
        department: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, department_id))
        if department.registered_at is None:
            yield Refusal(
                code="department-unknown",
                detail="There is no such department.",
                pointer=f"/department_ids/{place}",
                conflict=False,
            )


@check(county.KeyIssued, county.KeyRevoked, county.PrincipalDeactivated)
def _principal_is_active(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    if state.registered_at is None:
        yield Refusal(code="principal-unknown", detail="There is no such principal.", pointer="/principal_id")
    elif state.deactivated_at is not None:
        yield Refusal(code="principal-deactivated", detail="The principal was deactivated.", pointer="/principal_id")


@check(county.KeyIssued)
def _key_makes_sense(body: county.KeyIssued, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    if any(key.key_id == body.key_id for key in state.keys):
        yield Refusal(code="key-known", detail="This key is on record already.", pointer="/key_id")
    if body.expires_at is not None and body.expires_at <= moment:
        yield Refusal(
            code="expiry-past",
            detail="The key would have expired before it was issued.",
            pointer="/expires_at",
            conflict=False,
        )


@check(county.KeyRevoked)
def _key_stands(body: county.KeyRevoked, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    key = next((key for key in state.keys if key.key_id == body.key_id), None)
    if key is None:
        yield Refusal(code="key-unknown", detail="The principal has no such key.", pointer="/key_id")
    elif key.ends_at is not None and key.ends_at <= moment:
        yield Refusal(code="key-ended", detail=f"The key ended at {key.ends_at.isoformat()} already.")
    elif body.ends_at is not None and key.revoked_at is not None:
        yield Refusal(code="key-ending", detail="The key is being replaced already; revoke it to end it at once.")
    elif moment < key.issued_at:
        # Folded before the key was issued it would end nothing, and the key would go on opening doors.
        yield Refusal(
            code="too-early",
            detail=f"The key was issued only at {key.issued_at.isoformat()}.",
            pointer="/occurred_at",
            conflict=False,
        )
