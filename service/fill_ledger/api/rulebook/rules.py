"""`/v1/rules`: every code an answer may carry, with the rule behind it, its source and its figures. Public."""

from datetime import date
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, structs

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.operations import PUBLIC, answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Code, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.api.question.eligibility_types import RulesVersion
from fill_ledger.api.rulebook.days import AtMoment, InZone, day_asked
from fill_ledger.api.rulebook.rule_views import (
    MAXIMUM_RULES,
    Catalogue,
    CodeEffect,
    RuleConcern,
    RuleView,
    catalogue_on,
)
from fill_ledger.trade.rulebook import SHIPPED, Rulebook
from fill_ledger.trade.rules import rules_version

CACHE_FOR_S = 60
"""The catalogue changes with a release or an entry of the county; an old one may be shown for this long."""
ETAG_DIGITS = 32

_CACHE_HEADERS = {"Cache-Control": f"public, max-age={CACHE_FOR_S}"}
_HEADERS_TOLD = {"ETag": "Version of this answer.", "Cache-Control": "For how long it may be kept."}


class RuleCatalogue(Struct, frozen=True, kw_only=True):
    """All codes: those of the rules in the order in which they are asked, then those only found about facts."""

    rules_version: RulesVersion
    items: Annotated[tuple[RuleView, ...], Meta(max_length=MAXIMUM_RULES)]


class RuleQuery(StrictStruct, frozen=True, kw_only=True):
    """Filters of the catalogue."""

    effect: Annotated[CodeEffect, Meta(description="Only codes that do this.")] | None = None
    concerns: Annotated[RuleConcern, Meta(description="Only codes of rules that look at this.")] | None = None
    at: AtMoment | None = None
    time_zone: InZone | None = None


class OneRuleQuery(StrictStruct, frozen=True, kw_only=True):
    """When the code is asked about."""

    at: AtMoment | None = None
    time_zone: InZone | None = None


async def current_rulebook(request: AnyRequest) -> Rulebook:
    """Return what the rules go by as the county's ledger has it now."""
    parts = parts_of(request)
    return await parts.rulebooks.current(parts.database.lookups)


def _etag(catalogue: Catalogue, *parts: str) -> str:
    return f'"{"-".join((catalogue.digest[:ETAG_DIGITS], *parts))}"'


# A version of its own, so that the document does not change with every rule.
_EXAMPLE_VERSION = "2f6a3c1d9b40"
_EXAMPLE = structs.replace(
    catalogue_on(SHIPPED, date(2026, 1, 1)).views["requalification-due"], version=_EXAMPLE_VERSION
)


@get(
    "/v1/rules",
    right=PUBLIC,
    tag="rules",
    summary="List the codes of all rules",
    answers=(
        answer(
            RuleCatalogue,
            "The catalogue.",
            example=RuleCatalogue(rules_version=_EXAMPLE_VERSION, items=(_EXAMPLE,)),
            headers=_HEADERS_TOLD,
        ),
        answer(None, "The catalogue the caller has is the present one.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def list_rules(request: AnyRequest, query: RuleQuery) -> Reply[RuleCatalogue] | Reply[None]:
    """Return every code that an answer or a finding may carry, whole, with figures and sources as they hold.

    Figures and sources that the county has amended say by what authority and on which days. What comes later stands in
    `/v1/rule-amendments`.
    """
    rulebook = await current_rulebook(request)
    catalogue = catalogue_on(rulebook, day_asked(query.at, query.time_zone))
    etag = _etag(catalogue, *(part for part in (query.effect, query.concerns) if part is not None))
    if is_not_modified(request, etag):
        return not_modified(etag)
    items = tuple(
        view
        for view in catalogue.views.values()
        if query.effect in (None, view.effect) and query.concerns in (None, view.concerns)
    )
    return Reply(RuleCatalogue(rules_version=rules_version(rulebook), items=items), etag=etag, headers=_CACHE_HEADERS)


@get(
    "/v1/rules/{code}",
    right=PUBLIC,
    tag="rules",
    summary="One code",
    answers=(
        answer(RuleView, "The code and the rule behind it.", example=_EXAMPLE, headers=_HEADERS_TOLD),
        answer(None, "The entry the caller has is the present one.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
    parameters={"code": "A code as answers carry it, such as requalification-due."},
)
async def read_rule(request: AnyRequest, code: Code, query: OneRuleQuery) -> Reply[RuleView] | Reply[None]:
    """Return what one code means, what clears it, and where it comes from."""
    catalogue = catalogue_on(await current_rulebook(request), day_asked(query.at, query.time_zone))
    view = catalogue.views.get(code)
    if view is None:
        raise Problem(problem_types.NOT_FOUND, "No rule gives this code. GET /v1/rules lists all of them.")
    etag = _etag(catalogue, code)
    if is_not_modified(request, etag):
        return not_modified(etag)
    return Reply(view, etag=etag, headers=_CACHE_HEADERS)


HANDLERS: list[HTTPRouteHandler] = [list_rules, read_rule]
