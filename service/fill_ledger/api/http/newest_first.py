"""Lists of what happened, newest first: filters as conditions, and a page read department by department.

A page is the newest rows of each department the caller may see, merged. So each department's own index answers its
part, and a list over a whole county reads no more rows of any department than the page holds.
"""

import hashlib
import uuid
from collections.abc import Sequence
from typing import Any

import asyncpg
import msgspec

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.paging import PageWindow
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing

_BYTES_OF_VERSION = 7  # at most 17 digits, as an ETag's version has at most 18


class Conditions:
    """The filters of one list as SQL. Column names are written in the code, never taken from a request."""

    def __init__(self, table: str) -> None:
        self._table = table
        self._texts: list[str] = []
        self.arguments: list[Any] = []

    def equal(self, column: str, value: Any) -> None:
        """Keep rows whose column has this value; None keeps all."""
        self._add(column, "=", value)

    def at_least(self, column: str, value: Any) -> None:
        """Keep rows whose column is this or more; None keeps all."""
        self._add(column, ">=", value)

    def below(self, column: str, value: Any) -> None:
        """Keep rows whose column is less than this; None keeps all."""
        self._add(column, "<", value)

    def among(self, column: str, value: Any) -> None:
        """Keep rows whose array column holds this value; None keeps all."""
        if value is not None:
            self.arguments.append(value)
            # The department list is the first parameter of the statement.
            self._texts.append(f"${len(self.arguments) + 1} = ANY ({self._table}.{column})")

    def _add(self, column: str, sign: str, value: Any) -> None:
        if value is not None:
            self.arguments.append(value)
            self._texts.append(f"{self._table}.{column} {sign} ${len(self.arguments) + 1}")

    @property
    def sql(self) -> str:
        """The conditions joined by AND."""
        return " AND ".join(self._texts) or "TRUE"


def newest_first(moment_column: str, id_column: str) -> SortOrder:
    """Return the order from the newest to the oldest, told apart by an id."""
    return SortOrder(
        name="newest_first",
        keys=(
            SortKey(column=moment_column, kind="timestamp", descending=True),
            SortKey(column=id_column, kind="uuid", descending=True),
        ),
    )


async def fetch_window(
    request: AnyRequest,
    principal: Principal,
    window: PageWindow,
    table: str,
    conditions: Conditions,
    department_id: uuid.UUID | None,
) -> Sequence[asyncpg.Record]:
    """Return the rows of one page of a view, of one department or of all that the principal may see."""
    after, after_arguments = window.after(len(conditions.arguments) + 2)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows: list[asyncpg.Record] = await connection.fetch(
            f"""
            SELECT {table}.*
            FROM unnest(coalesce($1::uuid[], (SELECT lookup.visible_departments()))) AS own (department_id)
            CROSS JOIN LATERAL (
                SELECT * FROM views.{table}
                WHERE {table}.department_id = own.department_id AND {conditions.sql} AND {after}
                ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            ) AS {table}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            None if department_id is None else [department_id],
            *conditions.arguments,
            *after_arguments,
        )
    return rows


def version_of(answer: Any) -> int:
    """Return a number that changes whenever the answer does: a version for the ETag of what follows from many facts."""
    digest = hashlib.sha256(msgspec.json.encode(answer)).digest()
    return int.from_bytes(digest[:_BYTES_OF_VERSION], "big")
