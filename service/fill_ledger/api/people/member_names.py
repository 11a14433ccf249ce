"""Names and badge numbers of members, opened from what is sealed, for those who may read them."""

import uuid
from collections.abc import Mapping

from msgspec import Struct

from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.vault import Vault
from fill_ledger.ledger.personal import MemberPersonal, PersonalMalformed
from fill_ledger.ledger.read import Connection
from fill_ledger.ledger.sealed_bodies import open_bodies
from fill_ledger.trade.events.envelope import SealedReference
from fill_ledger.trade.events.members import MemberPersonalCorrected
from fill_ledger.trade.states.members import MemberState

MAXIMUM_SHOWN_NAME = 200


class Names(Struct, frozen=True, kw_only=True):
    """What is known of a member as a person. `erased` means that it was sealed once and is gone."""

    name: str | None = None
    badge_number: str | None = None
    erased: bool = False

    def __repr__(self) -> str:
        return "Names(...)"


NO_NAMES = Names()


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
