"""The opaque token that says how far a ledger had come: "at least this", quoted back as `min_ledger`.

It is no secret and proves nothing; the check bytes only catch a token that was cut, mistyped or made up by mistake.
"""

import uuid
import zlib

import msgspec

from fill_ledger.ledger.compact_text import decode_compact, encode_compact
from fill_ledger.trade.events.envelope import MAXIMUM_INTEGER

MAXIMUM_TOKEN_LENGTH = 64

_VERSION = b"\x01"
_ID_BYTES = 16
_CHECK_BYTES = 4
_POSITION_AT = len(_VERSION) + _ID_BYTES


class LedgerTokenMalformed(ValueError):
    """The text is not a ledger token of this service."""


class LedgerPosition(msgspec.Struct, frozen=True, kw_only=True):
    """A position in one department's ledger; 0 is the ledger before its first event."""

    department_id: uuid.UUID
    position: int


def encode_ledger_token(department_id: uuid.UUID, position: int) -> str:
    """Return the token of a position. Raises ValueError unless the position is between 0 and 2^53 - 1."""
    if not 0 <= position <= MAXIMUM_INTEGER:
        raise ValueError(f"a ledger position lies between 0 and {MAXIMUM_INTEGER}")
    content = _VERSION + department_id.bytes + position.to_bytes((position.bit_length() + 7) // 8, "big")
    return encode_compact(content + _check(content))


def decode_ledger_token(token: str) -> LedgerPosition:
    """Read a token back. Raises LedgerTokenMalformed."""
    raw = decode_compact(token) if len(token) <= MAXIMUM_TOKEN_LENGTH else None
    if raw is None or len(raw) < _POSITION_AT + _CHECK_BYTES:
        raise LedgerTokenMalformed("not a ledger token")
    content, check = raw[:-_CHECK_BYTES], raw[-_CHECK_BYTES:]
    if content[:1] != _VERSION or _check(content) != check:
        raise LedgerTokenMalformed("not a ledger token, or not all of it")
    position_bytes = content[_POSITION_AT:]
    position = int.from_bytes(position_bytes, "big")
    if position_bytes[:1] == b"\x00" or position > MAXIMUM_INTEGER:
        raise LedgerTokenMalformed("not a ledger token")
    return LedgerPosition(department_id=uuid.UUID(bytes=content[len(_VERSION) : _POSITION_AT]), position=position)


def _check(content: bytes) -> bytes:
    return zlib.crc32(content).to_bytes(_CHECK_BYTES, "big")
