"""Whole bodies: every sealed field of every event type goes out of the body and comes back, and resends are known."""

import os
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TypeVar

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.ledger.credentials import LookupKind, Lookups
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.ledger.personal import MemberPersonal, PersonalMalformed
from fill_ledger.ledger.sealed_bodies import (
    Comparison,
    OwnerKey,
    ReferenceGiven,
    SealedBody,
    StoredText,
    compare_with_sealed,
    open_bodies,
    open_body,
    own_key,
    references_of,
    seal_body,
)
from fill_ledger.ledger.sealing import SealBroken, SealedKey, SealedRecord, Sealer, SealFault
from fill_ledger.trade.events import Body, SealedReference, catalogue, cylinders, fills, members

RING = KeyRing(os.urandom(32))
SEALER = Sealer.from_key_ring(RING)
LOOKUPS = Lookups.from_key_ring(RING)
DEPARTMENT, MEMBER, CYLINDER = uuid.uuid4(), uuid.uuid4(), uuid.uuid4()
ERASED_AT = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
PERSONAL = MemberPersonal(name="Jordan Example", badge_number="9-114")
replace = msgspec.structs.replace
BodyT = TypeVar("BodyT", bound=Body)


class Table:
    """Stands for the two tables: what was inserted, and how often it was asked."""

    def __init__(self) -> None:
        self.records: dict[uuid.UUID, SealedRecord] = {}
        self.keys: dict[uuid.UUID, SealedKey] = {}
        self.loads: list[tuple[uuid.UUID, ...]] = []

    def insert(self, sealed: SealedBody[BodyT]) -> None:
        for key in sealed.new_keys:
            assert key.key_id not in self.keys
            self.keys[key.key_id] = key
        self.records.update({record.record_id: record for record in sealed.records})

    def erase_key(self, key_id: uuid.UUID) -> None:
        self.keys[key_id] = replace(self.keys[key_id], wrapped=b"", erased_at=ERASED_AT)

    async def load(self, record_ids: Sequence[uuid.UUID]) -> Mapping[uuid.UUID, StoredText]:
        self.loads.append(tuple(record_ids))
        return {
            record_id: StoredText(record=self.records[record_id], key=self.keys.get(self.records[record_id].key_id))
            for record_id in record_ids
            if record_id in self.records
        }


def under_member_key(row: SealedKey | None = None) -> OwnerKey:
    return OwnerKey(key_id=MEMBER, row=row)


def inspection(note: str | None = "dent near the neck", inspector: str | None = "J. Example") -> Body:
    return cylinders.CylinderInspected(
        cylinder_id=CYLINDER, inspection_kind="visual_external", outcome="pass", inspector=inspector, note=note
    )


SEALED_TYPES = [body_class for body_class in catalogue().values() if body_class.sealed]


@pytest.mark.parametrize("body_class", SEALED_TYPES, ids=lambda body_class: body_class.event_type)
def test_every_field_named_as_sealed_can_hold_a_text_and_a_reference(body_class: type[Body]) -> None:
    fields = {field.name: field.type for field in msgspec.structs.fields(body_class)}
    reference = {"record_id": str(uuid.uuid4()), "digest": "0" * 64}
    for name in body_class.sealed:
        assert msgspec.convert("text", fields[name]) == "text"
        assert isinstance(msgspec.convert(reference, fields[name]), SealedReference)


async def test_texts_leave_the_body_and_come_back() -> None:
    table = Table()
    body = inspection()
    sealed = seal_body(SEALER, body, DEPARTMENT)
    table.insert(sealed)
    assert set(references_of(sealed.body)) == {"inspector", "note"}
    written = msgspec.json.encode(sealed.body)
    assert b"Example" not in written
    assert b"dent" not in written
    opened = await open_body(SEALER, sealed.body, DEPARTMENT, table.load)
    assert opened.body == body
    assert opened.erased == ()


async def test_free_texts_have_keys_of_their_own() -> None:
    sealed = seal_body(SEALER, inspection(), DEPARTMENT, own_key)
    assert {record.key_id for record in sealed.records} == {record.record_id for record in sealed.records}
    assert {key.key_id for key in sealed.new_keys} == {record.record_id for record in sealed.records}


async def test_two_texts_of_one_new_owner_share_one_key() -> None:
    table = Table()
    sealed = seal_body(SEALER, inspection(), DEPARTMENT, lambda _field: under_member_key())
    assert len(sealed.records) == 2
    assert len(sealed.new_keys) == 1
    table.insert(sealed)
    assert (await open_body(SEALER, sealed.body, DEPARTMENT, table.load)).body == inspection()


def test_a_body_without_text_is_left_alone_and_asks_for_no_rows() -> None:
    body = fills.Filled(cylinder_id=CYLINDER, end_psi=4500)
    sealed = seal_body(SEALER, body, DEPARTMENT)
    assert sealed.body is body
    assert (sealed.records, sealed.new_keys) == ((), ())


def test_a_reference_from_outside_is_refused() -> None:
    reference = SealedReference(record_id=uuid.uuid4(), digest="0" * 64)
    with pytest.raises(ReferenceGiven, match="note") as refusal:
        seal_body(SEALER, fills.Filled(note=reference), DEPARTMENT)
    assert refusal.value.field == "note"


async def test_many_bodies_are_opened_with_one_load() -> None:
    table = Table()
    bodies = [inspection(note=f"note {number}") for number in range(20)]
    sealed = [seal_body(SEALER, body, DEPARTMENT) for body in bodies]
    for one in sealed:
        table.insert(one)
    opened = await open_bodies(SEALER, [one.body for one in sealed], DEPARTMENT, table.load)
    assert [one.body for one in opened] == bodies
    assert len(table.loads) == 1
    await open_bodies(SEALER, [fills.Filled(end_psi=4500)], DEPARTMENT, table.load)
    assert len(table.loads) == 1


async def test_an_erased_member_leaves_references_and_says_so() -> None:
    table = Table()
    enrolled = members.MemberEnrolled(member_id=MEMBER, personal=PERSONAL.encode())
    sealed = seal_body(SEALER, enrolled, DEPARTMENT, lambda _field: under_member_key())
    table.insert(sealed)
    table.erase_key(MEMBER)
    opened = await open_body(SEALER, sealed.body, DEPARTMENT, table.load)
    assert opened.erased == ("personal",)
    assert opened.body == sealed.body


async def test_a_missing_record_is_an_error_not_an_erasure() -> None:
    sealed = seal_body(SEALER, inspection(), DEPARTMENT)
    with pytest.raises(SealBroken) as broken:
        await open_body(SEALER, sealed.body, DEPARTMENT, Table().load)
    assert broken.value.fault is SealFault.MISSING


async def test_texts_swapped_between_fields_are_refused() -> None:
    table = Table()
    sealed = seal_body(SEALER, inspection(), DEPARTMENT)
    table.insert(sealed)
    first, second = table.records.values()
    table.records[first.record_id] = replace(second, record_id=first.record_id)
    table.records[second.record_id] = replace(first, record_id=second.record_id)
    with pytest.raises(SealBroken) as broken:
        await open_body(SEALER, sealed.body, DEPARTMENT, table.load)
    assert broken.value.fault is SealFault.DIGEST


@pytest.mark.parametrize(
    ("arrived", "expected"),
    [
        (inspection(), Comparison.SAME),
        (inspection(note="another note"), Comparison.DIFFERENT),
        (inspection(note=None), Comparison.DIFFERENT),
        (replace(inspection(), outcome="fail"), Comparison.DIFFERENT),
        (fills.Filled(cylinder_id=CYLINDER), Comparison.DIFFERENT),
    ],
)
async def test_a_fact_sent_again_is_known_by_its_text(arrived: Body, expected: Comparison) -> None:
    table = Table()
    stored = seal_body(SEALER, inspection(), DEPARTMENT)
    table.insert(stored)
    assert await compare_with_sealed(SEALER, arrived, stored.body, DEPARTMENT, table.load) is expected


async def test_a_fact_sent_again_after_erasure_is_compared_by_what_is_left() -> None:
    table = Table()
    stored = seal_body(SEALER, inspection(), DEPARTMENT)
    table.insert(stored)
    table.erase_key(references_of(stored.body)["inspector"].record_id)

    async def compare(arrived: Body) -> Comparison:
        return await compare_with_sealed(SEALER, arrived, stored.body, DEPARTMENT, table.load)

    assert await compare(inspection()) is Comparison.ERASED
    assert await compare(inspection(inspector="somebody else")) is Comparison.ERASED
    assert await compare(inspection(note="another note")) is Comparison.DIFFERENT
    assert await compare(inspection(inspector=None)) is Comparison.DIFFERENT


def test_sealed_personal_data_is_findable_by_badge_number_only() -> None:
    enrolled = members.MemberEnrolled(member_id=MEMBER, personal=PERSONAL.encode())
    sealed = seal_body(SEALER, enrolled, DEPARTMENT, lambda _field: under_member_key(), LOOKUPS.for_bodies())
    assert sealed.records[0].lookup_digest == LOOKUPS.digest(LookupKind.BADGE_NUMBER, "9-114")
    nameless = replace(enrolled, personal=MemberPersonal(name="Jordan Example").encode())
    odd = replace(enrolled, personal="whatever a device sent")
    for body in (nameless, odd):
        again = seal_body(SEALER, body, DEPARTMENT, lambda _field: under_member_key(), LOOKUPS.for_bodies())
        assert again.records[0].lookup_digest is None
    noted = seal_body(SEALER, inspection(), DEPARTMENT, own_key, LOOKUPS.for_bodies())
    assert [record.lookup_digest for record in noted.records] == [None, None]


names = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=200)


@given(names, st.none() | st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=32))
def test_personal_data_comes_back_and_fits_its_field(name: str, badge_number: str | None) -> None:
    personal = MemberPersonal(name=name, badge_number=badge_number)
    text = personal.encode()
    assert MemberPersonal.decode(text) == personal
    enrolled = {"member_id": str(MEMBER), "personal": text}
    assert msgspec.convert(enrolled, members.MemberEnrolled).personal == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Jordan Example",
        "{}",
        '{"name": ""}',
        '{"name": 7}',
        '{"name": "Jordan\\u0000"}',
        '{"name": "J", "badge_number": ""}',
        '{"name": "J", "home_address": "x"}',
        '{"name": "\ud800"}',
    ],
)
def test_what_is_no_personal_data_is_refused_without_being_shown(text: str) -> None:
    with pytest.raises(PersonalMalformed) as refusal:
        MemberPersonal.decode(text)
    assert "Jordan" not in str(refusal.value)


def test_a_name_does_not_reach_a_log_by_accident() -> None:
    assert "Jordan" not in repr(PERSONAL)
    assert "Jordan" not in str(PERSONAL)
