"""Names and badge numbers of members, opened from what is sealed, for those who may read them."""

import uuid
from collections.abc import Mapping

from msgspec import Struct

from fill_ledger.api.decoding import AnyRequest
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.credentials import LookupKind
from fill_ledger.ledger.personal import MemberPersonal, PersonalMalformed
from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.ledger.sealed_bodies import open_bodies
from fill_ledger.trade.events.envelope import SealedReference
from fill_ledger.trade.events.members import MemberPersonalCorrected
from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.states.members import MemberState
from fill_ledger.views.folding import decode_state

MAXIMUM_SHOWN_NAME = 200


class Names(Struct, frozen=True, kw_only=True):
    """What is known of a member as a person. `erased` means that it was sealed once and is gone."""

    name: str | None = None
    badge_number: str | None = None
    erased: bool = False

    def __repr__(self) -> str:
        return "Names(...)"


NO_NAMES = Names()


class FoundMember(Struct, frozen=True, kw_only=True):
    """A member found by badge number."""

    department_id: uuid.UUID
    version: int
    state: MemberState


async def open_names(
    vault: Vault, connection: Connection, department_id: uuid.UUID, personal: Mapping[uuid.UUID, SealedReference | None]
) -> dict[uuid.UUID, Names]:
    """Open the personal data of members of one department, given by member id.

    Call it outside of any `seeing` block: it opens one of its own.

    Raises:
        SealBroken: what nobody erased cannot be opened.
    """
    bodies = [
        MemberPersonalCorrected(member_id=member_id, personal=reference)
        for member_id, reference in personal.items()
        if reference is not None
    ]
    opened = await open_bodies(vault.sealer, bodies, department_id, vault.loader(connection, department_id))
    names = dict.fromkeys(personal, NO_NAMES)
    for found in opened:
        text = found.body.personal
        names[found.body.member_id] = _read_personal(text) if isinstance(text, str) else Names(erased=True)
    return names


def _read_personal(text: str) -> Names:
    try:
        personal = MemberPersonal.decode(text)
    except PersonalMalformed:
        # A device may have enrolled a member with a plain text: better shown as it came than hidden.
        return Names(name=text[:MAXIMUM_SHOWN_NAME])
    return Names(name=personal.name, badge_number=personal.badge_number)


async def names_of_one(request: AnyRequest, department_id: uuid.UUID, state: MemberState) -> Names:
    """Open the personal data of one member."""
    parts = parts_of(request)
    async with parts.database.lookups.acquire() as connection:
        opened = await open_names(parts.vault, connection, department_id, {state.subject_id: state.personal})
    return opened[state.subject_id]


async def find_by_badge_number(
    vault: Vault, connection: Connection, departments: tuple[uuid.UUID, ...] | str, badge_number: str
) -> list[FoundMember]:
    """Return the members of these departments whose present badge number this is, by its keyed digest.

    Who had the number before and has another now is not among them.
    """
    digests = vault.lookups.candidates(LookupKind.BADGE_NUMBER, badge_number)
    async with seeing(connection, departments):
        rows = await connection.fetch(
            """
            SELECT record.department_id, record.record_id, known.ledger_position, known.state
            FROM ledger.sealed_record AS record
            JOIN views.state AS known ON known.department_id = record.department_id
                AND known.subject_kind = 'member' AND known.subject_id = record.key_id
            WHERE record.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND record.lookup_digest = ANY ($1) AND record.erased_at IS NULL
            ORDER BY record.department_id, record.key_id
            """,
            list(digests),
        )
    found = [
        (row["record_id"], FoundMember(department_id=row["department_id"], version=row["ledger_position"], state=state))
        for row in rows
        for state in (decode_state(SubjectKind.MEMBER, row["state"]),)
    ]
    return [
        member
        for record_id, member in found
        if member.state.enrolled_at is not None
        and member.state.personal is not None
        and member.state.personal.record_id == record_id
    ]
