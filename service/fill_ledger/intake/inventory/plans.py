"""Which rows are new, which are on record, and which cannot be taken: decided before anything is recorded."""

import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec

from fill_ledger.intake.inventory.columns import Field
from fill_ledger.intake.inventory.faults import CellFault, shortened
from fill_ledger.intake.inventory.known import Known, Station, cylinder_id, entry_id
from fill_ledger.intake.inventory.report import RowOutcome
from fill_ledger.intake.inventory.row_entries import differences, entries_of
from fill_ledger.intake.inventory.rows import InventoryRow
from fill_ledger.trade.cylinder_marks import canonical_specification
from fill_ledger.trade.entries import Refusal, refusals
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.identifiers import Subject, SubjectKind, normal_serial
from fill_ledger.trade.states import FOLDS
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.stations import StationState

# Where a refusal of the ledger points, in the words of the file.
_FIELD_OF_POINTER = (
    ("/details/serial", Field.SERIAL),
    ("/details/specification", Field.SPECIFICATION),
    ("/details/service_pressure", Field.SERVICE_PRESSURE),
    ("/details/manufactured", Field.MANUFACTURED),
    ("/details/material", Field.MATERIAL),
    ("/details/home_station_id", Field.HOME_STATION),
    ("/details/water_volume_ml", Field.WATER_VOLUME),
    ("/requalifications/0/marks", Field.REQUALIFICATION_MARKS),
    ("/requalifications/0/requalifier", Field.REQUALIFIER),
    ("/requalifications/0", Field.LAST_REQUALIFIED),
    ("/inventory_number", Field.INVENTORY_NUMBER),
)


class PlannedRow(msgspec.Struct, frozen=True, kw_only=True):
    """A row that can be recorded: its entries, in order."""

    row: InventoryRow
    cylinder_id: uuid.UUID
    entries: tuple[tuple[uuid.UUID, Body], ...]


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """The new rows, what is already decided about the others, and the faults found against the ledger."""

    new: tuple[PlannedRow, ...]
    settled: tuple[RowOutcome, ...]
    faults: tuple[CellFault, ...]


class _Preview:
    """What the checks of a registration may look at before it is recorded (`trade.entries.Known`)."""

    def __init__(self, department_id: uuid.UUID, stations: Sequence[Station], now: datetime) -> None:
        self._department_id = department_id
        self._stations = {station.station_id for station in stations}
        self._now = now

    def state(self, subject: Subject) -> Any:
        """Return a registered station's state, and an empty one for all else: what is new is not known yet."""
        if subject.kind is SubjectKind.STATION and subject.subject_id in self._stations:
            return StationState(
                department_id=self._department_id, subject_id=subject.subject_id, registered_at=self._now
            )
        return FOLDS[subject.kind].empty(self._department_id, subject.subject_id)

    def named_event(self) -> Event | None:
        """Return None: a registration is about no other event."""
        return None


class Planner:
    """Decides row by row, against what the ledger knew when the import began."""

    def __init__(self, department_id: uuid.UUID, known: Known, columns: dict[str, str], now: datetime) -> None:
        self._department_id = department_id
        self._known = known
        self._columns = columns
        self._now = now
        self._preview = _Preview(department_id, known.stations, now)
        self._new: list[PlannedRow] = []
        self._settled: list[RowOutcome] = []
        self._faults: list[CellFault] = []

    def plan(self, rows: Sequence[InventoryRow]) -> Plan:
        """Return what to do with the rows."""
        for row in rows:
            self._decide(row)
        return Plan(new=tuple(self._new), settled=tuple(self._settled), faults=tuple(self._faults))

    def _decide(self, row: InventoryRow) -> None:
        event_id, derived = entry_id(self._department_id, row), cylinder_id(self._department_id, row)
        if event_id in self._known.event_ids:
            self._decide_repeat(row, event_id, derived)
            return
        station = None if row.home_station is None else self._known.station_named(row.home_station)
        if row.home_station is not None and station is None:
            self._fault(row, Field.HOME_STATION, row.home_station, *self._no_station(row.home_station))
            return
        home_station_id = None if station is None else station.station_id
        matching = self._matching(row)
        if len(matching) > 1:
            numbers = ", ".join(sorted(state.inventory_number or "none" for state in matching))
            self._fault(
                row,
                Field.SERIAL,
                row.serial,
                "serial-known-twice",
                f"The department has several cylinders with this serial: numbers {numbers}.",
                "Enter the inventory number of the one that is meant.",
            )
        elif matching:
            self._compare(row, matching[0], home_station_id)
        else:
            self._take(row, derived, home_station_id)

    def _decide_repeat(self, row: InventoryRow, event_id: uuid.UUID, derived: uuid.UUID) -> None:
        state = self._known.by_id.get(derived)
        if state is None:
            self._fault(
                row,
                Field.SERIAL,
                row.serial,
                "taken-back-before",
                "This very row was imported before and its registration was taken back.",
                "Register the cylinder by itself, or correct the row.",
            )
            return
        self._settled.append(
            RowOutcome(
                row=row.row,
                outcome="exists",
                serial=row.serial,
                cylinder_id=derived,
                inventory_number=state.inventory_number,
                event_id=event_id,
            )
        )

    def _matching(self, row: InventoryRow) -> list[CylinderState]:
        """Return the cylinders on record that the row may describe: by number first, then by serial."""
        numbered = None if row.inventory_number is None else self._known.by_number.get(row.inventory_number)
        if numbered is not None:
            return [numbered]
        serials = self._known.by_serial.get(normal_serial(row.serial), [])
        if len(serials) < 2:
            return serials
        return [
            state
            for state in serials
            if state.details is not None and canonical_specification(state.details.specification) == row.specification
        ] or serials

    def _compare(self, row: InventoryRow, state: CylinderState, home_station_id: uuid.UUID | None) -> None:
        if state.transferred_at is not None:
            self._fault(
                row,
                Field.INVENTORY_NUMBER,
                row.inventory_number,
                "inventory-number-taken",
                "The number was given to a cylinder that went to another department; numbers are never reused.",
                "Enter another number, or leave it empty to have one given.",
            )
            return
        found = differences(row, state, self._known, home_station_id)
        self._settled.append(
            RowOutcome(
                row=row.row,
                outcome="difference" if found else "exists",
                serial=row.serial,
                cylinder_id=state.subject_id,
                inventory_number=state.inventory_number,
                differences=found,
            )
        )

    def _take(self, row: InventoryRow, derived: uuid.UUID, home_station_id: uuid.UUID | None) -> None:
        wearer = None if row.tag is None else self._known.worn_by.get(row.tag)
        if wearer is not None:
            self._fault(
                row,
                Field.TAG,
                row.tag,
                "tag-on-another-cylinder",
                f"The tag is on another cylinder of the department, {wearer}.",
                "Take it off that cylinder first, or correct the tag.",
            )
            return
        entries = entries_of(self._department_id, row, home_station_id)
        found = refusals(entries[0][1], self._preview, self._now)
        for refusal in found:
            self._faults.append(fault_of_refusal(row, refusal, self._columns))
        if found:
            self._settled.append(RowOutcome(row=row.row, outcome="faulty", serial=row.serial))
        else:
            self._new.append(PlannedRow(row=row, cylinder_id=derived, entries=tuple(entries)))

    def _no_station(self, text: str) -> tuple[str, str, str]:
        codes = ", ".join(sorted(station.code for station in self._known.stations)) or "none"
        return (
            "station-unknown",
            f"The department has no single station with the code or name {shortened(text)!r}.",
            f"Use one of the codes: {codes}.",
        )

    def _fault(
        self, row: InventoryRow, field: Field, value: str | None, code: str, detail: str, suggestion: str
    ) -> None:
        self._faults.append(
            CellFault(
                row=row.row,
                column=self._columns.get(field.value),
                field=field.value,
                value=None if value is None else shortened(value),
                code=code,
                detail=detail,
                suggestion=suggestion,
            )
        )
        self._settled.append(RowOutcome(row=row.row, outcome="faulty", serial=row.serial))


def fault_of_refusal(row: InventoryRow, refusal: Refusal, columns: dict[str, str]) -> CellFault:
    """Return why the ledger does not take a row, with the cell it is about where one is."""
    field = next((field for start, field in _FIELD_OF_POINTER if refusal.pointer.startswith(start)), None)
    return CellFault(
        row=row.row,
        column=None if field is None else columns.get(field.value),
        field=None if field is None else field.value,
        value=None if field is None else _shown(row, field),
        code=refusal.code,
        detail=refusal.detail,
        suggestion="Compare the row with the cylinder, correct it and import the file again.",
    )


def _shown(row: InventoryRow, field: Field) -> str | None:
    value = {
        Field.SERVICE_PRESSURE: row.service_pressure.text,
        Field.REQUALIFICATION_MARKS: ", ".join(row.requalification_marks),
    }.get(field, getattr(row, field.value, None))
    return None if value is None else shortened(str(value))
