"""Bytes of a text file to characters: which encoding, and how sure that is."""

import codecs
from typing import Literal

import msgspec
from charset_normalizer import from_bytes

from fill_ledger.intake.inventory.faults import UnreadableFile

Encoding = Literal["utf-8", "utf-16", "windows-1252"]

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),  # before UTF-16, whose mark it starts with
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# With a byte order mark where the encoding has one.
ENCODING_NAMES: dict[Encoding, str] = {"utf-8": "utf-8-sig", "utf-16": "utf-16", "windows-1252": "cp1252"}
_SAMPLE_BYTES = 4_096
# In UTF-16 text of mostly Latin letters nearly every second byte is zero.
_ZERO_SHARE = 0.7
# Tried by charset-normalizer where Windows-1252 has no such character: what office programs on other systems wrote.
_OTHER_ENCODINGS = ["mac_roman", "cp850", "cp437", "cp1250", "cp1254", "latin_1"]


class DecodedText(msgspec.Struct, frozen=True, kw_only=True):
    """The characters of a file, the encoding they were read with, and whether that was guessed."""

    text: str
    encoding: str
    guessed: bool = False


def decode(content: bytes, encoding: Encoding | None = None) -> DecodedText:
    """Return the text of a file.

    In this order: the encoding that was asked for, a byte order mark, UTF-8, UTF-16 without a mark, Windows-1252, and
    at last charset-normalizer's best guess. From Windows-1252 on it is a guess and said to be one. Raises
    `UnreadableFile`.
    """
    if encoding is not None:
        return _decode_as_asked(content, encoding)
    for mark, name in _MARKS:
        if content.startswith(mark):
            return _decode_with_mark(content, name)
    utf_16 = _utf_16_without_mark(content)
    if utf_16 is not None:
        return utf_16
    try:
        return DecodedText(text=content.decode("utf-8"), encoding="utf-8")
    except UnicodeDecodeError:
        pass
    try:
        return DecodedText(text=content.decode("cp1252"), encoding="windows-1252", guessed=True)
    except UnicodeDecodeError:
        return _best_guess(content)


def _decode_as_asked(content: bytes, encoding: Encoding) -> DecodedText:
    try:
        return DecodedText(text=content.decode(ENCODING_NAMES[encoding]), encoding=encoding)
    except UnicodeDecodeError as error:
        raise UnreadableFile(
            "encoding-wrong",
            f"The file is not {encoding}: byte {error.start + 1} fits no character.",
            "Leave the encoding out, or save the file as UTF-8.",
        ) from error


def _decode_with_mark(content: bytes, name: str) -> DecodedText:
    try:
        return DecodedText(text=content.decode(name), encoding=name.removesuffix("-sig"))
    except UnicodeDecodeError as error:
        raise UnreadableFile(
            "encoding-wrong",
            f"The file says it is {name.removesuffix('-sig')}, but byte {error.start + 1} fits no character.",
            "Save the file again as UTF-8.",
        ) from error


def _utf_16_without_mark(content: bytes) -> DecodedText | None:
    sample = content[:_SAMPLE_BYTES]
    half = len(sample) // 2
    if half == 0 or len(content) % 2:
        return None
    for name, zeros in (("utf-16-le", sample[1::2].count(0)), ("utf-16-be", sample[0::2].count(0))):
        if zeros >= half * _ZERO_SHARE:
            try:
                return DecodedText(text=content.decode(name), encoding="utf-16")
            except UnicodeDecodeError:
                return None
    return None


def _best_guess(content: bytes) -> DecodedText:
    guess = from_bytes(content, cp_isolation=_OTHER_ENCODINGS).best()
    if guess is None:
        raise UnreadableFile(
            "encoding-unknown", "The characters of the file cannot be told.", "Save the file as UTF-8 (CSV) or as XLSX."
        )
    return DecodedText(text=str(guess), encoding=guess.encoding, guessed=True)
