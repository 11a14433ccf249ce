"""`fill-ledger import`: a department's inventory file from disk, dry run first."""

import asyncio
import os
import sys
import uuid
from pathlib import Path
from typing import get_args

import click
import msgspec

from fill_ledger.database import Database, open_database
from fill_ledger.intake.founding import FOUNDER_ID
from fill_ledger.intake.inventory import CellFault, ReadingOptions
from fill_ledger.intake.inventory.date_readings import DateOrder
from fill_ledger.intake.inventory.recording import UnknownDepartment, import_inventory_file
from fill_ledger.intake.inventory.report import ImportMode, ImportReport
from fill_ledger.intake.inventory.words import Use
from fill_ledger.ledger.read import seeing
from fill_ledger.settings import Settings, read_settings
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.trade.pressure import PressureUnit

PRESSURE_UNITS = tuple(unit.value for unit in PressureUnit)


class Request(msgspec.Struct, frozen=True, kw_only=True):
    """What to import, where to, and how."""

    file: Path
    department: str
    options: ReadingOptions
    mode: ImportMode
    dry_run: bool


@click.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, readable=True, path_type=Path))
@click.option("--department", required=True, help="The department's code or id.")
@click.option("--record", is_flag=True, help="Record what is good; without this nothing is recorded.")
@click.option("--only-good-rows", is_flag=True, help="Let each row stand for itself instead of all or nothing.")
@click.option("--date-order", type=click.Choice(get_args(DateOrder)), help="Which number of 03/04/2021 is the month.")
@click.option("--two-digit-years", is_flag=True, help="Read 09/21 as September 2021.")
@click.option("--pressure-unit", type=click.Choice(PRESSURE_UNITS), help="Unit of pressures that name none.")
@click.option("--default-use", type=click.Choice(get_args(Use)), help="Use of rows that name none.")
@click.option("--sheet", help="Which sheet of a workbook with several lists.")
def import_file(
    file: Path,
    department: str,
    record: bool,
    only_good_rows: bool,
    date_order: DateOrder | None,
    two_digit_years: bool,
    pressure_unit: str | None,
    default_use: Use | None,
    sheet: str | None,
) -> None:
    """Import a department's inventory FILE (CSV or XLSX). A dry run unless --record is given.

    Every faulty cell is told with what would be right. Exit status 0 only if every row is good or on record already.
    """
    options = ReadingOptions(
        date_order=date_order,
        two_digit_years="latest_past" if two_digit_years else "refuse",
        pressure_unit=None if pressure_unit is None else PressureUnit(pressure_unit),
        default_use=default_use,
        sheet=sheet,
    )
    request = Request(
        file=file,
        department=department,
        options=options,
        mode="only_good_rows" if only_good_rows else "all_or_nothing",
        dry_run=not record,
    )
    report = asyncio.run(_import(read_settings(os.environ), request))
    _tell(report)
    if report.faults or report.counts["difference"] or not report.is_readable:
        sys.exit(1)


async def _import(settings: Settings, request: Request) -> ImportReport:
    from fill_ledger.app import close_parts, make_parts
    from fill_ledger.ledger.key_ring import KeyRing

    database = await open_database(settings.database_url, lookups=settings.lookups, writes=settings.writes)
    parts = make_parts(database, KeyRing(settings.master_key))
    try:
        return await import_inventory_file(
            request.file,
            pool=database.lookups,
            lanes=parts.lanes,
            department_id=await _department_id(database, request.department),
            recorded_by=FOUNDER_ID,
            options=request.options,
            mode=request.mode,
            dry_run=request.dry_run,
        )
    except UnknownDepartment:
        raise click.BadParameter(f"no department is {request.department!r}", param_hint="--department") from None
    finally:
        await close_parts(parts)


async def _department_id(database: Database, named: str) -> uuid.UUID:
    """Return the department that a code or an id names."""
    try:
        return uuid.UUID(named)
    except ValueError:
        pass
    async with database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        found: list[uuid.UUID] = [
            row["registered_id"]
            for row in await connection.fetch(
                "SELECT registered_id FROM views.department WHERE department_id = $1 AND code = $2",
                COUNTY_ID,
                named.upper(),
            )
        ]
    if len(found) != 1:
        raise click.BadParameter(f"{len(found) or 'no'} departments have the code {named!r}", param_hint="--department")
    return found[0]


def _tell(report: ImportReport) -> None:
    for fault in report.faults:
        click.echo(_fault_text(fault), err=True)
    for row in report.rows:
        for difference in row.differences:
            click.echo(
                f"row {row.row}: {difference.field} is {difference.on_record!r} on record and "
                f"{difference.in_file!r} in the file",
                err=True,
            )
    for note in report.notes:
        click.echo(f"note: {note.detail}", err=True)
    counted = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in report.counts.items() if count)
    click.echo(f"{'Dry run' if report.dry_run else 'Import'}: {counted or 'no rows'}.")


def _fault_text(fault: CellFault) -> str:
    place = ", ".join(
        part
        for part in (
            None if fault.row is None else f"row {fault.row}",
            None if fault.column is None else f"column {fault.column!r}",
            None if fault.value is None else f"value {fault.value!r}",
        )
        if part is not None
    )
    return f"{place or 'file'}: {fault.detail} {fault.suggestion}"
