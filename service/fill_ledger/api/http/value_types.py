"""Field types every request and answer is built from, each with its bounds.

A request struct may only use bounded types (`check_request_type` refuses others): every string has a greatest length,
every integer a range, every array a greatest number of items, every time an offset. The same bounds stand in the
OpenAPI document, because both come from here.
"""

import datetime
from typing import Annotated, Any

import msgspec
from msgspec import Meta, Struct, inspect

MAX_INT32 = 2**31 - 1
MAX_LABEL_LENGTH = 120
MAX_REMARK_LENGTH = 2000
MAX_PRESSURE_PSI = 20_000
"""Above every pressure in the trade: a 6,000 psi bank reads about 7,460 psi at 150 F; a typing slip reads 45,000."""

_INT32: dict[str, Any] = {"format": "int32"}
_INT64: dict[str, Any] = {"format": "int64"}

Moment = Annotated[datetime.datetime, Meta(tz=True, description="A time with its offset from UTC (RFC 3339).")]
Month = Annotated[
    str,
    Meta(
        pattern=r"^[0-9]{4}-(0[1-9]|1[0-2])\Z",
        max_length=7,
        description="A month, YYYY-MM, as stamped.",
        examples=["2026-04"],
    ),
]
Label = Annotated[str, Meta(min_length=1, max_length=MAX_LABEL_LENGTH)]
Remark = Annotated[str, Meta(max_length=MAX_REMARK_LENGTH)]
Code = Annotated[
    str,
    Meta(min_length=1, max_length=64, pattern=r"^[a-z0-9]+(-[a-z0-9]+)*\Z", description="A code in kebab-case."),
]
GaugePsi = Annotated[
    int, Meta(ge=0, le=MAX_PRESSURE_PSI, extra_json_schema=_INT32, description="Gauge pressure in whole psi.")
]
Count = Annotated[int, Meta(ge=0, le=MAX_INT32, extra_json_schema=_INT32)]
LedgerPosition = Annotated[
    int,
    Meta(
        ge=0,
        le=2**53 - 1,
        extra_json_schema=_INT64,
        description="Position in a department's ledger; the first event has 1.",
    ),
]
LedgerToken = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=200,
        pattern=r"^[A-Za-z0-9._~-]+\Z",
        description="Opaque: how much of the ledger an answer has seen.",
    ),
]
CursorText = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=1000,
        pattern=r"^[A-Za-z0-9_-]+\Z",
        description="Opaque: where the next page starts.",
    ),
]


_SIZED_TYPES = (
    inspect.StrType,
    inspect.BytesType,
    inspect.ListType,
    inspect.VarTupleType,
    inspect.SetType,
    inspect.FrozenSetType,
    inspect.DictType,
)


class UnboundedTypeError(TypeError):
    """A request type leaves a string, integer, array or time without bounds, or lets unknown fields pass."""


def check_request_type(request_type: Any) -> inspect.Type:
    """Return the inspected type of a request body or query, refusing anything that is not bounded.

    Raises:
        UnboundedTypeError: naming every field that has no bounds. Raised while modules load, never for a request.
    """
    inspected, complaints = _inspect(request_type, is_request=True)
    if complaints:
        raise UnboundedTypeError("; ".join(complaints))
    return inspected


def check_answer_type(answer_type: Any) -> inspect.Type:
    """Return the inspected type of an answer, refusing anything that is not bounded; unknown fields may pass.

    Raises:
        UnboundedTypeError: naming every field that has no bounds. Raised while modules load.
    """
    inspected, complaints = _inspect(answer_type, is_request=False)
    if complaints:
        raise UnboundedTypeError("; ".join(complaints))
    return inspected


def _inspect(checked_type: Any, *, is_request: bool) -> tuple[inspect.Type, list[str]]:
    inspected = inspect.type_info(checked_type)
    walk = _BoundsWalk(is_request=is_request)
    walk.check(inspected, getattr(checked_type, "__name__", str(checked_type)))
    return inspected, walk.complaints


class _BoundsWalk:
    """One walk over a type; collects what has no bounds."""

    def __init__(self, *, is_request: bool) -> None:
        self.complaints: list[str] = []
        self._is_request = is_request
        self._seen: set[type] = set()

    def check(self, kind: inspect.Type, place: str) -> None:
        match kind:
            case inspect.Metadata():
                self.check(kind.type, place)
            case inspect.StructType():
                self._check_struct(kind, place)
            case inspect.UnionType():
                for member in kind.types:
                    self.check(member, place)
            case inspect.ListType() | inspect.VarTupleType() | inspect.SetType() | inspect.FrozenSetType():
                self.check(kind.item_type, f"{place}[]")
            case inspect.DictType():
                self.check(kind.key_type, f"{place} keys")
                self.check(kind.value_type, f"{place} values")
        if missing := self._missing_bound(kind):
            self.complaints.append(f"{place} {missing}")

    def _check_struct(self, kind: inspect.StructType, place: str) -> None:
        if kind.cls in self._seen:
            return
        self._seen.add(kind.cls)
        for field in kind.fields:
            self.check(field.type, f"{place}.{field.encode_name}")

    def _missing_bound(self, kind: inspect.Type) -> str | None:
        if isinstance(kind, inspect.StructType):
            is_open = self._is_request and not kind.forbid_unknown_fields
            return "must be an object without unknown fields" if is_open or kind.array_like else None
        if isinstance(kind, inspect.IntType | inspect.FloatType):
            bounded = not (kind.ge is None and kind.gt is None) and not (kind.le is None and kind.lt is None)
            return None if bounded else "needs a smallest and a greatest value"
        if isinstance(kind, inspect.DateTimeType):
            return None if kind.tz is True else "needs an offset: Meta(tz=True)"
        if isinstance(kind, inspect.StrType) and (kind.pattern or "").endswith("$"):
            return r"has a pattern that ends in $, which lets a line feed pass; end it with \Z"
        if isinstance(kind, _SIZED_TYPES) and kind.max_length is None:
            return "needs a greatest length"
        return None


class StrictStruct(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of everything decoded from outside: immutable, and a name it does not know is a fault."""


def decoder_for(request_type: Any) -> msgspec.json.Decoder[Any]:
    """Return a strict JSON decoder for a bounded request type."""
    return msgspec.json.Decoder(request_type, strict=True)
