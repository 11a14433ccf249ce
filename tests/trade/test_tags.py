"""Tag identifiers: every way of writing one leads to one canonical text, and impossible ones are refused."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.tags import LABEL_MAX_LENGTH, TagFault, TagIdentity, TagKind, normalise_tag


def identity_of(text: str) -> TagIdentity:
    identity = normalise_tag(text)
    assert isinstance(identity, TagIdentity), identity
    return identity


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("04:A2:24:5B:6F:80:12", "iso14443a:04A2245B6F8012"),
        ("04a2245b6f8012", "iso14443a:04A2245B6F8012"),
        ("04-A2-24-5B-6F-80-12", "iso14443a:04A2245B6F8012"),
        ("0x04A2245B6F8012", "iso14443a:04A2245B6F8012"),
        ("iso14443a:04a2245b6f8012", "iso14443a:04A2245B6F8012"),
        ("ISO 14443-A: 04 A2 24 5B 6F 80 12", "iso14443a:04A2245B6F8012"),
        ("ISO/IEC 14443-A: 04A2245B6F8012", "iso14443a:04A2245B6F8012"),
        ("04A2245B6F801204A224", "iso14443a:04A2245B6F801204A224"),
        ("DEADBEEF", "iso14443a:DEADBEEF"),
        ("iso14443b:DE AD BE EF", "iso14443b:DEADBEEF"),
        ("E0 04 01 00 12 34 56 78", "iso15693:E004010012345678"),
        ("E004 0100 1234 5678", "iso15693:E004010012345678"),
        ("78:56:34:12:00:01:04:E0", "iso15693:E004010012345678"),
        ("iso15693:78563412000104E0", "iso15693:E004010012345678"),
        ("E00401 0012 345678", "iso15693:E004010012345678"),
        ("3414257bf40000000000162e", "epc:3414257BF40000000000162E"),
        ("epc:3414257BF40000000000162E", "epc:3414257BF40000000000162E"),
        ("urn:epc:tag:giai-96:0.0614141.5678", "epc:3414257BF40000000000162E"),
        ("urn:epc:raw:96.x3414257BF40000000000162E", "epc:3414257BF40000000000162E"),
        ("epc:0001", "epc:0001"),
        ("E28011606000020412345678", "tid:E28011606000020412345678"),
        ("epc:E28011606000020412345678", "epc:E28011606000020412345678"),
        ("tid:E2801160", "tid:E2801160"),
        ("CYL-0042", "label:CYL-0042"),
        ("  Engine   7 ", "label:Engine 7"),
        ("0042", "label:0042"),
        ("12-34", "label:12-34"),
        ("AC-12-0042", "label:AC-12-0042"),
        ("label:12345678", "label:12345678"),
        ("other:A:b", "label:A:b"),
        ("https://tags.example/0042", "label:https://tags.example/0042"),
    ],
)
def test_every_spelling_leads_to_one_text(text: str, canonical: str) -> None:
    assert identity_of(text).canonical == canonical


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty"),
        ("   ", "empty"),
        ("0012345678", "length"),
        ("04A2245B6F80", "length"),
        ("04:A2:24:5B:6F:80", "length"),
        ("04A2245B6F801", "length"),
        ("3414257BF40000000000162E1", "length"),
        ("AB" * 64, "length"),
        ("00000000", "blank"),
        ("FFFFFFFFFFFFFFFFFFFFFFFF", "blank"),
        ("iso15693:0000000000000000", "blank"),
        ("1122334455667788", "iso15693-first-byte"),
        ("iso15693:E00401001234", "length"),
        ("iso14443a:0411", "length"),
        ("iso14443a:041", "length"),
        ("iso14443a:hello", "not-hex"),
        ("iso14443b:04A2245B6F8012", "length"),
        ("88123456", "cascade-tag"),
        ("8804A2245B6F80AA", "cascade-tag"),
        ("04A224885B6F80", "cascade-tag"),
        ("epc:001", "length"),
        ("epc:00112233445", "length"),
        ("epc:" + "AB" * 64, "length"),
        ("tid:E280", "length"),
        ("tid:3414257BF40000000000162E", "tid-class"),
        ("foo:bar", "kind-unknown"),
        ("urn:epc:tag:giai-96:0.0614141.0012", "epc-uri"),
        ("urn:epc:tag:sgtin-96:3.0614141.112345.6789", "epc-uri"),
        ("urn:isbn:9780000000002", "epc-uri"),
        ("urn:epc:raw:64.x3414257BF40000000000162E", "length"),
        ("label:", "label-characters"),
        ("label:caf\N{LATIN SMALL LETTER E WITH ACUTE}", "label-characters"),
        ("bell\x07", "label-characters"),
        ("label:" + "x" * (LABEL_MAX_LENGTH + 1), "label-too-long"),
        ("x" * 1000, "too-long"),
    ],
)
def test_impossible_tags_are_refused_with_a_reason(text: str, code: str) -> None:
    fault = normalise_tag(text)
    assert isinstance(fault, TagFault), fault
    assert fault.code == code
    assert fault.detail
    assert fault.suggestion


@pytest.mark.parametrize(
    ("text", "unique"),
    [
        ("DEADBEEF", False),
        ("08ADBEEF", False),
        ("iso14443b:DEADBEEF", False),
        ("tid:E2801160", False),
        ("label:0042", False),
        ("04A2245B6F8012", True),
        ("E004010012345678", True),
        ("3414257BF40000000000162E", True),
        ("tid:E28011606000020412345678", True),
    ],
)
def test_identifiers_that_are_not_unique_say_so(text: str, unique: bool) -> None:
    identity = identity_of(text)
    assert identity.unique is unique
    assert unique or any("unique" in note or "random" in note or "not the tag" in note for note in identity.notes)


def test_a_random_uid_is_named_random() -> None:
    assert any("random" in note for note in identity_of("08123456").notes)
    assert not any("random" in note for note in identity_of("18123456").notes)


def test_an_identity_uri_says_that_the_filter_was_taken() -> None:
    identity = identity_of("urn:epc:id:giai:0614141.5678")
    assert identity.canonical == "epc:3414257BF40000000000162E"
    assert any("filter value" in note for note in identity.notes)


def test_bits_that_break_the_standard_are_still_a_tag() -> None:
    # A reader really read these bits: they identify the tag although they are no GIAI.
    identity = identity_of("341F00000000000000000001")
    assert identity.canonical == "epc:341F00000000000000000001"
    assert identity.uri is None
    assert any("partition 7" in note for note in identity.notes)


hex_of = st.one_of(
    *(st.binary(min_size=size, max_size=size).map(lambda raw: raw.hex().upper()) for size in (4, 7, 8, 10, 12, 16, 24))
)


@given(hex_of, st.sampled_from(["", ":", " ", "-"]), st.booleans())
def test_separators_and_case_do_not_matter(hex_digits: str, separator: str, lower: bool) -> None:
    pairs = [hex_digits[start : start + 2] for start in range(0, len(hex_digits), 2)]
    written = separator.join(pairs)
    plain, dressed = normalise_tag(hex_digits), normalise_tag(written.lower() if lower else written)
    if isinstance(plain, TagFault):
        assert isinstance(dressed, TagFault)
        assert dressed.code == plain.code
    else:
        assert dressed == plain


@given(st.binary(min_size=7, max_size=7))
def test_byte_order_of_an_iso15693_uid_does_not_matter(rest: bytes) -> None:
    forward = b"\xe0" + rest
    if rest[-1] == 0xE0:
        # E0 at both ends: the given order is taken, so a reversed reading cannot be recognised.
        assert identity_of(forward.hex()).value == forward.hex().upper()
        return
    assert identity_of(forward.hex()).canonical == identity_of(forward[::-1].hex()).canonical


@given(st.one_of(st.text(max_size=80), hex_of, st.from_regex(r"(iso15693|epc|tid|label):[ -~]{0,40}", fullmatch=True)))
def test_canonical_text_is_a_fixed_point(text: str) -> None:
    identity = normalise_tag(text)
    if isinstance(identity, TagFault):
        return
    again = identity_of(identity.canonical)
    assert again.canonical == identity.canonical
    assert (again.kind, again.value, again.unique, again.uri) == (
        identity.kind,
        identity.value,
        identity.unique,
        identity.uri,
    )
    assert identity.canonical.isascii()
    assert 4 < len(identity.canonical) <= 128


def test_an_identity_survives_json() -> None:
    identity = identity_of("urn:epc:tag:grai-96:0.0614141.12345.400")
    assert msgspec.json.decode(msgspec.json.encode(identity), type=TagIdentity) == identity
    assert identity.kind is TagKind.EPC


def test_a_label_that_begins_like_an_address_keeps_its_identity() -> None:
    for text in ("//", "//7", "https://example.org/7"):
        once = normalise_tag(text)
        assert isinstance(once, TagIdentity)
        assert once.canonical == f"label:{text}"
        assert normalise_tag(once.canonical) == once
