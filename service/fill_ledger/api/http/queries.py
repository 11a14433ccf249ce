"""Turn a query string into a typed value, or into a problem that lists every fault.

Only declared names are taken, each once unless its field is an array; values are taken only in the form the type writes
them (``true``, ``42``, a UUID, a time with its offset), never coerced.
"""

import re
from datetime import UTC, datetime
from typing import Any, Generic, TypeVar
from urllib.parse import unquote_to_bytes

import msgspec
from msgspec import UNSET, inspect, structs

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.faults import find_faults, suggestion
from fill_ledger.api.http.json_text import readable
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.type_words import describe
from fill_ledger.api.http.value_types import check_request_type

T = TypeVar("T")

MAX_QUERY_LENGTH = 4096
"""Greatest length of a query string in bytes."""

MAX_QUERY_PARAMETERS = 100
EARLIEST_INSTANT = datetime(1, 1, 2, tzinfo=UTC)
LATEST_INSTANT = datetime(9999, 12, 30, tzinfo=UTC)
"""Times asked about are taken no farther out: nothing is on record there, and every time zone can write these two."""

_INTEGER = re.compile(r"-?(0|[1-9][0-9]{0,17})\Z")
_DECIMAL = re.compile(r"-?(0|[1-9][0-9]{0,17})(\.[0-9]{1,18})?\Z")
_LOST_PLUS = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt].* [0-9]{2}:[0-9]{2}\Z")
_BROKEN_ESCAPE = re.compile(r"%(?![0-9A-Fa-f]{2})")
_BOOLEANS = {"true": True, "false": False}


class _Parameter:
    """How one declared name reads its text."""

    __slots__ = ("expected", "is_array", "reads")

    def __init__(self, expected: inspect.Type) -> None:
        self.expected = _without_absence(expected)
        self.is_array = isinstance(self.expected, inspect.ListType | inspect.VarTupleType)
        if isinstance(self.expected, inspect.ListType | inspect.VarTupleType):
            self.expected = _without_absence(self.expected.item_type)
        self.reads = _reader(self.expected)


def _without_absence(expected: inspect.Type) -> inspect.Type:
    """Return the type of a value that is given: an absent parameter is None, a present one never is."""
    if isinstance(expected, inspect.Metadata):
        return _without_absence(expected.type)
    if isinstance(expected, inspect.UnionType):
        present = [kind for kind in expected.types if not isinstance(kind, inspect.NoneType)]
        if len(present) == 1:
            return _without_absence(present[0])
        raise TypeError("a query parameter has one type, possibly absent")
    return expected


def _reader(expected: inspect.Type) -> Any:
    match expected:
        case inspect.IntType():
            return lambda text: int(text) if _INTEGER.match(text) else UNSET
        case inspect.FloatType():
            return lambda text: float(text) if _DECIMAL.match(text) else UNSET
        case inspect.BoolType():
            return lambda text: _BOOLEANS.get(text, UNSET)
        case inspect.StructType() | inspect.DictType() | inspect.AnyType() | inspect.RawType():
            raise TypeError("a query parameter is a single value")
        case _:
            return lambda text: text


class QueryParser(Generic[T]):
    """A strict parser for one query struct.

    Raises:
        UnboundedTypeError, TypeError: the struct is not fit for a query; raised while modules load.
    """

    def __init__(self, query_type: type[T]) -> None:
        inspected = check_request_type(query_type)
        if not isinstance(inspected, inspect.StructType):
            raise TypeError("a query is declared as a struct")
        self.query_type = query_type
        self._inspected = inspected
        self._parameters = {field.encode_name: _Parameter(field.type) for field in inspected.fields}

    @property
    def names(self) -> frozenset[str]:
        """The declared names."""
        return frozenset(self._parameters)

    def parse(self, query_string: bytes) -> T:
        """Return the typed query.

        Args:
            query_string: the raw bytes after the question mark, still percent-encoded.

        Raises:
            Problem: invalid-query (400) with every fault and the name of its parameter.
        """
        faults: list[Fault] = []
        values: dict[str, Any] = {}
        for name, text in _pairs(query_string):
            self._take(name, text, values, faults)
        if not faults:
            try:
                return within_calendar(msgspec.convert(values, self.query_type, strict=True))
            except msgspec.ValidationError as error:
                faults = self._explain(values, error)
        else:
            found = {fault.parameter for fault in faults}
            faults += [fault for fault in self._search(values) if fault.parameter not in found]
        counted = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise Problem(problem_types.INVALID_QUERY, f"The query has {counted}.", errors=faults)

    def _take(self, name: str, text: str, values: dict[str, Any], faults: list[Fault]) -> None:
        parameter = self._parameters.get(name)
        if parameter is None:
            detail = f"There is no such parameter. {suggestion(readable(name), self._parameters)}"
            faults.append(Fault(code="unknown-parameter", detail=detail, parameter=readable(name)))
            return
        if "\x00" in text:
            faults.append(Fault(code="invalid-character", detail="The character U+0000 is not taken.", parameter=name))
            return
        value = parameter.reads(text)
        if value is UNSET:
            detail = f"Expected {describe(parameter.expected)}."
            faults.append(Fault(code="wrong-type", detail=detail, parameter=name))
        elif parameter.is_array:
            values.setdefault(name, []).append(value)
        elif name in values:
            faults.append(Fault(code="repeated-parameter", detail="This parameter is taken once.", parameter=name))
        else:
            values[name] = value

    def _explain(self, values: dict[str, Any], error: msgspec.ValidationError) -> list[Fault]:
        faults = self._search(values)
        # Nothing found: a rule between parameters, stated in __post_init__ in our own words.
        return faults or [Fault(code="invalid-value", detail=str(error))]

    def _search(self, values: dict[str, Any]) -> list[Fault]:
        return [self._by_name(fault, values) for fault in find_faults(values, self._inspected)]

    def _by_name(self, fault: Fault, values: dict[str, Any]) -> Fault:
        pointer = fault.pointer if isinstance(fault.pointer, str) else ""
        name = pointer[1:].partition("/")[0]
        named = structs.replace(fault, pointer=UNSET, parameter=name)
        text = values.get(name)
        if isinstance(text, str) and fault.code == "wrong-format" and _LOST_PLUS.match(text):
            return structs.replace(named, detail="In a query a plus sign must be written %2B; it was read as a space.")
        return named


def within_calendar(asked: T) -> T:
    """Return a query or question with its own times in UTC, those at the ends of the calendar moved within it.

    An instant such as 0001-01-01T00:00+14:00 has no value in UTC that `datetime` could hold.
    """
    changed = {
        name: min(max(value, EARLIEST_INSTANT), LATEST_INSTANT).astimezone(UTC)
        for name in getattr(asked, "__struct_fields__", ())
        if isinstance(value := getattr(asked, name), datetime)
    }
    return structs.replace(asked, **changed) if changed else asked  # type: ignore[type-var]


def _pairs(query_string: bytes) -> list[tuple[str, str]]:
    if not query_string:
        return []
    if len(query_string) > MAX_QUERY_LENGTH:
        raise _broken(f"The query may have at most {MAX_QUERY_LENGTH} bytes.")
    try:
        text = query_string.decode("ascii")
    except UnicodeDecodeError:
        raise _broken("Characters beyond ASCII must be percent-encoded in a query.") from None
    parts = [part for part in text.split("&") if part]
    if len(parts) > MAX_QUERY_PARAMETERS:
        raise _broken(f"The query may name at most {MAX_QUERY_PARAMETERS} parameters.")
    return [(_decode(name), _decode(value)) for name, _, value in (part.partition("=") for part in parts)]


def _decode(text: str) -> str:
    if "%" not in text and "+" not in text:
        return text
    if _BROKEN_ESCAPE.search(text):
        raise _broken("A percent sign must be followed by two hexadecimal digits; a plain one is written %25.")
    try:
        return unquote_to_bytes(text.replace("+", " ")).decode("utf-8")
    except UnicodeDecodeError:
        raise _broken("Percent-encoded characters must be UTF-8.") from None


def _broken(detail: str) -> Problem:
    return Problem(problem_types.INVALID_QUERY, detail, errors=[Fault(code="wrong-format", detail=detail)])


_PARSERS: dict[Any, QueryParser[Any]] = {}


def query_parser(query_type: type[T]) -> QueryParser[T]:
    """Return the parser of a query struct; made once."""
    if query_type not in _PARSERS:
        _PARSERS[query_type] = QueryParser(query_type)
    return _PARSERS[query_type]


def parse_query(query_string: bytes, query_type: type[T]) -> T:
    """Return the query string as the declared struct.

    Raises:
        Problem: invalid-query (400) with every fault.
    """
    return query_parser(query_type).parse(query_string)
