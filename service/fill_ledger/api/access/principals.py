"""Who calls: the principal behind a key, and the doorkeeper that admits it or says why not."""

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import msgspec

from fill_ledger.api.access.rights import COUNTY_WIDE_RIGHTS, ROLE_RIGHTS
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import Operation
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.rate_limits import address_key, refuse_if_limited
from fill_ledger.api.http.request_context import context_of
from fill_ledger.api.parts import Parts, parts_of
from fill_ledger.ledger.access_keys import access_key_digest
from fill_ledger.ledger.read import ALL_DEPARTMENTS
from fill_ledger.trade.events.county import Role

BEARER = "bearer "
_CHALLENGE = {"WWW-Authenticate": 'Bearer realm="fill-ledger"'}

_ACCESS = """
SELECT key_id, principal_id, role, department_ids, station_id, scopes, ends_at, revoked_at, deactivated_at, checked_at
FROM lookup.access($1)
"""


class Principal(msgspec.Struct, frozen=True, kw_only=True):
    """Who stands behind a key. `department_ids` None means every department of the county."""

    principal_id: uuid.UUID
    key_id: uuid.UUID
    role: Role
    department_ids: tuple[uuid.UUID, ...] | None
    station_id: uuid.UUID | None
    rights: frozenset[str]

    @property
    def visible(self) -> Iterable[uuid.UUID] | str:
        """Return the departments that row-level security lets this principal see (see `ledger.read.seeing`)."""
        return ALL_DEPARTMENTS if self.department_ids is None else self.department_ids

    def may_act_for(self, department_id: uuid.UUID) -> bool:
        """Tell whether a department is among the principal's."""
        return self.department_ids is None or department_id in self.department_ids

    def department(self, department_id: uuid.UUID | None) -> uuid.UUID:
        """Return the department an entry is for: the one named, else the only one the principal has.

        Raises:
            Problem: 422 where it must be named and is not; 403 where it is not among the principal's.
        """
        if department_id is None:
            if self.department_ids is not None and len(self.department_ids) == 1:
                return self.department_ids[0]
            raise Problem(
                problem_types.NOT_PROCESSABLE,
                "Name department_id: this key may act for several departments.",
            )
        if not self.may_act_for(department_id):
            raise Problem(problem_types.NOT_PERMITTED, "The key's principal may not act for this department.")
        return department_id


class KeyStanding(msgspec.Struct, frozen=True, kw_only=True):
    """What the database says of a presented key."""

    key_id: uuid.UUID
    principal_id: uuid.UUID
    role: str | None
    department_ids: list[uuid.UUID] | None
    station_id: uuid.UUID | None
    scopes: list[str] | None
    ends_at: datetime | None
    revoked_at: datetime | None
    deactivated_at: datetime | None
    checked_at: datetime


def principal_of(standing: KeyStanding | None) -> Principal:
    """Return the principal of a key that opens something.

    Raises:
        Problem: 401, each with its own plain reason: unknown, expired, revoked, or its principal deactivated.
    """
    if standing is None or standing.role is None:
        raise not_authenticated("The key is not known. Check that it was copied whole.")
    if standing.deactivated_at is not None and standing.deactivated_at <= standing.checked_at:
        raise not_authenticated("The key's principal was deactivated.")
    if standing.ends_at is not None and standing.ends_at <= standing.checked_at:
        what = "was revoked" if standing.revoked_at is not None else "has expired"
        raise not_authenticated(f"The key {what} at {standing.ends_at.isoformat()}. Ask for a new one.")
    role = Role(standing.role)
    rights = ROLE_RIGHTS[role]
    return Principal(
        principal_id=standing.principal_id,
        key_id=standing.key_id,
        role=role,
        department_ids=None if standing.department_ids is None else tuple(standing.department_ids),
        station_id=standing.station_id,
        rights=rights if standing.scopes is None else rights & frozenset(standing.scopes),
    )


def presented_key_digest(request: AnyRequest) -> bytes:
    """Return the digest of the key in the Authorization header.

    Raises:
        Problem: 401 where there is none, or it cannot be a key.
    """
    header = request.headers.get("authorization", "")
    if header[: len(BEARER)].lower() != BEARER:
        raise not_authenticated("Send the header 'Authorization: Bearer <key>'.")
    digest = access_key_digest(header[len(BEARER) :].strip())
    if digest is None:
        raise not_authenticated("This is not a key of this service: keys begin with flk_ and have 47 characters.")
    return digest


def require_right(principal: Principal, right: str) -> None:
    """Refuse a principal that lacks a right, or is bound to departments where the right holds for all of them.

    Raises:
        Problem: 403 not-permitted.
    """
    if right not in principal.rights:
        raise Problem(
            problem_types.NOT_PERMITTED,
            f"This needs the right {right}, which the role {principal.role} or the key's scopes do not give.",
        )
    if right in COUNTY_WIDE_RIGHTS and principal.department_ids is not None:
        raise Problem(
            problem_types.NOT_PERMITTED,
            f"This holds for every department of the county, so {right} is for those who act for all of them; this "
            "key's principal is bound to some. A department's own terms go into its policy.",
        )


def not_authenticated(detail: str) -> Problem:
    """Return the 401 problem with its challenge."""
    return Problem(problem_types.NOT_AUTHENTICATED, detail, headers=_CHALLENGE)


def count_failure(parts: Parts, address: str) -> None:
    """Count an attempt without a good key; beyond the limit the answer is 429 in place of the 401.

    Good keys are never held back by it: all stations may share one address, that of a proxy or of a county's network,
    and one of them with an old key must not keep the others from asking.

    Raises:
        Problem: 429 rate-limited.
    """
    refuse_if_limited(parts.failure_limiter.charge(address))


class KeyDoorkeeper:
    """Admits holders of keys; counts failed attempts by client address and requests by principal."""

    async def admit(self, request: AnyRequest, operation: Operation) -> Any:
        """Return the principal, or None for a public operation (see `operations.Doorkeeper`)."""
        parts = parts_of(request)
        address = address_key(request.client.host if request.client else None)
        context = context_of(request.scope)
        if operation.right is None:
            outcome = parts.public_limiter.charge(address)
            context.add_answer_headers(outcome.headers())
            refuse_if_limited(outcome)
            return None
        try:
            digest = presented_key_digest(request)
            async with parts.database.lookups.acquire() as connection:
                row = await connection.fetchrow(_ACCESS, digest)
            principal = principal_of(None if row is None else msgspec.convert(dict(row), KeyStanding))
        except Problem:
            count_failure(parts, address)
            raise
        context.principal_id = str(principal.principal_id)
        outcome = parts.principal_limiter.charge(str(principal.principal_id))
        context.add_answer_headers(outcome.headers())
        refuse_if_limited(outcome)
        require_right(principal, operation.right)
        return principal
