"""Requalifications: one at a cylinder, or the requalifier's whole list at once."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal, require_right
from fill_ledger.api.entries import Entry, Receipt, event_id_for
from fill_ledger.api.fleet.cylinder_records import (
    ENTRY_ANSWERS,
    ENTRY_PROBLEMS,
    known_event,
    read_cylinder,
    record_together,
)
from fill_ledger.api.fleet.cylinder_types import EXAMPLE_STAMP, Reason, Stamp, stamp_body
from fill_ledger.api.fleet.requalification_results import (
    EXAMPLE_REPORT,
    EXAMPLE_RESULT,
    MAXIMUM_RESULTS,
    Result,
    ResultsReport,
    condemned_by,
    record_results,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import answer, post
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import StrictStruct
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import derived_id

RESULTS_BODY_LIMIT_BYTES = 1_000_000


class NewRequalification(Entry, frozen=True, kw_only=True):
    """One requalification as the requalifier marked or reported it."""

    stamp: Stamp
    note: Reason | None = None
    earlier_than_last_test: bool = False


class Results(StrictStruct, frozen=True, kw_only=True):
    """A requalifier's list of results."""

    results: Annotated[tuple[Result, ...], Meta(min_length=1, max_length=MAXIMUM_RESULTS)]
    department_id: uuid.UUID | None = None


@post(
    "/v1/cylinders/{cylinder_id}/requalifications",
    right=rights.CYLINDERS_WRITE,
    tag="requalifications",
    summary="Enter a requalification",
    answers=ENTRY_ANSWERS,
    body_example=NewRequalification(stamp=EXAMPLE_STAMP),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enter_requalification(
    request: AnyRequest, cylinder_id: uuid.UUID, body: NewRequalification, principal: Principal
) -> Reply[Receipt]:
    """Enter one result. `condemned` bars the cylinder for good; a month before the last test is asked about."""
    known = await read_cylinder(request, principal, cylinder_id)
    source = event_id_for(request, principal, body.event_id)
    stamp = stamp_body(body.stamp)
    requalified = cylinders.CylinderRequalified(cylinder_id=cylinder_id, stamp=stamp, note=body.note)
    bodies: list[tuple[uuid.UUID, Body]] = [(source.event_id, requalified)]
    on_record = known.state.requalifications
    last = on_record[-1].stamp.month if on_record else stamp.month
    is_repeat = await known_event(request, known.department_id, source.event_id) is not None
    if stamp.month < last and not body.earlier_than_last_test and not is_repeat:
        detail = f"The last test on record is of {last}. If {stamp.month} is right, say so with earlier_than_last_test."
        fault = Fault(code="earlier-than-last-test", detail=detail, pointer="/stamp/month")
        raise Problem(problem_types.CONFLICT, detail, errors=[fault])
    if stamp.outcome == "condemned":
        require_right(principal, rights.CYLINDERS_END)
        condemning_id = derived_id("condemned-at-requalification", source.event_id)
        if known.state.condemned_at is None:
            bodies.append((condemning_id, condemned_by(cylinder_id, stamp)))
    return await record_together(
        request,
        principal,
        known.department_id,
        bodies,
        occurred_at=body.occurred_at,
        subject_id=cylinder_id,
        source=source,
    )


@post(
    "/v1/requalification-results",
    right=rights.CYLINDERS_WRITE,
    tag="requalifications",
    summary="Enter a requalifier's list of results",
    answers=answer(ResultsReport, "What became of each result, in the order sent.", example=EXAMPLE_REPORT),
    body_example=Results(results=(EXAMPLE_RESULT,)),
    problems=(problem_types.NOT_PROCESSABLE,),
    body_limit_bytes=RESULTS_BODY_LIMIT_BYTES,
)
async def enter_results(request: AnyRequest, body: Results, principal: Principal) -> ResultsReport:
    """Enter many results at once. What is not clear is asked, the rest goes in; sending the list again is harmless.

    A result without `event_id` gets one that follows from cylinder and stamp. `condemned` bars the cylinder for good.
    """
    return await record_results(request, principal, principal.department(body.department_id), body.results)


HANDLERS: list[HTTPRouteHandler] = [enter_requalification, enter_results]
