"""Rows for departments, principals and keys, all in the county ledger."""

import uuid
from datetime import datetime
from typing import Annotated

import msgspec

from fill_ledger.trade.states.county import DepartmentState, PrincipalState


class DepartmentRow(msgspec.Struct, kw_only=True):
    """One department of the county."""

    department_id: uuid.UUID
    registered_id: uuid.UUID
    name: str | None
    code: str | None
    time_zone: str | None
    registered_at: datetime | None


class PrincipalRow(msgspec.Struct, kw_only=True):
    """One holder of keys; `department_ids` is null where it may act for all."""

    department_id: uuid.UUID
    principal_id: uuid.UUID
    role: str | None
    label: str | None
    department_ids: tuple[uuid.UUID, ...] | None
    station_id: uuid.UUID | None
    registered_at: datetime | None
    deactivated_at: datetime | None


class AccessKeyRow(msgspec.Struct, kw_only=True):
    """One key with all that a request needs to know of its holder."""

    department_id: uuid.UUID
    key_id: uuid.UUID
    principal_id: uuid.UUID
    key_digest: Annotated[str, "bytea as \\x hex"]
    issued_at: datetime
    ends_at: datetime | None
    revoked_at: datetime | None
    scopes: tuple[str, ...] | None
    role: str | None
    department_ids: tuple[uuid.UUID, ...] | None
    station_id: uuid.UUID | None
    principal_deactivated_at: datetime | None


def department_rows(state: DepartmentState) -> list[DepartmentRow]:
    """Return the row of a department."""
    return [
        DepartmentRow(
            department_id=state.department_id,
            registered_id=state.subject_id,
            name=state.name,
            code=state.code,
            time_zone=state.time_zone,
            registered_at=state.registered_at,
        )
    ]


def principal_rows(state: PrincipalState) -> list[PrincipalRow]:
    """Return the row of a principal."""
    return [
        PrincipalRow(
            department_id=state.department_id,
            principal_id=state.subject_id,
            role=state.role,
            label=state.label,
            department_ids=state.department_ids,
            station_id=state.station_id,
            registered_at=state.registered_at,
            deactivated_at=state.deactivated_at,
        )
    ]


def access_key_rows(state: PrincipalState) -> list[AccessKeyRow]:
    """Return a row for each key a principal ever had."""
    return [
        AccessKeyRow(
            department_id=state.department_id,
            key_id=key.key_id,
            principal_id=state.subject_id,
            key_digest=f"\\x{key.key_digest}",
            issued_at=key.issued_at,
            ends_at=key.ends_at,
            revoked_at=key.revoked_at,
            scopes=key.scopes,
            role=state.role,
            department_ids=state.department_ids,
            station_id=state.station_id,
            principal_deactivated_at=state.deactivated_at,
        )
        for key in state.keys
    ]
