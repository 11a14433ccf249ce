"""Lists that are worked out as a whole, kept for a short time, so that their later pages are not worked out again.

A listing is of one moment of the ledger and asks about one moment in time. It is kept by both and by what was asked,
within a number and a number of bytes, the one unused for longest given up first. One is worked out at a time in a
process: it takes seconds of the interpreter, and more at once would only take longer.
"""

import asyncio
import bisect
import heapq
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Hashable, Iterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Any

import msgspec

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Problem

KEPT_LISTINGS = 8
KEPT_BYTES = 64 * 1024 * 1024
ENTRY_OVERHEAD_BYTES = 900
"""What an entry takes beside its item: its place and facets as Python holds them, rounded up."""

WAITING_AT_MOST = 8
RETRY_BUSY_S = 10
FRESH_FOR = timedelta(seconds=30)
"""A list asked for as of now is answered as of a moment at most this long ago, if nothing was recorded since."""

SLICE_S = 0.002
"""So long a listing works before it lets look-ups and all others have their turn."""

RUN = 256
"""So many entries are sorted at once; runs of them are merged one by one."""

Place = tuple[int | str, ...]


class Entry(msgspec.Struct, frozen=True, gc=False):
    """One item of a listing: its place in the order, the item as JSON, and what filters and sums look at."""

    place: Place
    item: bytes
    facets: Any


class Listing(msgspec.Struct, frozen=True, kw_only=True):
    """A whole list in its order. size_bytes: what it takes in memory, about. summary: what is told of the whole."""

    asked: Hashable
    at: datetime
    positions: str
    entries: tuple[Entry, ...]
    size_bytes: int
    summary: Any = None

    def after(self, place: Place | None) -> Iterator[Entry]:
        """Yield the entries that come after a place; all of them without one."""
        first = 0 if place is None else bisect.bisect_right(self.entries, place, key=_place)
        for number in range(first, len(self.entries)):
            yield self.entries[number]


class Pauses:
    """Gives way to everything else on the event loop every few milliseconds."""

    def __init__(self) -> None:
        self._began = time.perf_counter()

    async def breathe(self) -> None:
        """Let others have their turn if the slice is used up."""
        if time.perf_counter() - self._began >= SLICE_S:
            await asyncio.sleep(0)
            self._began = time.perf_counter()


class Gathering:
    """The entries of a listing while it is worked out; puts them in order without holding up others for long."""

    def __init__(self) -> None:
        self.pauses = Pauses()
        self.size_bytes = 0
        self._runs: list[list[Entry]] = [[]]

    def add(self, entry: Entry) -> None:
        """Take one more entry."""
        if len(self._runs[-1]) == RUN:
            self._runs[-1].sort(key=_place)
            self._runs.append([])
        self._runs[-1].append(entry)
        self.size_bytes += len(entry.item) + ENTRY_OVERHEAD_BYTES

    async def in_order(self) -> tuple[Entry, ...]:
        """Return all entries by their places."""
        self._runs[-1].sort(key=_place)
        ordered: list[Entry] = []
        for entry in heapq.merge(*self._runs, key=_place):
            ordered.append(entry)
            await self.pauses.breathe()
        return tuple(ordered)


def _place(entry: Entry) -> Place:
    return entry.place


class Listings:
    """The listings a process keeps. Used from one event loop."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[Hashable, datetime, str], Listing] = OrderedDict()
        self._bytes = 0
        self._turn = asyncio.Lock()
        self._waiting = 0

    def find(self, asked: Hashable, at: datetime, positions: str) -> Listing | None:
        """Return a listing of exactly this, or None."""
        key = (asked, at, positions)
        if key not in self._kept:
            return None
        self._kept.move_to_end(key)
        return self._kept[key]

    def find_fresh(self, asked: Hashable, now: datetime, positions: str) -> Listing | None:
        """Return the newest listing of this that is as good as of now, or None."""
        fresh = [
            at
            for kept_asked, at, kept_positions in self._kept
            if kept_asked == asked and kept_positions == positions and now - FRESH_FOR <= at <= now
        ]
        return self.find(asked, max(fresh), positions) if fresh else None

    def keep(self, listing: Listing) -> None:
        """Keep a listing, unless it alone is too large."""
        key = (listing.asked, listing.at, listing.positions)
        if listing.size_bytes > KEPT_BYTES or key in self._kept:
            return
        self._kept[key] = listing
        self._bytes += listing.size_bytes
        while len(self._kept) > KEPT_LISTINGS or self._bytes > KEPT_BYTES:
            _, given_up = self._kept.popitem(last=False)
            self._bytes -= given_up.size_bytes

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Wait until no other listing is worked out.

        Raises:
            Problem: 503 fleet-lists-busy where too many wait already.
        """
        if self._waiting >= WAITING_AT_MOST:
            raise Problem(
                problem_types.FLEET_LISTS_BUSY,
                "Too many lists of the whole fleet are asked for at once.",
                headers={"Retry-After": str(RETRY_BUSY_S)},
            )
        self._waiting += 1
        try:
            async with self._turn:
                yield
        finally:
            self._waiting -= 1
