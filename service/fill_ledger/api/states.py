"""Reading one subject's state for an answer, under the principal's departments."""

import uuid
from typing import Any

from msgspec import Struct

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.identifiers import Subject
from fill_ledger.views.folding import decode_state


class KnownState(Struct, frozen=True):
    """A state with its version: the position of the event that last changed it, which makes the ETag."""

    department_id: uuid.UUID
    version: int
    state: Any


async def read_state(request: AnyRequest, principal: Principal, subject: Subject) -> KnownState:
    """Return the state of a subject in one of the principal's departments.

    Raises:
        Problem: 404 where none of them knows it.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            """
            SELECT department_id, ledger_position, state FROM views.state
            WHERE department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND subject_kind = $1 AND subject_id = $2
            """,
            subject.kind.value,
            subject.subject_id,
        )
    if row is None:
        what = subject.kind.value.replace("_", " ")
        raise Problem(problem_types.NOT_FOUND, f"No {what} has this id.")
    return KnownState(row["department_id"], row["ledger_position"], decode_state(subject.kind, row["state"]))
