"""Tag identifiers: one canonical text for each tag, however a reader, a label or a clerk writes it.

The canonical text is `kind:value`, for example `iso15693:E004010012345678`; it is what is stored and looked up. Hex is
upper case, most significant byte first. Sources are named at each rule; "from memory" marks what was not read.
"""

import re
import unicodedata
from collections.abc import Callable
from enum import StrEnum

import msgspec

from fill_ledger.trade.epc import EPC96_HEX_DIGITS, EpcError, decode_epc96, encode_epc96, parse_epc_uri

TAG_TEXT_MAX_LENGTH = 200
LABEL_MAX_LENGTH = 64
# An EPC memory bank holds whole 16-bit words, at most 31 of them: 496 bits (from memory; ISO/IEC 18000-63).
EPC_BYTES_MAX = 62
TID_BYTES_MAX = 62
# Bare hex shorter than the shortest UID (4 bytes) is taken as a printed label such as "0042".
BARE_HEX_DIGITS_MIN = 8
# Hex in groups of odd sizes is a UID only when it is as long as one of 7 bytes; shorter, it is a label.
GROUPED_HEX_DIGITS_MIN = 14


class TagKind(StrEnum):
    """Kinds of tag identifiers. Values are part of the canonical text; never rename one."""

    ISO14443A = "iso14443a"
    ISO14443B = "iso14443b"
    ISO15693 = "iso15693"
    EPC = "epc"
    TID = "tid"
    LABEL = "label"


class TagIdentity(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A tag's identifier, normalised.

    value: upper-case hex, or the printed text of a label. unique: False when the identifier is not unique by its kind,
    so that another tag may answer with the same. uri and element_string: only for GIAI-96 and GRAI-96 on an EPC tag.
    notes: how the text was read where that was not plain.
    """

    kind: TagKind
    value: str
    unique: bool = True
    uri: str | None = None
    element_string: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def canonical(self) -> str:
        """The one text under which this tag is stored and looked up."""
        return f"{self.kind}:{self.value}"


class TagFault(msgspec.Struct, frozen=True, kw_only=True):
    """Why a text cannot be a tag identifier, and what to enter instead. `code` is stable."""

    text: str
    code: str
    detail: str
    suggestion: str


class _Refused(Exception):
    """Carries a fault's parts from where it is found to `normalise_tag`."""

    def __init__(self, code: str, detail: str, suggestion: str) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail
        self.suggestion = suggestion


GENERAL_SUGGESTION = "enter the identifier as the reader shows it, or label: and the printed number"

# First byte of a single-size UID, ISO/IEC 14443-3: 08 says random (read second-hand); the 4-byte form is anyway no
# longer unique. 88 is the cascade tag and begins no single-size UID nor, since amendment 1 of 2005, the second part of
# a double-size one (read second-hand).
_RANDOM_UID_BYTE = "08"
_CASCADE_TAG = "88"
# First byte of every ISO/IEC 15693 UID (three reader manuals agree).
_ISO15693_FIRST_BYTE = "E0"
# Allocation classes that begin a TID: E2 is GS1's (GS1 Tag Data Standard, section on TID memory); E0, E1 and E3 are
# from memory (ISO/IEC 15963).
_GS1_TID_FIRST_BYTE = "E2"
_TID_FIRST_BYTES = frozenset({"E0", "E1", _GS1_TID_FIRST_BYTE, "E3"})

_SEPARATORS = re.compile(r"[ :.\-_]")
_HEX = re.compile(r"[0-9A-F]+\Z")
# At least four pairs, as the shortest UID has: "12-34" is a label.
_HEX_PAIRS = re.compile(r"[0-9A-F]{2}(?:[ :.\-_][0-9A-F]{2}){3,}\Z", re.IGNORECASE)
# "https://..." printed on a label is no kind; the canonical text of the label "//" is one all the same.
_KIND_PREFIX = re.compile(r"\s*([A-Za-z][A-Za-z0-9 /\-]{1,18}?)\s*(?:(?<=\Alabel):|:(?!//))")
_RAW_URI = re.compile(r"urn:epc:raw:(?P<bits>[0-9]+)\.x(?P<hex>[0-9A-F]+)\Z", re.IGNORECASE)
_LABEL = re.compile(r"[\x21-\x7e](?:[\x20-\x7e]*[\x21-\x7e])?\Z")

_KIND_SPELLINGS: dict[str, TagKind] = {
    "iso14443a": TagKind.ISO14443A,
    "14443a": TagKind.ISO14443A,
    "isoiec14443a": TagKind.ISO14443A,
    "iso14443b": TagKind.ISO14443B,
    "14443b": TagKind.ISO14443B,
    "isoiec14443b": TagKind.ISO14443B,
    "iso15693": TagKind.ISO15693,
    "15693": TagKind.ISO15693,
    "isoiec15693": TagKind.ISO15693,
    "epc": TagKind.EPC,
    "tid": TagKind.TID,
    "label": TagKind.LABEL,
    "other": TagKind.LABEL,
}


def normalise_tag(text: str) -> TagIdentity | TagFault:
    """Return the one identity of a tag, or the reason why the text cannot be one.

    Accepted: `kind:value` (iso14443a, iso14443b, iso15693, epc, tid, label); GS1 EPC URIs (`urn:epc:tag:giai-96:...`,
    `urn:epc:id:...`, `urn:epc:raw:96.x...`); bare hex with or without colons, spaces, dashes, read by its length; any
    other printable text as a label. Bare hex of 8 or more digits that fits no kind is refused rather than taken as a
    label: it is a misread tag more often than a label. Putting the result's `canonical` in again gives the same result
    but for notes.
    """
    trimmed = unicodedata.normalize("NFKC", text).strip()
    try:
        if len(trimmed) > TAG_TEXT_MAX_LENGTH:
            raise _Refused("too-long", f"more than {TAG_TEXT_MAX_LENGTH} characters", GENERAL_SUGGESTION)
        if not trimmed:
            raise _Refused("empty", "there is no identifier", GENERAL_SUGGESTION)
        if trimmed.lower().startswith("urn:"):
            return _from_uri(trimmed)
        if not _HEX_PAIRS.match(trimmed) and (prefix := _KIND_PREFIX.match(trimmed)) is not None:
            return _from_kind(prefix[1], trimmed[prefix.end() :].strip())
        return _from_bare(trimmed)
    except _Refused as refusal:
        return TagFault(
            text=text[:TAG_TEXT_MAX_LENGTH],
            code=refusal.code,
            detail=refusal.detail,
            suggestion=refusal.suggestion,
        )


def _from_kind(kind_text: str, value: str) -> TagIdentity:
    kind = _KIND_SPELLINGS.get(re.sub(r"[^a-z0-9]", "", kind_text.lower()))
    if kind is None:
        known = ", ".join(TagKind)
        raise _Refused("kind-unknown", f"{kind_text!r} is not a kind of tag", f"use one of {known} before the colon")
    if kind is TagKind.LABEL:
        return _label(value)
    return _BY_KIND[kind](_hex_of(value))


def _from_uri(uri: str) -> TagIdentity:
    """Read a GS1 EPC URI; a pure identity names no filter value, so 0 is taken and said."""
    if (raw := _RAW_URI.match(uri)) is not None:
        hex_digits = raw["hex"].upper()
        if len(hex_digits) * 4 != int(raw["bits"][:6]):
            raise _Refused("length", f"{raw['bits']} bits need {int(raw['bits'][:6]) / 4:g} hex digits", "check both")
        return _epc(hex_digits)
    try:
        identity = _epc(encode_epc96(parse_epc_uri(uri)))
    except EpcError as error:
        raise _Refused("epc-uri", str(error), "for example urn:epc:tag:giai-96:0.0614141.5678") from error
    if uri.lower().startswith("urn:epc:id:"):
        note = "an identity URI names no filter value; 0 is taken, and a tag with another one will not be found by it"
        return _with_note(identity, note)
    return identity


def _from_bare(text: str) -> TagIdentity:
    """Read text without a kind: hex by its length, anything else as a label."""
    hex_digits = _bare_hex(text)
    if hex_digits is None or len(hex_digits) < BARE_HEX_DIGITS_MIN:
        return _label(text)
    _refuse_blank(hex_digits)
    length = len(hex_digits)
    if length == 8:
        note = "taken as ISO/IEC 14443 type A; for type B write iso14443b: before it, for a printed number label:"
        return _with_note(_iso14443a(hex_digits), note)
    if length in (14, 20) or (length == 16 and hex_digits.startswith(_CASCADE_TAG) and hex_digits[-2:] != "E0"):
        return _iso14443a(hex_digits)
    if length == 16:
        return _iso15693(hex_digits)
    if EPC96_HEX_DIGITS <= length <= EPC_BYTES_MAX * 2 and length % 4 == 0:
        if hex_digits.startswith(_GS1_TID_FIRST_BYTE):
            note = (
                "taken as the content of the TID bank because it begins with E2; for the EPC bank write epc: before it"
            )
            return _with_note(_tid(hex_digits), note)
        return _epc(hex_digits)
    raise _Refused(
        "length",
        f"{length} hex digits fit no kind of tag (8, 14 or 20; 16; 24 or more in fours)",
        "read the tag again; if this is a printed number, write label: before it",
    )


def _bare_hex(text: str) -> str | None:
    """Return the digits of text that is plain hex, hex pairs or even groups of hex; None when it is a label."""
    text = text[2:] if text[:2].lower() == "0x" else text
    hex_digits = _SEPARATORS.sub("", text).upper()
    if not _HEX.match(hex_digits):
        return None
    if hex_digits == text.upper() or _HEX_PAIRS.match(text) or _is_grouped_hex(text):
        return hex_digits
    return None


def _with_note(identity: TagIdentity, note: str) -> TagIdentity:
    return msgspec.structs.replace(identity, notes=(*identity.notes, note))


def _is_grouped_hex(text: str) -> bool:
    """Tell hex written in groups ("E004 0100 1234 5678") from a label such as "AC-12-0042".

    Groups of 4 or 8 digits are taken as hex; groups of any whole bytes only where there are enough for a 7-byte UID.
    """
    groups = [group for group in _SEPARATORS.split(text) if group]
    if all(len(group) in (4, 8) for group in groups):
        return True
    digits = sum(len(group) for group in groups)
    return digits >= GROUPED_HEX_DIGITS_MIN and all(len(group) % 2 == 0 for group in groups)


def _hex_of(value: str) -> str:
    hex_digits = _SEPARATORS.sub("", value).upper()
    hex_digits = hex_digits[2:] if hex_digits.startswith("0X") else hex_digits
    if not _HEX.match(hex_digits):
        raise _Refused("not-hex", f"{value[:40]!r} is not hexadecimal", "use the digits 0 to 9 and A to F")
    if len(hex_digits) % 2:
        raise _Refused("length", f"{len(hex_digits)} hex digits are not whole bytes", "a digit is missing or too many")
    _refuse_blank(hex_digits)
    return hex_digits


def _refuse_blank(hex_digits: str) -> None:
    """Refuse all zeros and all ones: what a reader reports when it read nothing (common practice, no source)."""
    if not hex_digits.strip("0") or not hex_digits.strip("F"):
        raise _Refused("blank", "all zeros or all ones is what a failed reading looks like", "read the tag again")


def _iso14443a(hex_digits: str) -> TagIdentity:
    """Check a type A UID of 4, 7 or 10 bytes (ISO/IEC 14443-3)."""
    length = len(hex_digits) // 2
    if length == 8 and hex_digits.startswith(_CASCADE_TAG):
        raise _Refused(
            "cascade-tag",
            "8 bytes beginning with 88 are the raw parts of a longer UID",
            "leave out the cascade tag 88 and the check bytes, so that 7 bytes remain",
        )
    if length not in (4, 7, 10):
        raise _Refused("length", f"{length} bytes; an ISO/IEC 14443 type A UID has 4, 7 or 10", "read the tag again")
    if length == 4 and hex_digits.startswith(_CASCADE_TAG):
        raise _Refused("cascade-tag", "88 begins the first part of a longer UID", "enter the whole UID of 7 bytes")
    if length == 7 and hex_digits[6:8] == _CASCADE_TAG:
        raise _Refused("cascade-tag", "the fourth byte of a 7-byte UID is never 88", "read the tag again")
    if length > 4:
        return TagIdentity(kind=TagKind.ISO14443A, value=hex_digits)
    note = "a 4-byte UID is not unique"
    if hex_digits.startswith(_RANDOM_UID_BYTE):
        note = "a 4-byte UID beginning with 08 is random: the tag will give another one next time"
    return TagIdentity(kind=TagKind.ISO14443A, value=hex_digits, unique=False, notes=(note,))


def _iso14443b(hex_digits: str) -> TagIdentity:
    """Check a type B PUPI of 4 bytes; pseudo-unique by its name, and any may be random (ISO/IEC 14443-3)."""
    if len(hex_digits) != 8:
        detail = f"{len(hex_digits) // 2} bytes; an ISO/IEC 14443 type B identifier has 4"
        raise _Refused("length", detail, "read the tag again")
    note = "a type B identifier (PUPI) is not unique and may be random"
    return TagIdentity(kind=TagKind.ISO14443B, value=hex_digits, unique=False, notes=(note,))


def _iso15693(hex_digits: str) -> TagIdentity:
    """Check an ISO/IEC 15693 UID of 8 bytes: E0, chip maker, serial. The air interface sends it last byte first."""
    if len(hex_digits) == 16 and hex_digits.startswith(_ISO15693_FIRST_BYTE):
        return TagIdentity(kind=TagKind.ISO15693, value=hex_digits)
    if len(hex_digits) == 16 and hex_digits.endswith(_ISO15693_FIRST_BYTE):
        value = bytes.fromhex(hex_digits)[::-1].hex().upper()
        note = "the bytes came in reversed order, E0 last, and were turned round"
        return TagIdentity(kind=TagKind.ISO15693, value=value, notes=(note,))
    if len(hex_digits) != 16:
        raise _Refused(
            "length", f"{len(hex_digits) // 2} bytes; an ISO/IEC 15693 UID has 8, the first E0", "read the tag again"
        )
    raise _Refused(
        "iso15693-first-byte",
        "an ISO/IEC 15693 UID has E0 as its first byte (or its last, in reversed order)",
        "read the tag again; if this is another kind, write its kind and a colon before it",
    )


def _epc(hex_digits: str) -> TagIdentity:
    """Check the content of an EPC bank: whole 16-bit words; GIAI-96 and GRAI-96 are read as well."""
    if len(hex_digits) % 4 or not 4 <= len(hex_digits) <= EPC_BYTES_MAX * 2:
        detail = f"{len(hex_digits)} hex digits; an EPC has whole words of 4, at most {EPC_BYTES_MAX * 2}"
        raise _Refused("length", detail, "read the tag again")
    notes: tuple[str, ...] = ()
    if len(hex_digits) == EPC96_HEX_DIGITS:
        try:
            identifier = decode_epc96(hex_digits)
        except EpcError as error:
            identifier = None
            notes = (f"the header says GIAI-96 or GRAI-96, but {error}",)
        if identifier is not None:
            return TagIdentity(
                kind=TagKind.EPC,
                value=hex_digits,
                uri=identifier.tag_uri,
                element_string=identifier.element_string,
            )
    return TagIdentity(kind=TagKind.EPC, value=hex_digits, notes=notes)


def _tid(hex_digits: str) -> TagIdentity:
    """Check the content of a TID bank: an allocation class first; 4 bytes name only maker and model."""
    if len(hex_digits) % 4 or not 8 <= len(hex_digits) <= TID_BYTES_MAX * 2:
        detail = f"{len(hex_digits)} hex digits; a TID has whole words of 4, from 8 to {TID_BYTES_MAX * 2}"
        raise _Refused("length", detail, "read the tag again")
    if hex_digits[:2] not in _TID_FIRST_BYTES:
        raise _Refused("tid-class", f"a TID begins with E0 to E3, not {hex_digits[:2]}", "is it an EPC? write epc:")
    if len(hex_digits) == 8:
        note = "a TID of 4 bytes names maker and model of the chip, not the tag"
        return TagIdentity(kind=TagKind.TID, value=hex_digits, unique=False, notes=(note,))
    return TagIdentity(kind=TagKind.TID, value=hex_digits)


def _label(text: str) -> TagIdentity:
    """Check a printed label: printable ASCII, case kept because labels may differ by it."""
    value = " ".join(text.split())
    if len(value) > LABEL_MAX_LENGTH:
        raise _Refused("label-too-long", f"a label has at most {LABEL_MAX_LENGTH} characters", GENERAL_SUGGESTION)
    if not _LABEL.match(value):
        raise _Refused("label-characters", "a label has printable ASCII characters only", GENERAL_SUGGESTION)
    note = "a printed label is unique only as far as those who print it keep it so"
    return TagIdentity(kind=TagKind.LABEL, value=value, unique=False, notes=(note,))


_BY_KIND: dict[TagKind, Callable[[str], TagIdentity]] = {
    TagKind.ISO14443A: _iso14443a,
    TagKind.ISO14443B: _iso14443b,
    TagKind.ISO15693: _iso15693,
    TagKind.EPC: _epc,
    TagKind.TID: _tid,
}
