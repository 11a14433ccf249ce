"""Checking the views against the ledger: everything is replayed in one snapshot and compared row by row.

*Incomplete* means that a view has not got as far as the ledger: a row is missing, or stands at an earlier event.
*Mismatch* means that a row says something else than the ledger, or that the ledger knows nothing of it.
"""

import uuid
from typing import Literal

import asyncpg
import msgspec

from fill_ledger.ledger.chain import ChainFault, Link, check_chain
from fill_ledger.views.replay import (
    VIEWS_SCHEMA,
    DepartmentReplay,
    Progress,
    copy_tables,
    no_progress,
    primary_key_of,
)

CHECK_SCHEMA = "views_check"
MAXIMUM_REPORTED = 100


class ViewFault(msgspec.Struct, frozen=True, kw_only=True):
    """One row that is not as the ledger has it."""

    view: str
    key: str
    what: Literal["incomplete", "mismatch"]
    detail: str


class CheckReport(msgspec.Struct, frozen=True, kw_only=True):
    """What a check found. At most `MAXIMUM_REPORTED` faults a view are listed; `counts` has them all."""

    departments: int
    events: int
    chain_faults: dict[uuid.UUID, list[ChainFault]]
    faults: list[ViewFault]
    counts: dict[str, int]

    @property
    def verdict(self) -> Literal["sound", "incomplete", "mismatch", "chain broken"]:
        """The worst that was found."""
        if self.chain_faults:
            return "chain broken"
        if any(fault.what == "mismatch" for fault in self.faults):
            return "mismatch"
        return "incomplete" if self.faults else "sound"


async def check_views(owner_url: str, progress: Progress = no_progress) -> CheckReport:
    """Replay every department and compare, connected as the login that migrates; changes nothing, whatever it finds.

    Raises:
        asyncpg.PostgresError, OSError: the database failed.
    """
    connection = await asyncpg.connect(owner_url, server_settings={"timezone": "UTC"})
    try:
        transaction = connection.transaction(isolation="repeatable_read")
        await transaction.start()
        try:
            return await _check(connection, progress)
        finally:
            await transaction.rollback()
    finally:
        await connection.close()


async def _check(connection: asyncpg.Connection, progress: Progress) -> CheckReport:
    tables = await copy_tables(connection, CHECK_SCHEMA)
    departments = [row["department_id"] for row in await connection.fetch("SELECT department_id FROM ledger.head")]
    chain_faults: dict[uuid.UUID, list[ChainFault]] = {}
    events = 0
    for department_id in sorted(departments):
        found = await _chain_faults(connection, department_id)
        if found:
            chain_faults[department_id] = found[:MAXIMUM_REPORTED]
        events += await DepartmentReplay(connection, department_id, tables).move_on(progress)
    faults: list[ViewFault] = []
    counts: dict[str, int] = {}
    for name in tables:
        of_view = await _compare(connection, name)
        counts[name] = len(of_view)
        faults.extend(of_view[:MAXIMUM_REPORTED])
    return CheckReport(
        departments=len(departments),
        events=events,
        chain_faults=chain_faults,
        faults=faults,
        counts={name: count for name, count in counts.items() if count},
    )


async def _chain_faults(connection: asyncpg.Connection, department_id: uuid.UUID) -> list[ChainFault]:
    rows = await connection.fetch(
        """
        SELECT ledger_position, recorded_at, canonical, payload_digest, chain_digest FROM ledger.event
        WHERE department_id = $1 ORDER BY ledger_position
        """,
        department_id,
    )
    faults = check_chain(
        department_id,
        (
            Link(
                ledger_position=row["ledger_position"],
                recorded_at=row["recorded_at"],
                canonical=row["canonical"],
                payload_digest=row["payload_digest"],
                chain_digest=row["chain_digest"],
            )
            for row in rows
        ),
    )
    head = await connection.fetchrow(
        "SELECT ledger_position, chain_digest FROM ledger.head WHERE department_id = $1", department_id
    )
    last = rows[-1] if rows else None
    if head is not None and last is not None and tuple(head) != (last["ledger_position"], last["chain_digest"]):
        faults.append(ChainFault(ledger_position=head["ledger_position"], what="the head is not the last event"))
    return faults


async def _compare(connection: asyncpg.Connection, name: str) -> list[ViewFault]:
    key = await primary_key_of(connection, f"{VIEWS_SCHEMA}.{name}")
    columns = ", ".join(key)
    is_behind = "actual.ledger_position < expected.ledger_position" if name == "state" else "false"
    rows = await connection.fetch(
        f"""
        SELECT concat_ws(' ', {columns}) AS key, actual.whole IS NULL AS is_missing,
            expected.whole IS NULL AS is_extra, coalesce({is_behind}, false) AS is_behind
        FROM (SELECT *, to_jsonb(known) AS whole FROM {VIEWS_SCHEMA}.{name} AS known) AS actual
        FULL JOIN (SELECT *, to_jsonb(known) AS whole FROM {CHECK_SCHEMA}.{name} AS known) AS expected
            USING ({columns})
        WHERE actual.whole IS DISTINCT FROM expected.whole
        ORDER BY 1
        """
    )
    return [_fault(name, row) for row in rows]


def _fault(name: str, row: asyncpg.Record) -> ViewFault:
    if row["is_missing"]:
        return ViewFault(view=name, key=row["key"], what="incomplete", detail="the row is missing")
    if row["is_behind"]:
        return ViewFault(view=name, key=row["key"], what="incomplete", detail="the row stands at an earlier event")
    if row["is_extra"]:
        return ViewFault(view=name, key=row["key"], what="mismatch", detail="the ledger knows nothing of this row")
    return ViewFault(view=name, key=row["key"], what="mismatch", detail="the row says something else than the ledger")
