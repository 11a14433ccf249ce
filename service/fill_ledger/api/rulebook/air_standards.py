"""`/v1/air-standards`: what each authority wants of breathing air, as dated entries. Reading is public."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, structs

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_NONE_MATCH
from fill_ledger.api.http.newest_first import version_of
from fill_ledger.api.http.operations import PUBLIC, answer, get, post
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import StrictStruct
from fill_ledger.api.rulebook.days import AtMoment, InZone, day_asked
from fill_ledger.api.rulebook.entered import (
    BY_KEY,
    MAXIMUM_ENTRIES,
    FromDay,
    Provenance,
    SourceText,
    UntilDay,
    by_key,
    page_of_all,
    provenances,
    record_rulebook_entry,
)
from fill_ledger.api.rulebook.rules import current_rulebook
from fill_ledger.trade.events.air import AirSourceKind, Analyte, AnalyteUnit, DecimalText
from fill_ledger.trade.events.rulebook import AirStandard, AirStandardEntered, AnalyteLimit, Confidence, StandardKey
from fill_ledger.trade.rulebook import Rulebook, released_entries
from fill_ledger.trade.states.rulebook import Entered

MAXIMUM_LIMITS = 40
StoragePsi = Annotated[int, Meta(ge=0, le=15_000, extra_json_schema={"format": "int32"})]


class AnalyteLimitView(Struct, frozen=True, kw_only=True):
    """Between what a standard wants one analyte, both ends included; null where it sets no such end.

    over_psi and through_psi: the limit is for air stored above and up to these gauge pressures. air_source_kind: it is
    for air of this kind of source only.
    """

    analyte: Analyte
    unit: AnalyteUnit
    minimum: DecimalText | None
    maximum: DecimalText | None
    over_psi: StoragePsi | None
    through_psi: StoragePsi | None
    air_source_kind: AirSourceKind | None
    source: SourceText | None


class AirStandardLine(Provenance, frozen=True, kw_only=True):
    """One dated entry of a standard of air."""

    title: SourceText
    limits: Annotated[tuple[AnalyteLimitView, ...], Meta(max_length=MAXIMUM_LIMITS)]
    source: SourceText
    confidence: Confidence
    effective_from: FromDay | None
    effective_until: UntilDay | None


class AirStandardView(Struct, frozen=True, kw_only=True):
    """A standard of air by its key, with every dated entry; the one that goes before the others stands first."""

    key: StandardKey
    in_effect: Annotated[bool, Meta(description="An entry holds on the day asked about.")]
    entries: Annotated[tuple[AirStandardLine, ...], Meta(max_length=MAXIMUM_ENTRIES)]


class NewAirStandard(Entry, frozen=True, kw_only=True):
    """What a standard of air says, to hold instead of what the release brings about it."""

    standard: AirStandard


class AirStandardQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list, about the entry that holds on the day asked about."""

    key: Annotated[StandardKey, Meta(description="Only this key.")] | None = None
    analyte: Annotated[Analyte, Meta(description="Only standards that limit this.")] | None = None
    in_effect: Annotated[bool, Meta(description="Only those of which an entry holds, or only others.")] | None = None
    at: AtMoment | None = None
    time_zone: InZone | None = None


class OneAirStandardQuery(StrictStruct, frozen=True, kw_only=True):
    """On which day it is asked about."""

    at: AtMoment | None = None
    time_zone: InZone | None = None


Entries = Sequence[tuple[AirStandard, Entered[AirStandard] | None]]


def entries_of(rulebook: Rulebook) -> Mapping[str, Entries]:
    """Return every standard of air the rulebook has, by key and in precedence."""
    state = rulebook.state
    return by_key(released_entries(state).air_standards, () if state is None else state.air_standards)


def view_of(key: str, entries: Entries, day: date) -> AirStandardView:
    """Return what is on file under a key."""
    lines = tuple(
        AirStandardLine(
            **structs.asdict(provenance),
            title=standard.title,
            limits=tuple(_limit_view(limit) for limit in standard.limits),
            source=standard.source,
            confidence=standard.confidence,
            effective_from=standard.effective_from,
            effective_until=standard.effective_until,
        )
        for (standard, _), provenance in zip(entries, provenances(entries, day), strict=True)
    )
    return AirStandardView(key=key, in_effect=any(line.holds for line in lines), entries=lines)


def _limit_view(limit: AnalyteLimit) -> AnalyteLimitView:
    return AnalyteLimitView(**{name: getattr(limit, name) for name in AnalyteLimitView.__struct_fields__})


def _limits(view: AirStandardView, analyte: Analyte) -> bool:
    return any(line.holds and any(limit.analyte == analyte for limit in line.limits) for line in view.entries)


_STANDARD_EXAMPLE = AirStandard(
    key="County air rule 2026",
    title="Breathing air in the county",
    limits=(
        AnalyteLimit(analyte="oxygen", unit="percent", minimum="19.5", maximum="23.5"),
        AnalyteLimit(analyte="carbon_monoxide", unit="ppm", maximum="5"),
    ),
    source="county rule of 2026-03-01, section 4",
    confidence="read",
    effective_from="2026-07-01",
)
BODY_EXAMPLE = NewAirStandard(standard=_STANDARD_EXAMPLE)
EXAMPLE = view_of(_STANDARD_EXAMPLE.key, ((_STANDARD_EXAMPLE, None),), date(2026, 8, 1))


@get(
    "/v1/air-standards",
    right=PUBLIC,
    tag="rulebook",
    summary="List standards of air",
    answers=answer(Page[AirStandardView], "One page of them.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_air_standards(request: AnyRequest, query: AirStandardQuery) -> Reply[Page[AirStandardView]]:
    """Return the standards of breathing air on file, by key: which entry holds, and all the others."""
    window = open_window(request, query, BY_KEY)
    rulebook, day = await current_rulebook(request), day_asked(query.at, query.time_zone)
    groups = entries_of(rulebook).items()
    shown = [
        view
        for view in (view_of(key, entries, day) for key, entries in groups if query.key in (None, key))
        if query.in_effect in (None, view.in_effect) and (query.analyte is None or _limits(view, query.analyte))
    ]
    return page_of_all(window, shown, BY_KEY)


@get(
    "/v1/air-standards/{standard_key}",
    right=PUBLIC,
    tag="rulebook",
    summary="One standard of air",
    answers=(
        answer(AirStandardView, "What is on file.", example=EXAMPLE, headers={"ETag": "Version of this answer."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
    parameters={"standard_key": "The key of a standard, as a department's policy names it."},
)
async def read_air_standard(
    request: AnyRequest, standard_key: StandardKey, query: OneAirStandardQuery
) -> Reply[AirStandardView] | Reply[None]:
    """Return every entry about one standard of air."""
    entries = entries_of(await current_rulebook(request)).get(standard_key)
    if entries is None:
        raise Problem(problem_types.NOT_FOUND, "No standard of air has this key. POST /v1/air-standards enters one.")
    view = view_of(standard_key, entries, day_asked(query.at, query.time_zone))
    etag = version_tag(version_of(view))
    return not_modified(etag) if is_not_modified(request, etag) else Reply(view, etag=etag)


@post(
    "/v1/air-standards",
    right=rights.RULES_WRITE,
    tag="rulebook",
    summary="Enter a standard of air",
    answers=ENTRY_ANSWERS,
    body_example=BODY_EXAMPLE,
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enter_air_standard(request: AnyRequest, body: NewAirStandard, principal: Principal) -> Reply[Receipt]:
    """Enter the limits of a standard of breathing air, whole, for the county, from a day on.

    A department goes by a standard when its policy names the key. A mistake is taken back by retracting the entry,
    which is the subject of the receipt.
    """
    return await record_rulebook_entry(request, principal, body, AirStandardEntered(standard=body.standard))


HANDLERS: list[HTTPRouteHandler] = [list_air_standards, read_air_standard, enter_air_standard]
