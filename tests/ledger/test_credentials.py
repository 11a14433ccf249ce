"""Cards and badge numbers are found by keyed digests; what is sealed of a credential reads back."""

import os
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.ledger.credentials import (
    MAXIMUM_CARD_VALUE,
    CardSecret,
    CardUnreadable,
    CredentialMalformed,
    LookupKind,
    Lookups,
    PasscodeSecret,
    decode_secret,
    encode_secret,
    normal_card_value,
)
from fill_ledger.ledger.key_ring import KeyRing, hmac_sha256
from fill_ledger.ledger.personal import MemberPersonal

OLD_KEY, NEW_KEY = os.urandom(32), os.urandom(32)
LOOKUPS = Lookups.from_key_ring(KeyRing(OLD_KEY))


@pytest.mark.parametrize(
    "scanned",
    ["04A2B31C", "04a2b31c", "04:A2:B3:1C", "04 a2 b3 1c", "04-A2-b3-1C\r\n", "  04a2b31c"],
)
def test_one_chip_has_one_value_however_a_reader_writes_it(scanned: str) -> None:
    assert normal_card_value(scanned) == "04A2B31C"


@pytest.mark.parametrize(("left", "right"), [("member-ab12", "MEMBER-AB12"), ("0042", "42"), ("a b", "ab")])
def test_values_that_are_no_row_of_bytes_are_kept_apart(left: str, right: str) -> None:
    assert normal_card_value(left) != normal_card_value(right)
    assert LOOKUPS.digest(LookupKind.CARD, left) != LOOKUPS.digest(LookupKind.CARD, right)


@given(st.text(min_size=1, max_size=40))
def test_a_normal_value_stays_as_it_is(scanned: str) -> None:
    try:
        once = normal_card_value(scanned)
    except CardUnreadable:
        return
    assert normal_card_value(once) == once


@pytest.mark.parametrize("scanned", ["", " \r\n", "a\x00b", "a\nb", "\ud800", "x" * (MAXIMUM_CARD_VALUE + 1)])
def test_what_cannot_be_a_card_is_refused(scanned: str) -> None:
    with pytest.raises(CardUnreadable):
        LOOKUPS.digest(LookupKind.CARD, scanned)


def test_the_digest_is_the_hmac_of_kind_and_value() -> None:
    pepper = os.urandom(32)
    assert Lookups([pepper]).digest(LookupKind.CARD, "04a2b31c") == hmac_sha256(pepper, b"card|04A2B31C")


def test_a_card_and_a_badge_number_of_one_value_have_different_digests() -> None:
    assert LOOKUPS.digest(LookupKind.CARD, "1234") != LOOKUPS.digest(LookupKind.BADGE_NUMBER, "1234")


def test_badge_numbers_are_found_in_any_case_and_spacing() -> None:
    digests = {LOOKUPS.digest(LookupKind.BADGE_NUMBER, badge) for badge in ("9-114A", "9-114a", " 9 -114a ")}
    assert len(digests) == 1
    assert LOOKUPS.digest(LookupKind.BADGE_NUMBER, "9-114B") not in digests


def test_any_text_may_be_looked_for_as_a_badge_number() -> None:
    assert len(LOOKUPS.digest(LookupKind.BADGE_NUMBER, "\ud800")) == 32


def test_until_a_rotation_is_finished_old_digests_are_still_found() -> None:
    stored = LOOKUPS.digest(LookupKind.CARD, "04a2b31c")
    rotating = Lookups.from_key_ring(KeyRing(NEW_KEY, (OLD_KEY,)))
    candidates = rotating.candidates(LookupKind.CARD, "04a2b31c")
    assert candidates == (rotating.digest(LookupKind.CARD, "04a2b31c"), stored)
    finished = Lookups.from_key_ring(KeyRing(NEW_KEY))
    assert stored not in finished.candidates(LookupKind.CARD, "04a2b31c")


def test_the_digest_can_be_made_again_from_what_is_sealed() -> None:
    secret = decode_secret(encode_secret(CardSecret(value="04a2b31c")))
    assert LOOKUPS.of_secret(secret) == LOOKUPS.digest(LookupKind.CARD, "04a2b31c")
    assert LOOKUPS.of_secret(PasscodeSecret(argon2id="$argon2id$v=19$x")) is None
    assert LOOKUPS.of_personal(MemberPersonal(name="J", badge_number=" ")) is None


@pytest.mark.parametrize("secret", [CardSecret(value="04A2B31C"), PasscodeSecret(argon2id="$argon2id$v=19$m=8$x$y")])
def test_a_sealed_credential_reads_back_and_is_not_shown(secret: CardSecret | PasscodeSecret) -> None:
    assert decode_secret(encode_secret(secret)) == secret
    assert re.fullmatch(r"\w+\(\.\.\.\)", repr(secret))


@pytest.mark.parametrize(
    "text",
    ["", "{}", '{"kind":"iris","value":"x"}', '{"kind":"card"}', '{"kind":"passcode","argon2id":"123456"}', "\ud800"],
)
def test_what_is_no_credential_is_refused(text: str) -> None:
    with pytest.raises(CredentialMalformed):
        decode_secret(text)
