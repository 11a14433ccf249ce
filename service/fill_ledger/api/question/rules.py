"""`/v1/rules`: every code an answer may carry, with the rule behind it, its source and its figures. Public."""

import hashlib
from datetime import date
from typing import Annotated, Literal

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.operations import PUBLIC, answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Code, StrictStruct
from fill_ledger.api.question.eligibility_types import RulesVersion
from fill_ledger.trade.judgement import CatalogueEntry, rules_catalogue, rules_version
from fill_ledger.trade.rulebook import SHIPPED

CACHE_FOR_S = 300
"""The catalogue changes only with a new version of the service; an old one may be shown for this long."""
MAXIMUM_RULES = 500
RULES_VERSION = rules_version(SHIPPED)

_CACHE_HEADERS = {"Cache-Control": f"public, max-age={CACHE_FOR_S}"}
_HEADERS_TOLD = {"ETag": "Version of this answer.", "Cache-Control": "For how long it may be kept."}

Effect = Literal["deny", "obligation", "advice"]


class RuleView(Struct, frozen=True, kw_only=True):
    """One code: what it means, what it does, where it comes from. A code never changes its meaning."""

    code: Code
    effect: Effect
    title: Annotated[str, Meta(max_length=200)]
    source: Annotated[
        str, Meta(max_length=300, description="Regulation paragraph, standard, policy or common practice.")
    ]
    clears_by: Annotated[str, Meta(max_length=200, description="What a person does about it.")] | None
    rule: Annotated[Code, Meta(description="The rule that may say it; `explain` names rules by this.")]
    parameters: Annotated[
        dict[Annotated[str, Meta(max_length=64)], Annotated[str, Meta(max_length=300)]], Meta(max_length=64)
    ]
    effective_from: Annotated[date, Meta(description="First day on which it is asked; null for always.")] | None
    version: RulesVersion


class RuleCatalogue(Struct, frozen=True, kw_only=True):
    """All codes, in the order in which the rules are asked."""

    rules_version: RulesVersion
    items: Annotated[tuple[RuleView, ...], Meta(max_length=MAXIMUM_RULES)]


class RuleQuery(StrictStruct, frozen=True, kw_only=True):
    """Filters of the catalogue."""

    effect: Annotated[Effect, Meta(description="Only codes that do this.")] | None = None


def _view(entry: CatalogueEntry) -> RuleView:
    return RuleView(
        code=entry.code,
        effect=entry.effect,
        title=entry.title,
        source=entry.source,
        clears_by=entry.clears_by,
        rule=entry.rule,
        parameters={figure.name: str(figure.value) for figure in entry.figures},
        effective_from=entry.effective_from,
        version=RULES_VERSION,
    )


_VIEWS = tuple(_view(entry) for entry in rules_catalogue())
_BY_CODE = {view.code: view for view in _VIEWS}
# What is sent also changes with a title, which the version of the rules does not tell apart from another release.
_ETAG = f'"{hashlib.sha256(msgspec.json.encode(_VIEWS)).hexdigest()[:32]}"'
_EXAMPLE = _BY_CODE["requalification-due"]


@get(
    "/v1/rules",
    right=PUBLIC,
    tag="rules",
    summary="List the codes of all rules",
    answers=(
        answer(
            RuleCatalogue,
            "The catalogue.",
            example=RuleCatalogue(rules_version=RULES_VERSION, items=(_EXAMPLE,)),
            headers=_HEADERS_TOLD,
        ),
        answer(None, "The catalogue the caller has is the present one.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def list_rules(request: AnyRequest, query: RuleQuery) -> Reply[RuleCatalogue] | Reply[None]:
    """Return every code that an answer may carry, whole: it is short and changes only with a release."""
    etag = _ETAG if query.effect is None else f'{_ETAG[:-1]}-{query.effect}"'
    if is_not_modified(request, etag):
        return not_modified(etag)
    items = tuple(view for view in _VIEWS if query.effect in (None, view.effect))
    return Reply(RuleCatalogue(rules_version=RULES_VERSION, items=items), etag=etag, headers=_CACHE_HEADERS)


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
async def read_rule(request: AnyRequest, code: Code) -> Reply[RuleView] | Reply[None]:
    """Return what one code means, what clears it, and where it comes from."""
    view = _BY_CODE.get(code)
    if view is None:
        raise Problem(problem_types.NOT_FOUND, "No rule gives this code. GET /v1/rules lists all of them.")
    etag = f'{_ETAG[:-1]}-{code}"'
    if is_not_modified(request, etag):
        return not_modified(etag)
    return Reply(view, etag=etag, headers=_CACHE_HEADERS)


HANDLERS: list[HTTPRouteHandler] = [list_rules, read_rule]
