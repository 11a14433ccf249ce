"""`/v1/imports`: a department's inventory file, read, compared with the record, and recorded."""

import asyncio
import uuid
from typing import Annotated, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import RECEIPT_EXAMPLE
from fill_ledger.api.fleet.cylinder_types import EXAMPLE_CYLINDER_ID
from fill_ledger.api.fleet.import_report import ImportAnswer, ImportCounts, RowShown, answer_of
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import BodyDescription, answer, get, post
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.uploads import FORM_MARGIN_BYTES, FORM_MEDIA_TYPE, read_upload
from fill_ledger.api.http.value_types import StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.intake.inventory import ReadingOptions, write_csv, write_xlsx
from fill_ledger.intake.inventory.date_readings import DateOrder
from fill_ledger.intake.inventory.delimited import Delimiter
from fill_ledger.intake.inventory.encodings import Encoding
from fill_ledger.intake.inventory.limits import MAXIMUM_FILE_BYTES
from fill_ledger.intake.inventory.recording import UnknownDepartment, import_inventory
from fill_ledger.intake.inventory.report import ImportMode
from fill_ledger.intake.inventory.words import Use
from fill_ledger.trade.pressure import PressureUnit
from fill_ledger.trade.volumes import VolumeUnit

CSV_MEDIA_TYPE = "text/csv"
XLSX_MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
_FILE_TYPES = (CSV_MEDIA_TYPE, XLSX_MEDIA_TYPE)
_DEFAULTS = ReadingOptions()


class ImportQuery(StrictStruct, frozen=True, kw_only=True):
    """How to import a file, and what it does not say itself.

    Without `dry_run=false` nothing is recorded. `all_or_nothing`: one row that is faulty or differs from the record
    keeps all rows out. `only_good_rows`: each row stands for itself. `date_order` tells which number of 03/04/2021 is
    the month; `pressure_unit` and `volume_unit` are those of numbers whose cell and header name none.
    """

    department_id: (
        Annotated[
            uuid.UUID,
            Meta(description="The department whose cylinders these are; may be left out where the key has only one."),
        ]
        | None
    ) = None
    dry_run: Annotated[bool, Meta(description="Without false nothing is recorded: the answer tells what would be.")] = (
        True
    )
    mode: Annotated[
        ImportMode,
        Meta(description="Whether one faulty or differing row keeps all rows out, or each row stands for itself."),
    ] = "all_or_nothing"
    date_order: (
        Annotated[
            DateOrder, Meta(description="Which number of 03/04/2021 is the month; otherwise the file must show it.")
        ]
        | None
    ) = None
    two_digit_years: Annotated[
        Literal["refuse", "latest_past"],
        Meta(description="Whether 09/21 is refused, or read as month and year, the latest not after today."),
    ] = _DEFAULTS.two_digit_years
    pressure_unit: (
        Annotated[PressureUnit, Meta(description="The unit of pressures whose cell and header name none.")] | None
    ) = None
    volume_unit: (
        Annotated[VolumeUnit, Meta(description="The unit of water volumes whose cell and header name none.")] | None
    ) = None
    default_use: Annotated[Use, Meta(description="The use of rows that name none.")] | None = None
    sheet: (
        Annotated[
            Annotated[str, Meta(min_length=1, max_length=100)],
            Meta(description="Which sheet of a workbook with several lists."),
        ]
        | None
    ) = None
    encoding: (
        Annotated[Encoding, Meta(description="The encoding of a text file, where it is not found by itself.")] | None
    ) = None
    delimiter: (
        Annotated[Delimiter, Meta(description="The delimiter of a text file, where it is not found by itself.")] | None
    ) = None
    serials_may_repeat: Annotated[
        bool, Meta(description="Whether the same serial on cylinders of different specifications is two cylinders.")
    ] = False


class TemplateQuery(StrictStruct, frozen=True, kw_only=True):
    """Which kind of file the template is."""

    format: Annotated[
        Literal["csv", "xlsx"], Meta(description="Delimited text, or a workbook with a guide on its second sheet.")
    ] = "csv"


EXAMPLE_ANSWER = ImportAnswer(
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    dry_run=False,
    mode="all_or_nothing",
    recorded=True,
    counts=ImportCounts(created=1, would_be_created=0, exists=0, difference=0, faulty=0, not_taken=0),
    rows=(
        RowShown(
            row=2,
            outcome="created",
            serial="AX 40771",
            cylinder_id=EXAMPLE_CYLINDER_ID,
            inventory_number="214",
            event_id=RECEIPT_EXAMPLE.event_id,
            ledger_position=60_211,
            differences=(),
        ),
    ),
    faults_total=0,
    faults=(),
    notes=(),
    file_digest="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    sheet=None,
    encoding="utf-8",
    delimiter="comma",
    header_row=1,
    unknown_columns=(),
    ledger=RECEIPT_EXAMPLE.ledger,
    chain_digest=RECEIPT_EXAMPLE.chain_digest,
)


@post(
    "/v1/imports",
    right=rights.IMPORTS_RUN,
    tag="imports",
    summary="Import an inventory file",
    answers=(
        answer(ImportAnswer, "What the file says and would do, or that it is on record.", example=EXAMPLE_ANSWER),
        answer(ImportAnswer, "New cylinders are on record.", status=201, example=EXAMPLE_ANSWER),
    ),
    problems=(problem_types.NOT_PROCESSABLE,),
    bodies=(
        BodyDescription(media_type=CSV_MEDIA_TYPE, description="The file itself: delimited text,"),
        BodyDescription(media_type=XLSX_MEDIA_TYPE, description="or a workbook,"),
        BodyDescription(
            media_type=FORM_MEDIA_TYPE,
            description="or a form with either as its one part, named file.",
            form_part="file",
        ),
    ),
    body_limit_bytes=MAXIMUM_FILE_BYTES + FORM_MARGIN_BYTES,
)
async def run_import(request: AnyRequest, query: ImportQuery, principal: Principal) -> Reply[ImportAnswer]:
    """Read an inventory file and record its new cylinders, with their tags and conditions.

    The answer tells every row and every faulty cell. A cylinder that is on record and told otherwise is reported, not
    changed. The same file imported again changes nothing.
    """
    department_id = principal.department(query.department_id)
    content = await read_upload(request, _FILE_TYPES, limit_bytes=MAXIMUM_FILE_BYTES)
    parts = parts_of(request)
    try:
        report = await import_inventory(
            content,
            pool=parts.database.lookups,
            lanes=parts.lanes,
            department_id=department_id,
            recorded_by=principal.principal_id,
            options=_options(query),
            mode=query.mode,
            dry_run=query.dry_run,
        )
    except UnknownDepartment:
        detail = "There is no such department."
        fault = Fault(code="department-unknown", detail=detail, parameter="department_id")
        raise Problem(problem_types.NOT_PROCESSABLE, detail, errors=[fault]) from None
    if not report.is_readable:
        raise Problem(
            problem_types.NOT_PROCESSABLE,
            "The file cannot be read as an inventory.",
            errors=[
                Fault(code=fault.code, detail=f"{fault.detail} {fault.suggestion}", pointer="")
                for fault in report.faults
            ],
        )
    return Reply(answer_of(report), status=201 if report.recorded else 200)


def _options(query: ImportQuery) -> ReadingOptions:
    return ReadingOptions(
        date_order=query.date_order,
        two_digit_years=query.two_digit_years,
        pressure_unit=query.pressure_unit,
        volume_unit=query.volume_unit,
        default_use=query.default_use,
        sheet=query.sheet,
        encoding=query.encoding,
        delimiter=query.delimiter,
        serials_may_repeat=query.serials_may_repeat,
    )


@get(
    "/v1/imports/template",
    right=rights.IMPORTS_RUN,
    tag="imports",
    summary="Get the inventory template",
    answers=answer(
        None,
        "The template: delimited text (text/csv) or a workbook with a guide on its second sheet.",
        headers={"Content-Disposition": "The name to save the file under."},
        file_types=(CSV_MEDIA_TYPE, XLSX_MEDIA_TYPE),
    ),
)
async def get_template(request: AnyRequest, query: TemplateQuery, principal: Principal) -> Reply[bytes]:
    """Return an empty inventory file with every column that an import understands."""
    writer, media_type = (write_csv, CSV_MEDIA_TYPE) if query.format == "csv" else (write_xlsx, XLSX_MEDIA_TYPE)
    content = await asyncio.to_thread(writer)
    disposition = f'attachment; filename="cylinder-inventory.{query.format}"'
    return Reply(content, headers={"Content-Disposition": disposition}, media_type=media_type)


HANDLERS: list[HTTPRouteHandler] = [run_import, get_template]
