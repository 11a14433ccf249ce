"""Entries that cannot be made the same twice (a key, a hash): looking at what is on record under their id."""

import uuid

from fill_ledger.api.entries import Receipt
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.ledger_token import encode_ledger_token
from fill_ledger.ledger.read import RecordedEvent, event_by_id, seeing


async def recorded_event(request: AnyRequest, department_id: uuid.UUID, event_id: uuid.UUID) -> RecordedEvent | None:
    """Return the event that a department's ledger has under this id, or None."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        return await event_by_id(connection, department_id, event_id)


async def receipt_of_recorded(
    request: AnyRequest, department_id: uuid.UUID, recorded: RecordedEvent, subject_id: uuid.UUID
) -> Receipt:
    """Return the receipt of an event that was on record before, with the head of the ledger as it is now."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        head = await connection.fetchrow(
            "SELECT ledger_position, chain_digest FROM ledger.head WHERE department_id = $1", department_id
        )
    assert head is not None  # the event is in this ledger
    return Receipt(
        event_id=recorded.event.event_id,
        subject_id=subject_id,
        outcome="exists",
        ledger_position=recorded.ledger_position,
        ledger=encode_ledger_token(department_id, head["ledger_position"]),
        chain_digest=head["chain_digest"].hex(),
    )
