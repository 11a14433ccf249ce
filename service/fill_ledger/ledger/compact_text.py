"""Bytes as url-safe text without padding, in exactly one spelling."""

import binascii
from base64 import urlsafe_b64encode

_TO_PLAIN_ALPHABET = bytes.maketrans(b"-_", b"+/")


def encode_compact(content: bytes) -> str:
    """Return the base64url text (RFC 4648, section 5) without padding."""
    return urlsafe_b64encode(content).rstrip(b"=").decode("ascii")


def decode_compact(text: str) -> bytes | None:
    """Return the bytes, or None unless this is the one text that `encode_compact` makes of them.

    RFC 4648, section 3.5: unused last bits must be refused by who wants one text for one content.
    """
    try:
        raw = text.encode("ascii")
        content = binascii.a2b_base64(raw.translate(_TO_PLAIN_ALPHABET) + b"=" * (-len(raw) % 4), strict_mode=True)
    except (UnicodeEncodeError, binascii.Error):
        return None
    return content if encode_compact(content) == text else None
