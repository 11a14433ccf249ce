"""`/v1/specifications`: what holds for each specification and special permit, as dated entries. Reading is public."""

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
from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.events.rulebook import (
    Confidence,
    DesignPsi,
    SpecificationEntered,
    SpecificationEntry,
    SpecificationKey,
    Years,
)
from fill_ledger.trade.rulebook import SHIPPED, Rulebook, key_meant, released_entries
from fill_ledger.trade.states.rulebook import Entered


class SpecificationLine(Provenance, frozen=True, kw_only=True):
    """One dated entry. Units: years, degrees Fahrenheit. `uses` empty: never filled, `refusal` says why."""

    uses: Annotated[tuple[Use, ...], Meta(max_length=3)]
    refusal: Annotated[str, Meta(max_length=200)] | None
    interval_years: Annotated[Years, Meta(description="From one requalification to the next.")] | None
    star_interval_years: Annotated[Years, Meta(description="With a valid star, 49 CFR 180.209(b).")] | None
    life_years: Annotated[Years, Meta(description="From the month of manufacture; null for no limit.")] | None
    marked_life_prevails: bool
    plus_allowed: Annotated[bool, Meta(description="A plus sign raises the fill limit, 49 CFR 173.302a(b).")]
    reference_temperature_f: Annotated[int, Meta(ge=32, le=100, description="At which the marked pressure holds.")]
    service_pressure_max_psi: Annotated[DesignPsi, Meta(description="The highest its design allows, gauge.")] | None
    taken_as_6351: bool
    source: SourceText
    confidence: Confidence
    effective_from: FromDay | None
    effective_until: UntilDay | None


class SpecificationView(Struct, frozen=True, kw_only=True):
    """A specification or permit by its key, with every dated entry; the one that goes before the others stands first.

    fillable: an entry holds on the day asked about, and it names a use.
    """

    key: SpecificationKey
    fillable: bool
    entries: Annotated[tuple[SpecificationLine, ...], Meta(max_length=MAXIMUM_ENTRIES)]


class NewSpecification(Entry, frozen=True, kw_only=True):
    """What a specification or permit says, to hold instead of what the release brings about it."""

    entry: SpecificationEntry


class SpecificationQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list, all about the entry that holds on the day asked about."""

    key: Annotated[SpecificationKey, Meta(description="Only this key.")] | None = None
    use: Annotated[Use, Meta(description="Only what may be filled for this use.")] | None = None
    fillable: Annotated[bool, Meta(description="Only what may be filled at all, or only what may not.")] | None = None
    at: AtMoment | None = None
    time_zone: InZone | None = None


class OneSpecificationQuery(StrictStruct, frozen=True, kw_only=True):
    """On which day it is asked about."""

    at: AtMoment | None = None
    time_zone: InZone | None = None


Entries = Sequence[tuple[SpecificationEntry, Entered[SpecificationEntry] | None]]


def entries_of(rulebook: Rulebook) -> Mapping[str, Entries]:
    """Return every entry the rulebook has, by key and in precedence."""
    state = rulebook.state
    return by_key(released_entries(state).specifications, () if state is None else state.specifications)


def view_of(key: str, entries: Entries, day: date) -> SpecificationView:
    """Return what is on file under a key."""
    lines = tuple(
        SpecificationLine(
            **structs.asdict(provenance),
            **{name: value for name, value in structs.asdict(entry).items() if name != "key"},
        )
        for (entry, _), provenance in zip(entries, provenances(entries, day), strict=True)
    )
    return SpecificationView(key=key, fillable=any(line.holds and line.uses for line in lines), entries=lines)


def _holds_for(view: SpecificationView, use: Use) -> bool:
    return any(line.holds and use in line.uses for line in view.entries)


EXAMPLE = view_of("SP10915", entries_of(SHIPPED)["SP10915"], date(2026, 1, 1))
BODY_EXAMPLE = NewSpecification(
    entry=SpecificationEntry(
        key="SP99999",
        uses=("scba",),
        interval_years=5,
        life_years=15,
        source="the permit's own text, revision of 2026-03",
        confidence="read",
    )
)


@get(
    "/v1/specifications",
    right=PUBLIC,
    tag="rulebook",
    summary="List specifications and permits",
    answers=answer(Page[SpecificationView], "One page of them.", example=Page(items=[EXAMPLE], next_cursor=None)),
)
async def list_specifications(request: AnyRequest, query: SpecificationQuery) -> Reply[Page[SpecificationView]]:
    """Return what is on file about each specification and permit, by key: which entry holds, and all the others."""
    window = open_window(request, query, BY_KEY)
    rulebook, day = await current_rulebook(request), day_asked(query.at, query.time_zone)
    groups = entries_of(rulebook).items()
    shown = [
        view
        for view in (view_of(key, entries, day) for key, entries in groups if query.key in (None, key))
        if query.fillable in (None, view.fillable) and (query.use is None or _holds_for(view, query.use))
    ]
    return page_of_all(window, shown, BY_KEY)


@get(
    "/v1/specifications/{specification_key}",
    right=PUBLIC,
    tag="rulebook",
    summary="One specification or permit",
    answers=(
        answer(SpecificationView, "What is on file.", example=EXAMPLE, headers={"ETag": "Version of this answer."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
    parameters={"specification_key": "A key such as 3AA, UN steel or SP10915."},
)
async def read_specification(
    request: AnyRequest, specification_key: SpecificationKey, query: OneSpecificationQuery
) -> Reply[SpecificationView] | Reply[None]:
    """Return every entry about one specification or permit."""
    entries = entries_of(await current_rulebook(request)).get(specification_key)
    if entries is None:
        raise Problem(problem_types.NOT_FOUND, _not_on_file(specification_key))
    view = view_of(specification_key, entries, day_asked(query.at, query.time_zone))
    etag = version_tag(version_of(view))
    return not_modified(etag) if is_not_modified(request, etag) else Reply(view, etag=etag)


def _not_on_file(key: str) -> str:
    meant = key_meant(key)
    if meant is None:
        return "No specification has this key. Keys read 3AA, UN steel, SP10915 or TC 3AAM."
    if meant != key:
        return f"This is a mark, not a key; it is read as {meant}."
    return f"Nothing is on file about {key}. POST /v1/specifications enters it."


@post(
    "/v1/specifications",
    right=rights.RULES_WRITE,
    tag="rulebook",
    summary="Enter a specification or permit",
    answers=ENTRY_ANSWERS,
    body_example=BODY_EXAMPLE,
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def enter_specification(request: AnyRequest, body: NewSpecification, principal: Principal) -> Reply[Receipt]:
    """Enter what a specification or permit says, for the whole county, from a day on.

    It holds from the next question on, in every process, and goes before what the release brings and before earlier
    entries of the county. The permit's own text prevails: enter what it says, and quote it in `source`. A mistake is
    taken back by retracting the entry, which is the subject of the receipt.
    """
    return await record_rulebook_entry(request, principal, body, SpecificationEntered(entry=body.entry))


HANDLERS: list[HTTPRouteHandler] = [list_specifications, read_specification, enter_specification]
