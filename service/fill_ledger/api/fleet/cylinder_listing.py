"""The list of cylinders and its filters."""

import re
import uuid
from typing import Annotated, Any

from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.fleet.cylinder_types import (
    EXAMPLE_CYLINDER_ID,
    InventoryNumber,
    Outcome,
    SerialAsStamped,
    SpecificationText,
    Standing,
    Use,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.keysets import SortKey, SortOrder
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Count, GaugePsi, Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.cylinder_marks import read_mark
from fill_ledger.trade.identifiers import normal_serial
from fill_ledger.trade.mark_types import SpecificationFault
from fill_ledger.trade.months import StampMonth


class CylinderLine(Struct, frozen=True, kw_only=True):
    """One cylinder as the list shows it; `specification` is in its one canonical spelling."""

    cylinder_id: uuid.UUID
    department_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)]
    serial: Annotated[str, Meta(max_length=64)]
    specification: Annotated[str, Meta(max_length=200)]
    service_pressure_psi: GaugePsi | None
    use: Use
    manufactured: StampMonth | None
    maker_lot: Annotated[str, Meta(max_length=64)] | None
    home_station_id: uuid.UUID | None
    last_requalified: StampMonth | None
    last_outcome: Outcome | None
    standing: Standing
    holds_open: Count
    fills_total: Count
    last_filled_at: Moment | None


class CylinderQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of cylinders; all of those given must hold.

    `specification` without a pressure (DOT-3AA, SP10915) finds every pressure of it. `last_requalified_before` and
    `last_requalified_after` leave the named month out; `manufactured_from` and `manufactured_to` take it in.
    """

    department_id: Annotated[uuid.UUID, Meta(description="Only cylinders of this department.")] | None = None
    standing: (
        Annotated[
            Standing,
            Meta(description="Only cylinders that stand so now; a list shows the most final word that applies."),
        ]
        | None
    ) = None
    use: Annotated[Use, Meta(description="Only cylinders of this use.")] | None = None
    specification: (
        Annotated[
            SpecificationText,
            Meta(description="Only cylinders of this mark; DOT-3AA or SP10915 finds every pressure of it."),
        ]
        | None
    ) = None
    home_station_id: Annotated[uuid.UUID, Meta(description="Only cylinders of this home station.")] | None = None
    last_requalified_before: (
        Annotated[
            StampMonth, Meta(description="Only cylinders last requalified before this month, the month left out.")
        ]
        | None
    ) = None
    last_requalified_after: (
        Annotated[StampMonth, Meta(description="Only cylinders last requalified after this month, the month left out.")]
        | None
    ) = None
    serial: (
        Annotated[
            SerialAsStamped, Meta(description="Only cylinders with this serial, whatever its case, spaces and hyphens.")
        ]
        | None
    ) = None
    inventory_number: Annotated[InventoryNumber, Meta(description="Only the cylinder with this number.")] | None = None
    maker_lot: (
        Annotated[
            Annotated[str, Meta(min_length=1, max_length=64)],
            Meta(description="Only cylinders of this lot of the maker."),
        ]
        | None
    ) = None
    manufactured_from: Annotated[StampMonth, Meta(description="Only cylinders made in this month or later.")] | None = (
        None
    )
    manufactured_to: Annotated[StampMonth, Meta(description="Only cylinders made in this month or before.")] | None = (
        None
    )
    on_hold: (
        Annotated[bool, Meta(description="Only cylinders with a standing hold, or only those without one.")] | None
    ) = None


EXAMPLE_LINE = CylinderLine(
    cylinder_id=EXAMPLE_CYLINDER_ID,
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    inventory_number="214",
    serial="AX 40771",
    specification="DOT-3AA2216",
    service_pressure_psi=2216,
    use="scba",
    manufactured="2019-05",
    maker_lot=None,
    home_station_id=None,
    last_requalified="2024-06",
    last_outcome="pass",
    standing="in_service",
    holds_open=0,
    fills_total=37,
    last_filled_at=None,
)
# As the index by number runs: departments one after the other, numbers as text.
BY_NUMBER = SortOrder(
    name="inventory_number",
    keys=(
        SortKey(column="cylinder.department_id", kind="uuid"),
        SortKey(column="cylinder.inventory_number", kind="text"),
    ),
)
_COLUMNS = ", ".join(f"cylinder.{name}" for name in CylinderLine.__struct_fields__ if name != "use")

# Condition of each filter, by its name in the query; {} is the number of its parameter.
_CONDITIONS = {
    "department_id": "cylinder.department_id = ${}",
    "standing": "cylinder.standing = ${}",
    "use": 'cylinder."use" = ${}',
    "home_station_id": "cylinder.home_station_id = ${}",
    "last_requalified_before": "cylinder.last_requalified < ${}",
    "last_requalified_after": "cylinder.last_requalified > ${}",
    "inventory_number": "cylinder.inventory_number = ${}",
    "maker_lot": "cylinder.maker_lot = ${}",
    "manufactured_from": "cylinder.manufactured >= ${}",
    "manufactured_to": "cylinder.manufactured <= ${}",
}


def _conditions(query: CylinderQuery) -> tuple[list[str], list[Any]]:
    conditions = ["cylinder.registered_at IS NOT NULL"]
    arguments: list[Any] = []
    for name, condition in _CONDITIONS.items():
        value = getattr(query, name)
        if value is not None:
            arguments.append(value)
            conditions.append(condition.format(len(arguments)))
    if query.serial is not None:
        arguments.append(normal_serial(query.serial))
        conditions.append(f"cylinder.serial_key = ${len(arguments)}")
    if query.specification is not None:
        condition, argument = specification_condition(query.specification)
        arguments.append(argument)
        conditions.append(condition.format(len(arguments)))
    if query.on_hold is not None:
        conditions.append("cylinder.holds_open > 0" if query.on_hold else "cylinder.holds_open = 0")
    return conditions, arguments


def specification_condition(text: str) -> tuple[str, str]:
    """Return the condition on `cylinder.specification`, {} for the number of its parameter, and that parameter.

    Raises:
        Problem: 400 invalid-query where the text is no mark.
    """
    mark = read_mark(text)
    if isinstance(mark, SpecificationFault):
        detail = f"{mark.detail}; {mark.suggestion}."
        fault = Fault(code=mark.code, detail=detail, parameter="specification")
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault])
    if mark.service_pressure is not None:
        return "cylinder.specification = ${}", mark.canonical
    # A permit's number ends in a digit, so only a hyphen can part it from the pressure.
    parted = "-" if mark.canonical[-1].isdigit() else "-?"
    return "cylinder.specification ~ ${}", f"^{re.escape(mark.canonical)}({parted}[0-9].*)?$"


def _line(row: Any) -> CylinderLine:
    return CylinderLine(**{name: row[name] for name in CylinderLine.__struct_fields__})


@get(
    "/v1/cylinders",
    right=rights.CYLINDERS_READ,
    tag="cylinders",
    summary="List cylinders",
    answers=answer(Page[CylinderLine], "One page of cylinders.", example=Page(items=[EXAMPLE_LINE], next_cursor=None)),
)
async def list_cylinders(request: AnyRequest, query: CylinderQuery, principal: Principal) -> Reply[Page[CylinderLine]]:
    """Return registered cylinders by department and inventory number; those given away and ended ones too."""
    window = open_window(request, query, BY_NUMBER)
    conditions, arguments = _conditions(query)
    after, after_arguments = window.after(len(arguments) + 1)
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        rows = await connection.fetch(
            f"""
            SELECT {_COLUMNS}, cylinder."use" FROM views.cylinder
            WHERE cylinder.department_id = ANY ((SELECT lookup.visible_departments())::uuid[])
                AND {" AND ".join(conditions)} AND {after}
            ORDER BY {window.order_by} LIMIT {window.fetch_limit}
            """,
            *arguments,
            *after_arguments,
        )
    return window.page(rows, _line)
