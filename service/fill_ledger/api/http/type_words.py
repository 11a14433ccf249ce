"""Say in plain words what a declared type expects, for the details of faults."""

import datetime
import decimal
import uuid
from collections.abc import Iterable
from typing import Any

from msgspec import inspect

FORMATTED_TEXTS: dict[type[inspect.Type], tuple[Any, str]] = {
    inspect.UUIDType: (uuid.UUID, "a UUID such as 5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    inspect.DateTimeType: (datetime.datetime, "a time such as 2026-11-24T03:10:22-05:00 (RFC 3339)"),
    inspect.DateType: (datetime.date, "a date such as 2026-11-24 (RFC 3339)"),
    inspect.TimeType: (datetime.time, "a time of day such as 03:10:22 (RFC 3339)"),
    inspect.TimeDeltaType: (datetime.timedelta, "a duration such as PT15M (ISO 8601)"),
    inspect.DecimalType: (decimal.Decimal, "a decimal number"),
    inspect.BytesType: (bytes, "base64 text (RFC 4648 section 4)"),
}
"""Kinds of text whose form msgspec itself checks: the type to convert to, and the words for it."""

_PLAIN_WORDS: dict[type[inspect.Type], str] = {
    inspect.NoneType: "null",
    inspect.BoolType: "true or false",
    inspect.StructType: "an object",
    inspect.DictType: "an object",
    inspect.ListType: "an array",
    inspect.VarTupleType: "an array",
    inspect.SetType: "an array",
    inspect.FrozenSetType: "an array",
}


def describe(expected: inspect.Type) -> str:
    """Return what the type expects, as a noun phrase: ``a whole number from 0 to 10``."""
    if isinstance(expected, inspect.Metadata):
        return describe(expected.type)
    if isinstance(expected, inspect.UnionType):
        return " or ".join(dict.fromkeys(describe(kind) for kind in expected.types))
    if isinstance(expected, inspect.EnumType | inspect.LiteralType):
        return f"one of {list_choices(choice_values(expected))}"
    if isinstance(expected, inspect.IntType):
        return "a whole number" + _range(expected)
    if isinstance(expected, inspect.FloatType):
        return "a number" + _range(expected)
    if isinstance(expected, inspect.StrType):
        return "a string" + _length(expected)
    if type(expected) in FORMATTED_TEXTS:
        return FORMATTED_TEXTS[type(expected)][1]
    return _PLAIN_WORDS.get(type(expected), "another value")


def choice_values(expected: inspect.EnumType | inspect.LiteralType) -> list[Any]:
    """Return the values a choice may take, as they stand in JSON."""
    if isinstance(expected, inspect.EnumType):
        return [member.value for member in expected.cls]
    return list(expected.values)


def list_choices(values: Iterable[Any]) -> str:
    """Return the values in one line."""
    return ", ".join(str(value) for value in values)


def portable_pattern(pattern: str) -> str:
    r"""Return a Python pattern as JSON Schema writes it (ECMA-262): ``\Z``, the very end, is ``$`` there."""
    return pattern.removesuffix(r"\Z") + "$" if pattern.endswith(r"\Z") else pattern


def _range(expected: inspect.IntType | inspect.FloatType) -> str:
    if expected.ge is not None and expected.le is not None:
        return f" from {expected.ge} to {expected.le}"
    return ""


def _length(expected: inspect.StrType) -> str:
    if expected.max_length is None:
        return ""
    return f" of {expected.min_length or 0} to {expected.max_length} characters"
