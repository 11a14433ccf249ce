"""Reading the tag in a request, and asking where it is on another cylinder."""

import uuid

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.identifiers import tag_subject
from fill_ledger.trade.tags import TagFault, normalise_tag


def tag_read(text: str, pointer: str) -> str | Fault:
    """Return the canonical text of a tag, or the fault that says what to send instead."""
    read = normalise_tag(text)
    if isinstance(read, TagFault):
        return Fault(code=read.code, detail=f"{read.detail}; {read.suggestion}.", pointer=pointer)
    return read.canonical


async def cylinder_wearing(request: AnyRequest, department_id: uuid.UUID, tag: str) -> uuid.UUID | None:
    """Return the cylinder of the department that wears a tag (canonical text) now, or None."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        found: uuid.UUID | None = await connection.fetchval(
            "SELECT cylinder_id FROM views.tag WHERE department_id = $1 AND tag_id = $2",
            department_id,
            tag_subject(tag).subject_id,
        )
    return found


async def refuse_tag_elsewhere(
    request: AnyRequest, department_id: uuid.UUID, tag: str, cylinder_id: uuid.UUID, pointer: str
) -> None:
    """Ask before a tag is taken from another cylinder of the department.

    Raises:
        Problem: 409 conflict, with the cylinder that wears it.
    """
    wearer = await cylinder_wearing(request, department_id, tag)
    if wearer is None or wearer == cylinder_id:
        return
    detail = f"The tag is on another cylinder, {wearer}. If it moves to this one, say so with tag_moves: true."
    raise Problem(
        problem_types.CONFLICT,
        detail,
        errors=[Fault(code="tag-on-another-cylinder", detail=detail, pointer=pointer)],
        extensions={"cylinder_id": str(wearer)},
    )
