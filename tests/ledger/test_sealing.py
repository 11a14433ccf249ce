"""Sealed texts: whole when untouched, refused when altered or moved, gone when erased, readable after rotation."""

import os
import uuid
from datetime import UTC, datetime
from hashlib import sha256

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.ledger.key_ring import KeyRing, MasterKeyUnusable
from fill_ledger.ledger.sealing import (
    MAXIMUM_TEXT_BYTES,
    Erased,
    SealBroken,
    SealedKey,
    SealedRecord,
    Sealer,
    SealFault,
    Sealing,
    TextUnsealable,
)
from fill_ledger.trade.events.envelope import SealedReference

OLD_MASTER_KEY, NEW_MASTER_KEY = os.urandom(32), os.urandom(32)
SEALER = Sealer.from_key_ring(KeyRing(OLD_MASTER_KEY))
DEPARTMENT, OTHER_DEPARTMENT, MEMBER, OTHER_MEMBER = (uuid.uuid4() for _ in range(4))
ERASED_AT = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
replace = msgspec.structs.replace


def seal(text: str, key: SealedKey | None = None, member: uuid.UUID = MEMBER) -> tuple[Sealing, SealedKey]:
    sealing = SEALER.seal_text(DEPARTMENT, member, key, text)
    used = key or sealing.new_key
    assert used is not None
    return sealing, used


def consistent(record: SealedRecord, reference: SealedReference) -> tuple[SealedRecord, SealedReference]:
    """Make digest and reference fit altered bytes, so that only the encryption itself can notice."""
    digest = sha256(record.sealed or b"").digest()
    return replace(record, digest=digest), replace(reference, record_id=record.record_id, digest=digest.hex())


def fault_of(reference: SealedReference, record: SealedRecord | None, key: SealedKey | None) -> SealFault:
    with pytest.raises(SealBroken) as broken:
        SEALER.open_text(DEPARTMENT, reference, record, key)
    return broken.value.fault


@given(st.text(max_size=300))
def test_a_text_comes_back_as_it_was(text: str) -> None:
    sealing, key = seal(text)
    assert SEALER.open_text(DEPARTMENT, sealing.reference, sealing.record, key) == text
    assert sealing.record.digest.hex() == sealing.reference.digest
    assert sealing.reference.digest == sha256(sealing.record.sealed or b"").hexdigest()


def test_a_second_text_uses_the_members_key_and_makes_none() -> None:
    _, key = seal("first")
    second, _ = seal("second", key)
    assert second.new_key is None
    assert SEALER.open_text(DEPARTMENT, second.reference, second.record, key) == "second"


def test_equal_texts_are_sealed_differently_and_show_nothing() -> None:
    text = "Jordan Example of Engine 9"
    first, key = seal(text)
    second, _ = seal(text, key)
    assert first.record.sealed != second.record.sealed
    assert first.reference.digest != second.reference.digest
    assert first.reference.digest != sha256(text.encode()).hexdigest()
    for row in (first.record, key):
        assert text.encode() not in msgspec.msgpack.encode(row)


def test_the_stored_length_does_not_tell_names_apart() -> None:
    lengths = {len(seal("n" * length)[0].record.sealed or b"") for length in range(1, 32)}
    assert len(lengths) == 1


def test_every_altered_byte_of_the_sealed_bytes_is_caught_by_the_digest() -> None:
    sealing, key = seal("note")
    sealed = sealing.record.sealed or b""
    for position in range(len(sealed)):
        altered = bytearray(sealed)
        altered[position] ^= 0x01
        record = replace(sealing.record, sealed=bytes(altered))
        assert fault_of(sealing.reference, record, key) is SealFault.DIGEST


def test_every_altered_byte_is_caught_by_the_encryption_even_if_the_digests_were_altered_with_it() -> None:
    sealing, key = seal("note")
    sealed = sealing.record.sealed or b""
    for position in range(len(sealed)):
        for mask in (0x01, 0x80):
            altered = bytearray(sealed)
            altered[position] ^= mask
            record, reference = consistent(replace(sealing.record, sealed=bytes(altered)), sealing.reference)
            expected = SealFault.FORM if position == 0 else SealFault.RECORD
            assert fault_of(reference, record, key) is expected


def test_every_truncation_is_caught() -> None:
    sealing, key = seal("note")
    sealed = sealing.record.sealed or b""
    for length in range(1, len(sealed)):
        record, reference = consistent(replace(sealing.record, sealed=sealed[:length]), sealing.reference)
        assert fault_of(reference, record, key) in (SealFault.FORM, SealFault.RECORD)


def test_every_altered_byte_of_the_wrapped_key_is_caught() -> None:
    sealing, key = seal("note")
    for position in range(len(key.wrapped or b"")):
        altered = bytearray(key.wrapped or b"")
        altered[position] ^= 0x01
        expected = SealFault.FORM if position == 0 else SealFault.KEY
        assert fault_of(sealing.reference, sealing.record, replace(key, wrapped=bytes(altered))) is expected
    assert fault_of(sealing.reference, sealing.record, replace(key, wrapped=(key.wrapped or b"")[:-1])) is SealFault.KEY


def test_swapped_sealed_bytes_of_two_records_of_one_member_are_refused() -> None:
    first, key = seal("first")
    second, _ = seal("second", key)
    swapped = replace(first.record, sealed=second.record.sealed)
    assert fault_of(first.reference, swapped, key) is SealFault.DIGEST
    record, reference = consistent(swapped, first.reference)
    assert fault_of(reference, record, key) is SealFault.RECORD


def test_a_row_of_another_record_is_refused() -> None:
    first, key = seal("first")
    second, _ = seal("second", key)
    assert fault_of(first.reference, second.record, key) is SealFault.MISSING
    assert fault_of(first.reference, replace(second.record, record_id=first.record.record_id), key) is SealFault.DIGEST


def test_swapped_wrapped_keys_of_two_members_are_refused() -> None:
    mine, my_key = seal("mine")
    theirs, their_key = seal("theirs", member=OTHER_MEMBER)
    assert fault_of(mine.reference, mine.record, replace(my_key, wrapped=their_key.wrapped)) is SealFault.KEY
    assert fault_of(mine.reference, mine.record, their_key) is SealFault.MISSING
    # The record moved to the other member as a whole, with their key: opens under neither.
    moved = replace(mine.record, key_id=OTHER_MEMBER)
    assert fault_of(mine.reference, moved, their_key) is SealFault.RECORD
    assert fault_of(theirs.reference, replace(theirs.record, key_id=MEMBER), my_key) is SealFault.RECORD


def test_an_owner_renamed_in_both_rows_is_refused() -> None:
    sealing, key = seal("note")
    record = replace(sealing.record, key_id=OTHER_MEMBER)
    assert fault_of(sealing.reference, record, replace(key, key_id=OTHER_MEMBER)) is SealFault.KEY


def test_rows_moved_to_another_department_are_refused() -> None:
    sealing, key = seal("note")
    record = replace(sealing.record, department_id=OTHER_DEPARTMENT)
    moved_key = replace(key, department_id=OTHER_DEPARTMENT)
    for candidate in (key, moved_key):
        with pytest.raises(SealBroken) as broken:
            SEALER.open_text(OTHER_DEPARTMENT, sealing.reference, record, candidate)
        assert broken.value.fault is SealFault.KEY


def test_a_record_is_bound_to_department_and_owner_even_under_the_same_data_key() -> None:
    """Somebody who could wrap the data key for another department or owner still could not move the record there."""
    sealing, key = seal("note")
    data_key = SEALER._unwrap(key)
    for department, owner in ((OTHER_DEPARTMENT, MEMBER), (DEPARTMENT, OTHER_MEMBER)):
        record = replace(sealing.record, department_id=department, key_id=owner)
        with pytest.raises(SealBroken) as broken:
            SEALER.open_text(department, sealing.reference, record, SEALER._wrap(department, owner, data_key))
        assert broken.value.fault is SealFault.RECORD
    assert SEALER.open_text(DEPARTMENT, sealing.reference, sealing.record, SEALER._wrap(DEPARTMENT, MEMBER, data_key))


def test_missing_rows_are_told_from_erased_ones() -> None:
    sealing, key = seal("note")
    assert fault_of(sealing.reference, None, key) is SealFault.MISSING
    assert fault_of(sealing.reference, sealing.record, None) is SealFault.MISSING


@pytest.mark.parametrize("emptied", [b"", None])
def test_an_erased_key_erases_all_that_was_sealed_under_it(emptied: bytes | None) -> None:
    first, key = seal("first")
    second, _ = seal("second", key)
    erased_key = replace(key, wrapped=emptied, erased_at=ERASED_AT)
    for sealing in (first, second):
        opened = SEALER.open_text(DEPARTMENT, sealing.reference, sealing.record, erased_key)
        assert opened == Erased(what="key", erased_at=ERASED_AT)


def test_an_erased_record_leaves_the_members_other_records() -> None:
    first, key = seal("first")
    second, _ = seal("second", key)
    erased = replace(first.record, sealed=b"", erased_at=ERASED_AT)
    assert SEALER.open_text(DEPARTMENT, first.reference, erased, key) == Erased(what="record", erased_at=ERASED_AT)
    assert SEALER.open_text(DEPARTMENT, second.reference, second.record, key) == "second"


def test_an_erased_record_opens_as_erased_even_without_its_key() -> None:
    sealing, _ = seal("note")
    erased = replace(sealing.record, sealed=None, erased_at=ERASED_AT)
    assert isinstance(SEALER.open_text(DEPARTMENT, sealing.reference, erased, None), Erased)


def test_a_record_that_claims_erasure_must_still_carry_the_digest_in_the_ledger() -> None:
    sealing, key = seal("note")
    erased = replace(sealing.record, sealed=b"", digest=bytes(32), erased_at=ERASED_AT)
    assert fault_of(sealing.reference, erased, key) is SealFault.DIGEST


def test_text_for_an_erased_member_is_dropped_and_only_its_digest_kept() -> None:
    _, key = seal("first")
    erased_key = replace(key, wrapped=b"", erased_at=ERASED_AT)
    late = SEALER.seal_text(DEPARTMENT, MEMBER, erased_key, "late upload", lookup_digest=b"x" * 32)
    assert late.new_key is None
    assert late.record.sealed == b""
    assert late.record.lookup_digest is None
    assert late.record.erased_at == ERASED_AT
    opened = SEALER.open_text(DEPARTMENT, late.reference, late.record, erased_key)
    assert opened == Erased(what="record", erased_at=ERASED_AT)


def test_rotation_rewraps_keys_and_leaves_records_and_digests() -> None:
    sealing, old_key = seal("note")
    both = Sealer.from_key_ring(KeyRing(NEW_MASTER_KEY, (OLD_MASTER_KEY,)))
    only_new = Sealer.from_key_ring(KeyRing(NEW_MASTER_KEY))
    assert both.open_text(DEPARTMENT, sealing.reference, sealing.record, old_key) == "note"
    new_key = both.rewrap(old_key)
    assert new_key.master_key_id == KeyRing(NEW_MASTER_KEY).current_master_key_id != old_key.master_key_id
    assert (new_key.department_id, new_key.key_id) == (old_key.department_id, old_key.key_id)
    assert only_new.open_text(DEPARTMENT, sealing.reference, sealing.record, new_key) == "note"
    with pytest.raises(SealBroken) as broken:
        only_new.open_text(DEPARTMENT, sealing.reference, sealing.record, old_key)
    assert broken.value.fault is SealFault.UNKNOWN_MASTER_KEY


def test_rewrapping_again_changes_nothing_and_erased_keys_stay_erased() -> None:
    _, key = seal("note")
    assert SEALER.rewrap(key) is key
    erased = replace(key, wrapped=b"", erased_at=ERASED_AT)
    both = Sealer.from_key_ring(KeyRing(NEW_MASTER_KEY, (OLD_MASTER_KEY,)))
    assert both.rewrap(erased) is erased


def test_a_wrapped_key_under_a_renamed_master_key_is_refused() -> None:
    sealing, key = seal("note")
    both = Sealer.from_key_ring(KeyRing(NEW_MASTER_KEY, (OLD_MASTER_KEY,)))
    renamed = replace(key, master_key_id=KeyRing(NEW_MASTER_KEY).current_master_key_id)
    with pytest.raises(SealBroken) as broken:
        both.open_text(DEPARTMENT, sealing.reference, sealing.record, renamed)
    assert broken.value.fault is SealFault.KEY


def test_what_cannot_be_sealed_is_refused() -> None:
    with pytest.raises(TextUnsealable, match="surrogate"):
        seal("\ud800")
    with pytest.raises(TextUnsealable, match="longer"):
        seal("é" * (MAXIMUM_TEXT_BYTES // 2 + 1))
    text = "n" * MAXIMUM_TEXT_BYTES
    sealing, key = seal(text)
    assert SEALER.open_text(DEPARTMENT, sealing.reference, sealing.record, key) == text


def test_a_key_row_of_another_owner_is_a_mistake_of_the_caller() -> None:
    _, key = seal("note")
    with pytest.raises(ValueError, match="another department or owner"):
        SEALER.seal_text(DEPARTMENT, OTHER_MEMBER, key, "note")


def test_a_sealer_wants_real_keys_and_shows_none() -> None:
    with pytest.raises(MasterKeyUnusable):
        Sealer({"a": b"short"}, "a")
    with pytest.raises(ValueError, match="not among"):
        Sealer({"a": OLD_MASTER_KEY}, "b")
    assert repr(OLD_MASTER_KEY) not in repr(SEALER)
    assert OLD_MASTER_KEY.hex() not in repr(SEALER)


def test_no_error_shows_the_text_or_a_key() -> None:
    sealing, key = seal("Jordan Example")
    with pytest.raises(SealBroken) as broken:
        SEALER.open_text(OTHER_DEPARTMENT, sealing.reference, sealing.record, key)
    assert "Jordan" not in str(broken.value)
    assert str(sealing.record.record_id) in str(broken.value)
