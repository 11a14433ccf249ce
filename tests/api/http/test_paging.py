"""Keyset pages against a real PostgreSQL, and cursors that cannot be bent."""

import base64
import datetime
import random
import uuid
from itertools import product
from typing import Any

import asyncpg
import pytest

from fill_ledger.api.http.keysets import SortKey, SortKind, SortOrder, after_clause
from fill_ledger.api.http.paging import CursorCodec
from fill_ledger.api.http.problems import Problem

KEY = b"k" * 32
DIGEST = b"d" * 16
BY_TIME = SortOrder(
    name="time", keys=(SortKey(column="seen_at", kind="timestamp", descending=True), SortKey(column="id", kind="uuid"))
)
MOMENT = datetime.datetime(2026, 11, 24, 3, 10, 22, 123456, tzinfo=datetime.UTC)
ROW_ID = uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11")

TABLE = """
CREATE TEMPORARY TABLE sample (id uuid PRIMARY KEY, name text NOT NULL, size integer, seen_at timestamptz)
"""


def sample_rows(count: int) -> list[tuple[uuid.UUID, str, int | None, datetime.datetime | None]]:
    """Few distinct values and many nulls, so that ties and null boundaries fall between pages."""
    chance = random.Random(20261124)
    start = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    return [
        (
            uuid.UUID(int=chance.getrandbits(128)),
            chance.choice(["a", "b", "B", "é", "a b"]),
            chance.choice([None, 1, 2, 3]),
            chance.choice([None, start + datetime.timedelta(microseconds=chance.randrange(3))]),
        )
        for _ in range(count)
    ]


COLUMNS: dict[str, SortKind] = {"name": "text", "size": "integer", "seen_at": "timestamp"}
ORDERS = [
    SortOrder(
        name="x",
        keys=(
            SortKey(column=f"sample.{first}", kind=COLUMNS[first], descending=one, nullable=first != "name"),
            SortKey(column=f"sample.{second}", kind=COLUMNS[second], descending=two, nullable=second != "name"),
            SortKey(column="sample.id", kind="uuid", descending=three),
        ),
    )
    for first, second in (("name", "size"), ("size", "seen_at"), ("seen_at", "name"))
    for one, two, three in product((False, True), repeat=3)
]
ORDERS += [
    SortOrder(
        name="plain",
        keys=(
            SortKey(column="name", kind="text", descending=descending),
            SortKey(column="id", kind="uuid", descending=descending),
        ),
    )
    for descending in (False, True)
]


async def test_pages_in_every_order_give_every_row_once_in_that_order(database_url: str) -> None:
    rows = sample_rows(60)
    connection = await asyncpg.connect(database_url)
    try:
        await connection.execute(TABLE)
        await connection.copy_records_to_table("sample", records=rows)
        for order in ORDERS:
            expected = [row["id"] for row in await connection.fetch(f"SELECT id FROM sample ORDER BY {order.order_by}")]
            assert await fetch_in_pages(connection, order, page_size=7) == expected, order
    finally:
        await connection.close()


async def fetch_in_pages(connection: Any, order: SortOrder, page_size: int) -> list[uuid.UUID]:
    codec = CursorCodec(KEY)
    found: list[uuid.UUID] = []
    condition = "TRUE"
    arguments: list[Any] = []
    while True:
        statement = f"SELECT * FROM sample WHERE $1 AND {condition} ORDER BY {order.order_by} LIMIT {page_size}"
        rows = await connection.fetch(statement, True, *arguments)
        found += [row["id"] for row in rows]
        if len(rows) < page_size:
            return found
        cursor = codec.encode(DIGEST, order.values_of(rows[-1]))
        condition, arguments = after_clause(order, codec.decode(cursor, DIGEST, order), first_parameter=2)


def test_a_uniform_order_uses_a_row_comparison_that_an_index_answers() -> None:
    order = SortOrder(name="x", keys=(SortKey(column="a", kind="text"), SortKey(column="b.id", kind="uuid")))
    assert after_clause(order, ["x", ROW_ID], 3) == ("(a, b.id) > ($3, $4)", ["x", ROW_ID])


def test_values_survive_a_cursor() -> None:
    codec = CursorCodec(KEY)
    order = SortOrder(
        name="x",
        keys=(
            SortKey(column="a", kind="text"),
            SortKey(column="b", kind="integer", nullable=True),
            SortKey(column="c", kind="date"),
            SortKey(column="d", kind="timestamp"),
            SortKey(column="e", kind="uuid"),
        ),
    )
    values = ["é\n", None, datetime.date(2026, 2, 28), MOMENT, ROW_ID]
    cursor = codec.encode(DIGEST, values)
    assert codec.decode(cursor, DIGEST, order) == values
    assert cursor.replace("-", "").replace("_", "").isalnum()


def code_of(codec: CursorCodec, cursor: str, digest: bytes = DIGEST) -> str:
    with pytest.raises(Problem) as caught:
        codec.decode(cursor, digest, BY_TIME)
    assert caught.value.kind.status == 400
    return caught.value.kind.code


def test_a_cursor_of_another_list_is_a_mismatch() -> None:
    codec = CursorCodec(KEY)
    assert code_of(codec, codec.encode(DIGEST, [MOMENT, ROW_ID]), b"e" * 16) == "cursor-mismatch"
    assert code_of(codec, codec.encode(DIGEST, [MOMENT])) == "cursor-mismatch"


def test_no_single_changed_byte_passes() -> None:
    codec = CursorCodec(KEY)
    cursor = codec.encode(DIGEST, [MOMENT, ROW_ID])
    raw = bytearray(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    for position in range(len(raw)):
        changed = bytes([*raw[:position], raw[position] ^ 1, *raw[position + 1 :]])
        text = base64.urlsafe_b64encode(changed).rstrip(b"=").decode()
        assert code_of(codec, text) == "invalid-cursor"


@pytest.mark.parametrize("cursor", ["", "A", "====", "é", "AAAA", "A" * 500])
def test_nonsense_is_no_cursor(cursor: str) -> None:
    assert code_of(CursorCodec(KEY), cursor) == "invalid-cursor"


def test_a_cursor_of_another_key_is_no_cursor() -> None:
    other = CursorCodec(b"x" * 32).encode(DIGEST, [MOMENT, ROW_ID])
    assert code_of(CursorCodec(KEY), other) == "invalid-cursor"
    with pytest.raises(ValueError, match="32 bytes"):
        CursorCodec(b"short")


@pytest.mark.parametrize("column", ["name; DROP TABLE x", "name DESC", "a.b.c", "Name", '"name"', "", "lower(name)"])
def test_only_plain_columns_can_be_sorted_by(column: str) -> None:
    with pytest.raises(ValueError, match="not a plain column"):
        SortOrder(name="x", keys=(SortKey(column=column, kind="text"),))


def test_an_order_must_be_total() -> None:
    with pytest.raises(ValueError, match="never null"):
        SortOrder(name="x", keys=(SortKey(column="a", kind="text", nullable=True),))
    with pytest.raises(ValueError, match="never null"):
        SortOrder(name="x", keys=())
