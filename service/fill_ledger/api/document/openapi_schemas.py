"""JSON Schemas (2020-12, as OpenAPI 3.1 has them) for every type of the interface.

msgspec makes them, from the same types that decode; what it leaves out or writes for Python only is added here: formats
and bounds of integers, lengths of formatted strings, types of choices, patterns as ECMA-262 has them.
"""

import re
from collections.abc import Sequence
from typing import Any

import msgspec

from fill_ledger.api.http.pattern_words import portable_pattern

REFERENCE = "#/components/schemas/{name}"

Schema = dict[str, Any]

_INT32_RANGE = range(-(2**31), 2**31)
_FORMAT_LENGTHS = {"date-time": 64, "date": 10, "time": 32, "uuid": 36, "duration": 64, "decimal": 64}
_GENERIC_NAME = re.compile(r"(\w+?)_(\w+)_")
_GENERIC_TITLE = re.compile(r"(\w+)\[(.+)\]")


def make_schemas(types: Sequence[Any]) -> tuple[list[Schema], dict[str, Schema]]:
    """Return the schema of each type, and the components they refer to by name.

    Raises:
        ValueError: a struct has no docstring: its schema would have no description.
    """
    made, components = msgspec.json.schema_components(types, ref_template=REFERENCE)
    names = {name: _component_name(name) for name in components}
    polished = {names[name]: _polish(schema, names) for name, schema in sorted(components.items())}
    undescribed = [name for name, schema in polished.items() if not schema.get("description")]
    if undescribed:
        raise ValueError(f"these types need a docstring that describes them: {', '.join(undescribed)}")
    return [_polish(schema, names) for schema in made], polished


def _component_name(name: str) -> str:
    """Return ``PageOfCylinderView`` for msgspec's ``Page_CylinderView_``."""
    found = _GENERIC_NAME.fullmatch(name)
    return f"{found[1]}Of{found[2]}" if found else name


def _polish(schema: Any, names: dict[str, str]) -> Any:
    """Return the schema with everything said that a reader or a tool would otherwise have to guess."""
    if isinstance(schema, list):
        return [_polish(item, names) for item in schema]
    if not isinstance(schema, dict):
        return schema
    polished = {key: _polish_member(key, value, names) for key, value in schema.items()}
    if "description" in polished and isinstance(polished["description"], str):
        polished["description"] = " ".join(polished["description"].split())
    if "enum" in polished and "type" not in polished:
        polished["type"] = "integer" if isinstance(polished["enum"][0], int) else "string"
    if polished.get("type") == "integer":
        if "enum" in polished:
            polished |= {"minimum": min(polished["enum"]), "maximum": max(polished["enum"])}
        polished.setdefault("format", _integer_format(polished))
    if polished.get("type") == "number":
        polished.setdefault("format", "double")
    if polished.get("type") == "string":
        _polish_string(polished)
    return polished


def _polish_member(key: str, value: Any, names: dict[str, str]) -> Any:
    if key == "$ref":
        return _renamed(value, names)
    if key == "title" and (found := _GENERIC_TITLE.fullmatch(str(value))):
        return f"{found[1]} of {found[2]}"
    if key == "mapping":
        return {tag: _renamed(reference, names) for tag, reference in value.items()}
    if key in ("properties", "$defs"):
        return {name: _polish(item, names) for name, item in value.items()}
    # Values of instances, not schemas: they stand as they are.
    if key in ("enum", "const", "default", "examples", "example", "required"):
        return value
    return _polish(value, names)


def _renamed(reference: str, names: dict[str, str]) -> str:
    name = reference.rpartition("/")[2]
    return REFERENCE.format(name=names.get(name, name))


def _integer_format(schema: Schema) -> str:
    low, high = schema.get("minimum"), schema.get("maximum")
    bounded = isinstance(low, int) and isinstance(high, int)
    return "int32" if bounded and low in _INT32_RANGE and high in _INT32_RANGE else "int64"


def _polish_string(schema: Schema) -> None:
    if "pattern" in schema:
        schema["pattern"] = portable_pattern(schema["pattern"])
    elif "format" not in schema and "enum" not in schema and "const" not in schema:
        # json_text refuses U+0000 in every string of every body, and PostgreSQL could not hold it in an answer.
        schema["pattern"] = "^[^\\u0000]*$"
    length = _FORMAT_LENGTHS.get(schema.get("format", ""))
    if length is not None:
        schema.setdefault("maxLength", length)


def without_null(schema: Schema) -> Schema:
    """Return the schema of a value that is given, for a parameter that is absent rather than null."""
    choices = schema.get("anyOf")
    if not choices:
        return {key: value for key, value in schema.items() if key != "default" or value is not None}
    present = [choice for choice in choices if choice.get("type") != "null"]
    rest = {key: value for key, value in schema.items() if key not in ("anyOf", "default")}
    return {**present[0], **rest} if len(present) == 1 else {"anyOf": present, **rest}
