"""Checks of entries in the county ledger: departments, principals and keys."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.entries.registry import Known, Refusal, check
from fill_ledger.trade.events import county
from fill_ledger.trade.identifiers import COUNTY_ID, Subject, SubjectKind
from fill_ledger.trade.states.county import DepartmentState, PrincipalState


@check(county.DepartmentRegistered)
def _department_is_new(body: county.DepartmentRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, body.department_id))
    if state.registered_at is not None or body.department_id == COUNTY_ID:
        yield Refusal(
            code="already-registered", detail="This department is registered already.", pointer="/department_id"
        )


@check(county.DepartmentDetailsCorrected)
def _department_is_known(body: county.DepartmentDetailsCorrected, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: DepartmentState = known.state(Subject(SubjectKind.DEPARTMENT, body.department_id))
    if state.registered_at is None:
        yield Refusal(code="department-unknown", detail="There is no such department.", pointer="/department_id")


@check(county.PrincipalRegistered)
def _principal_is_new(body: county.PrincipalRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
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


@check(county.KeyIssued, county.KeyRevoked, county.PrincipalDeactivated)
def _principal_is_active(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PrincipalState = known.state(Subject(SubjectKind.PRINCIPAL, body.principal_id))
    if state.registered_at is None:
        yield Refusal(code="principal-unknown", detail="There is no such principal.", pointer="/principal_id")
    elif state.deactivated_at is not None:
        yield Refusal(code="principal-deactivated", detail="The principal was deactivated.", pointer="/principal_id")
    elif isinstance(body, county.KeyRevoked) and not any(key.key_id == body.key_id for key in state.keys):
        yield Refusal(code="key-unknown", detail="The principal has no such key.", pointer="/key_id")
