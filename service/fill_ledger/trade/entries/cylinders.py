"""Checks of office entries about cylinders."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fill_ledger.trade.cylinder_marks import (
    above_test_pressure,
    material_contradiction,
    pressure_contradiction,
    read_mark,
    ruled_out_signs,
)
from fill_ledger.trade.entries.registry import Known, Refusal, check, consults, latest_local
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.mark_types import SpecificationFault
from fill_ledger.trade.pressure import (
    PressureError,
    PressureUnit,
    StampedPressure,
    service_pressure_fault,
    unit_doubt,
)
from fill_ledger.trade.requalifiers import RequalificationSuffix, rin_fault
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.trade.states.stations import StationState
from fill_ledger.trade.volumes import carried_volume_fault


def _cylinder(known: Known, body: Any) -> CylinderState:
    state: CylinderState = known.state(Subject(SubjectKind.CYLINDER, body.cylinder_id))
    return state


def _stamped_pressure(details: cylinders.CylinderDetails) -> StampedPressure | Refusal:
    given = details.service_pressure
    try:
        return StampedPressure(value=given.value, unit=PressureUnit(given.unit))
    except PressureError as error:
        return Refusal(code=error.code, detail=f"{error}.", pointer="/details/service_pressure/value", conflict=False)


@consults(cylinders.CylinderRegistered, cylinders.CylinderDetailsCorrected)
def _home_station(body: cylinders.CylinderRegistered | cylinders.CylinderDetailsCorrected) -> Iterable[Subject]:
    if body.details.home_station_id is not None:
        yield Subject(SubjectKind.STATION, body.details.home_station_id)


@check(cylinders.CylinderRegistered)
def _registered_once(body: cylinders.CylinderRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _cylinder(known, body).registered_at is not None:
        yield Refusal(code="already-registered", detail="This cylinder is registered already.", pointer="/cylinder_id")


@check(cylinders.CylinderRegistered, cylinders.CylinderDetailsCorrected)
def _details_make_sense(
    body: cylinders.CylinderRegistered | cylinders.CylinderDetailsCorrected, known: Known, moment: datetime
) -> Iterable[Refusal]:
    details = body.details
    if details.manufactured is not None and details.manufactured > f"{latest_local(moment):%Y-%m}":
        yield Refusal(
            code="made-in-future",
            detail=(
                f"The manufacture month {details.manufactured} lies in the future. Enter the month stamped on the "
                f"cylinder, {latest_local(moment):%Y-%m} at the latest."
            ),
            pointer="/details/manufactured",
            conflict=False,
        )
    if (
        details.marked_life_ends is not None
        and details.manufactured is not None
        and details.marked_life_ends <= details.manufactured
    ):
        yield Refusal(
            code="life-ends-before-made",
            detail=(
                f"The marked end of its life, {details.marked_life_ends}, does not lie after the manufacture month "
                f"{details.manufactured}. Compare both with the label."
            ),
            pointer="/details/marked_life_ends",
            conflict=False,
        )
    stamped = _stamped_pressure(details)
    fault = stamped if isinstance(stamped, Refusal) else service_pressure_fault(stamped)
    if isinstance(fault, Refusal):
        yield fault
    elif fault is not None:
        yield Refusal(
            code=fault.code,
            detail=f"{fault.detail}; {fault.suggestion}",
            pointer="/details/service_pressure",
            conflict=False,
        )
    volume_fault = (
        None if details.water_volume_ml is None else carried_volume_fault(details.water_volume_ml, details.use)
    )
    if volume_fault is not None:
        yield Refusal(
            code=volume_fault.code,
            detail=f"{volume_fault.detail}; {volume_fault.suggestion}.",
            pointer="/details/water_volume_ml",
            conflict=False,
        )
    if details.home_station_id is not None:
        station: StationState = known.state(Subject(SubjectKind.STATION, details.home_station_id))
        if station.registered_at is None:
            yield Refusal(
                code="station-unknown",
                detail="The home station is not a station of this department.",
                pointer="/details/home_station_id",
                conflict=False,
            )


@check(cylinders.CylinderRegistered, cylinders.CylinderDetailsCorrected)
def _mark_agrees(
    body: cylinders.CylinderRegistered | cylinders.CylinderDetailsCorrected, known: Known, moment: datetime
) -> Iterable[Refusal]:
    details = body.details
    mark = read_mark(details.specification)
    if isinstance(mark, SpecificationFault):
        yield Refusal(
            code=mark.code, detail=f"{mark.detail}; {mark.suggestion}", pointer="/details/specification", conflict=False
        )
        return
    stamped = _stamped_pressure(details)
    contradiction = None if isinstance(stamped, Refusal) else pressure_contradiction(mark, stamped)
    if contradiction is not None:
        yield Refusal(
            code="pressure-contradicts-specification",
            detail=contradiction,
            pointer="/details/service_pressure",
            conflict=False,
        )
    above = None if isinstance(stamped, Refusal) else above_test_pressure(mark, stamped)
    if above is not None:
        yield Refusal(
            code="pressure-above-test-pressure", detail=above, pointer="/details/service_pressure", conflict=False
        )
    # A mark that carries the same pressure settles the doubt: DOT-4B240 is marked in psi.
    doubt = None if isinstance(stamped, Refusal) or mark.service_pressure is not None else unit_doubt(stamped)
    if doubt is not None:
        yield Refusal(
            code="pressure-unit-doubtful",
            detail=(
                f"{doubt[:1].upper()}{doubt[1:]} Send the unit as stamped; if psi is right, enter the specification "
                "with its pressure, as stamped."
            ),
            pointer="/details/service_pressure/unit",
            conflict=False,
        )
    contradiction = None if details.material is None else material_contradiction(mark, details.material)
    if contradiction is not None:
        yield Refusal(
            code="material-contradicts-specification",
            detail=contradiction,
            pointer="/details/material",
            conflict=False,
        )


@check(cylinders.CylinderDetailsCorrected)
def _tests_stay_possible(body: cylinders.CylinderDetailsCorrected, known: Known, moment: datetime) -> Iterable[Refusal]:
    made = body.details.manufactured
    if made is None or made > f"{latest_local(moment):%Y-%m}":
        return  # a month to come is told as such
    first = min((known_test.stamp.month for known_test in _cylinder(known, body).requalifications), default=None)
    if first is not None and first < made:
        yield Refusal(
            code="made-after-test",
            detail=(
                f"A test of {first} is on record, before the manufacture month {made}. Compare both with the stamps; "
                "if the test is wrong, take back the entry that told of it first."
            ),
            pointer="/details/manufactured",
        )


@check(cylinders.CylinderRegistered)
def _stamps_make_sense(body: cylinders.CylinderRegistered, known: Known, moment: datetime) -> Iterable[Refusal]:
    for place, stamp in enumerate(body.requalifications or ()):
        yield from _stamp_faults(stamp, body.details, moment, f"/requalifications/{place}")


@check(cylinders.CylinderRequalified)
def _requalification_makes_sense(
    body: cylinders.CylinderRequalified, known: Known, moment: datetime
) -> Iterable[Refusal]:
    state = _cylinder(known, body)
    if state.details is not None:
        yield from _stamp_faults(body.stamp, state.details, moment, "/stamp")
    if state.condemned_at is not None and body.stamp.outcome != "condemned":
        yield Refusal(
            code="cylinder-condemned",
            detail="A condemned cylinder cannot be requalified, by any procedure (49 CFR 180.205(i)).",
        )
    if any(known_stamp.stamp == body.stamp for known_stamp in state.requalifications):
        yield Refusal(code="requalification-known", detail="This very requalification is on record already.")


def _stamp_faults(
    stamp: cylinders.RequalificationStamp, details: cylinders.CylinderDetails, moment: datetime, pointer: str
) -> Iterable[Refusal]:
    if stamp.month > f"{latest_local(moment):%Y-%m}":
        yield Refusal(
            code="requalified-in-future",
            detail=(
                f"The requalification month {stamp.month} lies in the future. Enter the month stamped on the cylinder, "
                f"{latest_local(moment):%Y-%m} at the latest."
            ),
            pointer=f"{pointer}/month",
            conflict=False,
        )
    if details.manufactured is not None and stamp.month < details.manufactured:
        yield Refusal(
            code="requalified-before-made",
            detail=(
                f"The requalification month {stamp.month} lies before the manufacture month {details.manufactured}. "
                "Compare both with the stamps."
            ),
            pointer=f"{pointer}/month",
            conflict=False,
        )
    number_fault = None if stamp.requalifier is None else rin_fault(stamp.requalifier)
    if number_fault is not None:
        yield Refusal(
            code=number_fault.code,
            detail=f"{number_fault.detail}; {number_fault.suggestion}.",
            pointer=f"{pointer}/requalifier",
            conflict=False,
        )
    codes = [code.value for code in RequalificationSuffix]
    for sign in stamp.marks or ():
        if sign not in codes:
            yield Refusal(
                code="mark-unknown",
                detail=f"{sign!r} is no sign after a requalification date (49 CFR 180.213(f)); use {', '.join(codes)}.",
                pointer=f"{pointer}/marks",
                conflict=False,
            )
    mark = read_mark(details.specification)
    if not isinstance(mark, SpecificationFault):
        for warning in ruled_out_signs(mark, stamp.marks or ()):
            yield Refusal(
                code=warning.code,
                detail=(
                    f"{warning.text[:1].upper()}{warning.text[1:]} ({warning.source}). Leave the sign out, or correct "
                    "the specification: the stamps on the cylinder decide."
                ),
                pointer=f"{pointer}/marks",
                conflict=False,
            )


@check(
    cylinders.CylinderDetailsCorrected,
    cylinders.CylinderRequalified,
    cylinders.CylinderInspected,
    cylinders.CylinderLifeExtended,
    cylinders.CylinderHeld,
    cylinders.CylinderHoldReleased,
    cylinders.CylinderTransferredOut,
    cylinders.CylinderCondemned,
    cylinders.CylinderRetired,
)
def _cylinder_is_ours(body: Any, known: Known, moment: datetime) -> Iterable[Refusal]:
    state = _cylinder(known, body)
    if state.registered_at is None:
        yield Refusal(code="cylinder-unknown", detail="This department has no such cylinder.", pointer="/cylinder_id")
    elif state.transferred_at is not None:
        yield Refusal(
            code="cylinder-transferred",
            detail="The cylinder belongs to another department since it was transferred.",
            pointer="/cylinder_id",
        )


@check(cylinders.CylinderHeld)
def _hold_is_new(body: cylinders.CylinderHeld, known: Known, moment: datetime) -> Iterable[Refusal]:
    if any(hold.hold_id == body.hold_id for hold in _cylinder(known, body).holds):
        yield Refusal(code="hold-known", detail="This hold is on record already.", pointer="/hold_id")


@check(cylinders.CylinderHoldReleased)
def _hold_stands(body: cylinders.CylinderHoldReleased, known: Known, moment: datetime) -> Iterable[Refusal]:
    matching = [hold for hold in _cylinder(known, body).holds if hold.hold_id == body.hold_id]
    if not matching:
        yield Refusal(code="hold-unknown", detail="No such hold is on this cylinder.", pointer="/hold_id")
    elif all(hold.ends_at is not None for hold in matching):
        yield Refusal(code="hold-released", detail="This hold was released already.", pointer="/hold_id")


@check(cylinders.CylinderTransferredOut)
def _transfer_leaves(body: cylinders.CylinderTransferredOut, known: Known, moment: datetime) -> Iterable[Refusal]:
    if body.to_department_id == _cylinder(known, body).department_id:
        yield Refusal(
            code="transfer-to-self",
            detail="The cylinder belongs to this department already.",
            pointer="/to_department_id",
            conflict=False,
        )


@check(cylinders.CylinderCondemned)
def _condemned_once(body: cylinders.CylinderCondemned, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _cylinder(known, body).condemned_at is not None:
        yield Refusal(code="cylinder-condemned", detail="The cylinder is condemned already.")


@check(cylinders.CylinderRetired)
def _retired_once(body: cylinders.CylinderRetired, known: Known, moment: datetime) -> Iterable[Refusal]:
    if _cylinder(known, body).retired_at is not None:
        yield Refusal(code="cylinder-retired", detail="The cylinder is retired already.")
