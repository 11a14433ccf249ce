"""The sealed texts that belong to closures, outages and samples, as far as the caller may read them."""

import uuid
from collections.abc import Mapping, Sequence

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.opened_texts import show_bodies
from fill_ledger.api.parts import parts_of
from fill_ledger.api.trade_types import SealedText
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing

NO_TEXT = SealedText()


async def texts_of(
    request: AnyRequest, principal: Principal, department_id: uuid.UUID, event_ids: Sequence[uuid.UUID], field: str
) -> Mapping[uuid.UUID, SealedText]:
    """Return one sealed field of each event of a department that the principal was found to see, by event id."""
    if not event_ids:
        return {}
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows = await connection.fetch(
            "SELECT canonical FROM ledger.event WHERE department_id = $1 AND event_id = ANY ($2)",
            department_id,
            list(event_ids),
        )
    events = [read_event(row["canonical"]) for row in rows]
    shown = await show_bodies(request, principal, events)
    return {event_id: SealedText(body.values.get(field), field in body.erased) for (_, event_id), body in shown.items()}
