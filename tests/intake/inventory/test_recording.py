"""Recording an inventory file: idempotent, all or nothing or row by row, compared with what is on record."""

import csv
import io
import uuid
from pathlib import Path
from typing import Any

import pytest

from fill_ledger.intake.founding import record_entries
from fill_ledger.intake.inventory import recording
from fill_ledger.intake.inventory.recording import UnknownDepartment, import_inventory, import_inventory_file
from fill_ledger.intake.inventory.report import ImportReport
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import TagPaired
from fill_ledger.trade.events.rulebook import SpecificationEntered, SpecificationEntry
from fill_ledger.trade.events.stations import StationRegistered
from fill_ledger.trade.identifiers import COUNTY_ID
from tests.intake.inventory.clerk_list import CLERK_ROWS, STATIONS, clerk_csv
from tests.support.county import County

HEADER = ("Serial number", "Specification", "Use", "Inventory number", "Tag", "Station", "Condition", "Last hydro")
GOOD = (
    ("AB 1", "DOT-3AA2216", "scba", "", "label:R-1", "S1", "", "2024-06"),
    ("AB 2", "DOT-SP10915-4500", "scba", "1", "", "own department one", "condemned", ""),
    ("AB 3", "DOT-3AL3000", "scuba", "", "", "", "on hold", "2023-01"),
    ("AB 4", "DOT-3AA2400", "storage", "C-9", "label:R-4", "", "retired", ""),
)


def file_of(*rows: tuple[str, ...]) -> bytes:
    """Return a file with these rows below the header."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows([HEADER, *rows])
    return text.getvalue().encode()


async def run(county: County, content: bytes, **given: Any) -> ImportReport:
    """Import a file for the county's own department, for good unless told otherwise."""
    arguments: dict[str, Any] = {"dry_run": False, "department_id": county.own.department_id} | given
    return await import_inventory(
        content,
        pool=county.parts.database.lookups,
        lanes=county.parts.lanes,
        recorded_by=uuid.UUID(int=9),
        **arguments,
    )


def outcomes(report: ImportReport) -> list[str]:
    """Return what became of each row, in the file's order."""
    return [row.outcome for row in report.rows]


def codes(report: ImportReport) -> list[tuple[int | None, str | None, str]]:
    """Return row, column and code of each fault."""
    return [(fault.row, fault.column, fault.code) for fault in report.faults]


def row_notes(report: ImportReport) -> list[tuple[int | None, str | None, str]]:
    """Return row, column and code of each note about a row."""
    return [(note.row, note.column, note.code) for note in report.notes if note.row is not None]


async def states(county: County) -> dict[str, tuple[str, str, int]]:
    """Return number, standing and position of each cylinder of the department by serial."""
    async with county.parts.database.lookups.acquire() as connection, connection.transaction():
        department = str(county.own.department_id)
        await connection.execute("SELECT set_config('fill_ledger.departments', $1, true)", department)
        rows = await connection.fetch(
            """
            SELECT serial, inventory_number, standing, head.ledger_position FROM views.cylinder
            JOIN ledger.head ON head.department_id = cylinder.department_id
            """
        )
    return {row["serial"]: (row["inventory_number"], row["standing"], row["ledger_position"]) for row in rows}


@pytest.mark.parametrize("mode", ["all_or_nothing", "only_good_rows"])
async def test_a_file_is_recorded_once_however_often_it_comes(county: County, mode: str) -> None:
    dry = await run(county, file_of(*GOOD), mode=mode, dry_run=True)
    assert outcomes(dry) == ["would_be_created"] * 4
    assert await states(county) == {}
    first = await run(county, file_of(*GOOD), mode=mode)
    assert outcomes(first) == ["created"] * 4, first.faults
    known = await states(county)
    assert {serial: standing for serial, (_, standing, _) in known.items()} == {
        "AB 1": "in_service",
        "AB 2": "condemned",
        "AB 3": "held",
        "AB 4": "retired",
    }
    # Row 2 has no number and row 3 brings number 1: the one given by the ledger must not be 1.
    assert known["AB 2"][0] == "1"
    assert len({number for number, _, _ in known.values()}) == 4
    again = await run(county, file_of(*reversed(GOOD)), mode=mode)
    assert outcomes(again) == ["exists"] * 4
    assert again.recorded is False
    assert await states(county) == known


async def test_one_faulty_row_keeps_all_out_or_only_itself(county: County) -> None:
    bad = [
        ("AB 5", "DOT-3AA2216", "scba", "", "", "S77", "", ""),
        ("AB 6", "DOT-3AA2216", "scba", "", "", "", "", "2199-01"),
    ]
    content = file_of(GOOD[0], *bad, GOOD[2])
    together = await run(county, content)
    assert outcomes(together) == ["not_taken", "faulty", "faulty", "not_taken"]
    assert together.recorded is False
    assert await states(county) == {}
    station_fault = next(fault for fault in together.faults if fault.row == 3)
    assert (station_fault.column, station_fault.field, station_fault.code) == (
        "Station",
        "home_station",
        "station-unknown",
    )
    assert "S1" in station_fault.suggestion
    assert any(row == 4 and column == "Last hydro" for row, column, _ in codes(together))
    each = await run(county, content, mode="only_good_rows")
    assert outcomes(each) == ["created", "faulty", "faulty", "created"]
    assert set(await states(county)) == {"AB 1", "AB 3"}


async def test_what_is_known_otherwise_is_told_and_not_changed(county: County) -> None:
    await run(county, file_of(*GOOD))
    before = await states(county)
    changed = file_of(
        ("ab-1", "DOT-3AA2216", "scba", "", "label:R-1", "S1", "", "2024-06"),  # the same in other spelling
        ("AB 2", "DOT-SP10915-4500", "scuba", "1", "label:R-9", "", "", "2025-02"),
        ("XX 9", "DOT-3AA2216", "scba", "C-9", "", "", "", ""),
    )
    report = await run(county, changed, mode="only_good_rows")
    assert outcomes(report) == ["exists", "difference", "difference"]
    told = [{each.field: (each.in_file, each.on_record) for each in row.differences} for row in report.rows]
    assert told[1] == {"use": ("scuba", "scba"), "last_requalified": ("2025-02", None), "tag": ("label:R-9", None)}
    assert told[2]["serial"] == ("XX 9", "AB 4")
    assert told[2]["specification"] == ("DOT-3AA2216", "DOT-3AA2400")
    assert await states(county) == before
    new = ("AB 8", "DOT-3AA2216", "scba", "", "", "", "", "")
    together = await run(county, file_of(new, ("XX 9", "DOT-3AA2216", "scba", "C-9", "", "", "", "")))
    assert outcomes(together) == ["not_taken", "difference"]


async def test_a_tag_on_another_cylinder_and_a_row_taken_back_are_asked_about(county: County) -> None:
    wearer = await county.cylinder(tag="label:R-1")
    report = await run(county, file_of(GOOD[0]))
    assert codes(report) == [(2, "Tag", "tag-on-another-cylinder")]
    assert str(wearer) in report.faults[0].detail
    await county.record(TagPaired(cylinder_id=uuid.uuid4(), tag="label:R-7"))
    first = await run(county, file_of(GOOD[2]))
    event_id = first.rows[0].event_id
    assert event_id is not None
    await county.record(EventRetracted(retracted_event_id=event_id, reason="Not ours."))
    again = await run(county, file_of(GOOD[2]))
    assert codes(again) == [(2, "Serial number", "taken-back-before")]


async def test_a_serial_known_twice_needs_the_number(county: County) -> None:
    for number in ("7", "8"):
        row = ("AB 1", "DOT-3AA2216" if number == "7" else "DOT-3AL3000", "scba", number, "", "", "", "")
        await county.cylinder(serial=row[0])
    report = await run(county, file_of(("AB 1", "DOT-3AA2400", "scba", "", "", "", "", "")))
    assert codes(report) == [(2, "Serial number", "serial-known-twice")]


async def test_an_import_that_broke_off_goes_on(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording, "ROWS_AT_ONCE", 2)
    rows = [(f"S{number:03}", "DOT-3AA2216", "scba", "", f"label:R-{number}", "", "", "") for number in range(7)]
    calls = 0
    lanes_record = county.parts.lanes.record

    async def failing(unit: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls > 4:
            raise TimeoutError("the database went away")
        return await lanes_record(unit)

    monkeypatch.setattr(county.parts.lanes, "record", failing)
    with pytest.raises(TimeoutError):
        await run(county, file_of(*rows), mode="only_good_rows")
    assert len(await states(county)) == 4
    monkeypatch.setattr(county.parts.lanes, "record", lanes_record)
    report = await run(county, file_of(*rows), mode="only_good_rows")
    assert report.counts["exists"] == 4
    assert report.counts["created"] == 3
    assert len(await states(county)) == 7


async def test_too_many_rows_are_not_taken_all_or_nothing(county: County, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording, "MAXIMUM_ROWS_TOGETHER", 3)
    report = await run(county, file_of(*GOOD))
    assert codes(report) == [(None, None, "too-many-rows-for-all-or-nothing")]
    assert outcomes(report) == ["not_taken"] * 4
    assert outcomes(await run(county, file_of(*GOOD), mode="only_good_rows")) == ["created"] * 4


async def test_a_file_from_disk_and_a_department_nobody_knows(county: County, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(file_of(*GOOD))
    report = await import_inventory_file(
        path,
        pool=county.parts.database.lookups,
        lanes=county.parts.lanes,
        department_id=county.own.department_id,
        recorded_by=uuid.UUID(int=9),
        dry_run=False,
    )
    assert outcomes(report) == ["created"] * 4
    with pytest.raises(UnknownDepartment):
        await run(county, file_of(*GOOD), department_id=uuid.uuid4())


async def test_a_clerks_list_of_four_hundred_is_recorded_and_known_the_second_time(county: County) -> None:
    names = [name for name in STATIONS if name]
    await county.record(
        *(
            StationRegistered(station_id=uuid.uuid4(), name=name, code=f"K{number}", station_kind="fixed")
            for number, name in enumerate(names)
        )
    )
    first = await run(county, clerk_csv(faults=False))
    again = await run(county, clerk_csv(faults=False))
    assert first.counts["created"] == CLERK_ROWS, first.faults[:5]
    assert again.counts["exists"] == CLERK_ROWS
    assert len(await states(county)) == CLERK_ROWS
    faulty = await run(county, clerk_csv(faults=True), mode="only_good_rows")
    assert faulty.counts["faulty"] > 0
    assert faulty.counts["created"] == 0


async def test_a_row_that_can_never_be_filled_is_taken_with_a_note(county: County) -> None:
    rows = (
        ("AB 1", "DOT-3AA2216", "scba", "", "", "", "", "2024-06"),
        # Only for aircraft, with a count of fills: 49 CFR 180.205(i)(1)(v), 173.302a(a)(2) (2015 edition).
        ("AB 2", "DOT-3HT1850", "scba", "", "", "", "", "2024-06"),
        # A tube; storage only.
        ("AB 3", "DOT-3AAX2400", "scba", "", "", "", "", "2024-06"),
        # A permit about which the rulebook says nothing, until the county enters it.
        ("AB 4", "DOT-SP99999-4500", "scba", "", "", "", "", "2024-06"),
    )
    dry = await run(county, file_of(*rows), dry_run=True)
    first = await run(county, file_of(*rows))
    assert outcomes(first) == ["created"] * 4, first.faults
    expected = [
        (3, "Specification", "specification-not-fillable"),
        (4, "Specification", "specification-wrong-use"),
        (5, "Specification", "permit-unknown"),
    ]
    for report in (dry, first):
        assert row_notes(report) == expected
        assert any("DOT-3HT1850 is for use in aircraft only" in note.detail for note in report.notes)
    permit = SpecificationEntry(key="SP99999", interval_years=5, life_years=15, source="the permit", confidence="read")
    await record_entries(county.parts.lanes, COUNTY_ID, (SpecificationEntered(entry=permit),))
    again = await run(county, file_of(*rows))
    assert outcomes(again) == ["exists"] * 4
    assert row_notes(again) == expected[:2]
