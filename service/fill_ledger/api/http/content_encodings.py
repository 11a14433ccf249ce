"""Compressed bodies, taken apart within a limit: a small body that unpacks to a large one is refused as it is found."""

import zlib

import zstandard

from fill_ledger.api.http.decoding import AnyRequest, too_large

ACCEPTED_ENCODINGS = "gzip, zstd"
_GZIP_WINDOW_BITS = 16 + zlib.MAX_WBITS  # 16 asks for the gzip format, RFC 1952
# A block of 4 bytes may stand for 128 KiB (RFC 8878 section 3.1.1.2), so that a step gives 8 MiB at most.
_ZSTD_STEP_BYTES = 256
# A frame may ask for a window of gigabytes; RFC 8878 section 3.1.1.1.2 recommends that decoders take at least 8 MiB.
_ZSTD_WINDOW_BYTES = 8 * 1024 * 1024


class EncodingUnreadableError(ValueError):
    """The body is not what its Content-Encoding says, or the encoding is not one that is taken."""

    def __init__(self, detail: str, *, is_known: bool) -> None:
        super().__init__(detail)
        self.detail = detail
        self.is_known = is_known


def encoding_of(request: AnyRequest) -> str:
    """Return the Content-Encoding of a request in lower case; "identity" where there is none."""
    stated: str = request.headers.get("content-encoding", "").strip().lower()
    return stated or "identity"


def decompress(body: bytes, encoding: str, *, limit_bytes: int) -> bytes:
    """Return a body as it was before it was compressed.

    Raises:
        Problem: 413 body-too-large as soon as more than `limit_bytes` come out.
        EncodingUnreadableError: the encoding is not taken, or the body is broken.
    """
    if encoding == "identity":
        return body
    if encoding in ("gzip", "x-gzip"):
        return _gunzip(body, limit_bytes)
    if encoding == "zstd":
        return _unzstd(body, limit_bytes)
    raise EncodingUnreadableError(f"The content encoding must be one of {ACCEPTED_ENCODINGS}.", is_known=False)


def _gunzip(body: bytes, limit_bytes: int) -> bytes:
    parts: list[bytes] = []
    size = 0
    try:
        # RFC 1952 section 2.2: a gzip file may have several members, one after another.
        while body:
            member = zlib.decompressobj(_GZIP_WINDOW_BITS)
            part = member.decompress(body, limit_bytes - size + 1)
            size += len(part)
            if size > limit_bytes:
                raise too_large(limit_bytes)
            parts.append(part)
            if not member.eof:
                raise EncodingUnreadableError("The gzip data breaks off.", is_known=True)
            body = member.unused_data
    except zlib.error:
        raise EncodingUnreadableError("The body is not gzip.", is_known=True) from None
    return b"".join(parts)


def _unzstd(body: bytes, limit_bytes: int) -> bytes:
    parts: list[bytes] = []
    size = 0
    frames = zstandard.ZstdDecompressor(max_window_size=_ZSTD_WINDOW_BYTES)
    try:
        while body:
            frame = frames.decompressobj()
            place = 0
            while place < len(body) and not frame.eof:
                part = frame.decompress(body[place : place + _ZSTD_STEP_BYTES])
                place += _ZSTD_STEP_BYTES
                size += len(part)
                if size > limit_bytes:
                    raise too_large(limit_bytes)
                parts.append(part)
            if not frame.eof:
                raise EncodingUnreadableError("The zstd data breaks off.", is_known=True)
            body = frame.unused_data + body[place:]
    except zstandard.ZstdError:
        raise EncodingUnreadableError("The body is not zstd.", is_known=True) from None
    return b"".join(parts)
