"""Short-lived handles: who is at the whip, and the permit that a fill quotes.

A handle is not stored anywhere. Its fields stand inside it, followed by an HMAC-SHA256 under a key of its own purpose;
the MAC is cut to 16 bytes, which RFC 2104, section 5, allows (at least half of the hash, at least 80 bits). Making or
checking one takes some microseconds and no read, so that the look-up stays without a write.
"""

import hmac
import secrets
import struct
import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Annotated, ClassVar

import msgspec
from msgspec import Meta

from fill_ledger.ledger.compact_text import decode_compact, encode_compact
from fill_ledger.ledger.key_ring import KeyRing, hmac_sha256
from fill_ledger.trade.events.envelope import Psi
from fill_ledger.trade.events.fills import FillMode
from fill_ledger.trade.events.members import CredentialKind

MAC_BYTES = 16
NONCE_BYTES = 8
# Prefixes let a log filter know a secret by sight, and a person tell one handle from the other.
MEMBER_SESSION_PREFIX = "fls_"
PERMIT_REFERENCE_PREFIX = "flp_"
MAXIMUM_HANDLE_LENGTH = 256

_VERSION = 1
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
# Positions in these rows stand in handles: only ever add at the end.
_CREDENTIAL_KINDS: tuple[CredentialKind, ...] = ("card", "passcode")
_MODES: tuple[FillMode | None, ...] = (None, "automatic", "manual", "fast")
_SESSION_FIELDS = struct.Struct(">B16s16s16sBq")  # version, member, station, department, kind, microseconds
_PERMIT_FIELDS = struct.Struct(">B16s16s?16sHBq8s")  # version, station, cylinder, member, limit, mode, time, nonce


class HandleFault(StrEnum):
    """Why a handle is not taken."""

    MALFORMED = "malformed"  # not a handle of this kind and version at all
    WRONG_KEY = "wrong-key"  # altered, forged, or made under a key that is gone
    EXPIRED = "expired"


class HandleRefused(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to a handle that is not taken."""

    fault: HandleFault
    expired_at: datetime | None = None


class MemberSession(msgspec.Struct, frozen=True, kw_only=True):
    """A member identified at a station. Whoever takes it must compare the station and department with the caller's."""

    member_id: uuid.UUID
    station_id: uuid.UUID
    department_id: uuid.UUID
    credential_kind: CredentialKind
    expires_at: datetime


class PermitReference(msgspec.Struct, frozen=True, kw_only=True):
    """A permit as it was given. `nonce` tells two permits for the same fill apart."""

    station_id: uuid.UUID
    cylinder_id: uuid.UUID
    member_id: uuid.UUID | None
    fill_limit_psi: Psi
    mode: FillMode | None
    until: datetime
    nonce: Annotated[bytes, Meta(min_length=NONCE_BYTES, max_length=NONCE_BYTES)]


def new_nonce() -> bytes:
    """Draw the nonce of a permit."""
    return secrets.token_bytes(NONCE_BYTES)


class _Signer:
    """Signs fields of fixed length under the current key, and knows them again under any."""

    prefix: ClassVar[str]
    fields: ClassVar[struct.Struct]

    def __init__(self, keys: Sequence[bytes]) -> None:
        """Take the signing keys, the current one first."""
        if not keys:
            raise ValueError("at least one signing key is needed")
        self._keys = tuple(keys)

    def _sign(self, fields: bytes) -> str:
        return self.prefix + encode_compact(fields + hmac_sha256(self._keys[0], fields)[:MAC_BYTES])

    def _authentic(self, text: str) -> bytes | HandleRefused:
        """Return the fields if one of the keys signed them."""
        if len(text) > MAXIMUM_HANDLE_LENGTH or not text.startswith(self.prefix):
            return HandleRefused(fault=HandleFault.MALFORMED)
        content = decode_compact(text[len(self.prefix) :])
        if content is None or len(content) != self.fields.size + MAC_BYTES or content[0] != _VERSION:
            return HandleRefused(fault=HandleFault.MALFORMED)
        fields, mac = content[:-MAC_BYTES], content[-MAC_BYTES:]
        for key in self._keys:
            if hmac.compare_digest(hmac_sha256(key, fields)[:MAC_BYTES], mac):
                return fields
        return HandleRefused(fault=HandleFault.WRONG_KEY)


class MemberSessions(_Signer):
    """Issues and verifies the handle of an identified member."""

    prefix = MEMBER_SESSION_PREFIX
    fields = _SESSION_FIELDS

    @classmethod
    def from_key_ring(cls, key_ring: KeyRing) -> "MemberSessions":
        """Make the signer of a running service."""
        return cls(key_ring.member_session_keys)

    def issue(self, session: MemberSession) -> str:
        """Return the handle. Raises ValueError for a time without offset."""
        fields = _SESSION_FIELDS.pack(
            _VERSION,
            session.member_id.bytes,
            session.station_id.bytes,
            session.department_id.bytes,
            _CREDENTIAL_KINDS.index(session.credential_kind),
            _to_microseconds(session.expires_at),
        )
        return self._sign(fields)

    def verify(self, text: str, now: datetime) -> MemberSession | HandleRefused:
        """Return the session while `now` is before its end, else why it is not taken."""
        fields = self._authentic(text)
        if isinstance(fields, HandleRefused):
            return fields
        _, member, station, department, kind, expires = _SESSION_FIELDS.unpack(fields)
        expires_at = _from_microseconds(expires)
        if now >= expires_at:
            return HandleRefused(fault=HandleFault.EXPIRED, expired_at=expires_at)
        if kind >= len(_CREDENTIAL_KINDS):  # signed by a newer process that knows more kinds
            return HandleRefused(fault=HandleFault.MALFORMED)
        return MemberSession(
            member_id=uuid.UUID(bytes=member),
            station_id=uuid.UUID(bytes=station),
            department_id=uuid.UUID(bytes=department),
            credential_kind=_CREDENTIAL_KINDS[kind],
            expires_at=expires_at,
        )


class PermitReferences(_Signer):
    """Issues and verifies the reference of a permit."""

    prefix = PERMIT_REFERENCE_PREFIX
    fields = _PERMIT_FIELDS

    @classmethod
    def from_key_ring(cls, key_ring: KeyRing) -> "PermitReferences":
        """Make the signer of a running service."""
        return cls(key_ring.permit_reference_keys)

    def issue(self, permit: PermitReference) -> str:
        """Return the reference.

        Raises:
            ValueError: a time without offset, a nonce of the wrong length, or a limit that is not a fill pressure.
        """
        if len(permit.nonce) != NONCE_BYTES:
            raise ValueError(f"a nonce has {NONCE_BYTES} bytes")
        msgspec.convert(permit.fill_limit_psi, Psi)
        fields = _PERMIT_FIELDS.pack(
            _VERSION,
            permit.station_id.bytes,
            permit.cylinder_id.bytes,
            permit.member_id is not None,
            bytes(16) if permit.member_id is None else permit.member_id.bytes,
            permit.fill_limit_psi,
            _MODES.index(permit.mode),
            _to_microseconds(permit.until),
            permit.nonce,
        )
        return self._sign(fields)

    def read(self, text: str) -> PermitReference | HandleRefused:
        """Return a permit whether or not it still holds: a late fill may quote one that has run out since."""
        fields = self._authentic(text)
        if isinstance(fields, HandleRefused):
            return fields
        _, station, cylinder, has_member, member, fill_limit_psi, mode, until, nonce = _PERMIT_FIELDS.unpack(fields)
        if mode >= len(_MODES):  # signed by a newer process that knows more modes
            return HandleRefused(fault=HandleFault.MALFORMED)
        return PermitReference(
            station_id=uuid.UUID(bytes=station),
            cylinder_id=uuid.UUID(bytes=cylinder),
            member_id=uuid.UUID(bytes=member) if has_member else None,
            fill_limit_psi=fill_limit_psi,
            mode=_MODES[mode],
            until=_from_microseconds(until),
            nonce=nonce,
        )

    def verify(self, text: str, now: datetime) -> PermitReference | HandleRefused:
        """Return the permit if it held at `now` (for a fill: when it was filled), else why it is not taken."""
        permit = self.read(text)
        if isinstance(permit, PermitReference) and now >= permit.until:
            return HandleRefused(fault=HandleFault.EXPIRED, expired_at=permit.until)
        return permit


def _to_microseconds(moment: datetime) -> int:
    if moment.tzinfo is None:
        raise ValueError("a handle needs a time with offset")
    return (moment - _EPOCH) // _MICROSECOND


def _from_microseconds(microseconds: int) -> datetime:
    return _EPOCH + timedelta(microseconds=microseconds)
