"""Rows for members. No names: those are sealed beside the ledger."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.states.members import MemberState


class MemberRow(msgspec.Struct, kw_only=True):
    """One member as lists filter them."""

    department_id: uuid.UUID
    member_id: uuid.UUID
    enrolled_at: datetime | None
    standing: str
    authorised_kinds: tuple[str, ...]
    authorised_through: str | None


def member_rows(state: MemberState) -> list[MemberRow]:
    """Return the row of a member."""
    current = state.authorisations[-1] if state.authorisations else None
    away = any(absence.ends_at is None for absence in state.absences)
    return [
        MemberRow(
            department_id=state.department_id,
            member_id=state.subject_id,
            enrolled_at=state.enrolled_at,
            standing="unenrolled" if state.enrolled_at is None else "inactive" if away else "active",
            authorised_kinds=() if current is None else current.kinds,
            authorised_through=None if current is None else current.through,
        )
    ]
