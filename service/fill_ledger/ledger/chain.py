"""The digest chain of a department's ledger, computed here to check what the database computed.

The same rule stands in SQL (`lane.link_digest`), because positions are given under the lane's lock. A test holds the
two against each other.
"""

import hashlib
import uuid
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import msgspec

GENESIS_TEXT = b"fill-ledger chain 1"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


class Link(msgspec.Struct, frozen=True, kw_only=True):
    """What is stored of one event that the chain speaks of."""

    ledger_position: int
    recorded_at: datetime
    canonical: bytes
    payload_digest: bytes
    chain_digest: bytes


class ChainFault(msgspec.Struct, frozen=True, kw_only=True):
    """Where a chain does not hold and why."""

    ledger_position: int
    what: str


def genesis_digest(department_id: uuid.UUID) -> bytes:
    """Return the link before the first event of a department."""
    return hashlib.sha256(GENESIS_TEXT + department_id.bytes).digest()


def link_digest(previous: bytes, ledger_position: int, recorded_at: datetime, payload_digest: bytes) -> bytes:
    """Return SHA-256 over previous link, position, recorded_at in microseconds since 1970, and payload digest."""
    microseconds = (recorded_at - _EPOCH) // _MICROSECOND
    return hashlib.sha256(
        previous + ledger_position.to_bytes(8, "big") + microseconds.to_bytes(8, "big", signed=True) + payload_digest
    ).digest()


def check_chain(department_id: uuid.UUID, links: Iterable[Link]) -> list[ChainFault]:
    """Recompute a whole chain from its first event; return every fault, an empty list where it holds."""
    faults: list[ChainFault] = []
    previous, expected_position, recorded_at = genesis_digest(department_id), 1, None
    for link in links:
        position = link.ledger_position
        if position != expected_position:
            faults.append(ChainFault(ledger_position=expected_position, what=f"missing: the next is {position}"))
        if recorded_at is not None and link.recorded_at < recorded_at:
            faults.append(ChainFault(ledger_position=position, what="recorded before its predecessor"))
        payload_digest = hashlib.sha256(link.canonical).digest()
        if payload_digest != link.payload_digest:
            faults.append(ChainFault(ledger_position=position, what="payload does not match its digest"))
        if link_digest(previous, position, link.recorded_at, payload_digest) != link.chain_digest:
            faults.append(ChainFault(ledger_position=position, what="link does not follow from its predecessor"))
        previous, expected_position, recorded_at = link.chain_digest, position + 1, link.recorded_at
    return faults
