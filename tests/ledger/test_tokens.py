"""Compact text, ledger tokens and access keys."""

import base64
import uuid
import zlib
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.ledger.access_keys import ACCESS_KEY_LENGTH, access_key_digest, make_access_key
from fill_ledger.ledger.compact_text import decode_compact, encode_compact
from fill_ledger.ledger.ledger_token import (
    LedgerPosition,
    LedgerTokenMalformed,
    decode_ledger_token,
    encode_ledger_token,
)

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
DEPARTMENT = uuid.UUID("6c0e7a52-4c0e-4a1c-9d6f-0d8c5a3b2e10")


@pytest.mark.parametrize(
    ("content", "text"),
    [(b"", ""), (b"f", "Zg"), (b"fo", "Zm8"), (b"foo", "Zm9v"), (b"foob", "Zm9vYg"), (b"foobar", "Zm9vYmFy")],
)
def test_compact_text_agrees_with_rfc_4648_section_10(content: bytes, text: str) -> None:
    """The published vectors, without their padding."""
    assert encode_compact(content) == text
    assert decode_compact(text) == content


def test_compact_text_uses_the_url_safe_alphabet_of_rfc_4648_section_5() -> None:
    assert encode_compact(b"\xfb\xff") == "-_8"
    assert decode_compact("+/8") is None


@given(st.binary(max_size=80))
def test_compact_text_comes_back(content: bytes) -> None:
    assert decode_compact(encode_compact(content)) == content


@given(st.text(ALPHABET + "=+/ \n\u00e9", max_size=12))
def test_no_content_has_two_texts(text: str) -> None:
    content = decode_compact(text)
    assert content is None or encode_compact(content) == text


def test_unused_last_bits_are_refused() -> None:
    assert base64.urlsafe_b64decode("Zh==") == b"f"  # the library takes it
    assert decode_compact("Zh") is None


@given(st.uuids(), st.integers(0, 2**53 - 1))
def test_a_ledger_token_comes_back_short_and_url_safe(department_id: uuid.UUID, position: int) -> None:
    token = encode_ledger_token(department_id, position)
    assert decode_ledger_token(token) == LedgerPosition(department_id=department_id, position=position)
    assert len(token) <= 38
    assert set(token) <= set(ALPHABET)


@pytest.mark.parametrize("position", [-1, 2**53])
def test_a_position_outside_the_ledger_has_no_token(position: int) -> None:
    with pytest.raises(ValueError, match="between"):
        encode_ledger_token(DEPARTMENT, position)


@pytest.mark.parametrize("position", [0, 1, 60_211, 2**53 - 1])
def test_every_altered_or_missing_character_of_a_ledger_token_is_noticed(position: int) -> None:
    token = encode_ledger_token(DEPARTMENT, position)
    spoiled = [token[:length] for length in range(len(token))] + [token + "A", token + "=", " " + token]
    spoiled += [
        token[:place] + character + token[place + 1 :]
        for place in range(len(token))
        for character in ALPHABET
        if character != token[place]
    ]
    for text in spoiled:
        with pytest.raises(LedgerTokenMalformed):
            decode_ledger_token(text)


@given(st.text(max_size=100))
def test_no_text_makes_reading_a_ledger_token_fail_otherwise(text: str) -> None:
    with pytest.raises(LedgerTokenMalformed):
        decode_ledger_token(text)


def test_a_position_has_one_token() -> None:
    """A leading zero byte with a fitting check is still refused."""
    content = b"\x01" + DEPARTMENT.bytes + b"\x00\x07"
    with pytest.raises(LedgerTokenMalformed):
        decode_ledger_token(encode_compact(content + zlib.crc32(content).to_bytes(4, "big")))


def test_access_keys_are_long_random_and_stored_as_their_digest() -> None:
    keys = [make_access_key() for _ in range(50)]
    assert len({key.plain for key in keys}) == 50
    for key in keys:
        assert len(key.plain) == ACCESS_KEY_LENGTH == 47
        assert len(base64.urlsafe_b64decode(key.plain[4:] + "=")) == 32
        assert key.digest == sha256(key.plain.encode()).digest() == access_key_digest(key.plain)
        assert key.plain not in repr(key)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "flk_",
        "flk_" + "A" * 42,
        "flk_" + "A" * 44,
        "flx_" + "A" * 43,
        "FLK_" + "A" * 43,
        "flk_" + "A" * 42 + "+",
        "flk_" + "A" * 43 + "\n",
        "flk_" + "A" * 42 + "\u0661",
        "flk_" + "A" * 100_000,
    ],
)
def test_what_cannot_be_an_access_key_has_no_digest(text: str) -> None:
    assert access_key_digest(text) is None
