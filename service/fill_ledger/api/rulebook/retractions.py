"""`/v1/rulebook-entries/{entry_id}/retractions`: taking back what was entered into the rulebook by mistake."""

import uuid

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, record_entry
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import post
from fill_ledger.api.http.problem_types import NOT_FOUND
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.recorded_entries import recorded_event
from fill_ledger.api.trade_types import Reason
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.rulebook import AirStandardEntered, RuleAmended, SpecificationEntered
from fill_ledger.trade.identifiers import COUNTY_ID

# Of the county's ledger only these: what gives or ends rights is ended by an entry of its own.
RETRACTABLE_HERE = (SpecificationEntered, AirStandardEntered, RuleAmended)


class EntryRetraction(Entry, frozen=True, kw_only=True):
    """Why an entry is taken back."""

    reason: Reason


@post(
    "/v1/rulebook-entries/{entry_id}/retractions",
    right=rights.RULES_WRITE,
    tag="rulebook",
    summary="Take an entry of the rulebook back",
    answers=ENTRY_ANSWERS,
    body_example=EntryRetraction(reason="The permit was misread."),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def retract_rulebook_entry(
    request: AnyRequest, entry_id: uuid.UUID, body: EntryRetraction, principal: Principal
) -> Reply[Receipt]:
    """Take back a specification, a standard of air or an amendment that was entered by mistake.

    It stays on record and counts for nothing from the next question on. What was true for a time is better ended by a
    further entry: a retraction says that it never was.
    """
    recorded = await recorded_event(request, COUNTY_ID, entry_id)
    if recorded is None or not isinstance(recorded.event.body, RETRACTABLE_HERE):
        raise Problem(NOT_FOUND, "No entry of the rulebook has this id.")
    event = EventRetracted(retracted_event_id=entry_id, reason=body.reason)
    return await record_entry(request, principal, COUNTY_ID, body, event, subject_id=entry_id)


HANDLERS: list[HTTPRouteHandler] = [retract_rulebook_entry]
