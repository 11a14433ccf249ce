"""States kept in the county ledger (departments, principals) and each department's policy and numbering."""

import uuid
from datetime import UTC, datetime

import msgspec

from fill_ledger.trade.events.county import (
    DepartmentDetailsCorrected,
    DepartmentRegistered,
    KeyIssued,
    KeyRevoked,
    PrincipalDeactivated,
    PrincipalRegistered,
    Role,
)
from fill_ledger.trade.events.cylinders import CylinderRegistered, CylinderTransferredIn
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.states.base import Fold, State


class DepartmentState(State, kw_only=True, omit_defaults=True):
    """A department as the county knows it."""

    name: str | None = None
    code: str | None = None
    time_zone: str | None = None
    registered_at: datetime | None = None


class Key(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One key of a principal; `ends_at` is the earlier of expiry and revocation."""

    key_id: uuid.UUID
    key_digest: str
    issued_at: datetime
    ends_at: datetime | None = None
    revoked_at: datetime | None = None
    scopes: tuple[str, ...] | None = None


class PrincipalState(State, kw_only=True, omit_defaults=True):
    """Somebody or something that may hold keys."""

    role: Role | None = None
    label: str | None = None
    department_ids: tuple[uuid.UUID, ...] | None = None
    station_id: uuid.UUID | None = None
    registered_at: datetime | None = None
    deactivated_at: datetime | None = None
    keys: list[Key] = msgspec.field(default_factory=list)


class DatedPolicy(msgspec.Struct, kw_only=True, omit_defaults=True):
    """A policy and the moment from which it holds."""

    event_id: uuid.UUID
    starts_at: datetime
    policy: PolicySet


class PolicyState(State, kw_only=True, omit_defaults=True):
    """All policies a department has had, oldest first."""

    policies: list[DatedPolicy] = msgspec.field(default_factory=list)

    def at(self, moment: datetime) -> PolicySet:
        """Return the policy in force at a moment; before the first one the defaults hold."""
        dated = self.dated_at(moment)
        return PolicySet(department_id=self.subject_id) if dated is None else dated.policy

    def dated_at(self, moment: datetime) -> DatedPolicy | None:
        """Return the policy in force at a moment with the time from which it holds; None where the defaults hold."""
        for dated in reversed(self.policies):
            if dated.starts_at <= moment:
                return dated
        return None


class NumberingState(State, kw_only=True, omit_defaults=True):
    """The next inventory number to assign. It passes every number given, so that none is given twice."""

    assigned = ("next_number",)

    next_number: int = 1


class InventoryNumberState(State, kw_only=True, omit_defaults=True):
    """The cylinder that was given this number. It keeps it for ever."""

    assigned = ("inventory_number", "cylinder_id")

    inventory_number: str | None = None
    cylinder_id: uuid.UUID | None = None


department_fold = Fold(DepartmentState)
principal_fold = Fold(PrincipalState)
policy_fold = Fold(PolicyState)
# A number once given is painted on a cylinder, whatever becomes of the entry: it is never given again.
numbering_fold = Fold(NumberingState, keeps_retracted=True)
inventory_number_fold = Fold(InventoryNumberState, keeps_retracted=True)


@department_fold.on(DepartmentRegistered)
def _registered(state: DepartmentState, body: DepartmentRegistered, event: Event) -> None:
    state.name, state.code, state.time_zone = body.name, body.code, body.time_zone
    state.registered_at = event.effective_at


@department_fold.on(DepartmentDetailsCorrected)
def _details_corrected(state: DepartmentState, body: DepartmentDetailsCorrected, event: Event) -> None:
    state.name = body.name or state.name
    state.time_zone = body.time_zone or state.time_zone


@principal_fold.on(PrincipalRegistered)
def _principal_registered(state: PrincipalState, body: PrincipalRegistered, event: Event) -> None:
    state.role, state.label, state.station_id = body.role, body.label, body.station_id
    state.department_ids = body.department_ids
    state.registered_at = event.effective_at


@principal_fold.on(PrincipalDeactivated)
def _principal_deactivated(state: PrincipalState, body: PrincipalDeactivated, event: Event) -> None:
    if state.deactivated_at is None:
        state.deactivated_at = event.effective_at


@principal_fold.on(KeyIssued)
def _key_issued(state: PrincipalState, body: KeyIssued, event: Event) -> None:
    state.keys.append(
        Key(
            key_id=body.key_id,
            key_digest=body.key_digest,
            issued_at=event.effective_at,
            ends_at=None if body.expires_at is None else body.expires_at.astimezone(UTC),
            scopes=body.scopes,
        )
    )


@principal_fold.on(KeyRevoked)
def _key_revoked(state: PrincipalState, body: KeyRevoked, event: Event) -> None:
    ends_at = (body.ends_at or event.effective_at).astimezone(UTC)  # whatever offset it was sent with
    for key in state.keys:
        if key.key_id == body.key_id:
            key.ends_at = ends_at if key.ends_at is None else min(key.ends_at, ends_at)
            key.revoked_at = event.effective_at


@policy_fold.on(PolicySet)
def _policy_set(state: PolicyState, body: PolicySet, event: Event) -> None:
    state.policies.append(DatedPolicy(event_id=event.event_id, starts_at=event.effective_at, policy=body))


@numbering_fold.on(CylinderRegistered, CylinderTransferredIn)
def _numbered(state: NumberingState, body: CylinderRegistered | CylinderTransferredIn, event: Event) -> None:
    number = event.inventory_number
    # Only short plain numbers move the counter: a painted serial-like number must not use up the range.
    if number is not None and number.isascii() and number.isdigit() and len(number) <= 7:
        state.next_number = max(state.next_number, int(number) + 1)


@inventory_number_fold.on(CylinderRegistered, CylinderTransferredIn)
def _number_taken(state: InventoryNumberState, body: CylinderRegistered | CylinderTransferredIn, event: Event) -> None:
    if state.cylinder_id is None:
        state.inventory_number, state.cylinder_id = event.inventory_number, body.cylinder_id
