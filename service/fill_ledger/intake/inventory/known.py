"""What the ledger knows already of the cylinders, stations and tags that an inventory file names."""

import uuid
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import asyncpg
import msgspec

from fill_ledger.intake.inventory.cells import meant_text
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind, derived_id, normal_serial, tag_subject
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.views.folding import decode_state


class UnknownDepartment(Exception):
    """There is no such department."""


class Station(msgspec.Struct, frozen=True, kw_only=True):
    """A station of the department, as a file may name it."""

    station_id: uuid.UUID
    name: str
    code: str


class Known(msgspec.Struct, frozen=True, kw_only=True):
    """What is on record and may be what a row describes.

    event_ids: entries of rows that an earlier import has recorded. worn_by: canonical tag -> cylinder it is on now.
    """

    stations: tuple[Station, ...]
    by_id: dict[uuid.UUID, CylinderState]
    by_serial: dict[str, list[CylinderState]]
    by_number: dict[str, CylinderState]
    event_ids: frozenset[uuid.UUID]
    worn_by: dict[str, uuid.UUID]

    def station_named(self, text: str) -> Station | None:
        """Return the station whose code or name this is, whatever the case and spaces."""
        wanted = _plain(text)
        matching = [station for station in self.stations if _plain(station.code) == wanted]
        matching = matching or [station for station in self.stations if _plain(station.name) == wanted]
        return matching[0] if len(matching) == 1 else None


def _plain(text: str) -> str:
    """Return a name as it is compared: dashes, quotes and spaces made plain, as the reader does, whatever the case."""
    return " ".join(meant_text(text).casefold().split())


def entry_id(department_id: uuid.UUID, row: InventoryRow) -> uuid.UUID:
    """Return the id of the entry that a row becomes: the same content gives the same id, wherever it stands."""
    return derived_id("inventory-row", department_id, row.content_digest)


def cylinder_id(department_id: uuid.UUID, row: InventoryRow) -> uuid.UUID:
    """Return the id of the cylinder that a row registers."""
    return derived_id("cylinder", entry_id(department_id, row))


async def department_today(pool: "asyncpg.Pool[asyncpg.Record]", department_id: uuid.UUID, now: datetime) -> date:
    """Return the date in the department's time zone.

    Raises:
        UnknownDepartment: nobody registered it.
    """
    async with pool.acquire() as connection:
        stored = await connection.fetchval(
            "SELECT state::text FROM lookup.states($1, ARRAY['department'], $2)", [COUNTY_ID], [department_id]
        )
    if stored is None:
        raise UnknownDepartment(str(department_id))
    department = decode_state(SubjectKind.DEPARTMENT, stored)
    return now.astimezone(ZoneInfo(department.time_zone)).date()


async def read_known(
    pool: "asyncpg.Pool[asyncpg.Record]", department_id: uuid.UUID, rows: Sequence[InventoryRow]
) -> Known:
    """Read what bears on these rows, in one transaction that sees this department alone."""
    tags = {row.tag: tag_subject(row.tag).subject_id for row in rows if row.tag is not None}
    async with pool.acquire() as connection, seeing(connection, (department_id,)):
        stations = await connection.fetch(
            "SELECT station_id, name, code FROM views.station WHERE department_id = $1 AND registered_at IS NOT NULL",
            department_id,
        )
        states = await _cylinder_states(connection, department_id, rows)
        events = await connection.fetch(
            "SELECT event_id FROM ledger.event WHERE department_id = $1 AND event_id = ANY ($2)",
            department_id,
            [entry_id(department_id, row) for row in rows],
        )
        worn = await connection.fetch(
            """
            SELECT tag, cylinder_id FROM views.tag
            WHERE department_id = $1 AND tag_id = ANY ($2) AND cylinder_id IS NOT NULL
            """,
            department_id,
            list(tags.values()),
        )
    ours = [state for state in states if state.registered_at is not None and state.details is not None]
    by_serial: dict[str, list[CylinderState]] = {}
    for state in ours:
        if state.transferred_at is None and state.details is not None:
            by_serial.setdefault(normal_serial(state.details.serial), []).append(state)
    return Known(
        stations=tuple(Station(station_id=row["station_id"], name=row["name"], code=row["code"]) for row in stations),
        by_id={state.subject_id: state for state in ours},
        by_serial=by_serial,
        by_number={state.inventory_number: state for state in ours if state.inventory_number is not None},
        event_ids=frozenset(row["event_id"] for row in events),
        worn_by={row["tag"]: row["cylinder_id"] for row in worn},
    )


async def _cylinder_states(
    connection: Any, department_id: uuid.UUID, rows: Iterable[InventoryRow]
) -> list[CylinderState]:
    """Return the cylinders that have the serial, the number or the derived id of one of the rows."""
    named = list(rows)
    found = await connection.fetch(
        """
        SELECT known.state::text AS state FROM views.cylinder
        JOIN views.state AS known ON known.department_id = cylinder.department_id
            AND known.subject_kind = 'cylinder' AND known.subject_id = cylinder.cylinder_id
        WHERE cylinder.department_id = $1
            AND (cylinder.serial_key = ANY ($2) OR cylinder.inventory_number = ANY ($3)
                OR cylinder.cylinder_id = ANY ($4))
        """,
        department_id,
        [normal_serial(row.serial) for row in named],
        [row.inventory_number for row in named if row.inventory_number is not None],
        [cylinder_id(department_id, row) for row in named],
    )
    return [decode_state(SubjectKind.CYLINDER, row["state"]) for row in found]
