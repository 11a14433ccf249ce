"""The rulebook as a fold of the county's ledger: the same in any order, kept by every process, installed once."""

import asyncio
import random
import uuid
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import asyncpg
import pytest

from fill_ledger.app import create_app
from fill_ledger.database import Database
from fill_ledger.intake import installing
from fill_ledger.intake.claims import Claim
from fill_ledger.intake.installing import install_rulebook
from fill_ledger.serving import serving
from fill_ledger.settings import Settings
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.events.rulebook import (
    AirStandard,
    AirStandardEntered,
    AmendedFigure,
    AmendedSource,
    AnalyteLimit,
    RuleAmended,
    RulebookInstalled,
    SpecificationEntered,
    SpecificationEntry,
)
from fill_ledger.trade.identifiers import COUNTY_ID, rulebook_subject
from fill_ledger.trade.rulebook import SHIPPED, rulebook_of, shipped_rulebook
from fill_ledger.trade.rules import rules_version
from fill_ledger.trade.states.rulebook import RulebookState
from fill_ledger.views.check import check_views
from fill_ledger.views.digests import state_digest
from fill_ledger.views.rebuild import rebuild_views
from fill_ledger.views.rulebooks import Rulebooks
from tests.support.databases import Databases, fresh_database
from tests.support.ledgers import TEST_MASTER_KEY, Ledger, claim_of, open_ledger, open_writers

START = datetime(2026, 1, 5, 12, tzinfo=UTC)
SEED = 20_261_124
ORDERS = 12
IDS = [uuid.UUID(int=0xE0 + number) for number in range(8)]


def entry(key: str = "SP99999", **fields: Any) -> SpecificationEntry:
    given: dict[str, Any] = {"interval_years": 5, "life_years": 15, "source": "the permit", "confidence": "read"}
    return SpecificationEntry(key=key, **(given | fields))


def standard(maximum: str) -> AirStandard:
    limit = AnalyteLimit(analyte="carbon_monoxide", unit="ppm", maximum=maximum)
    return AirStandard(key="County 2026", title="Air", limits=(limit,), source="rule 4", confidence="read")


def grace(months: int, **fields: Any) -> RuleAmended:
    figure = AmendedFigure(figure="requalification_grace_months", value=months)
    return RuleAmended(figures=(figure,), reason="notice", **fields)


def history() -> list[Claim]:
    """Entries that depend on which came first, two releases, and a retraction of one of them."""
    older = RulebookInstalled(release="1", specifications=(entry("3AA", interval_years=4),), air_standards=())
    bodies: list[Body] = [
        older,
        SpecificationEntered(entry=entry(life_years=15)),
        SpecificationEntered(entry=entry(life_years=20)),
        SpecificationEntered(entry=entry(life_years=99)),
        AirStandardEntered(standard=standard("10")),
        grace(12, effective_from="2026-02-01", effective_until="2026-08-01"),
        grace(3, sources=(AmendedSource(code="requalification-due", source="notice"),)),
        shipped_rulebook("2"),
    ]
    claims = [
        claim_of(body, event_id, occurred_at=START + timedelta(days=day))
        for day, (body, event_id) in enumerate(zip(bodies, IDS, strict=True))
    ]
    retraction = claim_of(EventRetracted(retracted_event_id=IDS[3], reason="misread"), uuid.UUID(int=0xF0))
    return [*claims, retraction]


def orders() -> list[list[Claim]]:
    """As it happened, backwards, with the retraction first, and some more."""
    claims = history()
    chance = random.Random(SEED)
    drawn = [chance.sample(claims, len(claims)) for _ in range(ORDERS)]
    return [claims, claims[::-1], [claims[-1], *claims[:-1]], *drawn]


async def arrive(ledger: Ledger, claims: Sequence[Claim], at_once: int) -> None:
    for start in range(0, len(claims), at_once):
        recorded = await ledger.take(*claims[start : start + at_once])
        assert {outcome.outcome for outcome in recorded.outcomes} == {"created"}


@asynccontextmanager
async def county_ledger(databases: Databases) -> AsyncIterator[tuple[Ledger, str]]:
    """Give the county's ledger on a fresh database, and the address of the database's owner."""
    async with (
        fresh_database(databases) as name,
        open_writers(databases.service_url(name), COUNTY_ID, 1) as (ledger,),
    ):
        yield ledger, databases.owner_url(name)


async def test_the_same_entries_make_the_same_rulebook_in_whatever_order_they_arrive(databases: Databases) -> None:
    seen: set[bytes] = set()
    books: set[tuple[str, str]] = set()
    for number, claims in enumerate(orders()):
        async with county_ledger(databases) as (ledger, url):
            await arrive(ledger, claims, at_once=1 + number % 3)
            async with ledger.database.lookups.acquire() as connection:
                seen.add(await state_digest(connection, COUNTY_ID))
            state: RulebookState = await ledger.state(rulebook_subject())
            book = rulebook_of(state)
            books.add((book.digest, rules_version(book)))
            assert state.installed is not None
            assert state.installed.release == "2"
            assert [known.entry.life_years for known in state.specifications] == [15, 20]
            if number == 1:
                report = await check_views(url)
                assert (report.verdict, report.faults) == ("sound", [])
    assert (len(seen), len(books)) == (1, 1)


async def test_a_rebuild_makes_the_same_rulebook(
    database: Database, database_url: str, owner_connection: asyncpg.Connection
) -> None:
    async with open_ledger(database, COUNTY_ID) as ledger:
        await arrive(ledger, history(), at_once=4)
        before = await owner_connection.fetch("SELECT * FROM views.state WHERE subject_kind = 'rulebook'")
        books = Rulebooks()
        held = await books.current(database.lookups)
        await rebuild_views(database_url)
        assert await owner_connection.fetch("SELECT * FROM views.state WHERE subject_kind = 'rulebook'") == before
        report = await check_views(database_url)
        assert (report.verdict, report.faults) == ("sound", [])
        assert (await books.current(database.lookups)).digest == held.digest
        await ledger.record(SpecificationEntered(entry=entry(life_years=30)))
        assert (await books.current(database.lookups)).digest != held.digest
        # A view that lies is found.
        await owner_connection.execute(
            "UPDATE views.state SET state = (state::jsonb - 'amendments')::json WHERE subject_kind = 'rulebook'"
        )
        assert (await check_views(database_url)).verdict == "mismatch"


async def _installed(ledger: Ledger) -> list[str]:
    rows = await ledger.fetch(
        "SELECT canonical FROM ledger.event WHERE event_type = 'rulebook.installed' ORDER BY ledger_position"
    )
    return [row["canonical"].decode() for row in rows]


async def test_processes_that_start_at_once_install_one_rulebook(service_url: str) -> None:
    async with open_writers(service_url, COUNTY_ID, 3) as writers:
        installed = await asyncio.gather(*(install_rulebook(writer.lanes) for writer in writers))
        assert sorted(installed) == [False, False, True]
        assert len(await _installed(writers[0])) == 1
        assert not await install_rulebook(writers[1].lanes)
        state: RulebookState = await writers[0].state(rulebook_subject())
    # What a release installs judges as the same release does where nothing is installed.
    assert rulebook_of(state).digest == SHIPPED.digest
    assert rules_version(rulebook_of(state)) == rules_version(SHIPPED)


async def test_an_older_release_started_again_does_not_bring_its_figures_back(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def older_rulebook(release: str) -> RulebookInstalled:
        return RulebookInstalled(release=release, specifications=(entry("3AA", interval_years=4),))

    async with open_ledger(database, COUNTY_ID) as ledger:
        with monkeypatch.context() as older:
            older.setattr(installing, "shipped_rulebook", older_rulebook)
            assert await install_rulebook(ledger.lanes)
        books = Rulebooks()
        first = await books.current(database.lookups)
        assert first.specifications("3AA")[-1].entry.interval_years == 4
        assert await install_rulebook(ledger.lanes)
        with monkeypatch.context() as older:
            older.setattr(installing, "shipped_rulebook", older_rulebook)
            assert not await install_rulebook(ledger.lanes)
        assert (await books.current(database.lookups)).digest == SHIPPED.digest
        assert len(await _installed(ledger)) == 2


async def test_what_the_county_entered_goes_before_what_a_later_release_brings(database: Database) -> None:
    async with open_ledger(database, COUNTY_ID) as ledger:
        await ledger.record(SpecificationEntered(entry=entry("SP10915", life_years=20)))
        await install_rulebook(ledger.lanes)
        book = await Rulebooks().current(database.lookups)
    assert [dated.entry.life_years for dated in book.specifications("SP10915")] == [15, 20]


async def test_a_served_process_installs_its_rulebook_before_it_answers(database: Database, service_url: str) -> None:
    settings = Settings(database_url=service_url, owner_database_url=service_url, master_key=TEST_MASTER_KEY)
    async with open_ledger(database, COUNTY_ID) as ledger:
        for _ in range(2):
            async with serving(create_app(settings), "127.0.0.1", 0):
                assert len(await _installed(ledger)) == 1


class SlowReads:
    """A pool whose reads are done at once and come back only when they are let."""

    def __init__(self, pool: Any) -> None:
        self._pool = pool
        self.is_done, self.is_let_back = asyncio.Event(), asyncio.Event()

    async def fetchrow(self, *arguments: Any) -> Any:
        row = await self._pool.fetchrow(*arguments)
        self.is_done.set()
        await self.is_let_back.wait()
        return row


async def test_a_reading_that_comes_back_late_does_not_bring_an_older_rulebook_back(database: Database) -> None:
    slow, books = SlowReads(database.lookups), Rulebooks()
    async with open_ledger(database, COUNTY_ID) as ledger:
        await ledger.record(grace(1))
        late = asyncio.create_task(books.current(slow))  # type: ignore[arg-type]
        await slow.is_done.wait()
        await ledger.record(grace(2))
        newest = await books.current(database.lookups)
        slow.is_let_back.set()
        # Who asked then is answered with what was there then; who asks now, with what is there now.
        assert [amended.figures for amended in (await late).amendments] == [{"requalification_grace_months": 1}]
        assert await books.current(database.lookups) is newest
        assert len(newest.amendments) == 2
