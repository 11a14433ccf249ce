"""The order of a list and the SQL that continues it after a given row, without OFFSET and without COUNT."""

import datetime
import re
import uuid
from collections.abc import Sequence
from typing import Any, Literal

from msgspec import Struct

SortKind = Literal["text", "integer", "uuid", "timestamp", "date"]
SortValue = str | int | uuid.UUID | datetime.datetime | datetime.date | None

SORT_TYPES: dict[str, Any] = {
    "text": str,
    "integer": int,
    "uuid": uuid.UUID,
    "timestamp": datetime.datetime,
    "date": datetime.date,
}

_COLUMN = re.compile(r"[a-z_][a-z0-9_]*(\.[a-z_][a-z0-9_]*)?\Z")


class SortKey(Struct, frozen=True, kw_only=True):
    """One column of an order.

    ``column`` is how SQL names it (``cylinder.inventory_number``), ``name`` how a fetched row does. Nulls stand where
    PostgreSQL puts them by default, and thus where a plain index has them: last ascending, first descending.
    """

    column: str
    kind: SortKind
    descending: bool = False
    nullable: bool = False

    @property
    def name(self) -> str:
        """The key of the column in a fetched row."""
        return self.column.rpartition(".")[2]


class SortOrder(Struct, frozen=True, kw_only=True):
    """The order of a list: its name, and its columns; together they must tell every two rows apart.

    Raises:
        ValueError: there are no columns, a column is not a plain name, or the last one may be null.
    """

    name: str
    keys: tuple[SortKey, ...]

    def __post_init__(self) -> None:
        """Refuse what would not be safe in SQL, or would not be a total order."""
        if not self.keys or self.keys[-1].nullable:
            raise ValueError("an order ends with a column that is never null and tells rows apart")
        for key in self.keys:
            if not _COLUMN.match(key.column):
                raise ValueError(f"{key.column!r} is not a plain column name")

    @property
    def order_by(self) -> str:
        """The columns for ORDER BY."""
        return ", ".join(f"{key.column} {'DESC' if key.descending else 'ASC'}" for key in self.keys)

    def values_of(self, row: Any) -> list[SortValue]:
        """Return where a fetched row stands in the order."""
        return [row[key.name] for key in self.keys]


def after_clause(order: SortOrder, values: Sequence[SortValue], first_parameter: int) -> tuple[str, list[SortValue]]:
    """Return the condition for "after the row with these values", and the arguments for its parameters.

    Args:
        order: the order of the list.
        values: where the last row of the page before stands, one for each column.
        first_parameter: the number of the first free parameter (``$3`` if two are used).

    Returns:
        SQL that stands well after AND, and the arguments in the order of their numbers.
    """
    arguments: list[SortValue] = []
    names: list[str | None] = []
    for value in values:
        if value is None:
            names.append(None)
        else:
            names.append(f"${first_parameter + len(arguments)}")
            arguments.append(value)
    is_uniform = len({key.descending for key in order.keys}) == 1 and not any(key.nullable for key in order.keys)
    if is_uniform:
        columns = ", ".join(key.column for key in order.keys)
        sign = "<" if order.keys[0].descending else ">"
        return f"({columns}) {sign} ({', '.join(str(name) for name in names)})", arguments
    return _expanded(order.keys, names), arguments


def _expanded(keys: Sequence[SortKey], names: Sequence[str | None]) -> str:
    """Return the condition written out: equal so far, and after in one column. A row comparison cannot say this."""
    alternatives: list[str] = []
    equal_so_far: list[str] = []
    for key, name in zip(keys, names, strict=True):
        after = _after(key, name)
        if after is not None:
            alternatives.append(" AND ".join([*equal_so_far, after]))
        equal_so_far.append(f"{key.column} IS NULL" if name is None else f"{key.column} = {name}")
    condition = "(" + " OR ".join(alternatives) + ")"
    first, first_name = keys[0], names[0]
    if first_name is not None and not first.nullable:
        # Redundant, but an index can start from it; from alternatives joined by OR it cannot.
        return f"{first.column} {'<=' if first.descending else '>='} {first_name} AND {condition}"
    return condition


def _after(key: SortKey, name: str | None) -> str | None:
    """Return what stands after the value in one column; None if nothing does."""
    if name is None:
        return f"{key.column} IS NOT NULL" if key.descending else None
    if key.descending:
        return f"{key.column} < {name}"
    return f"({key.column} > {name} OR {key.column} IS NULL)" if key.nullable else f"{key.column} > {name}"
