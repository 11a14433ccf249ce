"""Tag identifiers against worked vectors and against an independent library.

The vectors were encoded by hand from the tables of the GS1 Tag Data Standard (GIAI-96, GRAI-96; tag translation tables
2.0 at ref.gs1.org) and, but for the twelve-digit prefix, are also found in public test suites of independent encoders.
The library is epcpy (MIT), written by others from the same standard.
"""

import pytest
from epcpy.epc_schemes.giai import GIAI, GIAIFilterValue
from epcpy.epc_schemes.grai import GRAI, GRAIFilterValue
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.epc import Giai96, Grai96, check_digit, decode_epc96, encode_epc96, parse_epc_uri
from fill_ledger.trade.tags import TagFault, TagIdentity, normalise_tag

# 0614141 is the company prefix GS1 uses in its own examples (from memory); it is never issued.
VECTORS = [
    ("urn:epc:tag:giai-96:0.0614141.5678", "3414257BF40000000000162E"),
    ("urn:epc:tag:giai-96:3.0614141.5678", "3474257BF40000000000162E"),
    ("urn:epc:tag:giai-96:0.0614141.12345", "3414257BF400000000003039"),
    ("urn:epc:tag:grai-96:0.0614141.12345.5678", "3314257BF40C0E400000162E"),
    ("urn:epc:tag:grai-96:3.0614141.12345.5678", "3374257BF40C0E400000162E"),
    ("urn:epc:tag:grai-96:0.0614141.12345.400", "3314257BF40C0E4000000190"),
    ("urn:epc:tag:giai-96:0.061414100000.1", "340039324330800000000001"),
]


@pytest.mark.parametrize(("uri", "hex_digits"), VECTORS)
def test_worked_vectors_both_ways(uri: str, hex_digits: str) -> None:
    identifier = parse_epc_uri(uri)
    assert encode_epc96(identifier) == hex_digits
    decoded = decode_epc96(hex_digits)
    assert decoded == identifier
    assert decoded is not None
    assert decoded.tag_uri == uri
    by_uri, by_bits = normalise_tag(uri), normalise_tag(hex_digits)
    assert by_uri == by_bits
    assert isinstance(by_bits, TagIdentity)
    assert (by_bits.canonical, by_bits.uri) == (f"epc:{hex_digits}", uri)


@pytest.mark.parametrize(
    ("uri", "identity_uri", "element_string"),
    [
        ("urn:epc:tag:giai-96:0.0614141.5678", "urn:epc:id:giai:0614141.5678", "(8004)06141415678"),
        ("urn:epc:tag:grai-96:0.0614141.12345.400", "urn:epc:id:grai:0614141.12345.400", "(8003)00614141123452400"),
    ],
)
def test_identity_uris_and_element_strings(uri: str, identity_uri: str, element_string: str) -> None:
    identifier = parse_epc_uri(uri)
    assert identifier.identity_uri == identity_uri
    assert identifier.element_string == element_string
    assert parse_epc_uri(identity_uri) == identifier


def test_check_digit_of_the_example() -> None:
    # GS1 General Specifications, check digit calculation; 061414112345 -> 2 as in the element string above.
    assert check_digit("061414112345") == 2


def test_layout_by_hand() -> None:
    # GIAI-96: header 0x34 in 8 bits, filter 3, partition 3, company prefix 24, reference 58 for a 7-digit prefix.
    by_hand = (0x34 << 88) | (0 << 85) | (5 << 82) | (614141 << 58) | 5678
    assert f"{by_hand:024X}" == "3414257BF40000000000162E"
    # GRAI-96: header 0x33, then prefix 24, asset type 20, serial 38.
    by_hand = (0x33 << 88) | (0 << 85) | (5 << 82) | (614141 << 58) | (12345 << 38) | 400
    assert f"{by_hand:024X}" == "3314257BF40C0E4000000190"


def test_the_largest_grai96_serial() -> None:
    # GS1 Tag Data Standard: the serial of a GRAI-96 is at most 274,877,906,943 (2**38 - 1).
    largest = "urn:epc:tag:grai-96:0.0614141.12345.274877906943"
    assert int(encode_epc96(parse_epc_uri(largest)), 16) & (2**38 - 1) == 274_877_906_943
    assert isinstance(normalise_tag("urn:epc:tag:grai-96:0.0614141.12345.274877906944"), TagFault)


REFERENCE_BITS = {12: 42, 11: 45, 10: 48, 9: 52, 8: 55, 7: 58, 6: 62}


@given(st.integers(0, 7), st.integers(6, 12), st.data())
def test_giai96_agrees_with_an_independent_library(filter_value: int, prefix_digits: int, data: st.DataObject) -> None:
    prefix = data.draw(st.from_regex(rf"[0-9]{{{prefix_digits}}}", fullmatch=True))
    reference = data.draw(st.integers(0, 2 ** REFERENCE_BITS[prefix_digits] - 1))
    ours = Giai96(filter_value=filter_value, company_prefix=prefix, asset_reference=str(reference))
    theirs = GIAI(ours.identity_uri)
    scheme, filter_sign = GIAI.BinaryCodingScheme.GIAI_96, GIAIFilterValue(str(filter_value))
    assert theirs.hex(binary_coding_scheme=scheme, filter_value=filter_sign) == encode_epc96(ours)
    assert theirs.tag_uri(scheme, filter_sign) == ours.tag_uri
    assert theirs.gs1_element_string() == ours.element_string
    assert GIAI.from_hex(encode_epc96(ours)).epc_uri == ours.identity_uri


@given(st.integers(0, 7), st.integers(6, 12), st.data())
def test_grai96_agrees_with_an_independent_library(filter_value: int, prefix_digits: int, data: st.DataObject) -> None:
    prefix = data.draw(st.from_regex(rf"[0-9]{{{prefix_digits}}}", fullmatch=True))
    asset_type = data.draw(st.from_regex(rf"[0-9]{{{12 - prefix_digits}}}", fullmatch=True))
    serial = data.draw(st.integers(0, 2**38 - 1))
    ours = Grai96(filter_value=filter_value, company_prefix=prefix, asset_type=asset_type, serial=str(serial))
    theirs = GRAI(ours.identity_uri)
    scheme, filter_sign = GRAI.BinaryCodingScheme.GRAI_96, GRAIFilterValue(str(filter_value))
    assert theirs.hex(binary_coding_scheme=scheme, filter_value=filter_sign) == encode_epc96(ours)
    assert theirs.tag_uri(scheme, filter_sign) == ours.tag_uri
    assert theirs.gs1_element_string() == ours.element_string
    assert GRAI.from_hex(encode_epc96(ours)).epc_uri == ours.identity_uri


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        # ISO/IEC 15693 UID: 8 bytes, E0 first (three reader manuals agree); sent least byte first (from memory).
        ("E0:04:01:00:12:34:56:78", "iso15693:E004010012345678"),
        ("78:56:34:12:00:01:04:E0", "iso15693:E004010012345678"),
        # ISO/IEC 14443 type A UID: 4, 7 or 10 bytes (reader manuals).
        ("04:A2:24:5B", "iso14443a:04A2245B"),
        ("04:A2:24:5B:6F:80:12", "iso14443a:04A2245B6F8012"),
        ("04:A2:24:5B:6F:80:12:34:56:78", "iso14443a:04A2245B6F8012345678"),
    ],
)
def test_lengths_of_contactless_identifiers(text: str, canonical: str) -> None:
    identity = normalise_tag(text)
    assert isinstance(identity, TagIdentity)
    assert identity.canonical == canonical


def test_random_and_cascade_bytes() -> None:
    # ISO/IEC 14443-3, read second-hand: a single-size UID beginning with 08 is random; 88 is the cascade tag and
    # begins no single-size UID; since amendment 1 (2005) it is not the fourth byte of a double-size UID either.
    random = normalise_tag("08:12:34:56")
    assert isinstance(random, TagIdentity)
    assert not random.unique
    assert isinstance(normalise_tag("88:12:34:56"), TagFault)
    assert isinstance(normalise_tag("04:A2:24:88:5B:6F:80"), TagFault)
