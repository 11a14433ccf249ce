"""Find every fault of a plain value against a declared type, where the decoder stops at the first.

The walk follows ``msgspec.inspect``; what a single value must look like is decided by msgspec itself wherever a value
is more than a number, a string or a choice, so that this pass and the decoder cannot disagree on formats.
"""

import difflib
import re
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
from msgspec import inspect

from fill_ledger.api.http.json_text import MAX_EXACT_INTEGER, readable
from fill_ledger.api.http.pattern_words import pattern_words
from fill_ledger.api.http.problems import MAX_FAULTS, Fault, escape_pointer_part
from fill_ledger.api.http.type_words import (
    FORMATTED_TEXTS,
    choice_values,
    counted,
    describe,
    json_kind,
    kind_words,
    kinds_taken,
    one_of,
)

WANTED = "wanted"
"""Key of a type's ``Meta(extra=...)``: what its text should be, in words, told in place of how many characters."""

_NO_OFFSET = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?\Z")


def find_faults(value: Any, expected: inspect.Type) -> list[Fault]:
    """Return the faults of a plain (JSON-like) value against an inspected type, each with its JSON Pointer.

    Rules written as code in ``__post_init__`` are not seen here: the decoder reports those.
    """
    walk = _Walk()
    walk.check(value, expected, "")
    return walk.faults[:MAX_FAULTS]


def suggestion(name: str, known: Iterable[str]) -> str:
    """Return a sentence naming the nearest known name, or all of them when none is near."""
    choices = sorted(known)
    near = difflib.get_close_matches(name, choices, n=1, cutoff=0.7)
    if near:
        return f"Did you mean {near[0]}?"
    return f"Known names: {', '.join(choices)}." if choices else "No names are known here."


class _Walk:
    """One walk over one value; collects faults."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def add(self, pointer: str, code: str, detail: str) -> None:
        self.faults.append(Fault(code=code, detail=detail, pointer=pointer))

    def check(self, value: Any, expected: inspect.Type, pointer: str) -> None:
        if len(self.faults) > MAX_FAULTS:
            return
        match expected:
            case inspect.Metadata():
                self._worded(value, expected, pointer)
            case inspect.StructType():
                self._struct(value, expected, pointer)
            case inspect.UnionType():
                self._union(value, expected, pointer)
            case inspect.ListType() | inspect.VarTupleType() | inspect.SetType() | inspect.FrozenSetType():
                self._array(value, expected, pointer)
            case inspect.DictType():
                self._dictionary(value, expected, pointer)
            case inspect.AnyType() | inspect.RawType():
                pass
            case _:
                self._scalar(value, expected, pointer)

    def _wrong_type(self, value: Any, expected: inspect.Type, pointer: str) -> None:
        self.add(pointer, "wrong-type", f"Expected {describe(expected)}; got {kind_words(value, expected)}.")

    def _struct(self, value: Any, expected: inspect.StructType, pointer: str) -> None:
        if not isinstance(value, dict):
            self._wrong_type(value, expected, pointer)
            return
        fields = {field.encode_name: field for field in expected.fields}
        known = set(fields)
        if expected.tag_field is not None:
            known.add(expected.tag_field)
            self._tag(value, expected.tag_field, [expected.tag], pointer)
        for key in value:
            if key not in known and expected.forbid_unknown_fields:
                place = f"{pointer}/{escape_pointer_part(readable(key))}"
                self.add(place, "unknown-field", f"There is no such field. {suggestion(readable(key), known)}")
        for name, field in fields.items():
            place = f"{pointer}/{escape_pointer_part(name)}"
            if name in value:
                self.check(value[name], field.type, place)
            elif field.required:
                self.add(place, "missing-field", f"This field is required: {describe(field.type)}.")

    def _tag(self, value: Mapping[str, Any], tag_field: str, tags: list[Any], pointer: str) -> bool:
        place = f"{pointer}/{escape_pointer_part(tag_field)}"
        if tag_field not in value:
            self.add(place, "missing-field", f"This field is required: {one_of(tags)}.")
            return False
        if type(value[tag_field]) not in (str, int) or value[tag_field] not in tags:
            self.add(place, "not-a-choice", f"Expected {one_of(tags)}.")
            return False
        return True

    def _union(self, value: Any, expected: inspect.UnionType, pointer: str) -> None:
        candidates = [kind for kind in expected.types if _takes_kind_of(kind, value)]
        if not candidates:
            self._wrong_type(value, expected, pointer)
            return
        structs = [kind for kind in candidates if isinstance(kind, inspect.StructType)]
        if len(structs) > 1:
            tag_field = structs[0].tag_field or "type"
            if not self._tag(value, tag_field, [kind.tag for kind in structs], pointer):
                return
            candidates = [kind for kind in structs if kind.tag == value[tag_field]]
        attempts = []
        for kind in candidates:
            attempt = _Walk()
            attempt.check(value, kind, pointer)
            if not attempt.faults:
                return
            attempts.append(attempt.faults)
        self.faults.extend(attempts[0])

    def _worded(self, value: Any, expected: inspect.Metadata, pointer: str) -> None:
        wanted = (expected.extra or {}).get(WANTED)
        attempt = _Walk()
        attempt.check(value, expected.type, pointer)
        for fault in attempt.faults:
            if wanted is not None and fault.code in ("too-long", "too-short"):
                self.add(pointer, "wrong-format", f"Expected {wanted}.")
            else:
                self.faults.append(fault)

    def _array(self, value: Any, expected: Any, pointer: str) -> None:
        if not isinstance(value, list):
            self._wrong_type(value, expected, pointer)
            return
        self._length(len(value), expected, pointer, "item")
        for position, item in enumerate(value):
            self.check(item, expected.item_type, f"{pointer}/{position}")

    def _dictionary(self, value: Any, expected: inspect.DictType, pointer: str) -> None:
        if not isinstance(value, dict):
            self._wrong_type(value, expected, pointer)
            return
        self._length(len(value), expected, pointer, "member")
        for key, item in value.items():
            place = f"{pointer}/{escape_pointer_part(readable(key))}"
            self.check(key, expected.key_type, place)
            self.check(item, expected.value_type, place)

    def _length(self, length: int, expected: Any, pointer: str, thing: str) -> None:
        got = "none" if length == 0 else str(length)
        if expected.min_length is not None and length < expected.min_length:
            verb = "is" if expected.min_length == 1 else "are"
            self.add(pointer, "too-short", f"At least {counted(expected.min_length, thing)} {verb} needed; got {got}.")
        if expected.max_length is not None and length > expected.max_length:
            verb = "is" if expected.max_length == 1 else "are"
            self.add(pointer, "too-long", f"At most {counted(expected.max_length, thing)} {verb} taken; got {got}.")

    def _scalar(self, value: Any, expected: inspect.Type, pointer: str) -> None:
        if not _takes_kind_of(expected, value):
            self._wrong_type(value, expected, pointer)
        elif isinstance(expected, inspect.StrType):
            self._length(len(value), expected, pointer, "character")
            if expected.pattern is not None and re.search(expected.pattern, value) is None:
                self.add(pointer, "wrong-format", f"Expected {pattern_words(expected.pattern)}.")
        elif isinstance(expected, inspect.IntType | inspect.FloatType):
            self._number(value, expected, pointer)
        elif isinstance(expected, inspect.EnumType | inspect.LiteralType):
            choices = choice_values(expected)
            if value not in choices:
                self.add(pointer, "not-a-choice", f"Expected {one_of(choices)}.")
        elif isinstance(expected, inspect.DateTimeType):
            self._datetime(value, expected, pointer)
        elif type(expected) in FORMATTED_TEXTS:
            target, wording = FORMATTED_TEXTS[type(expected)]
            if not _converts(value, target):
                self.add(pointer, "wrong-format", f"Expected {wording}.")

    def _number(self, value: float, expected: inspect.IntType | inspect.FloatType, pointer: str) -> None:
        broken: list[str] = []
        if expected.ge is not None and value < expected.ge:
            broken.append(f"at least {expected.ge}")
        if expected.gt is not None and value <= expected.gt:
            broken.append(f"more than {expected.gt}")
        if expected.le is not None and value > expected.le:
            broken.append(f"at most {expected.le}")
        if expected.lt is not None and value >= expected.lt:
            broken.append(f"less than {expected.lt}")
        if expected.multiple_of is not None and value % expected.multiple_of != 0:
            broken.append(f"a multiple of {expected.multiple_of}")
        got = f"; got {value}" if abs(value) <= MAX_EXACT_INTEGER else ""
        for wording in broken:
            self.add(pointer, "out-of-range", f"The number must be {wording}{got}.")

    def _datetime(self, value: str, expected: inspect.DateTimeType, pointer: str) -> None:
        if expected.tz is not False and _NO_OFFSET.match(value):
            self.add(pointer, "needs-offset", "The time needs an offset from UTC, such as -05:00 or Z (RFC 3339).")
        elif not _converts(value, FORMATTED_TEXTS[inspect.DateTimeType][0]):
            self.add(pointer, "wrong-format", f"Expected {FORMATTED_TEXTS[inspect.DateTimeType][1]}.")


def _converts(value: Any, target: Any) -> bool:
    try:
        msgspec.convert(value, target)
    except (msgspec.ValidationError, UnicodeEncodeError):  # JSON can spell half a character, and no UTF-8 can
        return False
    return True


def _takes_kind_of(expected: inspect.Type, value: Any) -> bool:
    """Tell whether the JSON kind of a value (object, array, string, number, boolean, null) can fit the type at all."""
    return json_kind(value) in kinds_taken(expected)
