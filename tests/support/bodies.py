"""Event bodies of every type, made from the types themselves: whatever the decoder would let in may come."""

import math
from collections.abc import Callable
from datetime import UTC, timedelta, timezone
from typing import Any, TypeVar

from hypothesis import strategies as st
from msgspec import inspect

from fill_ledger.trade.events import catalogue
from fill_ledger.trade.events.envelope import MAXIMUM_INTEGER, Body, Clock, Event, Judged

Made = TypeVar("Made")
MAXIMUM_TEXT = 60
MAXIMUM_PARTS = 3
# Whole minutes, as RFC 3339 writes an offset.
OFFSETS = st.sampled_from([UTC, timezone(timedelta(hours=-5)), timezone(timedelta(hours=5, minutes=45))])
# PostgreSQL's text holds no NUL, and UTF-8 no surrogates; both are quarantined long before.
CHARACTERS = st.characters(exclude_categories=["Cs"], exclude_characters="\x00")
MOMENTS = st.datetimes(timezones=OFFSETS)


def made(struct: type[Made]) -> st.SearchStrategy[Made]:
    """Return a strategy for a struct, from its fields' types and bounds."""
    strategy: st.SearchStrategy[Made] = _of(inspect.type_info(struct))
    return strategy


def bodies() -> st.SearchStrategy[Body]:
    """Return a strategy for a body of any registered event type."""
    return st.sampled_from(sorted(catalogue())).flatmap(lambda key: made(catalogue()[key]))


def events_of(body: st.SearchStrategy[Body]) -> st.SearchStrategy[Event]:
    """Return a strategy for whole events around bodies."""
    return st.builds(
        Event,
        department_id=st.uuids(),
        event_id=st.uuids(),
        occurred_at=MOMENTS,
        effective_at=MOMENTS,
        recorded_by=st.uuids(),
        body=body,
        station_id=st.none() | st.uuids(),
        stream_id=st.none() | st.uuids(),
        stream_number=st.none() | st.integers(0, MAXIMUM_INTEGER),
        clock=st.none() | made(Clock),
        inventory_number=st.none() | st.text(CHARACTERS, max_size=24),
        judgement=st.none() | made(Judged),
    )


def _integer(kind: inspect.IntType) -> st.SearchStrategy[int]:
    least = -MAXIMUM_INTEGER if kind.ge is None else kind.ge
    return st.integers(least, MAXIMUM_INTEGER if kind.le is None else kind.le)


def _text(kind: inspect.StrType) -> st.SearchStrategy[str]:
    longest = MAXIMUM_TEXT if kind.max_length is None else kind.max_length
    if kind.pattern is not None:
        return st.from_regex(kind.pattern).filter(lambda text: len(text) <= longest)
    return st.text(CHARACTERS, min_size=kind.min_length or 0, max_size=min(longest, MAXIMUM_TEXT))


def _tuple(kind: inspect.VarTupleType) -> st.SearchStrategy[tuple[Any, ...]]:
    longest = math.inf if kind.max_length is None else kind.max_length
    fewest = kind.min_length or 0
    most = int(min(max(MAXIMUM_PARTS, fewest), longest))
    return st.lists(_of(kind.item_type), min_size=fewest, max_size=most).map(tuple)


def _struct(kind: inspect.StructType) -> st.SearchStrategy[Any]:
    return st.builds(kind.cls, **{field.name: _of(field.type) for field in kind.fields})


MAKERS: dict[type[inspect.Type], Callable[[Any], st.SearchStrategy[Any]]] = {
    inspect.NoneType: lambda kind: st.none(),
    inspect.BoolType: lambda kind: st.booleans(),
    inspect.UUIDType: lambda kind: st.uuids(),
    inspect.DateTimeType: lambda kind: MOMENTS,
    inspect.IntType: _integer,
    inspect.StrType: _text,
    inspect.LiteralType: lambda kind: st.sampled_from(kind.values),
    inspect.EnumType: lambda kind: st.sampled_from(kind.cls),
    inspect.VarTupleType: _tuple,
    inspect.UnionType: lambda kind: st.one_of([_of(part) for part in kind.types]),
    inspect.StructType: _struct,
    inspect.Metadata: lambda kind: _of(kind.type),
}


def _of(kind: inspect.Type) -> st.SearchStrategy[Any]:
    return st.deferred(lambda: MAKERS[type(kind)](kind))
