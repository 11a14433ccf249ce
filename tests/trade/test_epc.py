"""GIAI-96 and GRAI-96: laws that hold for every identifier, and refusals."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.epc import (
    GRAI96_SERIAL_MAX,
    EpcError,
    Giai96,
    Grai96,
    check_digit,
    decode_epc96,
    encode_epc96,
    parse_epc_uri,
)

GIAI_REFERENCE_BITS = {12: 42, 11: 45, 10: 48, 9: 52, 8: 55, 7: 58, 6: 62}


@st.composite
def giais(draw: st.DrawFn) -> Giai96:
    digits = draw(st.integers(6, 12))
    return Giai96(
        filter_value=draw(st.integers(0, 7)),
        company_prefix=draw(st.from_regex(rf"[0-9]{{{digits}}}", fullmatch=True)),
        asset_reference=str(draw(st.integers(0, 2 ** GIAI_REFERENCE_BITS[digits] - 1))),
    )


@st.composite
def grais(draw: st.DrawFn) -> Grai96:
    digits = draw(st.integers(6, 12))
    return Grai96(
        filter_value=draw(st.integers(0, 7)),
        company_prefix=draw(st.from_regex(rf"[0-9]{{{digits}}}", fullmatch=True)),
        asset_type=draw(st.from_regex(rf"[0-9]{{{12 - digits}}}", fullmatch=True)),
        serial=str(draw(st.integers(0, GRAI96_SERIAL_MAX))),
    )


@given(st.one_of(giais(), grais()))
def test_bits_and_uri_both_lead_back(identifier: Giai96 | Grai96) -> None:
    hex_digits = encode_epc96(identifier)
    assert len(hex_digits) == 24
    assert decode_epc96(hex_digits) == identifier
    assert parse_epc_uri(identifier.tag_uri) == identifier


@given(st.one_of(giais(), grais()), st.one_of(giais(), grais()))
def test_different_identifiers_have_different_bits(one: Giai96 | Grai96, two: Giai96 | Grai96) -> None:
    assert (encode_epc96(one) == encode_epc96(two)) == (one == two)


@given(st.from_regex(r"3[34][0-9A-F]{22}", fullmatch=True))
def test_bits_that_decode_encode_to_themselves(hex_digits: str) -> None:
    try:
        identifier = decode_epc96(hex_digits)
    except EpcError:
        return
    assert identifier is not None
    assert encode_epc96(identifier) == hex_digits


@given(st.from_regex(r"[0-9]{1,17}", fullmatch=True))
def test_a_number_with_its_check_digit_sums_to_a_multiple_of_ten(digits: str) -> None:
    whole = digits + str(check_digit(digits))
    total = sum(int(digit) * (1 if position % 2 == 0 else 3) for position, digit in enumerate(reversed(whole)))
    assert total % 10 == 0


@given(st.from_regex(r"[0-9]{12}", fullmatch=True), st.integers(0, 11), st.integers(1, 9))
def test_one_wrong_digit_changes_the_check_digit(digits: str, position: int, change: int) -> None:
    wrong = digits[:position] + str((int(digits[position]) + change) % 10) + digits[position + 1 :]
    assert check_digit(wrong) != check_digit(digits)


def test_other_headers_are_not_read() -> None:
    assert decode_epc96("30" + "0" * 22) is None


@pytest.mark.parametrize("hex_digits", ["", "34", "3414257bf40000000000162e", "3414257BF40000000000162", "G" * 24])
def test_what_is_no_epc96_is_refused(hex_digits: str) -> None:
    with pytest.raises(EpcError):
        decode_epc96(hex_digits)


def test_partition_seven_and_overlong_fields_are_refused() -> None:
    with pytest.raises(EpcError, match="partition 7"):
        decode_epc96("341F" + "0" * 20)
    # Partition 5, company prefix field all ones: 16,777,215 has eight digits where seven are allowed.
    with pytest.raises(EpcError, match="more than 7 digits"):
        decode_epc96(f"{(0x34 << 88) | (5 << 82) | ((2**24 - 1) << 58):024X}")


@pytest.mark.parametrize(
    ("uri", "message"),
    [
        ("urn:epc:tag:giai-96:8.0614141.1", "filter value"),
        ("urn:epc:tag:giai-96:0.06141.1", "6 to 12 digits"),
        ("urn:epc:tag:giai-96:0.0614141000001.1", "6 to 12 digits"),
        ("urn:epc:tag:giai-96:0.0614141.012", "leading zeros"),
        ("urn:epc:tag:giai-96:0.0614141.12A", "leading zeros"),
        ("urn:epc:tag:giai-96:0.0614141.", "leading zeros"),
        (f"urn:epc:tag:giai-96:0.0614141.{2**58}", "58 bits"),
        ("urn:epc:tag:giai-96:0.0614141.1.2", "2 parts"),
        ("urn:epc:tag:grai-96:0.0614141.1234.1", "5 digits"),
        (f"urn:epc:tag:grai-96:0.0614141.12345.{GRAI96_SERIAL_MAX + 1}", "38 bits"),
        ("urn:epc:tag:grai-96:0.0614141.12345", "3 parts"),
        ("urn:epc:tag:sgtin-96:0.0614141.112345.1", "GIAI and GRAI"),
        ("urn:epc:id:giai:0614141.1:2", "GIAI and GRAI"),
        ("hello", "GIAI and GRAI"),
    ],
)
def test_uris_that_fit_no_96_bit_tag_are_refused(uri: str, message: str) -> None:
    with pytest.raises(EpcError, match=message):
        parse_epc_uri(uri)


def test_a_check_digit_needs_digits() -> None:
    for text in ("", "12a", "-1"):
        with pytest.raises(EpcError):
            check_digit(text)
