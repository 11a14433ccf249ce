"""What the dated entries of the rulebook have in common: who brought them, whether they hold, and one page of many."""

import uuid
from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from msgspec import Meta, Struct

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, event_id_for, record_entry
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.paging import Page, PageWindow
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Moment
from fill_ledger.trade.events.envelope import Day
from fill_ledger.trade.events.rulebook import AirStandard, RulebookBody, SpecificationEntry
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.trade.rulebook import holds_on
from fill_ledger.trade.states.rulebook import Entered

KeyedType = TypeVar("KeyedType", SpecificationEntry, AirStandard)

MAXIMUM_ENTRIES = 10_000
"""Of one key; each is entered by hand."""

EntryOrigin = Literal["release", "county"]
EntryId = Annotated[
    uuid.UUID, Meta(description="The event that entered it; retracting it takes the entry back. Null for a release's.")
]
SourceText = Annotated[
    str, Meta(min_length=1, max_length=200, description="Where it stands: regulation, standard, permit and revision.")
]
FromDay = Annotated[Day, Meta(description="First day, in the station's calendar, on which it holds; null for always.")]
UntilDay = Annotated[Day, Meta(description="First day on which it holds no more; null for open.")]


class Provenance(Struct, frozen=True, kw_only=True):
    """Who brought an entry, when, and whether it is the one that holds on the day asked about.

    `holds`: of all entries of one key, the newest of the county's that are in effect, else the release's.
    """

    origin: EntryOrigin
    entry_id: EntryId | None
    entered_at: Moment | None
    holds: bool


def by_key(
    released: Sequence[KeyedType], entered: Sequence[Entered[KeyedType]]
) -> dict[str, list[tuple[KeyedType, Entered[KeyedType] | None]]]:
    """Return all entries by key, of each key the one that goes before the others first, with who entered it."""
    groups: dict[str, list[tuple[KeyedType, Entered[KeyedType] | None]]] = {}
    for known in reversed(entered):
        groups.setdefault(known.entry.key, []).append((known.entry, known))
    for entry in reversed(released):
        groups.setdefault(entry.key, []).append((entry, None))
    return groups


def provenances(entries: Sequence[tuple[Any, Entered[Any] | None]], day: date) -> list[Provenance]:
    """Return the provenance of each entry of one key, given in their precedence."""
    found, shown = False, []
    for entry, known in entries:
        holds = not found and holds_on(day, entry.effective_from, entry.effective_until)
        found = found or holds
        shown.append(
            Provenance(
                origin="release" if known is None else "county",
                entry_id=None if known is None else known.event_id,
                entered_at=None if known is None else known.entered_at,
                holds=holds,
            )
        )
    return shown


BY_KEY = SortOrder(name="key", keys=(SortKey(column="key", kind="text"),))
NEWEST_FIRST = SortOrder(
    name="newest_first",
    keys=(
        SortKey(column="entered_at", kind="timestamp", descending=True),
        SortKey(column="entry_id", kind="uuid", descending=True),
    ),
)


def page_of_all(window: PageWindow, everything: Sequence[Struct], order: SortOrder) -> Reply[Page[Any]]:
    """Return one page of a list that is short enough to be kept whole, ordered by fields of its items."""
    after = window.after_values

    def place(item: Any) -> tuple[Any, ...]:
        return tuple(getattr(item, key.name) for key in order.keys)

    is_descending = order.keys[0].descending
    ordered = sorted(everything, key=place, reverse=is_descending)
    if after is not None:
        last = tuple(after)
        ordered = [item for item in ordered if (place(item) < last if is_descending else place(item) > last)]
    rows = [{key.name: getattr(item, key.name) for key in order.keys} | {"item": item} for item in ordered]
    return window.page(rows[: window.fetch_limit], lambda row: row["item"])


async def record_rulebook_entry(
    request: AnyRequest, principal: Principal, entry: Entry, body: RulebookBody
) -> Reply[Receipt]:
    """Record an entry of the county's rulebook; its own id is what the receipt is about."""
    source = event_id_for(request, principal, entry.event_id)
    return await record_entry(request, principal, COUNTY_ID, entry, body, subject_id=source.event_id, source=source)
