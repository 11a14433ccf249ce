"""Keys for the demonstration, made once and kept beside its database, readable by its owner alone."""

import base64
import os
import secrets
import uuid
from pathlib import Path

import msgspec

from fill_ledger.database import Database
from fill_ledger.intake.founding import record_entries
from fill_ledger.intake.lane import Lanes
from fill_ledger.ledger.access_keys import access_key_digest, make_access_key
from fill_ledger.settings import MASTER_KEY_BYTES
from fill_ledger.trade.events.county import KeyIssued
from fill_ledger.trade.identifiers import COUNTY_ID

PRIVATE_MODE = 0o600
MASTER_KEY_FILE = "master-key"
KEYS_FILE = "keys.json"


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


async def keep_keys(
    home: Path, database: Database, lanes: Lanes, principal_ids: list[uuid.UUID]
) -> dict[uuid.UUID, str]:
    """Return a working key for each principal: the one kept from before where it still opens, else a new one."""
    path = home / KEYS_FILE
    kept: dict[uuid.UUID, str] = {}
    if path.exists():
        kept = msgspec.json.decode(path.read_bytes(), type=dict[uuid.UUID, str])
    working = await _working(database, kept)
    wanted = {principal_id: working[principal_id] for principal_id in principal_ids if principal_id in working}
    missing = [principal_id for principal_id in principal_ids if principal_id not in wanted]
    if missing:
        made = {principal_id: make_access_key() for principal_id in missing}
        # On record before they are kept: a key that was never shown harms nobody.
        issued = [
            KeyIssued(principal_id=principal_id, key_id=uuid.uuid4(), key_digest=key.digest.hex())
            for principal_id, key in made.items()
        ]
        await record_entries(lanes, COUNTY_ID, issued)
        wanted.update({principal_id: key.plain for principal_id, key in made.items()})
        text = msgspec.json.format(msgspec.json.encode({str(owner): key for owner, key in wanted.items()}), indent=1)
        write_private(path, text.decode())
    return wanted


async def _working(database: Database, kept: dict[uuid.UUID, str]) -> dict[uuid.UUID, str]:
    """Return those keys that open something now, each with the principal it belongs to."""
    working: dict[uuid.UUID, str] = {}
    async with database.lookups.acquire() as connection:
        for principal_id, plain in kept.items():
            digest = access_key_digest(plain)
            row = None if digest is None else await connection.fetchrow("SELECT * FROM lookup.access($1)", digest)
            if row is None or row["principal_id"] != principal_id or row["deactivated_at"] is not None:
                continue
            if row["ends_at"] is None or row["ends_at"] > row["checked_at"]:
                working[principal_id] = plain
    return working
