"""Read a JSON text strictly enough to be stored and hashed, and say where it is not.

The fast decoder (msgspec) accepts three things a ledger must refuse: a key named twice in one object (the last one
wins), ``\\u0000`` (PostgreSQL text cannot hold it), and integers a double cannot hold exactly (RFC 8785 section
3.2.2.3, RFC 7493 section 2.2). It refuses lone surrogates, but without saying where. This module finds all of them.
"""

import json
import math
import re
from typing import Any

from fill_ledger.api.http.problems import Fault, escape_pointer_part

MAX_EXACT_INTEGER = 2**53 - 1
"""Largest integer every JSON reader holds exactly (RFC 7493 section 2.2); the smallest is its negative."""

MAX_DEPTH = 32
"""Arrays and objects nested deeper than this are refused; nothing the service takes comes near it."""

MAX_SHOWN_KEY_LENGTH = 100
"""Keys in pointers are cut to this, so that a pointer of the greatest depth still has the length that is told."""

_LONG_INTEGER_DIGITS = 16
_LONG_INTEGER = re.compile(rb"[0-9]{16}")
_SURROGATE = re.compile("[\ud800-\udfff]")
_NO_CHARACTER = re.compile("[\x00\ud800-\udfff]")
_TOO_LARGE_TO_MATTER = 10**20


class JsonTextError(ValueError):
    """The text is not JSON at all. The message says what stands wrong and where, without repeating the text."""


class _Members(dict[str, Any]):
    """A JSON object that remembers which of its keys were named more than once."""

    repeated: tuple[str, ...] = ()


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) == len(pairs):
        return members
    marked = _Members(members)
    seen: set[str] = set()
    again: dict[str, None] = {}
    for key, _ in pairs:
        if key in seen:
            again[key] = None
        seen.add(key)
    marked.repeated = tuple(again)
    return marked


def _integer(digits: str) -> int:
    # Converting a very long run of digits is quadratic; its exact value does not matter, only that it is too large.
    if len(digits) > _LONG_INTEGER_DIGITS + 1:
        return -_TOO_LARGE_TO_MATTER if digits.startswith("-") else _TOO_LARGE_TO_MATTER
    return int(digits)


def _number(text: str) -> int | float:
    """Return a number written with a point or an exponent; as an integer if that is what it is.

    JSON has one kind of number, and JSON Schema calls 4500.0 an integer (2020-12 core, section 4.2.3).
    """
    if "e" not in text and "E" not in text:
        whole = text.rstrip("0")
        return _integer(whole[:-1]) if whole.endswith(".") else float(text)
    value = float(text)
    # So short a text has at most 15 digits, which a double tells apart: what looks whole is whole.
    is_whole = len(text) <= _LONG_INTEGER_DIGITS and value.is_integer() and abs(value) <= MAX_EXACT_INTEGER
    has_vanished = value == 0 and any(digit in "123456789" for digit in text.lower().partition("e")[0])
    return int(value) if is_whole and not has_vanished else value


def _refuse_constant(name: str) -> Any:
    raise JsonTextError(f"{name} is not a JSON value")


_READER = json.JSONDecoder(
    object_pairs_hook=_members, parse_int=_integer, parse_float=_number, parse_constant=_refuse_constant
)


def read_json(text: bytes) -> Any:
    """Return the plain value of a JSON text; what is wrong inside it is left for `find_text_faults`.

    Raises:
        JsonTextError: the text is empty, not UTF-8, not JSON, has a byte order mark, or is nested too deeply to read.
    """
    if not text.strip():
        raise JsonTextError("the body is empty; a JSON text is expected")
    if text.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        raise JsonTextError("the body starts with a byte order mark; send UTF-8 without it")
    try:
        return _READER.decode(text.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise JsonTextError(f"byte {error.start} is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise JsonTextError(f"line {error.lineno}, column {error.colno}: {error.msg}") from None
    except RecursionError:
        raise JsonTextError(f"the body is nested more than {MAX_DEPTH} levels deep") from None


def may_hide_faults(text: bytes) -> bool:
    """Tell whether a text the fast decoder accepted may still hold what it does not look for.

    May be wrong in one direction only: it never answers False for a text in which `find_text_faults` finds something.
    """
    if b"\\u0000" in text or _LONG_INTEGER.search(text) is not None:
        return True
    try:
        _DUPLICATE_FINDER.decode(text.decode("utf-8"))
    except (ValueError, RecursionError):
        return True
    return False


def _refuse_duplicates(pairs: list[tuple[str, Any]]) -> None:
    if len(pairs) > 1 and len({key for key, _ in pairs}) != len(pairs):
        raise JsonTextError("a key is named twice")


_DUPLICATE_FINDER = json.JSONDecoder(object_pairs_hook=_refuse_duplicates)


def find_text_faults(value: Any) -> list[Fault]:
    """Return every fault in a value from `read_json` that holds whatever type is expected, with its JSON Pointer.

    Found are: repeated keys, ``\\u0000`` and lone surrogates in keys and strings, integers beyond +-(2^53-1), numbers
    beyond a double, and too deep nesting.
    """
    faults: list[Fault] = []
    _search(value, "", 1, faults)
    return faults


def _search(value: Any, pointer: str, depth: int, faults: list[Fault]) -> None:
    if isinstance(value, str):
        _search_string(value, pointer, faults)
    elif isinstance(value, dict | list):
        if depth > MAX_DEPTH:
            faults.append(Fault(code="too-deep", detail=f"At most {MAX_DEPTH} levels may be nested.", pointer=pointer))
        elif isinstance(value, dict):
            _search_object(value, pointer, depth, faults)
        else:
            for position, item in enumerate(value):
                _search(item, f"{pointer}/{position}", depth + 1, faults)
    elif isinstance(value, float):
        if not math.isfinite(value):
            faults.append(Fault(code="out-of-range", detail="The number is beyond a double.", pointer=pointer))
    elif isinstance(value, int) and not -MAX_EXACT_INTEGER <= value <= MAX_EXACT_INTEGER:
        detail = f"Integers must lie between -{MAX_EXACT_INTEGER} and {MAX_EXACT_INTEGER} (2^53-1)."
        faults.append(Fault(code="out-of-range", detail=detail, pointer=pointer))


def _search_object(members: dict[str, Any], pointer: str, depth: int, faults: list[Fault]) -> None:
    if isinstance(members, _Members):
        for key in members.repeated:
            place = f"{pointer}/{escape_pointer_part(readable(key))}"
            faults.append(Fault(code="duplicate-key", detail="The object names this key again.", pointer=place))
    for key, item in members.items():
        place = f"{pointer}/{escape_pointer_part(readable(key))}"
        _search_string(key, place, faults)
        _search(item, place, depth + 1, faults)


def _search_string(text: str, pointer: str, faults: list[Fault]) -> None:
    if "\x00" in text:
        faults.append(Fault(code="invalid-character", detail="The character U+0000 is not taken.", pointer=pointer))
    if _SURROGATE.search(text):
        detail = "A surrogate (U+D800 to U+DFFF) stands alone; it is no character."
        faults.append(Fault(code="invalid-character", detail=detail, pointer=pointer))


def readable(key: str) -> str:
    """Return the key fit to stand in an answer: what is no character replaced by U+FFFD, and the length cut."""
    return _NO_CHARACTER.sub("\ufffd", key)[:MAX_SHOWN_KEY_LENGTH]
