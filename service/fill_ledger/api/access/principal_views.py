"""How principals and keys are shown, and what an operator may see of them. A digest of a key is never shown."""

import datetime
import uuid
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.value_types import Label, Moment
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.states.county import PrincipalState

MAXIMUM_DEPARTMENTS = 200
MAXIMUM_SCOPES = 50
MAXIMUM_KEYS = 10_000

DepartmentIds = Annotated[
    tuple[uuid.UUID, ...],
    Meta(min_length=1, max_length=MAXIMUM_DEPARTMENTS, description="null: every department of the county"),
]
Scopes = Annotated[
    tuple[Annotated[str, Meta(min_length=1, max_length=64, pattern=r"^[a-z-]+:[a-z-]+\Z")], ...],
    Meta(min_length=1, max_length=MAXIMUM_SCOPES, description="narrows the role's rights; null: all of them"),
]
KeyStandingWord = Literal["current", "ending", "ended"]

KeyEnd = Annotated[
    datetime.datetime,
    Meta(tz=True, description="From then on it opens nothing; null: it ends only by a revocation or a rotation."),
]
KeyRevokedAt = Annotated[
    datetime.datetime,
    Meta(
        tz=True,
        description=(
            "When its end was entered, by a revocation or a rotation; null where neither was. A rotated key works on "
            "until ends_at."
        ),
    ),
]


class KeyView(Struct, frozen=True, kw_only=True):
    """One key. It is `ending` while a rotation lets it overlap with the one that replaces it.

    `ends_at` decides what a key opens, and `revoked_at` tells when somebody said that it ends: a revocation ends it at
    that moment, so both are the same; a rotation lets it work on, so `ends_at` lies up to `overlap_hours` later.
    """

    key_id: uuid.UUID
    principal_id: uuid.UUID
    standing: KeyStandingWord
    issued_at: Moment
    ends_at: KeyEnd | None
    revoked_at: KeyRevokedAt | None
    scopes: Scopes | None


class ListedKey(KeyView, frozen=True, kw_only=True):
    """One key as a list shows it, with whose it is."""

    role: Role
    station_id: uuid.UUID | None
    department_ids: DepartmentIds | None


class PrincipalSummary(Struct, frozen=True, kw_only=True):
    """One holder of keys as a list shows it."""

    principal_id: uuid.UUID
    role: Role
    label: Label
    department_ids: DepartmentIds | None
    station_id: uuid.UUID | None
    registered_at: Moment
    deactivated_at: Moment | None


class PrincipalView(PrincipalSummary, frozen=True, kw_only=True):
    """One holder of keys with every key it ever had, oldest first."""

    keys: Annotated[list[KeyView], Meta(max_length=MAXIMUM_KEYS)]


_SINCE = datetime.datetime(2026, 3, 2, 14, 0, tzinfo=datetime.UTC)
KEY_EXAMPLE = KeyView(
    key_id=uuid.UUID("9c5d3f0e-0d3f-4b2e-8f3c-6a1b2c3d4e5f"),
    principal_id=uuid.UUID("3a0b5d8e-54a1-4a26-8f7d-0f2f6f6d9a01"),
    standing="current",
    issued_at=_SINCE,
    ends_at=None,
    revoked_at=None,
    scopes=None,
)
_CONTROLLER: dict[str, Any] = {
    "principal_id": KEY_EXAMPLE.principal_id,
    "role": Role.CONTROLLER,
    "label": "Quarry Road panel",
    "department_ids": (uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),),
    "station_id": uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    "registered_at": _SINCE,
    "deactivated_at": None,
}
LISTED_KEY_EXAMPLE = ListedKey(
    key_id=KEY_EXAMPLE.key_id,
    principal_id=KEY_EXAMPLE.principal_id,
    standing="current",
    issued_at=_SINCE,
    ends_at=None,
    revoked_at=None,
    scopes=None,
    role=Role.CONTROLLER,
    station_id=_CONTROLLER["station_id"],
    department_ids=_CONTROLLER["department_ids"],
)
SUMMARY_EXAMPLE = PrincipalSummary(**_CONTROLLER)
VIEW_EXAMPLE = PrincipalView(**_CONTROLLER, keys=[KEY_EXAMPLE])


def standing_of(
    ends_at: datetime.datetime | None,
    revoked_at: datetime.datetime | None,
    deactivated_at: datetime.datetime | None,
    now: datetime.datetime,
) -> KeyStandingWord:
    """Return whether a key opens anything, and whether another is replacing it."""
    if deactivated_at is not None or (ends_at is not None and ends_at <= now):
        return "ended"
    return "ending" if revoked_at is not None else "current"


def listed_key(row: Any) -> ListedKey:
    """Return one row of the view of keys; `now` is a column of it."""
    return ListedKey(
        key_id=row["key_id"],
        principal_id=row["principal_id"],
        standing=standing_of(row["ends_at"], row["revoked_at"], row["principal_deactivated_at"], row["now"]),
        issued_at=row["issued_at"],
        ends_at=row["ends_at"],
        revoked_at=row["revoked_at"],
        scopes=None if row["scopes"] is None else tuple(row["scopes"]),
        role=Role(row["role"]),
        station_id=row["station_id"],
        department_ids=None if row["department_ids"] is None else tuple(row["department_ids"]),
    )


def summary_of_row(row: Any) -> PrincipalSummary:
    """Return one row of the view of principals."""
    return PrincipalSummary(
        principal_id=row["principal_id"],
        role=Role(row["role"]),
        label=row["label"],
        department_ids=None if row["department_ids"] is None else tuple(row["department_ids"]),
        station_id=row["station_id"],
        registered_at=row["registered_at"],
        deactivated_at=row["deactivated_at"],
    )


def view_of(state: PrincipalState, now: datetime.datetime) -> PrincipalView:
    """Return everything on record of a registered principal."""
    assert state.role is not None
    assert state.label is not None
    assert state.registered_at is not None
    return PrincipalView(
        principal_id=state.subject_id,
        role=state.role,
        label=state.label,
        department_ids=state.department_ids,
        station_id=state.station_id,
        registered_at=state.registered_at,
        deactivated_at=state.deactivated_at,
        keys=[
            KeyView(
                key_id=key.key_id,
                principal_id=state.subject_id,
                standing=standing_of(key.ends_at, key.revoked_at, state.deactivated_at, now),
                issued_at=key.issued_at,
                ends_at=key.ends_at,
                revoked_at=key.revoked_at,
                scopes=key.scopes,
            )
            for key in state.keys
        ],
    )


def may_manage(operator: Principal, department_ids: tuple[uuid.UUID, ...] | None) -> bool:
    """Tell whether an operator may give or end keys that open these departments: never beyond its own."""
    if operator.department_ids is None:
        return True
    return department_ids is not None and set(department_ids) <= set(operator.department_ids)


def require_may_manage(operator: Principal, department_ids: tuple[uuid.UUID, ...] | None) -> None:
    """Refuse an operator who would give keys beyond its own departments.

    Raises:
        Problem: 403 not-permitted.
    """
    if not may_manage(operator, department_ids):
        raise Problem(
            problem_types.NOT_PERMITTED,
            "The key's principal may act for some departments only, and gives no keys beyond them: name department_ids "
            "among its own.",
        )
