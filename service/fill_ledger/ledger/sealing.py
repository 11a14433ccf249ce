"""Text that may name a person, encrypted beside the ledger, so that it can be erased while the ledger stays whole.

Three layers. A text is encrypted under a random *data key*: one for each member (personal data, credentials), or one
for each record (free text). The data key is *wrapped* (encrypted) under a key derived from the master key, which never
lies in the database. The event carries only the record's id and the SHA-256 of the sealed bytes. Those bytes hold a
random nonce, so after erasure the digest in the ledger confirms no guess about the text.

To erase is to empty `wrapped` of a key (all records under it) or `sealed` and `lookup_digest` of a record, and to set
`erased_at`. Rows are never deleted: that a text was there, and when it went, stays on record.

AES-256-GCM with 96-bit random nonces, NIST SP 800-38D. Its limit of 2^32 encryptions under one key (section 8.3) holds
for each data key, and for wrapping in each department and master key.
"""

import hmac
import os
import uuid
from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from hashlib import sha256
from typing import Literal

import msgspec
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from fill_ledger.ledger.key_ring import KeyPurpose, KeyRing, check_master_key, derive_key
from fill_ledger.trade.events.envelope import SealedReference

DATA_KEY_BYTES = 32
NONCE_BYTES = 12
TAG_BYTES = 16
FORM_VERSION = b"\x01"
HEADER_BYTES = len(FORM_VERSION) + NONCE_BYTES
WRAPPED_BYTES = HEADER_BYTES + DATA_KEY_BYTES + TAG_BYTES
# Texts are padded to whole blocks, so that the stored length does not tell one name from another.
PADDING_BLOCK_BYTES = 32
PADDING_MARK = b"\x80"  # ISO/IEC 7816-4 padding: one 0x80, then zeros
# Room for a whole fact that could not be read and is kept as base64.
MAXIMUM_TEXT_BYTES = 400_000

_KEY_CONTEXT = b"fill-ledger/data-key/"
_RECORD_CONTEXT = b"fill-ledger/sealed-record/"


class SealedKey(msgspec.Struct, frozen=True, kw_only=True):
    """A row of `ledger.sealed_key`: one data key, wrapped. `key_id` is the member's id, or a record's own id."""

    department_id: uuid.UUID
    key_id: uuid.UUID
    wrapped: bytes | None
    master_key_id: str
    erased_at: datetime | None = None

    @property
    def is_erased(self) -> bool:
        """True once the data key is gone and with it everything sealed under it."""
        return self.erased_at is not None or not self.wrapped


class SealedRecord(msgspec.Struct, frozen=True, kw_only=True):
    """A row of `ledger.sealed_record`: one sealed text, and the digest by which a credential is looked up."""

    department_id: uuid.UUID
    record_id: uuid.UUID
    key_id: uuid.UUID
    digest: bytes
    sealed: bytes | None
    lookup_digest: bytes | None = None
    erased_at: datetime | None = None

    @property
    def is_erased(self) -> bool:
        """True once the sealed bytes are gone; the digest stays."""
        return self.erased_at is not None or not self.sealed


class Sealing(msgspec.Struct, frozen=True, kw_only=True):
    """What sealing one text gives: a row to insert, a key row where the key is new, and what the event carries."""

    record: SealedRecord
    new_key: SealedKey | None
    reference: SealedReference


class Erased(msgspec.Struct, frozen=True, kw_only=True):
    """The text was erased: the answer to opening it, not an error."""

    what: Literal["key", "record"]
    erased_at: datetime | None


class SealFault(StrEnum):
    """Why a sealed text that should be readable is not."""

    DIGEST = "digest"  # the bytes are not those whose digest the ledger holds
    RECORD = "record"  # altered, or bound to another department, record or owner
    KEY = "key"  # the wrapped key was altered, or belongs to another department or owner
    UNKNOWN_MASTER_KEY = "unknown-master-key"  # wrapped under a master key this service was not given
    FORM = "form"  # not in the form this version reads
    MISSING = "missing"  # the row the event points at is not there


class SealBroken(Exception):
    """A sealed text cannot be opened although nobody erased it: tampering, loss, or a missing master key."""

    def __init__(self, fault: SealFault, record_id: uuid.UUID | None, explanation: str) -> None:
        super().__init__(f"sealed record {record_id}: {explanation}" if record_id else explanation)
        self.fault = fault
        self.record_id = record_id


class TextUnsealable(ValueError):
    """The text cannot be sealed: too long, or not valid Unicode."""


class Sealer:
    """Seals and opens texts. Holds the master keys; keeps no data key between calls."""

    def __init__(self, master_keys: Mapping[str, bytes], current_master_key_id: str) -> None:
        """Take the master keys (32 bytes each) by id, and the id of the one that wraps new data keys.

        Raises:
            MasterKeyUnusable: a key is malformed or not random.
            ValueError: the current id is not among the keys.
        """
        if current_master_key_id not in master_keys:
            raise ValueError("the current master key is not among the master keys")
        for key in master_keys.values():
            check_master_key(key)
        self._master_keys = dict(master_keys)
        self._current = current_master_key_id

    @classmethod
    def from_key_ring(cls, key_ring: KeyRing) -> "Sealer":
        """Make the sealer of a running service."""
        return cls(key_ring.master_keys, key_ring.current_master_key_id)

    def __repr__(self) -> str:
        return f"Sealer(current={self._current}, master_keys={len(self._master_keys)})"

    def seal_text(
        self,
        department_id: uuid.UUID,
        key_id: uuid.UUID,
        key: SealedKey | None,
        text: str,
        *,
        record_id: uuid.UUID | None = None,
        lookup_digest: bytes | None = None,
    ) -> Sealing:
        """Seal a text under the key `key_id`; `key` is its row, or None where it has none yet and one is made.

        The caller must insert a new key row so that it fails where one stands already, and then seal again under that
        one: a text whose key row lost such a race could never be opened. Under an erased key the text is dropped and
        only its digest kept: what an erased person is named in may still arrive, and must leave no trace of them.

        Raises:
            TextUnsealable: longer than MAXIMUM_TEXT_BYTES, or not valid Unicode.
            SealBroken: the key row cannot be unwrapped.
        """
        if key is not None and (key.department_id, key.key_id) != (department_id, key_id):
            raise ValueError("the key row belongs to another department or owner")
        record_id = record_id or uuid.uuid4()
        new_key: SealedKey | None = None
        if key is None:
            data_key = os.urandom(DATA_KEY_BYTES)
            new_key = self._wrap(department_id, key_id, data_key)
        elif key.is_erased:
            data_key = os.urandom(DATA_KEY_BYTES)  # thrown away when this call ends
        else:
            data_key = self._unwrap(key)
        sealed = _encrypt(data_key, _padded(text), _record_context(department_id, record_id, key_id))
        digest = sha256(sealed).digest()
        record = SealedRecord(
            department_id=department_id,
            record_id=record_id,
            key_id=key_id,
            digest=digest,
            sealed=sealed,
            lookup_digest=lookup_digest,
        )
        if key is not None and key.is_erased:
            record = msgspec.structs.replace(record, sealed=b"", lookup_digest=None, erased_at=key.erased_at)
        return Sealing(
            record=record, new_key=new_key, reference=SealedReference(record_id=record_id, digest=digest.hex())
        )

    def open_text(
        self, department_id: uuid.UUID, reference: SealedReference, record: SealedRecord | None, key: SealedKey | None
    ) -> str | Erased:
        """Open the text an event of this department points at, given the rows found for it.

        Raises:
            SealBroken: a row is missing, altered, or stands in another's place; or its master key is not known.
        """
        record_id = reference.record_id
        if record is None or record.record_id != record_id:
            raise SealBroken(SealFault.MISSING, record_id, "the sealed record is missing")
        if not hmac.compare_digest(record.digest, bytes.fromhex(reference.digest)):
            raise SealBroken(SealFault.DIGEST, record_id, "the digest is not the one in the ledger")
        if record.is_erased or not record.sealed:
            return Erased(what="record", erased_at=record.erased_at)
        if not hmac.compare_digest(sha256(record.sealed).digest(), record.digest):
            raise SealBroken(SealFault.DIGEST, record_id, "the sealed bytes do not match their digest")
        if key is None or key.key_id != record.key_id:
            raise SealBroken(SealFault.MISSING, record_id, "the key of the sealed record is missing")
        if key.is_erased:
            return Erased(what="key", erased_at=key.erased_at)
        if key.department_id != department_id:
            raise SealBroken(SealFault.KEY, record_id, "the key belongs to another department")
        data_key = self._unwrap(key, record_id)
        context = _record_context(department_id, record_id, record.key_id)
        return _unpadded(_decrypt(data_key, record.sealed, context, SealFault.RECORD, record_id), record_id)

    def rewrap(self, key: SealedKey) -> SealedKey:
        """Return the key row wrapped under the current master key. Sealed records and their digests stay as they are.

        A key that is erased or already under the current master key comes back unchanged. Raises SealBroken.
        """
        if key.is_erased or key.master_key_id == self._current:
            return key
        return self._wrap(key.department_id, key.key_id, self._unwrap(key))

    def _wrap(self, department_id: uuid.UUID, key_id: uuid.UUID, data_key: bytes) -> SealedKey:
        wrapped = _encrypt(
            self._wrapping_key(self._current, department_id), data_key, _key_context(department_id, key_id)
        )
        return SealedKey(department_id=department_id, key_id=key_id, wrapped=wrapped, master_key_id=self._current)

    def _unwrap(self, key: SealedKey, record_id: uuid.UUID | None = None) -> bytes:
        if key.master_key_id not in self._master_keys:
            raise SealBroken(
                SealFault.UNKNOWN_MASTER_KEY,
                record_id,
                f"its key is wrapped under master key {key.master_key_id}, which this service was not given",
            )
        if key.wrapped is None or len(key.wrapped) != WRAPPED_BYTES:
            raise SealBroken(SealFault.KEY, record_id, "its wrapped key has the wrong length")
        wrapping_key = self._wrapping_key(key.master_key_id, key.department_id)
        context = _key_context(key.department_id, key.key_id)
        return _decrypt(wrapping_key, key.wrapped, context, SealFault.KEY, record_id)

    def _wrapping_key(self, master_key_id: str, department_id: uuid.UUID) -> bytes:
        return derive_key(self._master_keys[master_key_id], KeyPurpose.DATA_KEY_WRAPPING, department_id.bytes)


def _key_context(department_id: uuid.UUID, key_id: uuid.UUID) -> bytes:
    return _KEY_CONTEXT + department_id.bytes + key_id.bytes


def _record_context(department_id: uuid.UUID, record_id: uuid.UUID, key_id: uuid.UUID) -> bytes:
    return _RECORD_CONTEXT + department_id.bytes + record_id.bytes + key_id.bytes


def _encrypt(key: bytes, plain: bytes, context: bytes) -> bytes:
    nonce = os.urandom(NONCE_BYTES)
    return FORM_VERSION + nonce + AESGCM(key).encrypt(nonce, plain, FORM_VERSION + context)


def _decrypt(key: bytes, sealed: bytes, context: bytes, fault: SealFault, record_id: uuid.UUID | None) -> bytes:
    if sealed[: len(FORM_VERSION)] != FORM_VERSION or len(sealed) < HEADER_BYTES + TAG_BYTES:
        raise SealBroken(SealFault.FORM, record_id, "the sealed bytes are not in a form this version reads")
    nonce = sealed[len(FORM_VERSION) : HEADER_BYTES]
    try:
        return AESGCM(key).decrypt(nonce, sealed[HEADER_BYTES:], FORM_VERSION + context)
    except InvalidTag:
        raise SealBroken(fault, record_id, f"the {fault} was altered or belongs to another") from None


def _padded(text: str) -> bytes:
    try:
        encoded = text.encode()
    except UnicodeEncodeError:
        raise TextUnsealable("the text is not valid Unicode (it holds a lone surrogate)") from None
    if len(encoded) > MAXIMUM_TEXT_BYTES:
        raise TextUnsealable(f"the text is longer than {MAXIMUM_TEXT_BYTES} bytes")
    marked = encoded + PADDING_MARK
    return marked + bytes(-len(marked) % PADDING_BLOCK_BYTES)


def _unpadded(padded: bytes, record_id: uuid.UUID) -> str:
    end = padded.rfind(PADDING_MARK)
    if end < 0 or any(padded[end + 1 :]):
        raise SealBroken(SealFault.FORM, record_id, "the opened bytes are not in a form this version reads")
    return padded[:end].decode()
