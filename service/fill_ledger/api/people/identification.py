"""Finding a member by a card, a badge number, or by id: what a session and the binding of a credential rest on."""

import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime

from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.credentials import CredentialMalformed, LookupKind, PasscodeSecret, decode_secret
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.ledger.sealed_bodies import StoredText
from fill_ledger.trade.events.envelope import SealedReference
from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.states.members import Credential, MemberState
from fill_ledger.views.folding import decode_state


def attempt_subject(vault: Vault, *words: object) -> bytes:
    """Return the digest under which failed attempts are counted together, so that the table names nobody."""
    return vault.lookups.digest(LookupKind.ATTEMPT, "|".join(str(word) for word in words))


async def find_by_badge_number(
    vault: Vault, connection: Connection, departments: Iterable[uuid.UUID] | str, badge_number: str
) -> list[MemberState]:
    """Return the enrolled members of these departments whose present badge number this is, by its keyed digest.

    Who had the number before and has another now is not among them.
    """
    digests = vault.lookups.candidates(LookupKind.BADGE_NUMBER, badge_number)
    return [
        member
        for record_id, member in await _by_digests(connection, departments, digests)
        if member.enrolled_at is not None and member.personal is not None and member.personal.record_id == record_id
    ]


async def cards_in_use(
    vault: Vault, connection: Connection, department_id: uuid.UUID, card_value: str, at: datetime | None = None
) -> list[MemberState]:
    """Return the members whom a card identifies (at a moment, or still), by its keyed digest.

    Raises:
        CardUnreadable: the value cannot be a card's.
    """
    digests = vault.lookups.candidates(LookupKind.CARD, card_value)
    found = {
        member.subject_id: member
        for record_id, member in await _by_digests(connection, (department_id,), digests)
        for credential in member.credentials
        if credential.record_id == record_id and credential.credential_kind == "card" and _holds(credential, at)
    }
    return list(found.values())


def _holds(credential: Credential, at: datetime | None) -> bool:
    return credential.ends_at is None if at is None else credential.covers(at)


async def stored_passcode_hash(
    vault: Vault, connection: Connection, department_id: uuid.UUID, member: MemberState | None, at: datetime
) -> str | None:
    """Return the argon2id hash of a member's passcode at a moment, or None.

    Where there is no member or no passcode it reads all the same, so that the time taken tells nothing.
    """
    standing = [
        credential
        for credential in ([] if member is None else member.credentials)
        if credential.credential_kind == "passcode" and credential.covers(at)
    ]
    record_id = (standing[-1].record_id if standing else None) or uuid.uuid4()
    stored = (await vault.loader(connection, department_id)([record_id])).get(record_id)
    return None if stored is None else _hash_in(vault, department_id, stored)


def _hash_in(vault: Vault, department_id: uuid.UUID, stored: StoredText) -> str | None:
    reference = SealedReference(record_id=stored.record.record_id, digest=stored.record.digest.hex())
    text = vault.sealer.open_text(department_id, reference, stored.record, stored.key)
    if not isinstance(text, str):
        return None  # erased with the member
    try:
        secret = decode_secret(text)
    except CredentialMalformed:
        return None
    return secret.argon2id if isinstance(secret, PasscodeSecret) else None


async def _by_digests(
    connection: Connection, departments: Iterable[uuid.UUID] | str, digests: Sequence[bytes]
) -> list[tuple[uuid.UUID, MemberState]]:
    """Return the sealed records found by digests, each with the state of the member whose key seals it."""
    async with seeing(connection, departments):
        rows = await connection.fetch(
            """
            SELECT record.record_id, known.state
            FROM ledger.sealed_record AS record
            JOIN views.state AS known ON known.department_id = record.department_id
                AND known.subject_kind = 'member' AND known.subject_id = record.key_id
            WHERE record.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND record.lookup_digest = ANY ($1) AND record.erased_at IS NULL
            ORDER BY record.department_id, record.record_id
            """,
            list(digests),
        )
    return [(row["record_id"], decode_state(SubjectKind.MEMBER, row["state"])) for row in rows]
