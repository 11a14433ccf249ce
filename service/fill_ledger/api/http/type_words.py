"""Say in plain words what a declared type expects, for the details of faults."""

import datetime
import decimal
import re
import uuid
from collections.abc import Iterable
from typing import Any

from msgspec import inspect

from fill_ledger.api.http.pattern_words import pattern_words

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

_PLAIN_NUMBER = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,6})?\Z")

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
        return one_of(choice_values(expected))
    if isinstance(expected, inspect.IntType):
        return "a whole number" + _range(expected)
    if isinstance(expected, inspect.FloatType):
        return "a number" + _range(expected)
    if isinstance(expected, inspect.StrType):
        return "a text" + _length(expected) if expected.pattern is None else pattern_words(expected.pattern)
    if type(expected) in FORMATTED_TEXTS:
        return FORMATTED_TEXTS[type(expected)][1]
    return _PLAIN_WORDS.get(type(expected), "another value")


def choice_values(expected: inspect.EnumType | inspect.LiteralType) -> list[Any]:
    """Return the values a choice may take, as they stand in JSON."""
    if isinstance(expected, inspect.EnumType):
        return [member.value for member in expected.cls]
    return list(expected.values)


def one_of(values: Iterable[Any]) -> str:
    """Return the choice in words: ``one of psi, bar, kpa``; where only one value can stand, that value."""
    texts = [str(value) for value in values]
    return texts[0] if len(texts) == 1 else f"one of {', '.join(texts)}"


def counted(number: int, singular: str) -> str:
    """Return a number of things in words: ``1 character``, ``3 characters``."""
    return f"{number} {singular}" if number == 1 else f"{number} {singular}s"


def kind_words(value: Any, expected: inspect.Type) -> str:
    """Say what kind of value came in place of another, with what to do where it is only the quotes.

    A text that was sent is repeated only where it is a plain number and a number was wanted: anything else may be a
    secret in the wrong field.
    """
    wanted = kinds_taken(expected)
    if isinstance(value, str):
        if wanted & {"integer", "float"} and _PLAIN_NUMBER.match(value):
            return f'the text "{value}": leave out the quotes'
        if "boolean" in wanted and value.lower() in ("true", "false"):
            return f'the text "{value}": write {value.lower()} in small letters without quotes'
        if "null" in wanted and value.lower() == "null":
            return f'the text "{value}": write null in small letters without quotes'
        return "a text" if value else "an empty text"
    if isinstance(value, bool):
        return f"{value}".lower()
    if value is None:
        return "null"
    if isinstance(value, int | float):
        if _takes_any_text(expected):
            return "a number: put it in quotes"
        if isinstance(value, float) and "integer" in wanted:
            return "a number too large" if value.is_integer() else f"{value:g}, which has a fraction"
        return "a number"
    return "an array" if isinstance(value, list) else "an object"


def _takes_any_text(expected: inspect.Type) -> bool:
    """Tell whether quotes alone can make a number fit; they cannot for a time, an id or a choice."""
    if isinstance(expected, inspect.Metadata):
        return _takes_any_text(expected.type)
    if isinstance(expected, inspect.UnionType):
        return any(_takes_any_text(kind) for kind in expected.types)
    return isinstance(expected, inspect.StrType)


def json_kind(value: Any) -> str:
    """Return the JSON kind of a plain value, whole numbers told from others."""
    return "boolean" if isinstance(value, bool) else _KINDS.get(type(value), "object")


_KINDS = {str: "string", int: "integer", float: "float", type(None): "null", list: "array", dict: "object"}


def kinds_taken(expected: inspect.Type) -> frozenset[str]:
    """Return the JSON kinds that can fit a type at all."""
    match expected:
        case inspect.Metadata():
            return kinds_taken(expected.type)
        case inspect.UnionType():
            return frozenset().union(*(kinds_taken(kind) for kind in expected.types))
        case inspect.AnyType() | inspect.RawType() | inspect.CustomType():
            return frozenset({"boolean", "object", *_KINDS.values()})
        case inspect.EnumType() | inspect.LiteralType():
            return frozenset(_KINDS[type(value)] for value in choice_values(expected))
        case inspect.StructType() | inspect.DictType():
            return frozenset({"object"})
        case inspect.ListType() | inspect.VarTupleType() | inspect.SetType() | inspect.FrozenSetType():
            return frozenset({"array"})
        case inspect.NoneType():
            return frozenset({"null"})
        case inspect.BoolType():
            return frozenset({"boolean"})
        case inspect.IntType():
            return frozenset({"integer"})
        case inspect.FloatType():
            return frozenset({"integer", "float"})
        case inspect.DecimalType():
            return frozenset({"string", "integer", "float"})
        case _:
            return frozenset({"string"})


def _range(expected: inspect.IntType | inspect.FloatType) -> str:
    if expected.ge is not None and expected.le is not None:
        return f" from {expected.ge} to {expected.le}"
    return ""


def _length(expected: inspect.StrType) -> str:
    if expected.max_length is None:
        return ""
    if not expected.min_length:
        return f" of at most {counted(expected.max_length, 'character')}"
    if expected.min_length == expected.max_length:
        return f" of {counted(expected.max_length, 'character')}"
    return f" of {expected.min_length} to {expected.max_length} characters"
