"""GS1 asset identifiers on UHF tags: GIAI-96 and GRAI-96, between bits, URI and element string.

Source: GS1 EPC Tag Data Standard, GIAI-96 and GRAI-96 encodings, and the tag translation tables at ref.gs1.org
(version 2.0). Hex is upper case, most significant digit first, 24 digits.
"""

import re
from typing import Annotated

import msgspec
from msgspec import Meta

EPC96_HEX_DIGITS = 24
_EPC96_BITS = 96
_HEADER_BITS = 8
_FILTER_BITS = 3
_PARTITION_BITS = 3
_GIAI96_HEADER = 0x34
_GRAI96_HEADER = 0x33
FILTER_VALUE_MAX = 7
GRAI96_SERIAL_BITS = 38
# 2**38 - 1 = 274,877,906,943, the figure the standard gives.
GRAI96_SERIAL_MAX = 2**GRAI96_SERIAL_BITS - 1
# Company prefix and asset type of a GRAI have twelve digits together; the check digit is the thirteenth.
_GRAI_BASE_DIGITS = 12


class _Partition(msgspec.Struct, frozen=True):
    """One row of the partition tables: bits and digits by length of the company prefix."""

    value: int
    prefix_digits: int
    prefix_bits: int
    giai_reference_bits: int
    grai_type_bits: int

    @property
    def grai_type_digits(self) -> int:
        return _GRAI_BASE_DIGITS - self.prefix_digits


_PARTITIONS = (
    _Partition(0, 12, 40, 42, 4),
    _Partition(1, 11, 37, 45, 7),
    _Partition(2, 10, 34, 48, 10),
    _Partition(3, 9, 30, 52, 14),
    _Partition(4, 8, 27, 55, 17),
    _Partition(5, 7, 24, 58, 20),
    _Partition(6, 6, 20, 62, 24),
)
_PARTITION_BY_PREFIX_DIGITS = {partition.prefix_digits: partition for partition in _PARTITIONS}

FilterValue = Annotated[int, Meta(ge=0, le=FILTER_VALUE_MAX)]

_NO_LEADING_ZERO = re.compile(r"(0|[1-9][0-9]*)\Z")
_DIGITS = re.compile(r"[0-9]+\Z")
_HEX96 = re.compile(r"[0-9A-F]{24}\Z")
_TAG_URI = re.compile(r"urn:epc:tag:(giai-96|grai-96):([^:]*)\Z", re.IGNORECASE)
_IDENTITY_URI = re.compile(r"urn:epc:id:(giai|grai):([^:]*)\Z", re.IGNORECASE)


class EpcError(ValueError):
    """An identifier that no tag or URI can carry; the message says why."""


class Giai96(msgspec.Struct, frozen=True, kw_only=True):
    """A GS1 individual asset identifier as a 96-bit tag carries it. There is no check digit in a GIAI.

    filter_value 0 to 7; company_prefix 6 to 12 digits; asset_reference digits without leading zeros.
    """

    filter_value: FilterValue
    company_prefix: str
    asset_reference: str

    @property
    def tag_uri(self) -> str:
        """The tag URI, with the filter value: one for each content of the tag."""
        return f"urn:epc:tag:giai-96:{self.filter_value}.{self.company_prefix}.{self.asset_reference}"

    @property
    def identity_uri(self) -> str:
        """The pure identity URI, without the filter value."""
        return f"urn:epc:id:giai:{self.company_prefix}.{self.asset_reference}"

    @property
    def element_string(self) -> str:
        """The identifier as a barcode's text carries it: application identifier 8004."""
        return f"(8004){self.company_prefix}{self.asset_reference}"


class Grai96(msgspec.Struct, frozen=True, kw_only=True):
    """A GS1 returnable asset identifier with serial as a 96-bit tag carries it.

    filter_value 0 to 7; company_prefix 6 to 12 digits; asset_type as many digits as make twelve with the prefix (none
    after a prefix of twelve); serial digits without leading zeros, at most 274877906943.
    """

    filter_value: FilterValue
    company_prefix: str
    asset_type: str
    serial: str

    @property
    def tag_uri(self) -> str:
        """The tag URI, with the filter value: one for each content of the tag."""
        return f"urn:epc:tag:grai-96:{self.filter_value}.{self.company_prefix}.{self.asset_type}.{self.serial}"

    @property
    def identity_uri(self) -> str:
        """The pure identity URI, without the filter value."""
        return f"urn:epc:id:grai:{self.company_prefix}.{self.asset_type}.{self.serial}"

    @property
    def element_string(self) -> str:
        """The identifier as a barcode's text carries it: application identifier 8003, with a computed check digit."""
        base = self.company_prefix + self.asset_type
        return f"(8003)0{base}{check_digit(base)}{self.serial}"


def check_digit(digits: str) -> int:
    """Return the GS1 check digit for a string of digits: weights 3, 1, 3, ... from the right, modulo 10.

    Raises `EpcError` unless `digits` is one or more digits. Source: GS1 General Specifications, check digit
    calculation (the rule as restated with the worked example 061414112345 -> 2).
    """
    if not _DIGITS.match(digits):
        raise EpcError(f"{digits!r} is not a string of digits")
    total = sum(int(digit) * (3 if position % 2 == 0 else 1) for position, digit in enumerate(reversed(digits)))
    return -total % 10


def encode_epc96(identifier: Giai96 | Grai96) -> str:
    """Return the 24 hex digits a tag carries. Raises `EpcError` when the identifier does not fit the 96-bit form."""
    partition = _partition_of(identifier.company_prefix)
    if not 0 <= identifier.filter_value <= FILTER_VALUE_MAX:
        raise EpcError(f"filter value {identifier.filter_value} is outside 0 to {FILTER_VALUE_MAX}")
    if isinstance(identifier, Giai96):
        header = _GIAI96_HEADER
        reference = _bounded(identifier.asset_reference, partition.giai_reference_bits, "asset reference")
        tail, tail_bits = reference, partition.giai_reference_bits
    else:
        header = _GRAI96_HEADER
        asset_type = _fixed_digits(identifier.asset_type, partition.grai_type_digits)
        serial = _bounded(identifier.serial, GRAI96_SERIAL_BITS, "serial")
        tail = asset_type << GRAI96_SERIAL_BITS | serial
        tail_bits = partition.grai_type_bits + GRAI96_SERIAL_BITS
    number = header
    for value, bits in (
        (identifier.filter_value, _FILTER_BITS),
        (partition.value, _PARTITION_BITS),
        (int(identifier.company_prefix), partition.prefix_bits),
        (tail, tail_bits),
    ):
        number = number << bits | value
    return f"{number:0{EPC96_HEX_DIGITS}X}"


def decode_epc96(hex_digits: str) -> Giai96 | Grai96 | None:
    """Return what 24 hex digits say, or None when the header is neither GIAI-96 nor GRAI-96.

    Raises `EpcError` when the header says GIAI-96 or GRAI-96 but the bits cannot have been written by the standard's
    rules (partition 7, or a number with more digits than its field allows).
    """
    if not _HEX96.match(hex_digits):
        raise EpcError("a 96-bit EPC has 24 hex digits in upper case")
    number = int(hex_digits, 16)
    header = number >> (_EPC96_BITS - _HEADER_BITS)
    if header not in (_GIAI96_HEADER, _GRAI96_HEADER):
        return None
    remaining = _EPC96_BITS - _HEADER_BITS - _FILTER_BITS
    filter_value = number >> remaining & FILTER_VALUE_MAX
    remaining -= _PARTITION_BITS
    partition_value = number >> remaining & (2**_PARTITION_BITS - 1)
    if partition_value >= len(_PARTITIONS):
        raise EpcError(f"partition {partition_value} is not defined")
    partition = _PARTITIONS[partition_value]
    remaining -= partition.prefix_bits
    company_prefix = _padded(number >> remaining & (2**partition.prefix_bits - 1), partition.prefix_digits)
    tail = number & (2**remaining - 1)
    if header == _GIAI96_HEADER:
        return Giai96(filter_value=filter_value, company_prefix=company_prefix, asset_reference=str(tail))
    asset_type = _padded(tail >> GRAI96_SERIAL_BITS, partition.grai_type_digits)
    serial = str(tail & GRAI96_SERIAL_MAX)
    return Grai96(filter_value=filter_value, company_prefix=company_prefix, asset_type=asset_type, serial=serial)


def parse_epc_uri(uri: str) -> Giai96 | Grai96:
    """Read a GIAI-96 or GRAI-96 tag URI, or a GIAI or GRAI identity URI (then with filter value 0).

    Raises `EpcError` for other URIs and for identifiers that do not fit the 96-bit form, for example an asset
    reference with letters: those need GIAI-202 or GRAI-170, which are not read here.
    """
    if (match := _TAG_URI.match(uri)) is not None:
        scheme, fields = match[1].lower().removesuffix("-96"), match[2].split(".")
        if not re.fullmatch(r"[0-7]", fields[0]):
            raise EpcError(f"filter value {fields[0]!r} is not a digit from 0 to {FILTER_VALUE_MAX}")
        filter_value, fields = int(fields[0]), fields[1:]
    elif (match := _IDENTITY_URI.match(uri)) is not None:
        scheme, filter_value, fields = match[1].lower(), 0, match[2].split(".")
    else:
        raise EpcError("only GIAI and GRAI URIs are read: urn:epc:tag:giai-96:..., urn:epc:tag:grai-96:...")
    wanted = 2 if scheme == "giai" else 3
    if len(fields) != wanted:
        raise EpcError(f"a {scheme.upper()} has {wanted} parts separated by dots, not {len(fields)}")
    identifier: Giai96 | Grai96
    if scheme == "giai":
        identifier = Giai96(filter_value=filter_value, company_prefix=fields[0], asset_reference=fields[1])
    else:
        identifier = Grai96(filter_value=filter_value, company_prefix=fields[0], asset_type=fields[1], serial=fields[2])
    encode_epc96(identifier)
    return identifier


def _partition_of(company_prefix: str) -> _Partition:
    partition = _PARTITION_BY_PREFIX_DIGITS.get(len(company_prefix)) if _DIGITS.match(company_prefix) else None
    if partition is None:
        raise EpcError(f"company prefix {company_prefix!r} is not 6 to 12 digits")
    return partition


def _bounded(digits: str, bits: int, name: str) -> int:
    if not _NO_LEADING_ZERO.match(digits):
        raise EpcError(f"{name} {digits!r} is not a number without leading zeros, as the 96-bit form needs")
    if len(digits) > bits or int(digits) >= 2**bits:
        raise EpcError(f"{name} {digits[:bits]} is more than {bits} bits hold ({2**bits - 1})")
    return int(digits)


def _fixed_digits(digits: str, count: int) -> int:
    if len(digits) != count or (count > 0 and not _DIGITS.match(digits)):
        raise EpcError(f"asset type {digits!r} is not {count} digits, as a company prefix of this length needs")
    return int(digits) if digits else 0


def _padded(number: int, digits: int) -> str:
    """Return a number at its fixed length; raises `EpcError` when it has more digits than that."""
    if number >= 10**digits:
        raise EpcError(f"{number} has more than {digits} digits")
    return f"{number:0{digits}d}" if digits else ""
