"""Replaying departments' ledgers into a second set of view tables, in chunks, beside those in use."""

import uuid
from collections.abc import Callable, Mapping, Sequence

import msgspec

from fill_ledger.ledger.read import READ_CHUNK, Connection, RecordedEvent, StoredState, events_after
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import Subject
from fill_ledger.views.folding import Folding
from fill_ledger.views.source import DatabaseSource

VIEWS_SCHEMA = "views"
OWNER_ROLE = "fill_ledger_owner"
ROWS_PER_STATEMENT = 2_000

_encoder = msgspec.json.Encoder()
Progress = Callable[[int], None]


def no_progress(_events: int) -> None:
    """Report nothing."""


class _ReplaySource:
    """Reads a department's recorded events through a position. No states: a replay starts from nothing."""

    def __init__(self, connection: Connection, department_id: uuid.UUID) -> None:
        self._recorded = DatabaseSource(connection, department_id)
        self._recorded.through_position = 0

    def move_to(self, position: int) -> None:
        self._recorded.through_position = position

    async def states(self, subjects: Sequence[Subject]) -> Mapping[Subject, StoredState]:
        return {}

    async def events_folded_into(self, subject: Subject) -> list[Event]:
        return await self._recorded.events_folded_into(subject)

    async def event(self, event_id: uuid.UUID) -> Event | None:
        return await self._recorded.event(event_id)

    async def events_known_by_tag(self, tag: Subject) -> list[Event]:
        return await self._recorded.events_known_by_tag(tag)

    async def tags_of(self, cylinder: Subject) -> list[Subject]:
        return await self._recorded.tags_of(cylinder)


class TableCopy(msgspec.Struct, frozen=True, kw_only=True):
    """One view table of the second set: how rows are put into it."""

    name: str
    put: str


async def copy_tables(connection: Connection, schema: str) -> dict[str, TableCopy]:
    """Make a schema with empty tables like those of the views: columns, keys, indexes, row-level security, grants.

    Called as whoever migrates, because only that login may make schemas; goes on as the owner of the tables.
    """
    await connection.execute(f"CREATE SCHEMA {schema} AUTHORIZATION {OWNER_ROLE}")
    await connection.execute(f"SET ROLE {OWNER_ROLE}")
    await connection.execute(f"GRANT USAGE ON SCHEMA {schema} TO fill_ledger_service, fill_ledger_lookup")
    names = [
        row["tablename"]
        for row in await connection.fetch(
            "SELECT tablename FROM pg_tables WHERE schemaname = $1 ORDER BY tablename", VIEWS_SCHEMA
        )
    ]
    for name in names:
        await connection.execute(f"CREATE TABLE {schema}.{name} (LIKE {VIEWS_SCHEMA}.{name} INCLUDING ALL)")
        await connection.execute(f"ALTER TABLE {schema}.{name} ENABLE ROW LEVEL SECURITY")
        await connection.execute(f"ALTER TABLE {schema}.{name} FORCE ROW LEVEL SECURITY")
        await _copy_options(connection, schema, name)
        await _copy_rights(connection, schema, name)
    return {name: await _table_copy(connection, schema, name) for name in names}


async def _copy_options(connection: Connection, schema: str, name: str) -> None:
    options = await connection.fetchval(
        "SELECT array_to_string(reloptions, ', ') FROM pg_class WHERE oid = $1::regclass", f"{VIEWS_SCHEMA}.{name}"
    )
    if options:
        await connection.execute(f"ALTER TABLE {schema}.{name} SET ({options})")


async def _copy_rights(connection: Connection, schema: str, name: str) -> None:
    policies = await connection.fetch(
        """
        SELECT policyname, cmd, array_to_string(roles, ', ') AS roles, qual, with_check
        FROM pg_policies WHERE schemaname = $1 AND tablename = $2
        """,
        VIEWS_SCHEMA,
        name,
    )
    for policy in policies:
        using = f" USING ({policy['qual']})" if policy["qual"] else ""
        check = f" WITH CHECK ({policy['with_check']})" if policy["with_check"] else ""
        await connection.execute(
            f"CREATE POLICY {policy['policyname']} ON {schema}.{name} FOR {policy['cmd']} "
            f"TO {policy['roles']}{using}{check}"
        )
    grants = await connection.fetch(
        """
        SELECT grantee, string_agg(privilege_type, ', ') AS privileges
        FROM information_schema.role_table_grants
        WHERE table_schema = $1 AND table_name = $2 AND grantee <> 'fill_ledger_owner' GROUP BY grantee
        """,
        VIEWS_SCHEMA,
        name,
    )
    for grant in grants:
        await connection.execute(f"GRANT {grant['privileges']} ON {schema}.{name} TO {grant['grantee']}")


async def primary_key_of(connection: Connection, table: str) -> list[str]:
    """Return the columns of a table's primary key, in order."""
    rows = await connection.fetch(
        """
        SELECT attname FROM pg_index AS key
        CROSS JOIN unnest(key.indkey::int2[]) WITH ORDINALITY AS part (attnum, place)
        JOIN pg_attribute ON attrelid = key.indrelid AND pg_attribute.attnum = part.attnum
        WHERE key.indrelid = $1::regclass AND key.indisprimary ORDER BY part.place
        """,
        table,
    )
    return [row["attname"] for row in rows]


async def _table_copy(connection: Connection, schema: str, name: str) -> TableCopy:
    rows = await connection.fetch(
        """
        SELECT quote_ident(attname) AS name FROM pg_attribute
        WHERE attrelid = $1::regclass AND attnum > 0 AND NOT attisdropped ORDER BY attnum
        """,
        f"{schema}.{name}",
    )
    columns = [row["name"] for row in rows]
    key = await primary_key_of(connection, f"{schema}.{name}")
    changes = ", ".join(f"{column} = excluded.{column}" for column in columns if column not in key)
    listed = ", ".join(columns)
    return TableCopy(
        name=name,
        put=(
            f"INSERT INTO {schema}.{name} ({listed}) "
            f"SELECT {listed} FROM json_populate_recordset(NULL::{schema}.{name}, $1) "
            f"ON CONFLICT ({', '.join(key)}) DO UPDATE SET {changes}"
        ),
    )


class DepartmentReplay:
    """One department, replayed as far as it has been asked to; can be moved on when the ledger has grown."""

    def __init__(self, connection: Connection, department_id: uuid.UUID, tables: Mapping[str, TableCopy]) -> None:
        self._connection = connection
        self._department_id = department_id
        self._tables = tables
        self._source = _ReplaySource(connection, department_id)
        self._folding = Folding(department_id, self._source)
        self.position = 0

    async def move_on(self, progress: Progress = no_progress) -> int:
        """Replay what has been recorded since; return how many events that were. Rows of states are written last."""
        replayed = 0
        while chunk := await events_after(self._connection, self._department_id, self.position, READ_CHUNK):
            await self._replay(chunk)
            replayed += len(chunk)
            progress(len(chunk))
        if replayed:
            await self._put_states()
        return replayed

    async def _replay(self, chunk: Sequence[RecordedEvent]) -> None:
        for recorded in chunk:
            await self._folding.fold(recorded.event, recorded.ledger_position)
        await self._folding.settle()
        for table, rows in self._folding.take_event_rows().items():
            await self._put(table, rows)
        self.position = chunk[-1].ledger_position
        self._source.move_to(self.position)

    async def _put_states(self) -> None:
        states = [
            {
                "department_id": self._department_id,
                "subject_kind": state.subject_kind,
                "subject_id": state.subject_id,
                "ledger_position": state.place,
                "state": state.state,
            }
            for state in self._folding.new_states()
        ]
        await self._put("state", states)
        for table, rows in self._folding.view_rows().items():
            await self._put(table, rows)
        self._folding.forget_changes()

    async def _put(self, table: str, rows: Sequence[object]) -> None:
        for start in range(0, len(rows), ROWS_PER_STATEMENT):
            part = rows[start : start + ROWS_PER_STATEMENT]
            await self._connection.execute(self._tables[table].put, _encoder.encode(part).decode())
