"""The keys that never lie in the database, and every key that is derived from them.

One secret, the master key, comes from outside. It is never used as a key itself: HKDF-SHA256 (RFC 5869) derives one
key for each purpose, so that a value made for one purpose means nothing to another. While a master key is being
replaced the previous ones are kept for reading: the first key of every tuple makes new values, all of them are tried
on old ones.
"""

import base64
import binascii
import hmac
from collections.abc import Sequence
from enum import StrEnum
from hashlib import sha256

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

MASTER_KEY_BYTES = 32
DERIVED_KEY_BYTES = 32
MASTER_KEY_ID_BYTES = 8
MAXIMUM_PREVIOUS_MASTER_KEYS = 8
# A key with fewer different bytes than this was typed or zero-filled, not drawn: 32 random bytes have about 30.
MINIMUM_DIFFERENT_BYTES = 12
INFO_PREFIX = b"fill-ledger/v1/"


class KeyPurpose(StrEnum):
    """What a derived key is for. The words go into the derivation; never change one."""

    MASTER_KEY_ID = "master-key-id"
    DATA_KEY_WRAPPING = "data-key-wrapping"
    LOOKUP_PEPPER = "lookup-pepper"
    MEMBER_SESSION = "member-session"
    PERMIT_REFERENCE = "permit-reference"
    CURSOR = "cursor"


class MasterKeyUnusable(ValueError):
    """A master key is missing, malformed or plainly not random. The message never shows the key."""


def hkdf_sha256(key_material: bytes, *, info: bytes, length: int, salt: bytes | None = None) -> bytes:
    """Derive `length` bytes from key material (RFC 5869 with SHA-256; no salt means 32 zero bytes)."""
    return HKDF(algorithm=hashes.SHA256(), length=length, salt=salt, info=info).derive(key_material)


def hmac_sha256(key: bytes, message: bytes) -> bytes:
    """Return the 32-byte HMAC-SHA256 (RFC 2104, FIPS 198-1) of a message."""
    return hmac.digest(key, message, sha256)


def derive_key(
    master_key: bytes, purpose: KeyPurpose, context: bytes = b"", *, length: int = DERIVED_KEY_BYTES
) -> bytes:
    """Derive the key of one purpose. `context` narrows it further, for instance to one department."""
    # Purposes are fixed words without a slash, so purpose and context cannot run into each other.
    return hkdf_sha256(master_key, info=INFO_PREFIX + purpose.encode() + b"/" + context, length=length)


def master_key_id(master_key: bytes) -> str:
    """Return the name by which wrapped keys remember their master key: derived from it, telling nothing of it."""
    return derive_key(master_key, KeyPurpose.MASTER_KEY_ID, length=MASTER_KEY_ID_BYTES).hex()


def read_master_key(text: str) -> bytes:
    """Read a master key from its base64 text (plain or url-safe alphabet, padding optional).

    Raises:
        MasterKeyUnusable: it is not base64, not 32 bytes, or plainly not random.
    """
    compact = text.strip().rstrip("=").replace("-", "+").replace("_", "/")
    try:
        key = base64.b64decode(compact + "=" * (-len(compact) % 4), validate=True)
    except (binascii.Error, ValueError):
        raise MasterKeyUnusable("a master key must be base64; make one with: openssl rand -base64 32") from None
    check_master_key(key)
    return key


def check_master_key(key: bytes) -> None:
    """Raise MasterKeyUnusable unless these are 32 bytes that could have been drawn at random."""
    if len(key) != MASTER_KEY_BYTES:
        raise MasterKeyUnusable(
            f"a master key must be {MASTER_KEY_BYTES} bytes, this one has {len(key)}; "
            "make one with: openssl rand -base64 32"
        )
    if len(set(key)) < MINIMUM_DIFFERENT_BYTES:
        raise MasterKeyUnusable("this master key is not random; make one with: openssl rand -base64 32")


class KeyRing:
    """All keys of a running service, derived once at start. Immutable, and its text form shows no key."""

    def __init__(self, current: bytes, previous: Sequence[bytes] = ()) -> None:
        """Take the current master key and those it replaced, newest first.

        Raises:
            MasterKeyUnusable: a key is malformed, not random, or given twice; or there are too many previous keys.
        """
        if len(previous) > MAXIMUM_PREVIOUS_MASTER_KEYS:
            raise MasterKeyUnusable(f"at most {MAXIMUM_PREVIOUS_MASTER_KEYS} previous master keys may be given")
        keys = (current, *previous)
        for key in keys:
            check_master_key(key)
        if len(set(keys)) != len(keys):
            raise MasterKeyUnusable("the same master key is given twice")
        self.master_keys = {master_key_id(key): key for key in keys}
        self.current_master_key_id = master_key_id(current)
        self.lookup_peppers = self._derived(KeyPurpose.LOOKUP_PEPPER)
        self.member_session_keys = self._derived(KeyPurpose.MEMBER_SESSION)
        self.permit_reference_keys = self._derived(KeyPurpose.PERMIT_REFERENCE)
        self.cursor_keys = self._derived(KeyPurpose.CURSOR)

    @classmethod
    def from_text(cls, current: str, previous: Sequence[str] = ()) -> "KeyRing":
        """Build the ring from base64 texts, as they stand in the settings. Raises MasterKeyUnusable."""
        return cls(read_master_key(current), tuple(read_master_key(text) for text in previous))

    def _derived(self, purpose: KeyPurpose) -> tuple[bytes, ...]:
        return tuple(derive_key(key, purpose) for key in self.master_keys.values())

    def __repr__(self) -> str:
        return f"KeyRing(current={self.current_master_key_id}, master_keys={len(self.master_keys)})"
