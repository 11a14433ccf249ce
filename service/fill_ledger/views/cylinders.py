"""Rows for cylinders, tags and the directory that finds a cylinder by what is on it."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.cylinder_marks import canonical_specification
from fill_ledger.trade.identifiers import normal_serial
from fill_ledger.trade.pressure import PressureUnit, StampedPressure
from fill_ledger.trade.states.cylinders import CylinderState, TagState

ENTRY_CYLINDER_ID = "cylinder_id"
ENTRY_INVENTORY_NUMBER = "inventory_number"
ENTRY_SERIAL = "serial"
ENTRY_TAG = "tag"


class CylinderRow(msgspec.Struct, kw_only=True):
    """One cylinder as lists show and filter it."""

    department_id: uuid.UUID
    cylinder_id: uuid.UUID
    inventory_number: str | None
    serial: str | None
    serial_key: str | None
    specification: str | None
    service_pressure_psi: int | None
    use: str | None
    manufactured: str | None
    maker_lot: str | None
    home_station_id: uuid.UUID | None
    last_requalified: str | None
    last_outcome: str | None
    standing: str
    holds_open: int
    registered_at: datetime | None
    fills_total: int
    last_filled_at: datetime | None


class TagRow(msgspec.Struct, kw_only=True):
    """One tag and the cylinder it is on now."""

    department_id: uuid.UUID
    tag_id: uuid.UUID
    tag: str | None
    cylinder_id: uuid.UUID | None
    paired_at: datetime | None


class DirectoryRow(msgspec.Struct, kw_only=True):
    """One way to find a cylinder. Without a value nothing is found by it: what made the entry was taken back."""

    department_id: uuid.UUID
    entry_kind: str
    subject_id: uuid.UUID
    value: str | None
    cylinder_id: uuid.UUID | None


def service_pressure_psi(state: CylinderState) -> int | None:
    """Return the stamped service pressure in whole psi, rounded down, or None where it is not known or nonsense."""
    if state.details is None:
        return None
    stamped = state.details.service_pressure
    try:
        return StampedPressure(value=stamped.value, unit=PressureUnit(stamped.unit)).psi
    except ValueError:
        return None


def standing(state: CylinderState) -> str:
    """Return the one word a list shows for where a cylinder stands: the most final that applies."""
    if state.registered_at is None:
        return "unregistered"
    if state.condemned_at is not None:
        return "condemned"
    if state.retired_at is not None:
        return "retired"
    if state.transferred_at is not None:
        return "transferred"
    if state.requalifications and state.requalifications[-1].stamp.outcome != "pass":
        return state.requalifications[-1].stamp.outcome
    if any(hold.ends_at is None for hold in state.holds):
        return "held"
    return "in_service"


def cylinder_rows(state: CylinderState) -> list[CylinderRow]:
    """Return the row of a cylinder."""
    details = state.details
    newest = state.requalifications[-1].stamp if state.requalifications else None
    return [
        CylinderRow(
            department_id=state.department_id,
            cylinder_id=state.subject_id,
            inventory_number=state.inventory_number,
            serial=None if details is None else details.serial,
            serial_key=None if details is None else normal_serial(details.serial),
            specification=None if details is None else canonical_specification(details.specification),
            service_pressure_psi=service_pressure_psi(state),
            use=None if details is None else details.use,
            manufactured=None if details is None else details.manufactured,
            maker_lot=None if details is None else details.maker_lot,
            home_station_id=None if details is None else details.home_station_id,
            last_requalified=None if newest is None else newest.month,
            last_outcome=None if newest is None else newest.outcome,
            standing=standing(state),
            holds_open=sum(hold.ends_at is None for hold in state.holds),
            registered_at=state.registered_at,
            fills_total=state.fills_total,
            last_filled_at=None if state.last_fill is None else state.last_fill.filled_at,
        )
    ]


def cylinder_directory_rows(state: CylinderState) -> list[DirectoryRow]:
    """Return how a registered cylinder is found: by its id, its inventory number and its stamped serial."""
    registered = state.details is not None
    values = {
        ENTRY_CYLINDER_ID: str(state.subject_id) if registered else None,
        ENTRY_INVENTORY_NUMBER: state.inventory_number,
        ENTRY_SERIAL: None if state.details is None else normal_serial(state.details.serial),
    }
    # A cylinder that was given to another department is found there; here it stays under its id alone.
    moved = state.transferred_at is not None
    return [
        DirectoryRow(
            department_id=state.department_id,
            entry_kind=entry_kind,
            subject_id=state.subject_id,
            value=value,
            cylinder_id=None if moved or not registered else state.subject_id,
        )
        for entry_kind, value in values.items()
    ]


def tag_rows(state: TagState) -> list[TagRow]:
    """Return the row of a tag."""
    current = next((pairing for pairing in reversed(state.pairings) if pairing.ends_at is None), None)
    return [
        TagRow(
            department_id=state.department_id,
            tag_id=state.subject_id,
            tag=state.tag,
            cylinder_id=None if current is None else current.cylinder_id,
            paired_at=None if current is None else current.starts_at,
        )
    ]


def tag_directory_rows(state: TagState) -> list[DirectoryRow]:
    """Return how a cylinder is found by the tag on it."""
    return [
        DirectoryRow(
            department_id=row.department_id,
            entry_kind=ENTRY_TAG,
            subject_id=row.tag_id,
            value=state.tag,
            cylinder_id=row.cylinder_id,
        )
        for row in tag_rows(state)
    ]
