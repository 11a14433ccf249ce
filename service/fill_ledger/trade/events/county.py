"""Events of the county ledger: departments, principals and their keys."""

import uuid
from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated

from msgspec import Meta

from fill_ledger.trade.events.envelope import Body, Moment, Nature, ShortText, event
from fill_ledger.trade.identifiers import Subject, SubjectKind, codes_subject

DepartmentCode = Annotated[
    str, Meta(pattern=r"^[A-Z0-9]{2,12}\Z", max_length=12, description="short code, unique in the county")
]
TimeZoneName = Annotated[str, Meta(min_length=1, max_length=64, description="IANA time zone, such as America/New_York")]
Digest = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z", max_length=64, description="SHA-256, hex")]


class Role(StrEnum):
    """What kind of user stands behind a key. The rights of each role are listed in `api/access/rights.py`."""

    CONTROLLER = "controller"
    OFFICER = "officer"
    TECHNICIAN = "technician"
    INTEGRATOR = "integrator"
    ANALYST = "analyst"
    OPERATOR = "operator"


@event("department.registered", Nature.OFFICE)
class DepartmentRegistered(Body, frozen=True, kw_only=True):
    """A department joins: from now on it has a ledger of its own."""

    department_id: uuid.UUID
    name: ShortText
    code: DepartmentCode
    time_zone: TimeZoneName

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.DEPARTMENT, self.department_id), codes_subject())


@event("department.details_corrected", Nature.OFFICE)
class DepartmentDetailsCorrected(Body, frozen=True, kw_only=True):
    """Name or time zone of a department were wrong or have changed. Fields left out stay as they are."""

    department_id: uuid.UUID
    name: ShortText | None = None
    time_zone: TimeZoneName | None = None

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.DEPARTMENT, self.department_id),)


@event("principal.registered", Nature.OFFICE)
class PrincipalRegistered(Body, frozen=True, kw_only=True):
    """A controller, a person or an integration that may hold keys.

    `department_ids` is the set it may act for; None means every department of the county. A controller names its
    station and exactly one department.
    """

    principal_id: uuid.UUID
    role: Role
    label: ShortText
    department_ids: Annotated[tuple[uuid.UUID, ...], Meta(max_length=200)] | None = None
    station_id: uuid.UUID | None = None

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.PRINCIPAL, self.principal_id),)


@event("principal.deactivated", Nature.OFFICE)
class PrincipalDeactivated(Body, frozen=True, kw_only=True):
    """None of the principal's keys opens anything any more."""

    principal_id: uuid.UUID
    reason: ShortText

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.PRINCIPAL, self.principal_id),)


@event("key.issued", Nature.OFFICE)
class KeyIssued(Body, frozen=True, kw_only=True):
    """A key for a principal. Only the SHA-256 of the 256-bit random key is known to the service.

    `scopes` narrows the role's rights; None means all rights of the role.
    """

    principal_id: uuid.UUID
    key_id: uuid.UUID
    key_digest: Digest
    expires_at: Moment | None = None
    scopes: Annotated[tuple[ShortText, ...], Meta(max_length=50)] | None = None

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.PRINCIPAL, self.principal_id),)


@event("key.revoked", Nature.OFFICE)
class KeyRevoked(Body, frozen=True, kw_only=True):
    """A key ends: at once, or at `ends_at` where a rotation lets old and new overlap."""

    principal_id: uuid.UUID
    key_id: uuid.UUID
    ends_at: Moment | None = None
    reason: ShortText | None = None

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.PRINCIPAL, self.principal_id),)
