"""One row of an inventory file as entries of the ledger, and as compared with a cylinder on record."""

import uuid
from collections.abc import Iterator

import msgspec

from fill_ledger.intake.inventory.columns import Field
from fill_ledger.intake.inventory.known import Known, cylinder_id, entry_id
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.trade.cylinder_marks import canonical_specification
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.events.envelope import MAXIMUM_LONG_TEXT, Body
from fill_ledger.trade.identifiers import derived_id, normal_serial
from fill_ledger.trade.pressure import PressureUnit, StampedPressure
from fill_ledger.trade.states.cylinders import CylinderState

_CONDITION_REASON = "So the inventory file says."


class Difference(msgspec.Struct, frozen=True, kw_only=True):
    """One field that the file and the record tell differently; `on_record` None: the record has nothing there."""

    field: str
    in_file: str
    on_record: str | None


def entries_of(
    department_id: uuid.UUID, row: InventoryRow, home_station_id: uuid.UUID | None
) -> list[tuple[uuid.UUID, Body]]:
    """Return the entries a row becomes, with ids that follow from its content: registration, tag, condition."""
    base, cylinder = entry_id(department_id, row), cylinder_id(department_id, row)
    entries: list[tuple[uuid.UUID, Body]] = [(base, _registration(row, cylinder, home_station_id))]
    if row.tag is not None:
        entries.append((derived_id("inventory-row-tag", base), cylinders.TagPaired(cylinder_id=cylinder, tag=row.tag)))
    condition_id = derived_id("inventory-row-condition", base)
    if row.condition == "on_hold":
        held = cylinders.CylinderHeld(
            cylinder_id=cylinder, hold_id=condition_id, hold_kind="other", reason=row.remark or _CONDITION_REASON
        )
        entries.append((condition_id, held))
    elif row.condition == "condemned":
        entries.append((condition_id, cylinders.CylinderCondemned(cylinder_id=cylinder, reason=_CONDITION_REASON)))
    elif row.condition == "retired":
        entries.append((condition_id, cylinders.CylinderRetired(cylinder_id=cylinder, reason=_CONDITION_REASON)))
    return entries


def _registration(
    row: InventoryRow, cylinder: uuid.UUID, home_station_id: uuid.UUID | None
) -> cylinders.CylinderRegistered:
    stamps = None
    if row.last_requalified is not None:
        stamp = cylinders.RequalificationStamp(
            month=row.last_requalified,
            # A date is marked after a passed test; a rejected cylinder gets no mark (49 CFR 180.205(h), 2015 edition).
            outcome="pass",
            requalifier=row.requalifier,
            method=row.requalification_method,
            marks=tuple(mark.value for mark in row.requalification_marks) or None,
        )
        stamps = (stamp,)
    return cylinders.CylinderRegistered(
        cylinder_id=cylinder,
        details=cylinders.CylinderDetails(
            serial=row.serial,
            specification=row.specification_as_entered,
            service_pressure=cylinders.ServicePressure(
                value=row.service_pressure.value, unit=row.service_pressure.unit.value
            ),
            use=row.use,
            manufactured=row.manufactured,
            water_volume_ml=row.water_volume_ml,
            material=row.material,
            alloy=row.alloy,
            home_station_id=home_station_id,
        ),
        inventory_number=row.inventory_number,
        requalifications=stamps,
        remark=remark_of(row),
    )


def remark_of(row: InventoryRow) -> str | None:
    """Return the remark with the purchase date in it, which has no field of its own; None where there is neither."""
    if row.purchased is None:
        return row.remark
    purchased = f"Purchased {row.purchased}."
    if row.remark is None:
        return purchased
    together = f"{purchased} {row.remark}"
    return together if len(together) <= MAXIMUM_LONG_TEXT else row.remark


def differences(
    row: InventoryRow, state: CylinderState, known: Known, home_station_id: uuid.UUID | None
) -> tuple[Difference, ...]:
    """Return what a row says otherwise than the record. What the row leaves empty says nothing."""
    return (*_details_differences(row, state, known, home_station_id), *_standing_differences(row, state, known))


def _details_differences(
    row: InventoryRow, state: CylinderState, known: Known, home_station_id: uuid.UUID | None
) -> Iterator[Difference]:
    details = state.details
    assert details is not None
    if normal_serial(row.serial) != normal_serial(details.serial):
        yield Difference(field=Field.SERIAL, in_file=row.serial, on_record=details.serial)
    if row.specification != canonical_specification(details.specification):
        yield Difference(field=Field.SPECIFICATION, in_file=row.specification, on_record=details.specification)
    pressure = StampedPressure(value=details.service_pressure.value, unit=PressureUnit(details.service_pressure.unit))
    if row.service_pressure.psi != pressure.psi:
        yield Difference(field=Field.SERVICE_PRESSURE, in_file=row.service_pressure.text, on_record=pressure.text)
    pairs = (
        (Field.INVENTORY_NUMBER, row.inventory_number, state.inventory_number),
        (Field.USE, row.use, details.use),
        (Field.WATER_VOLUME, row.water_volume_ml, details.water_volume_ml),
        (Field.MANUFACTURED, row.manufactured, details.manufactured),
        (Field.MATERIAL, row.material, details.material),
        (Field.ALLOY, row.alloy, details.alloy),
    )
    for field, in_file, on_record in pairs:
        if in_file is not None and in_file != on_record:
            yield Difference(field=field, in_file=str(in_file), on_record=None if on_record is None else str(on_record))
    if row.home_station is not None and home_station_id != details.home_station_id:
        codes = [station.code for station in known.stations if station.station_id == details.home_station_id]
        yield Difference(field=Field.HOME_STATION, in_file=row.home_station, on_record=codes[0] if codes else None)


def _standing_differences(row: InventoryRow, state: CylinderState, known: Known) -> Iterator[Difference]:
    months = [each.stamp.month for each in state.requalifications]
    if row.last_requalified is not None and row.last_requalified not in months:
        last = months[-1] if months else None
        yield Difference(field=Field.LAST_REQUALIFIED, in_file=row.last_requalified, on_record=last)
    if row.tag is not None and known.worn_by.get(row.tag) != state.subject_id:
        yield Difference(field=Field.TAG, in_file=row.tag, on_record=None)
    holds = any(hold.ends_at is None for hold in state.holds)
    on_record = {
        "condemned": state.condemned_at is not None,
        "retired": state.retired_at is not None,
        "on_hold": holds,
        # Without a word about its condition a row says nothing against a hold.
        "in_service": True,
    }
    if not on_record[row.condition]:
        yield Difference(field=Field.CONDITION, in_file=row.condition, on_record=None)
