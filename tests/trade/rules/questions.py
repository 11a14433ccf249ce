"""A question that is answered with a plain permit, and ways to spoil it one piece at a time."""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from fill_ledger.trade.events.air import Analyte, AnalyteResult, AnalyteUnit
from fill_ledger.trade.events.cylinders import CylinderDetails, LifeExtension, RequalificationStamp, ServicePressure
from fill_ledger.trade.events.rulebook import SpecificationEntry
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.judgement import Judgement, Question, judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.states.alarms import Alarm
from fill_ledger.trade.states.base import Period
from fill_ledger.trade.states.cylinders import CylinderState, Hold, Inspection, LifeExtended, Requalification
from fill_ledger.trade.states.members import Authorisation, MemberState, Training
from fill_ledger.trade.states.stations import (
    AirSourceState,
    CoCalibration,
    FillPosition,
    FilterChange,
    Reading,
    Sample,
    StationState,
)

DEPARTMENT_ID = uuid.UUID("00000000-0000-4000-8000-0000000000d1")
NEIGHBOUR_ID = uuid.UUID("00000000-0000-4000-8000-0000000000d2")
STATION_ID = uuid.UUID("00000000-0000-4000-8000-0000000000a1")
POSITION_ID = uuid.UUID("00000000-0000-4000-8000-0000000000b1")
SOURCE_ID = uuid.UUID("00000000-0000-4000-8000-0000000000c1")
OTHER_SOURCE_ID = uuid.UUID("00000000-0000-4000-8000-0000000000c2")
EVENT_ID = uuid.UUID("00000000-0000-4000-8000-0000000000e1")
LONG_AGO = datetime(2001, 1, 1, tzinfo=UTC)
AT = datetime(2026, 6, 15, 14, tzinfo=UTC)
ZONE = "America/New_York"
AT_EVERY_FILL = ["look-over", "fill-rate", "bleed-hose"]
UNITS: dict[Analyte, AnalyteUnit] = {
    "oxygen": "percent",
    "nitrogen": "percent",
    "carbon_monoxide": "ppm",
    "carbon_dioxide": "ppm",
    "oil": "mg_per_m3",
    "hydrocarbons": "ppm",
    "water": "ppm",
    "dew_point": "deg_f",
    "odour": "none",
}
# A plain good sample by the limits of NFPA 1989-2019 as a laboratory sums them up (secondary).
WITHIN_NFPA: dict[Analyte, str] = {
    "oxygen": "20.9",
    "nitrogen": "78.1",
    "carbon_monoxide": "1",
    "carbon_dioxide": "400",
    "oil": "0.1",
    "hydrocarbons": "2",
    "water": "10",
    "odour": "none",
}


def stamp(month: str, outcome: Any = "pass", *marks: str) -> Requalification:
    """A requalification reported on the first of the year after it, long enough to be believed."""
    year = int(month[:4]) + 1
    return Requalification(
        event_id=EVENT_ID,
        reported_at=datetime(year, 1, 15, tzinfo=UTC),
        stamp=RequalificationStamp(month=month, outcome=outcome, marks=marks or None),
    )


def cylinder(
    *stamps: Requalification,
    specification: str = "DOT-3AA2216",
    pressure: str = "2216",
    unit: Any = "psi",
    use: Any = "scba",
    manufactured: str | None = "2010-01",
    **fields: Any,
) -> CylinderState:
    """A cylinder in date unless told otherwise. Details that are no argument of their own are given as `details_*`."""
    more = {name.removeprefix("details_"): fields.pop(name) for name in list(fields) if name.startswith("details_")}
    return CylinderState(
        department_id=DEPARTMENT_ID,
        subject_id=uuid.UUID(int=77),
        registered_at=LONG_AGO,
        inventory_number="1001",
        details=CylinderDetails(
            serial="AB1234",
            specification=specification,
            service_pressure=ServicePressure(value=pressure, unit=unit),
            use=use,
            manufactured=manufactured,
            **more,
        ),
        requalifications=list(stamps) or [stamp("2024-09")],
        **fields,
    )


def sample(
    taken_on: str,
    verdict: str = "pass",
    *,
    reported_at: datetime = LONG_AGO,
    results: Mapping[Analyte, str] | None = None,
) -> Sample:
    """A laboratory's result; figures are given by analyte, in the unit laboratories use, and odour in words."""
    return Sample(
        sample_id=EVENT_ID,
        event_id=EVENT_ID,
        taken_on=taken_on,
        verdict=verdict,
        standard="NFPA 1989",
        reported_at=reported_at,
        results=None
        if results is None
        else tuple(
            AnalyteResult(analyte=analyte, unit="none", text=found)
            if analyte == "odour"
            else AnalyteResult(analyte=analyte, unit=UNITS[analyte], value=found)
            for analyte, found in results.items()
        ),
    )


def source(*samples: Sample, source_id: uuid.UUID = SOURCE_ID, **fields: Any) -> AirSourceState:
    """A compressor with a fresh sample unless told otherwise."""
    defaults: dict[str, Any] = {
        "station_id": STATION_ID,
        "label": "Compressor 1",
        "air_source_kind": "compressor",
        "registered_at": LONG_AGO,
        "samples": list(samples) or [sample("2026-06-01")],
    }
    return AirSourceState(department_id=DEPARTMENT_ID, subject_id=source_id, **(defaults | fields))


def station(**fields: Any) -> StationState:
    """An open station with one fill position."""
    defaults: dict[str, Any] = {
        "code": "ST1",
        "registered_at": LONG_AGO,
        "positions": [
            FillPosition(event_id=EVENT_ID, starts_at=LONG_AGO, fill_position_id=POSITION_ID, label="Position 1")
        ],
    }
    return StationState(department_id=DEPARTMENT_ID, subject_id=STATION_ID, **(defaults | fields))


def position(regulator_psi: int | None = None, hose_rating_psi: int | None = None) -> StationState:
    """A station whose fill position has these ratings."""
    return station(
        positions=[
            FillPosition(
                event_id=EVENT_ID,
                starts_at=LONG_AGO,
                fill_position_id=POSITION_ID,
                label="Position 1",
                regulator_psi=regulator_psi,
                hose_rating_psi=hose_rating_psi,
            )
        ]
    )


def authorisation(*kinds: str, **fields: Any) -> Authorisation:
    """An authorisation that never ends unless told otherwise."""
    defaults: dict[str, Any] = {"event_id": EVENT_ID, "starts_at": LONG_AGO, "kinds": kinds}
    return Authorisation(**(defaults | fields))


def member(*authorisations: Authorisation, **fields: Any) -> MemberState:
    """A member who may fill everything unless told otherwise."""
    defaults: dict[str, Any] = {
        "enrolled_at": LONG_AGO,
        "authorisations": list(authorisations) or [authorisation("scba", "scuba", "storage")],
    }
    return MemberState(department_id=DEPARTMENT_ID, subject_id=uuid.UUID(int=88), **(defaults | fields))


def policy(**fields: Any) -> PolicySet:
    """The department's policy: the defaults unless told otherwise."""
    return PolicySet(department_id=DEPARTMENT_ID, **fields)


def book(**fields: Any) -> Rulebook:
    """A rulebook with one specification of the county's beside those of the release."""
    defaults: dict[str, Any] = {"interval_years": 10, "source": "the permit's own text", "confidence": "read"}
    return Rulebook((*SPECIFICATIONS, SpecificationEntry(**(defaults | fields))), ())


def question(**fields: Any) -> Question:
    """A question that is answered with a plain permit unless told otherwise."""
    defaults: dict[str, Any] = {
        "department_id": DEPARTMENT_ID,
        "at": AT,
        "time_zone": ZONE,
        "policy": policy(),
        "cylinder": cylinder(),
        "owner_department_id": DEPARTMENT_ID,
        "station": station(),
        "air_sources": (source(),),
        "member": member(),
        "member_asked": True,
    }
    return Question(**(defaults | fields))


def answer(**fields: Any) -> Judgement:
    """Judge a question that is a plain permit but for these fields."""
    return judge(question(**fields))


def codes(judgement: Judgement) -> list[str]:
    """Every code of a judgement in order: what denies, what obliges, what advises."""
    return [reason.code for reason in (*judgement.reasons, *judgement.obligations, *judgement.advice)]


def hold(kind: str = "damage", starts_at: datetime = LONG_AGO, ends_at: datetime | None = None) -> Hold:
    """A hold."""
    return Hold(event_id=EVENT_ID, hold_id=EVENT_ID, hold_kind=kind, starts_at=starts_at, ends_at=ends_at)


def period(starts_at: datetime = LONG_AGO, ends_at: datetime | None = None) -> Period:
    """A closure, an outage or an absence."""
    return Period(event_id=EVENT_ID, starts_at=starts_at, ends_at=ends_at)


def inspection(kind: str, outcome: str, inspected_at: datetime) -> Inspection:
    """An inspection."""
    return Inspection(inspection_kind=kind, outcome=outcome, inspected_at=inspected_at, event_id=EVENT_ID)


def alarm(
    raised_at: datetime | None = LONG_AGO,
    ended_at: datetime | None = None,
    source_id: uuid.UUID | None = None,
    **fields: Any,
) -> Alarm:
    """An alarm of carbon monoxide that says not what it is about, of the whole station unless told otherwise."""
    given: dict[str, Any] = {"alarm_kind": "carbon monoxide", "reading": "12 ppm"} | fields
    return Alarm(
        alarm_id=EVENT_ID,
        air_source_id=source_id,
        raised_at=raised_at,
        ended_at=ended_at,
        **given,
    )


def extended(through: str, starts_at: datetime = LONG_AGO, *, permit: str = "DOT-SP 99998") -> LifeExtended:
    """An extension of the service life, known since long ago unless told otherwise."""
    return LifeExtended(event_id=EVENT_ID, starts_at=starts_at, extension=LifeExtension(permit=permit, through=through))


def filter_change(changed_at: datetime, run_time_tenths_h: int | None = None) -> FilterChange:
    """A filter change, with what the hour meter showed."""
    return FilterChange(event_id=EVENT_ID, changed_at=changed_at, run_time_tenths_h=run_time_tenths_h)


def meter_reading(read_at: datetime, run_time_tenths_h: int) -> Reading:
    """A reading of the hour meter."""
    return Reading(event_id=EVENT_ID, read_at=read_at, value=run_time_tenths_h)


def calibration(calibrated_on: str, due_on: str | None = None) -> CoCalibration:
    """A calibration of the carbon monoxide monitor."""
    return CoCalibration(event_id=EVENT_ID, calibrated_on=calibrated_on, due_on=due_on)


def training(trained_on: str) -> Training:
    """A training."""
    return Training(event_id=EVENT_ID, trained_on=trained_on)
