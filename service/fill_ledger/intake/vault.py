"""Sealing the texts of what comes in, and reading sealed rows back."""

import base64
import uuid
from collections.abc import Mapping, Sequence
from hashlib import sha256

import asyncpg

from fill_ledger.ledger.credentials import CredentialMalformed, Lookups, decode_secret
from fill_ledger.ledger.handles import PermitReferences
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.ledger.sealed_bodies import (
    Comparison,
    LoadTexts,
    OwnerKey,
    SealedBody,
    StoredText,
    compare_with_sealed,
    seal_body,
)
from fill_ledger.ledger.sealing import SealedKey, SealedRecord, Sealer, Sealing
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.events.members import MemberBody


class Vault:
    """What the recorder needs of the keys of one service: sealing, and reading the permits it gave."""

    def __init__(self, sealer: Sealer, lookups: Lookups, permit_references: PermitReferences) -> None:
        self.sealer = sealer
        self.lookups = lookups
        self.permit_references = permit_references

    @classmethod
    def from_key_ring(cls, key_ring: KeyRing) -> "Vault":
        """Make the vault of a running service."""
        return cls(
            Sealer.from_key_ring(key_ring), Lookups.from_key_ring(key_ring), PermitReferences.from_key_ring(key_ring)
        )

    def seal(self, department_id: uuid.UUID, body: Body, member_key: SealedKey | None) -> SealedBody[Body]:
        """Replace the sealed texts of a body; what is the member's own goes under the member's key."""

        def key_for(_field: str) -> OwnerKey | None:
            return OwnerKey(key_id=body.member_id, row=member_key) if isinstance(body, MemberBody) else None

        return seal_body(self.sealer, body, department_id, key_for, self._lookup_digest)

    def seal_raw(self, department_id: uuid.UUID, raw: bytes) -> Sealing:
        """Seal bytes that could not be read, or that came under an id already used."""
        record_id = uuid.uuid4()
        return self.sealer.seal_text(
            department_id, record_id, None, base64.b64encode(raw).decode(), record_id=record_id
        )

    async def same_as(self, connection: Connection, department_id: uuid.UUID, arrived: Body, stored: Body) -> bool:
        """Tell whether a body as it arrives says the same as a recorded one, as far as that can still be read."""
        comparison = await compare_with_sealed(
            self.sealer, arrived, stored, department_id, self.loader(connection, department_id)
        )
        return comparison is not Comparison.DIFFERENT

    def loader(self, connection: Connection, department_id: uuid.UUID) -> LoadTexts:
        """Return what reads the sealed rows of this department."""

        async def load(record_ids: Sequence[uuid.UUID]) -> Mapping[uuid.UUID, StoredText]:
            async with seeing(connection, (department_id,)):
                rows = await connection.fetch(
                    """
                    SELECT record.*, key.wrapped, key.master_key_id, key.erased_at AS key_erased_at,
                        key.department_id AS key_department_id
                    FROM ledger.sealed_record AS record
                    LEFT JOIN ledger.sealed_key AS key ON key.department_id = record.department_id
                        AND key.key_id = record.key_id
                    WHERE record.department_id = $1 AND record.record_id = ANY ($2)
                    """,
                    department_id,
                    list(record_ids),
                )
            return {row["record_id"]: _stored_text(row) for row in rows}

        return load

    async def member_keys(
        self, connection: Connection, department_id: uuid.UUID, member_ids: Sequence[uuid.UUID]
    ) -> dict[uuid.UUID, SealedKey]:
        """Return the keys that members have already."""
        if not member_ids:
            return {}
        async with seeing(connection, (department_id,)):
            rows = await connection.fetch(
                "SELECT * FROM ledger.sealed_key WHERE department_id = $1 AND key_id = ANY ($2)",
                department_id,
                list(member_ids),
            )
        return {
            row["key_id"]: SealedKey(
                department_id=row["department_id"],
                key_id=row["key_id"],
                wrapped=row["wrapped"],
                master_key_id=row["master_key_id"],
                erased_at=row["erased_at"],
            )
            for row in rows
        }

    def _lookup_digest(self, field: str, text: str) -> bytes | None:
        if field != "secret":
            return self.lookups.for_bodies()(field, text)
        try:
            return self.lookups.of_secret(decode_secret(text))
        except (CredentialMalformed, ValueError):
            return None  # a device may send anything; it is sealed all the same, only not findable


def _stored_text(row: asyncpg.Record) -> StoredText:
    key = None
    if row["master_key_id"] is not None:
        key = SealedKey(
            department_id=row["department_id"],
            key_id=row["key_id"],
            wrapped=row["wrapped"],
            master_key_id=row["master_key_id"],
            erased_at=row["key_erased_at"],
        )
    record = SealedRecord(
        department_id=row["department_id"],
        record_id=row["record_id"],
        key_id=row["key_id"],
        digest=row["digest"],
        sealed=row["sealed"],
        lookup_digest=row["lookup_digest"],
        erased_at=row["erased_at"],
    )
    return StoredText(record=record, key=key)


def key_row(key: SealedKey) -> dict[str, str | None]:
    """Return a key as the row that the append writes."""
    return {"key_id": str(key.key_id), "wrapped": _hex(key.wrapped), "master_key_id": key.master_key_id}


def record_row(record: SealedRecord) -> dict[str, str | None]:
    """Return a sealed record as the row that the append writes."""
    return {
        "record_id": str(record.record_id),
        "key_id": str(record.key_id),
        "digest": _hex(record.digest),
        "sealed": _hex(record.sealed),
        "lookup_digest": _hex(record.lookup_digest),
        "erased_at": None if record.erased_at is None else record.erased_at.isoformat(),
    }


def raw_digest(raw: bytes) -> str:
    """Return the SHA-256 of bytes, hex: what makes the same garbage the same."""
    return sha256(raw).hexdigest()


def _hex(value: bytes | None) -> str | None:
    return None if value is None else f"\\x{value.hex()}"
