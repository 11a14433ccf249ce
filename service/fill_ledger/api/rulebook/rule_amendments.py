"""`/v1/rule-amendments`: figures of rules and sources of codes that the county changes for a time."""

import uuid
from datetime import UTC, datetime
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import PUBLIC, answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Code, Moment
from fill_ledger.api.rulebook.days import AtMoment, InZone, day_asked
from fill_ledger.api.rulebook.entered import (
    NEWEST_FIRST,
    EntryId,
    FromDay,
    SourceText,
    UntilDay,
    page_of_all,
    record_rulebook_entry,
)
from fill_ledger.api.rulebook.rule_views import FigureNumber
from fill_ledger.api.rulebook.rules import current_rulebook
from fill_ledger.trade.events.rulebook import (
    AmendedFigure,
    AmendedSource,
    FigureName,
    RuleAmended,
)
from fill_ledger.trade.months import StampMonth
from fill_ledger.trade.rulebook import holds_on

MAXIMUM_AMENDED = 20

Authority = Annotated[
    str, Meta(min_length=1, max_length=200, description="By what authority: the notice or paragraph, and its date.")
]


class AmendedFigureView(Struct, frozen=True, kw_only=True):
    """A figure and the value it has instead, in the unit of its name."""

    figure: FigureName
    value: FigureNumber | StampMonth


class AmendedSourceView(Struct, frozen=True, kw_only=True):
    """A code and the source it is quoted with instead."""

    code: Code
    source: SourceText


class AmendmentView(Struct, frozen=True, kw_only=True):
    """One amendment. Where several in effect name one figure or code, the newest holds."""

    entry_id: EntryId
    entered_at: Moment
    in_effect: Annotated[bool, Meta(description="It is in effect on the day asked about.")]
    reason: Authority
    figures: Annotated[tuple[AmendedFigureView, ...], Meta(max_length=MAXIMUM_AMENDED)]
    sources: Annotated[tuple[AmendedSourceView, ...], Meta(max_length=MAXIMUM_AMENDED)]
    effective_from: FromDay | None
    effective_until: UntilDay | None


class NewAmendment(Entry, frozen=True, kw_only=True):
    """Figures of rules, or sources of codes, that are others from a day until another.

    `/v1/rules` lists every figure with its lowest and highest value. `reason` stands in the ledger for ever and is
    public: name the authority, never a person.
    """

    figures: Annotated[tuple[AmendedFigure, ...], Meta(max_length=MAXIMUM_AMENDED)] = ()
    sources: Annotated[tuple[AmendedSource, ...], Meta(max_length=MAXIMUM_AMENDED)] = ()
    reason: Authority
    effective_from: FromDay | None = None
    effective_until: UntilDay | None = None


class AmendmentQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list."""

    figure: Annotated[FigureName, Meta(description="Only amendments of this figure.")] | None = None
    code: Annotated[Code, Meta(description="Only amendments of this code's source.")] | None = None
    in_effect: Annotated[bool, Meta(description="Only those in effect on the day, or only others.")] | None = None
    at: AtMoment | None = None
    time_zone: InZone | None = None


EXAMPLE = AmendmentView(
    entry_id=uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    entered_at=datetime(2026, 11, 24, 14, 30, tzinfo=UTC),
    in_effect=True,
    reason="notice of relief of 2026-11-20",
    figures=(AmendedFigureView(figure="requalification_grace_months", value=12),),
    sources=(),
    effective_from="2026-11-20",
    effective_until="2027-06-01",
)
BODY_EXAMPLE = NewAmendment(
    figures=(AmendedFigure(figure="requalification_grace_months", value=12),),
    reason="notice of relief of 2026-11-20",
    effective_from="2026-11-20",
    effective_until="2027-06-01",
)


@get(
    "/v1/rule-amendments",
    right=PUBLIC,
    tag="rulebook",
    summary="List amendments of rules",
    answers=answer(Page[AmendmentView], "One page of them.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_rule_amendments(request: AnyRequest, query: AmendmentQuery) -> Reply[Page[AmendmentView]]:
    """Return the county's amendments, past, present and to come, the one entered last first."""
    window = open_window(request, query, NEWEST_FIRST)
    rulebook, day = await current_rulebook(request), day_asked(query.at, query.time_zone)
    shown = [
        AmendmentView(
            entry_id=known.event_id,
            entered_at=known.entered_at,
            in_effect=holds_on(day, known.entry.effective_from, known.entry.effective_until),
            reason=known.entry.reason,
            figures=tuple(
                AmendedFigureView(figure=amended.figure, value=amended.value) for amended in known.entry.figures
            ),
            sources=tuple(
                AmendedSourceView(code=amended.code, source=amended.source) for amended in known.entry.sources
            ),
            effective_from=known.entry.effective_from,
            effective_until=known.entry.effective_until,
        )
        for known in (() if rulebook.state is None else rulebook.state.amendments)
        if query.figure is None or any(amended.figure == query.figure for amended in known.entry.figures)
        if query.code is None or any(amended.code == query.code for amended in known.entry.sources)
    ]
    return page_of_all(window, [view for view in shown if query.in_effect in (None, view.in_effect)], NEWEST_FIRST)


@post(
    "/v1/rule-amendments",
    right=rights.RULES_WRITE,
    tag="rulebook",
    summary="Amend figures or sources of rules",
    answers=ENTRY_ANSWERS,
    body_example=BODY_EXAMPLE,
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def amend_rules(request: AnyRequest, body: NewAmendment, principal: Principal) -> Reply[Receipt]:
    """Give figures other values, or codes other sources, for the whole county and for a time.

    For a change of the law, or relief from it, without a new release. It holds from the next question on, and
    `valid_until` of an answer heeds its days.
    """
    event = RuleAmended(
        figures=body.figures,
        sources=body.sources,
        reason=body.reason,
        effective_from=body.effective_from,
        effective_until=body.effective_until,
    )
    return await record_rulebook_entry(request, principal, body, event)


HANDLERS: list[HTTPRouteHandler] = [list_rule_amendments, amend_rules]
