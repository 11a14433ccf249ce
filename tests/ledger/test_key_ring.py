"""Derived keys: against the published vectors, apart from each other, and refused where the master key is no key."""

import base64
import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.ledger.key_ring import (
    MAXIMUM_PREVIOUS_MASTER_KEYS,
    KeyPurpose,
    KeyRing,
    MasterKeyUnusable,
    derive_key,
    hkdf_sha256,
    hmac_sha256,
    read_master_key,
)


@pytest.mark.parametrize(
    ("key_material", "salt", "info", "length", "expected"),
    [
        (
            "0b" * 22,
            bytes(range(0x0D)).hex(),
            bytes(range(0xF0, 0xFA)).hex(),
            42,
            "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
        ),
        (
            bytes(range(0x50)).hex(),
            bytes(range(0x60, 0xB0)).hex(),
            bytes(range(0xB0, 0x100)).hex(),
            82,
            (
                "b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c59045a99cac7827271cb41c65e590e09"
                "da3275600c2f09b8367793a9aca3db71cc30c58179ec3e87c14c01d5c1f3434f1d87"
            ),
        ),
        ("0b" * 22, "", "", 42, "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8"),
    ],
    ids=["A.1", "A.2", "A.3"],
)
def test_hkdf_agrees_with_rfc_5869_appendix_a(
    key_material: str, salt: str, info: str, length: int, expected: str
) -> None:
    derived = hkdf_sha256(
        bytes.fromhex(key_material), salt=bytes.fromhex(salt), info=bytes.fromhex(info), length=length
    )
    assert derived.hex() == expected


@pytest.mark.parametrize(
    ("key", "message", "expected"),
    [
        (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (
            b"Jefe",
            b"what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
        (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
        (
            b"\xaa" * 131,
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        ),
    ],
    ids=["4.2", "4.3", "4.4", "4.7"],
)
def test_hmac_agrees_with_rfc_4231(key: bytes, message: bytes, expected: str) -> None:
    assert hmac_sha256(key, message).hex() == expected


def test_the_keys_of_all_purposes_and_masters_differ() -> None:
    ring = KeyRing(os.urandom(32), (os.urandom(32),))
    keys = [
        *ring.master_keys.values(),
        *ring.lookup_peppers,
        *ring.member_session_keys,
        *ring.permit_reference_keys,
        *ring.cursor_keys,
    ]
    assert len(keys) == 10
    assert len(set(keys)) == 10


def test_a_context_narrows_a_purpose() -> None:
    master_key = os.urandom(32)
    narrowed = {derive_key(master_key, KeyPurpose.DATA_KEY_WRAPPING, context) for context in (b"", b"a", b"b")}
    assert len(narrowed) == 3


def test_the_current_key_stands_first_and_the_previous_follow_in_order() -> None:
    newest, older, oldest = (os.urandom(32) for _ in range(3))
    ring = KeyRing(newest, (older, oldest))
    assert ring.lookup_peppers == tuple(derive_key(key, KeyPurpose.LOOKUP_PEPPER) for key in (newest, older, oldest))
    assert ring.master_keys[ring.current_master_key_id] == newest


def test_the_text_form_shows_no_key() -> None:
    key = os.urandom(32)
    shown = repr(KeyRing(key)) + str(KeyRing(key))
    assert key.hex() not in shown
    assert base64.b64encode(key).decode() not in shown
    assert repr(key) not in shown


@given(st.binary(min_size=32, max_size=32).filter(lambda key: len(set(key)) >= 12), st.booleans(), st.booleans())
def test_a_master_key_reads_back_from_either_alphabet_padded_or_not(key: bytes, url_safe: bool, padded: bool) -> None:
    text = (base64.urlsafe_b64encode(key) if url_safe else base64.b64encode(key)).decode()
    assert read_master_key(f" {text if padded else text.rstrip('=')}\n") == key


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "has 0"),
        ("not base64 at all!", "base64"),
        ("ünïcode", "base64"),
        (base64.b64encode(bytes(range(31))).decode(), "has 31"),
        (base64.b64encode(bytes(range(33))).decode(), "has 33"),
        (base64.b64encode(bytes(32)).decode(), "not random"),
        (base64.b64encode(b"changeme" * 4).decode(), "not random"),
    ],
)
def test_what_is_no_master_key_is_refused_without_being_shown(text: str, told: str) -> None:
    with pytest.raises(MasterKeyUnusable, match=told) as refusal:
        read_master_key(text)
    assert not text or text not in str(refusal.value)


def test_a_ring_refuses_a_key_given_twice_and_too_many_keys() -> None:
    key = os.urandom(32)
    with pytest.raises(MasterKeyUnusable, match="twice"):
        KeyRing(key, (os.urandom(32), key))
    with pytest.raises(MasterKeyUnusable, match="at most"):
        KeyRing(key, tuple(os.urandom(32) for _ in range(MAXIMUM_PREVIOUS_MASTER_KEYS + 1)))


def test_a_ring_from_texts_is_the_ring_from_bytes() -> None:
    current, previous = os.urandom(32), os.urandom(32)
    from_text = KeyRing.from_text(base64.b64encode(current).decode(), [base64.b64encode(previous).decode()])
    assert from_text.master_keys == KeyRing(current, (previous,)).master_keys
