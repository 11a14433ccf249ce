"""The digest chain: the database's rule, ours, and the written one agree; every way of breaking it is found."""

import hashlib
import struct
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.database import Database
from fill_ledger.ledger.canonical import canonical_bytes, read_event
from fill_ledger.ledger.chain import Link, check_chain, genesis_digest, link_digest
from fill_ledger.trade.events.stations import ClockRead
from tests.support.ledgers import open_ledger

DEPARTMENT = uuid.UUID(int=7)
START = datetime(2026, 11, 1, tzinfo=UTC)


def chain_of(*payloads: bytes) -> list[Link]:
    links: list[Link] = []
    previous = genesis_digest(DEPARTMENT)
    for position, payload in enumerate(payloads, 1):
        moment = START + timedelta(seconds=position)
        digest = hashlib.sha256(payload).digest()
        previous = link_digest(previous, position, moment, digest)
        links.append(
            Link(
                ledger_position=position,
                recorded_at=moment,
                canonical=payload,
                payload_digest=digest,
                chain_digest=previous,
            )
        )
    return links


def by_the_book(previous: bytes, position: int, moment: datetime, payload_digest: bytes) -> bytes:
    """The rule of the design, section 3, written a second time with other means: calendar arithmetic and struct."""
    seconds = int((moment.replace(microsecond=0) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
    return hashlib.sha256(
        previous + struct.pack(">qq", position, seconds * 1_000_000 + moment.microsecond) + payload_digest
    ).digest()


@given(
    position=st.integers(1, 2**63 - 1),
    moment=st.datetimes(datetime(1960, 1, 1), datetime(2190, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    previous=st.binary(min_size=32, max_size=32),
)
def test_a_link_is_what_the_design_says(position: int, moment: datetime, previous: bytes) -> None:
    assert link_digest(previous, position, moment, b"\x07" * 32) == by_the_book(
        previous, position, moment, b"\x07" * 32
    )


async def test_the_database_links_as_we_do(database: Database) -> None:
    moments = [
        START,
        START + timedelta(microseconds=1),
        datetime(1969, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC),
        datetime(2185, 1, 1, 0, 0, 0, 123_457, tzinfo=UTC),
    ]
    async with database.lookups.acquire() as connection:
        assert await connection.fetchval("SELECT lane.genesis_digest($1)", DEPARTMENT) == genesis_digest(DEPARTMENT)
        for position, moment in zip((1, 255, 256, 2**40), moments, strict=True):
            digests = (hashlib.sha256(b"previous").digest(), hashlib.sha256(b"payload").digest())
            linked = await connection.fetchval(
                "SELECT lane.link_digest($1, $2, $3, $4)", digests[0], position, moment, digests[1]
            )
            assert linked == by_the_book(digests[0], position, moment, digests[1])


async def test_what_is_stored_verifies_and_reads_back(database: Database) -> None:
    async with open_ledger(database) as ledger:
        for _ in range(2):
            await ledger.record(*[ClockRead(station_id=uuid.uuid4(), ahead_ms=-3)] * 2)
        links = await ledger.links()
        assert check_chain(ledger.department_id, links) == []
        assert check_chain(uuid.uuid4(), links) != []  # another department's chain begins elsewhere
        assert all(canonical_bytes(read_event(link.canonical)) == link.canonical for link in links)
        head = await ledger.fetch("SELECT ledger_position, chain_digest FROM ledger.head")
        assert [tuple(row) for row in head] == [(4, links[-1].chain_digest)]


def test_a_whole_chain_has_no_faults() -> None:
    assert check_chain(DEPARTMENT, chain_of(b"one", b"two", b"three")) == []
    assert check_chain(DEPARTMENT, []) == []


def altered(links: list[Link], place: int, **changes: object) -> list[Link]:
    return [msgspec.structs.replace(link, **changes) if number == place else link for number, link in enumerate(links)]


@pytest.mark.parametrize(
    ("damage", "position"),
    [
        (lambda links: altered(links, 1, canonical=b"TWO"), 2),
        (lambda links: altered(links, 1, canonical=b"TWO", payload_digest=hashlib.sha256(b"TWO").digest()), 2),
        (lambda links: altered(links, 1, payload_digest=bytes(32)), 2),
        (lambda links: altered(links, 1, chain_digest=bytes(32)), 2),
        (lambda links: altered(links, 2, recorded_at=START), 3),
        (lambda links: altered(links, 1, recorded_at=links[1].recorded_at + timedelta(microseconds=1)), 2),
        (lambda links: links[1:], 1),
        (lambda links: [links[0], *links[2:]], 2),
        (lambda links: [links[1], links[0], links[2], links[3]], 1),
        (lambda links: [*links[:2], links[1], *links[2:]], 2),
        (lambda links: altered(links, 1, ledger_position=20), 2),
    ],
)
def test_whatever_is_altered_is_found_where_it_was_altered(
    damage: Callable[[list[Link]], list[Link]], position: int
) -> None:
    faults = check_chain(DEPARTMENT, damage(chain_of(b"one", b"two", b"three", b"four")))
    assert faults
    assert min(fault.ledger_position for fault in faults) == position
