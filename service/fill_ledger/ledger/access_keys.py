"""Keys of controllers, people and integrations: 256 random bits, shown once, stored as their SHA-256.

A random key of this length needs no slow hash and no salt: nobody can try all of them. Found by its digest in an index,
so that a revoked key stops working with the next request.
"""

import re
import secrets
from hashlib import sha256

import msgspec

ACCESS_KEY_PREFIX = "flk_"
ACCESS_KEY_RANDOM_BYTES = 32
ACCESS_KEY_LENGTH = len(ACCESS_KEY_PREFIX) + 43  # 32 bytes are 43 base64url characters

_FORM = re.compile(r"flk_[A-Za-z0-9_-]{43}", re.ASCII)


class AccessKey(msgspec.Struct, frozen=True, kw_only=True):
    """A new key: `plain` is shown once and forgotten, `digest` is stored."""

    plain: str
    digest: bytes

    def __repr__(self) -> str:
        return "AccessKey(...)"


def make_access_key() -> AccessKey:
    """Draw a new key."""
    plain = ACCESS_KEY_PREFIX + secrets.token_urlsafe(ACCESS_KEY_RANDOM_BYTES)
    return AccessKey(plain=plain, digest=sha256(plain.encode("ascii")).digest())


def access_key_digest(text: str) -> bytes | None:
    """Return the digest under which a presented key is stored, or None where the text cannot be a key at all."""
    if _FORM.fullmatch(text) is None:
        return None
    return sha256(text.encode("ascii")).digest()
