"""Listings: kept within bounds, in order, given up when something else is asked, one worked out at a time."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.listings import (
    ENTRY_OVERHEAD_BYTES,
    FRESH_FOR,
    KEPT_BYTES,
    KEPT_LISTINGS,
    RUN,
    WAITING_AT_MOST,
    Entry,
    Gathering,
    Listing,
    Listings,
)

AT = datetime(2026, 6, 15, 14, tzinfo=UTC)


def listing(asked: str, *, at: datetime = AT, positions: str = "here", size_bytes: int = 1000) -> Listing:
    return Listing(asked=asked, at=at, positions=positions, entries=(), size_bytes=size_bytes)


async def test_entries_are_put_in_order_however_many_come_and_in_whatever_order() -> None:
    gathering, count = Gathering(), 3 * RUN + 7
    for number in range(count):
        gathering.add(Entry(place=(number * 7919 % count, "x"), item=b"{}", facets=None))
    ordered = await gathering.in_order()
    assert [entry.place for entry in ordered] == [(number, "x") for number in range(count)]
    assert gathering.size_bytes == count * (ENTRY_OVERHEAD_BYTES + 2)


def test_a_page_goes_on_after_its_place_also_where_that_entry_is_gone() -> None:
    entries = tuple(Entry(place=(number, "x"), item=b"{}", facets=None) for number in (1, 3, 5))
    known = Listing(asked="due", at=AT, positions="here", entries=entries, size_bytes=1)
    assert [entry.place[0] for entry in known.after(None)] == [1, 3, 5]
    assert [entry.place[0] for entry in known.after((3, "x"))] == [5]
    assert [entry.place[0] for entry in known.after((2, "x"))] == [3, 5]
    assert list(known.after((5, "x"))) == []


def test_a_listing_is_found_by_what_was_asked_the_moment_and_the_ledger() -> None:
    kept = Listings()
    one = listing("due")
    kept.keep(one)
    assert kept.find("due", AT, "here") is one
    assert kept.find("other", AT, "here") is None
    assert kept.find("due", AT + timedelta(seconds=1), "here") is None
    assert kept.find("due", AT, "elsewhere") is None


def test_a_listing_is_as_good_as_of_now_for_a_short_time_and_while_nothing_is_recorded() -> None:
    kept = Listings()
    older, newer = listing("due"), listing("due", at=AT + timedelta(seconds=5))
    for one in (older, newer, listing("due", positions="before", at=AT + timedelta(seconds=6))):
        kept.keep(one)
    assert kept.find_fresh("due", AT + timedelta(seconds=9), "here") is newer
    assert kept.find_fresh("due", AT + timedelta(seconds=5) + FRESH_FOR, "here") is newer
    assert kept.find_fresh("due", AT + timedelta(seconds=6) + FRESH_FOR, "here") is None
    assert kept.find_fresh("due", AT, "here") is older
    assert kept.find_fresh("due", AT - timedelta(seconds=1), "here") is None


def test_so_many_are_kept_and_the_one_unused_for_longest_goes_first() -> None:
    kept = Listings()
    for number in range(KEPT_LISTINGS):
        kept.keep(listing(f"list {number}"))
    assert kept.find("list 0", AT, "here") is not None
    kept.keep(listing("one more"))
    assert kept.find("list 1", AT, "here") is None
    assert kept.find("list 0", AT, "here") is not None
    assert kept.find("one more", AT, "here") is not None


def test_so_many_bytes_are_kept_and_nothing_that_is_larger_alone() -> None:
    kept = Listings()
    kept.keep(listing("large", size_bytes=KEPT_BYTES - 1))
    kept.keep(listing("too large", size_bytes=KEPT_BYTES + 1))
    assert kept.find("large", AT, "here") is not None
    assert kept.find("too large", AT, "here") is None
    kept.keep(listing("small", size_bytes=2))
    assert kept.find("large", AT, "here") is None
    assert kept.find("small", AT, "here") is not None
    for _ in range(3):
        kept.keep(listing("small", size_bytes=2))
    kept.keep(listing("almost as large", size_bytes=KEPT_BYTES - 2))
    assert kept.find("small", AT, "here") is not None
    assert kept.find("almost as large", AT, "here") is not None


async def test_one_is_worked_out_at_a_time_and_only_so_many_wait() -> None:
    kept, release, at_once = Listings(), asyncio.Event(), 0

    async def work() -> None:
        nonlocal at_once
        async with kept.turn():
            at_once += 1
            assert at_once == 1
            await release.wait()
            at_once -= 1

    tasks = [asyncio.create_task(work()) for _ in range(WAITING_AT_MOST)]
    await asyncio.sleep(0)
    with pytest.raises(Problem) as refused:
        async with kept.turn():
            pass
    assert refused.value.kind is problem_types.FLEET_LISTS_BUSY
    release.set()
    await asyncio.gather(*tasks)
    async with kept.turn():
        pass
