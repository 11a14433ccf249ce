"""What entries about stations, fill positions and air sources have in common: how they are stated and recorded."""

import functools
import uuid

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    Entry,
    EventIdSource,
    Receipt,
    department_of,
    record_entry,
)
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import post
from fill_ledger.api.http.replies import Reply
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import Subject, SubjectKind

post_entry = functools.partial(post, answers=ENTRY_ANSWERS, problems=ENTRY_PROBLEMS, request_headers=(IDEMPOTENCY_KEY,))
"""States an operation that makes one entry and answers with its receipt."""


def station_subject(station_id: uuid.UUID) -> Subject:
    """Return the station as the ledger names it."""
    return Subject(SubjectKind.STATION, station_id)


def air_source_subject(air_source_id: uuid.UUID) -> Subject:
    """Return the air source as the ledger names it."""
    return Subject(SubjectKind.AIR_SOURCE, air_source_id)


async def record_entry_at(
    request: AnyRequest,
    principal: Principal,
    place: Subject,
    entry: Entry,
    event: Body,
    *,
    subject_id: uuid.UUID | None = None,
    source: EventIdSource | None = None,
) -> Reply[Receipt]:
    """Record an entry in the ledger of the department that has a station or air source, and return its receipt.

    Args:
        request: the request that makes the entry.
        principal: who makes it.
        place: the station or air source in the path.
        entry: the body, with the entry's own id and time.
        event: what is recorded.
        subject_id: what the receipt names; the place itself unless told otherwise.
        source: the id of the event where the caller needed it before.

    Raises:
        Problem: 404 where none of the principal's departments has the place; 409 or 422 with every reason where the
            ledger contradicts the entry.
    """
    department_id = await department_of(request, principal, place)
    return await record_entry(
        request, principal, department_id, entry, event, subject_id=subject_id or place.subject_id, source=source
    )
