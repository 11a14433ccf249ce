"""Identifiers of contactless tags, by what the air interface standards say of them.

Sources: ISO/IEC 15693 (UID of 8 bytes, E0, one byte of chip maker, 48 bits of serial: three reader manuals agree,
secondary; sent least byte first: from memory). ISO/IEC 14443-3 type A (4, 7 or 10 bytes; 08 first says random; 88 is
the cascade tag: reader manuals, read second-hand) and type B (PUPI of 4 bytes, may be random: secondary). Makers' bytes
below are made up.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.tags import TagFault, TagIdentity, TagKind, normalise_tag


def read(text: str) -> TagIdentity:
    identity = normalise_tag(text)
    assert isinstance(identity, TagIdentity), identity
    return identity


def fault(text: str) -> str:
    refused = normalise_tag(text)
    assert isinstance(refused, TagFault), refused
    assert refused.detail
    assert refused.suggestion
    return refused.code


# One tag as seven readers and people write it; E0, maker 5A, serial 0000 1234 5678.
SPELLINGS_OF_ONE_15693_TAG = [
    "E05A000012345678",
    "e05a000012345678",
    "0xE05A000012345678",
    "E0:5A:00:00:12:34:56:78",
    "e0-5a-00-00-12-34-56-78",
    "E0 5A 00 00 12 34 56 78",
    "E0.5A.00.00.12.34.56.78",
    "E05A 0000 1234 5678",
    "iso15693:E05A000012345678",
    "ISO 15693: E0 5A 00 00 12 34 56 78",
    "ISO/IEC 15693:E05A000012345678",
    "\N{FULLWIDTH LATIN CAPITAL LETTER E}05A000012345678",
    # As it comes over the air: the last byte first.
    "785634120000 5AE0",
    "78:56:34:12:00:00:5A:E0",
    "iso15693:7856341200005ae0",
]


@pytest.mark.parametrize("text", SPELLINGS_OF_ONE_15693_TAG)
def test_one_15693_tag_has_one_text(text: str) -> None:
    identity = read(text)
    assert identity.canonical == "iso15693:E05A000012345678"
    assert identity.unique
    assert any("reversed" in note for note in identity.notes) == text.upper().replace(" ", "").endswith("E0")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("iso15693:E15A000012345678", "iso15693-first-byte"),
        ("iso15693:005A000012345678", "iso15693-first-byte"),
        ("105A000012345678", "iso15693-first-byte"),
        ("iso15693:E05A0000123456", "length"),
        ("iso15693:E05A00001234567800", "length"),
        ("iso15693:E05A00001234567", "length"),
        ("iso15693:E05A00001234567G", "not-hex"),
        ("FFFFFFFFFFFFFFFF", "blank"),
    ],
)
def test_what_is_no_15693_uid(text: str, code: str) -> None:
    assert fault(text) == code


@given(st.integers(0, 0xFF), st.integers(0, 2**48 - 1))
def test_any_maker_and_serial_both_ways(maker: int, serial: int) -> None:
    """E0 in front, whichever way round it came; only a serial that ends in E0 as well cannot be told, and stays."""
    forward = bytes([0xE0, maker]) + serial.to_bytes(6, "big")
    assert read(forward.hex()).value == forward.hex().upper()
    if forward[-1] != 0xE0:
        assert read(forward[::-1].hex()).value == forward.hex().upper()


@pytest.mark.parametrize(
    ("text", "kind", "unique"),
    [
        # Single size, 4 bytes: never unique, 08 first even random.
        ("iso14443a:12345678", TagKind.ISO14443A, False),
        ("iso14443a:08345678", TagKind.ISO14443A, False),
        # Double size, 7 bytes, and triple size, 10 bytes: set by the maker.
        ("iso14443a:04A1B2C3D4E5F6", TagKind.ISO14443A, True),
        ("iso14443a:08A1B2C3D4E5F6", TagKind.ISO14443A, True),
        ("iso14443a:04A1B2C3D4E5F6A7B8C9", TagKind.ISO14443A, True),
        # Type B: pseudo-unique by its own name.
        ("iso14443b:12345678", TagKind.ISO14443B, False),
        ("iso14443b:08345678", TagKind.ISO14443B, False),
    ],
)
def test_which_14443_identifiers_are_unique(text: str, kind: TagKind, unique: bool) -> None:
    identity = read(text)
    assert (identity.kind, identity.unique) == (kind, unique)
    assert any("random" in note for note in identity.notes) == ("14443b" in text or text == "iso14443a:08345678")


@pytest.mark.parametrize("length", [4, 7, 10])
@pytest.mark.parametrize("separator", ["", ":", " ", "-", "."])
def test_type_a_in_every_length_and_spelling(length: int, separator: str) -> None:
    digits = "04A1B2C3D4E5F6A7B8C9"[: length * 2]
    written = separator.join(digits[start : start + 2] for start in range(0, len(digits), 2))
    for text in (written, written.lower(), f"iso14443a:{written}", f"ISO 14443-A: {written.lower()}"):
        assert read(text).canonical == f"iso14443a:{digits}"


@pytest.mark.parametrize("length", [1, 2, 3, 5, 6, 8, 9, 11, 12])
def test_other_lengths_are_no_type_a_uid(length: int) -> None:
    assert fault("iso14443a:" + "A1" * length) == "length"


@pytest.mark.parametrize(
    "text",
    [
        # 88 is the cascade tag: it begins a part of a longer UID, never a UID of its own.
        "iso14443a:88A1B2C3",
        "88:A1:B2:C3",
        # The raw first part of a double size with its check byte, and the same with the second part behind it.
        "8804A1B2C3D4E5F6",
        "iso14443a:8804A1B2C3D4E5F6",
        # The fourth byte of a double size: it would be taken for a cascade tag.
        "iso14443a:04A1B288C3D4E5",
    ],
)
def test_the_cascade_tag_is_refused_with_what_to_leave_out(text: str) -> None:
    assert fault(text) == "cascade-tag"


def test_a_cascade_byte_elsewhere_is_a_byte_like_another() -> None:
    assert read("iso14443a:0488B2C3D4E588").unique
    assert read("iso14443a:04A1B288").canonical == "iso14443a:04A1B288"


def test_byte_order_of_type_a_cannot_be_told() -> None:
    """No byte of it is fixed, so what a reader shows is kept: two readers of unlike order name two tags."""
    assert read("iso14443a:12345678").value != read("iso14443a:78563412").value


@given(st.binary(min_size=4, max_size=4))
def test_no_four_byte_identifier_is_called_unique(raw: bytes) -> None:
    for prefix in ("", "iso14443a:", "iso14443b:"):
        identity = normalise_tag(prefix + raw.hex())
        if isinstance(identity, TagIdentity):
            assert not identity.unique
        else:
            assert raw[0] == 0x88 or raw in (b"\x00" * 4, b"\xff" * 4)


@pytest.mark.parametrize(
    ("text", "canonical", "unique"),
    [
        # TID bank: E2 is the class of GS1 chips (Tag Data Standard); its first 4 bytes name maker and model only.
        ("tid:E2801160", "tid:E2801160", False),
        ("tid:E280116060000204", "tid:E280116060000204", True),
        ("E28011606000020412345678", "tid:E28011606000020412345678", True),
        # The same digits in the EPC bank are another thing: it can be written at will.
        ("epc:E28011606000020412345678", "epc:E28011606000020412345678", True),
    ],
)
def test_tid_and_epc_banks_are_kept_apart(text: str, canonical: str, unique: bool) -> None:
    identity = read(text)
    assert (identity.canonical, identity.unique) == (canonical, unique)
