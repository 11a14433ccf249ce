"""Sealing and opening the texts of whole event bodies, generic over the fields each event type names as sealed."""

import uuid
from collections.abc import Awaitable, Callable, Mapping, Sequence
from enum import StrEnum
from typing import Generic, TypeVar

import msgspec

from fill_ledger.ledger.sealing import Erased, SealBroken, SealedKey, SealedRecord, Sealer, SealFault
from fill_ledger.trade.events.envelope import Body, SealedReference

BodyT = TypeVar("BodyT", bound=Body)


class OwnerKey(msgspec.Struct, frozen=True, kw_only=True):
    """Whose key seals a text: the owner's id, and the key row where the owner has one already."""

    key_id: uuid.UUID
    row: SealedKey | None = None


class StoredText(msgspec.Struct, frozen=True, kw_only=True):
    """The two rows that together hold one sealed text."""

    record: SealedRecord
    key: SealedKey | None


class SealedBody(msgspec.Struct, Generic[BodyT], frozen=True, kw_only=True):
    """A body that may enter the ledger, and the rows to insert in the same transaction."""

    body: BodyT
    records: tuple[SealedRecord, ...]
    new_keys: tuple[SealedKey, ...]


class OpenedBody(msgspec.Struct, Generic[BodyT], frozen=True, kw_only=True):
    """A body with its texts in place. Fields named in `erased` still hold the reference; their text is gone."""

    body: BodyT
    erased: tuple[str, ...] = ()


class Comparison(StrEnum):
    """Whether a body that arrives says the same as one the ledger holds."""

    SAME = "same"
    DIFFERENT = "different"
    ERASED = "erased"  # all that is left to compare is the same; a text on the ledger's side is gone


class ReferenceGiven(ValueError):
    """A body from outside holds a reference where its text belongs. References are made by the ledger alone."""

    def __init__(self, field: str) -> None:
        super().__init__(f"{field} must be a text, not a reference to a sealed record")
        self.field = field


# For each sealed field: the owner whose key seals it, or None for a key of the record's own.
KeyFor = Callable[[str], OwnerKey | None]
# For each sealed field and its text: the digest under which the record can be found, or None.
LookupFor = Callable[[str, str], bytes | None]
# The rows of these records, by record id; a record that is not found is left out.
LoadTexts = Callable[[Sequence[uuid.UUID]], Awaitable[Mapping[uuid.UUID, StoredText]]]


def own_key(_field: str) -> OwnerKey | None:
    """Seal every text under a key of its own: right for all free text, which may name anybody."""
    return None


def no_lookup(_field: str, _text: str) -> bytes | None:
    """Make no sealed text findable."""
    return None


def seal_body(
    sealer: Sealer,
    body: BodyT,
    department_id: uuid.UUID,
    key_for: KeyFor = own_key,
    lookup_for: LookupFor = no_lookup,
) -> SealedBody[BodyT]:
    """Replace every sealed text of a body by a reference.

    Seal once and keep the result when an append is tried again: each sealing gives other bytes and another digest.

    Raises:
        ReferenceGiven: the body already holds a reference.
        TextUnsealable, SealBroken: see `Sealer.seal_text`.
    """
    references: dict[str, SealedReference] = {}
    records: list[SealedRecord] = []
    new_keys: dict[uuid.UUID, SealedKey] = {}
    for field in body.sealed:
        text: str | SealedReference | None = getattr(body, field)
        if text is None:
            continue
        if isinstance(text, SealedReference):
            raise ReferenceGiven(field)
        record_id = uuid.uuid4()
        owner = key_for(field) or OwnerKey(key_id=record_id)
        # Two texts of one new owner share the key that the first of them made.
        key = owner.row or new_keys.get(owner.key_id)
        sealing = sealer.seal_text(
            department_id, owner.key_id, key, text, record_id=record_id, lookup_digest=lookup_for(field, text)
        )
        references[field] = sealing.reference
        records.append(sealing.record)
        if sealing.new_key is not None:
            new_keys[owner.key_id] = sealing.new_key
    sealed_body = msgspec.structs.replace(body, **references) if references else body
    return SealedBody(body=sealed_body, records=tuple(records), new_keys=tuple(new_keys.values()))


async def open_bodies(
    sealer: Sealer, bodies: Sequence[BodyT], department_id: uuid.UUID, load: LoadTexts
) -> list[OpenedBody[BodyT]]:
    """Put the texts back into many bodies of one department, with one call of `load` for all of them.

    Raises:
        SealBroken: a text that nobody erased cannot be opened.
    """
    wanted = [reference.record_id for body in bodies for reference in references_of(body).values()]
    stored = await load(wanted) if wanted else {}
    return [_opened(sealer, body, department_id, stored) for body in bodies]


async def open_body(sealer: Sealer, body: BodyT, department_id: uuid.UUID, load: LoadTexts) -> OpenedBody[BodyT]:
    """Put the texts back into one body. Raises SealBroken."""
    return (await open_bodies(sealer, [body], department_id, load))[0]


def references_of(body: Body) -> dict[str, SealedReference]:
    """Return the references a body holds, by field."""
    values = ((field, getattr(body, field)) for field in body.sealed)
    return {field: value for field, value in values if isinstance(value, SealedReference)}


async def compare_with_sealed(
    sealer: Sealer, arrived: Body, stored: Body, department_id: uuid.UUID, load: LoadTexts
) -> Comparison:
    """Compare a body as it arrives, in plain text, with the sealed body the ledger holds under the same event id.

    Sealing the same text twice gives different references, so the canonical bytes of the two cannot be compared.
    A text that was erased cannot be compared either: then the rest decides between DIFFERENT and ERASED.

    Raises:
        SealBroken: a text that nobody erased cannot be opened.
    """
    if type(arrived) is not type(stored):
        return Comparison.DIFFERENT
    opened = await open_body(sealer, stored, department_id, load)
    ignored: dict[str, SealedReference] = {}
    for field in opened.erased:
        if getattr(arrived, field) is None:
            return Comparison.DIFFERENT
        ignored[field] = getattr(opened.body, field)
    if msgspec.structs.replace(arrived, **ignored) != opened.body:
        return Comparison.DIFFERENT
    return Comparison.ERASED if opened.erased else Comparison.SAME


def _opened(
    sealer: Sealer, body: BodyT, department_id: uuid.UUID, stored: Mapping[uuid.UUID, StoredText]
) -> OpenedBody[BodyT]:
    texts: dict[str, str] = {}
    erased: list[str] = []
    for field, reference in references_of(body).items():
        rows = stored.get(reference.record_id)
        if rows is None:
            raise SealBroken(SealFault.MISSING, reference.record_id, "the sealed record is missing")
        opened = sealer.open_text(department_id, reference, rows.record, rows.key)
        if isinstance(opened, Erased):
            erased.append(field)
        else:
            texts[field] = opened
    opened_body = msgspec.structs.replace(body, **texts) if texts else body
    return OpenedBody(body=opened_body, erased=tuple(erased))
