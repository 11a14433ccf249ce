"""Keys for the demonstration, made once and kept beside its database, readable by its owner alone."""

import base64
import os
import secrets
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from demo_seed.cast import KeyHolder
from fill_ledger.database import Database
from fill_ledger.intake.founding import record_entries
from fill_ledger.intake.lane import Lanes
from fill_ledger.ledger.access_keys import access_key_digest, make_access_key
from fill_ledger.settings import MASTER_KEY_BYTES
from fill_ledger.trade.events.county import KeyIssued, Role
from fill_ledger.trade.identifiers import COUNTY_ID

PRIVATE_MODE = 0o600
MASTER_KEY_FILE = "master-key"
KEYS_FILE = "keys.json"
DATABASE_URL_FILE = "database-url"


def write_private(path: Path, text: str) -> None:
    """Write a file that only its owner may read, whole or not at all."""
    partial = path.with_name(f"{path.name}.partial")
    partial.unlink(missing_ok=True)
    descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_MODE)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
    partial.replace(path)


def keep_master_key(home: Path) -> bytes:
    """Return the demonstration's master key, made at the first call."""
    path = home / MASTER_KEY_FILE
    if not path.exists():
        write_private(path, base64.b64encode(secrets.token_bytes(MASTER_KEY_BYTES)).decode("ascii"))
    return base64.b64decode(path.read_text(encoding="utf-8"), validate=True)


class KeptKey(msgspec.Struct, frozen=True, kw_only=True):
    """A key with whose it is. `key_id` names it where it is rotated or revoked; it opens nothing."""

    role: Role
    department: str | None  # None: every department
    label: str
    key_id: uuid.UUID
    key: str

    @property
    def whose(self) -> str:
        """The holder in words: ``Air officer of QFD (officer, QFD)``."""
        return f"{self.label} ({self.role}, {self.department or 'every department'})"


async def keep_keys(
    home: Path, database: Database, lanes: Lanes, holders: Sequence[KeyHolder]
) -> dict[uuid.UUID, KeptKey]:
    """Return a working key for each holder, by principal: the one from before where it still opens, else a new one."""
    path = home / KEYS_FILE
    working = await _working(database, _kept(path))
    kept: dict[uuid.UUID, KeptKey] = {}
    issued: list[KeyIssued] = []
    for holder in holders:
        key_id, plain = working.get(holder.principal_id, (None, ""))
        if key_id is None:
            made = make_access_key()
            key_id, plain = uuid.uuid4(), made.plain
            issued.append(KeyIssued(principal_id=holder.principal_id, key_id=key_id, key_digest=made.digest.hex()))
        kept[holder.principal_id] = KeptKey(
            role=holder.role, department=holder.department, label=holder.label, key_id=key_id, key=plain
        )
    if issued:
        # On record before they are kept: a key that was never shown harms nobody.
        await record_entries(lanes, COUNTY_ID, issued)
        text = msgspec.json.format(msgspec.json.encode({str(owner): key for owner, key in kept.items()}), indent=1)
        write_private(path, text.decode())
    return kept


def _kept(path: Path) -> dict[uuid.UUID, KeptKey]:
    """Return the keys of an earlier run; none where the file is missing or of another form, and new ones are made."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=dict[uuid.UUID, KeptKey])
    except (FileNotFoundError, msgspec.MsgspecError):
        return {}


async def _working(database: Database, kept: Mapping[uuid.UUID, KeptKey]) -> dict[uuid.UUID, tuple[uuid.UUID, str]]:
    """Return id and text of those keys that open something now and are not being replaced, by principal."""
    working: dict[uuid.UUID, tuple[uuid.UUID, str]] = {}
    async with database.lookups.acquire() as connection:
        for principal_id, each in kept.items():
            digest = access_key_digest(each.key)
            row = None if digest is None else await connection.fetchrow("SELECT * FROM lookup.access($1)", digest)
            if row is None or row["principal_id"] != principal_id or row["deactivated_at"] is not None:
                continue
            has_end = row["ends_at"] is not None and (
                row["revoked_at"] is not None or row["ends_at"] <= row["checked_at"]
            )
            if not has_end:
                working[principal_id] = (row["key_id"], each.key)
    return working
