"""Histories as the folds may meet them, sensible or not, and questions about them."""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar, get_args

from hypothesis import strategies as st
from msgspec import structs

from fill_ledger.trade.events import air, cylinders, fills, members, stations
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.judgement import Question
from fill_ledger.trade.states.base import Fold, State
from fill_ledger.trade.states.cylinders import cylinder_fold
from fill_ledger.trade.states.members import member_fold
from fill_ledger.trade.states.stations import air_source_fold, station_fold
from tests.trade.rules.questions import DEPARTMENT_ID, EVENT_ID, NEIGHBOUR_ID, POSITION_ID, SOURCE_ID, STATION_ID

AnyState = TypeVar("AnyState", bound=State)

CYLINDER_ID = uuid.UUID(int=77)
MEMBER_ID = uuid.UUID(int=88)
# Summer time north and south, no summer time, odd offsets, days skipped whole, and midnights that do not exist.
ZONES = (
    "America/New_York",
    "America/Phoenix",
    "America/Sao_Paulo",
    "America/St_Johns",
    "Asia/Kathmandu",
    "Pacific/Apia",
    "Pacific/Kiritimati",
    "Africa/Cairo",
    "UTC",
)
SPECIFICATIONS = (
    "DOT-3AA2216",
    "DOT-3AA2015",
    "DOT-3A2015",
    "DOT-3AL3000",
    "DOT-3AL2216 DOT-E6498",
    "DOT-SP10915-4500",
    "DOT-SP14232-5500",
    "DOT-E8059-2216",
    "DOT-SP99999-4500",
    "UN ISO 11119-2",
    "UN ISO 9809-1",
    "UN ISO 11118",
    "TC-3ALM207",
    "TC-SU4957-310",
    "DOT-3HT1850",
    "DOT-39",
    "DOT-3AX2400",
    "ASME",
    "ISO 9809-1",
    "no mark at all",
    "é" * 40,
)


def moments_between(first: datetime, last: datetime) -> st.SearchStrategy[datetime]:
    """Aware moments in UTC; hypothesis takes naive bounds."""
    return st.datetimes(first.replace(tzinfo=None), last.replace(tzinfo=None), timezones=st.just(UTC))


moments = moments_between(datetime(2004, 1, 1, tzinfo=UTC), datetime(2034, 12, 31, tzinfo=UTC))
months = st.builds(
    lambda year, month: f"{year:04d}-{month:02d}",
    st.one_of(st.integers(2003, 2033), st.sampled_from([1900, 1945, 1985, 2199, 2200])),
    st.integers(1, 12),
)
days = st.builds(
    lambda year, month, day: f"{year:04d}-{month:02d}-{day:02d}",
    st.integers(2004, 2034),
    st.integers(1, 12),
    st.integers(1, 31),
)
marks = st.lists(st.sampled_from(["+", "star", "VE", "E", "S", "UE"]), max_size=3).map(tuple)
uses = st.sampled_from(["scba", "scuba", "storage"])
stamps = st.builds(
    cylinders.RequalificationStamp,
    month=months,
    outcome=st.sampled_from(["pass", "pass", "pass", "rejected", "condemned"]),
    marks=marks,
)
pressures = st.builds(
    cylinders.ServicePressure,
    value=st.sampled_from(["2216", "2015", "4500", "310", "45000", "0", "007", "31.05"]),
    unit=st.sampled_from(["psi", "psi", "bar", "kpa", "mpa"]),
)
details = st.builds(
    cylinders.CylinderDetails,
    serial=st.text(min_size=1, max_size=64),
    specification=st.sampled_from(SPECIFICATIONS),
    service_pressure=pressures,
    use=uses,
    manufactured=st.none() | months,
    water_volume_ml=st.none() | st.integers(100, 3_000_000),
    material=st.none() | st.sampled_from(["steel", "aluminium", "composite", "nickel"]),
    alloy=st.none() | st.sampled_from(["6351-T6", "6061-T6", ""]),
    marked_life_ends=st.none() | months,
)
holds = st.sampled_from([uuid.UUID(int=1), uuid.UUID(int=2)])
alarms = st.sampled_from([uuid.UUID(int=3), uuid.UUID(int=4)])
run_times = st.none() | st.sampled_from([0, 400, 500, 1_200])


def _of_cylinder() -> st.SearchStrategy[Body]:
    one = st.just(CYLINDER_ID)
    return st.one_of(
        st.builds(cylinders.CylinderRequalified, cylinder_id=one, stamp=stamps),
        st.builds(cylinders.CylinderDetailsCorrected, cylinder_id=one, details=details, reason=st.just("x")),
        st.builds(
            cylinders.CylinderHeld,
            cylinder_id=one,
            hold_id=holds,
            hold_kind=st.sampled_from(["air", "recall"]),
            reason=st.just("x"),
            clears_by=st.none() | st.text(min_size=1, max_size=200),
        ),
        st.builds(cylinders.CylinderHoldReleased, cylinder_id=one, hold_id=holds, reason=st.just("x")),
        st.builds(
            cylinders.CylinderInspected,
            cylinder_id=one,
            inspection_kind=st.sampled_from(["monthly", "visual_external", "visual_internal"]),
            outcome=st.sampled_from(["pass", "fail"]),
        ),
        st.builds(
            cylinders.CylinderLifeExtended,
            cylinder_id=one,
            extension=st.builds(
                cylinders.LifeExtension,
                permit=st.just("DOT-SP 16320") | st.text(min_size=1, max_size=200),
                through=months,
            ),
        ),
        st.builds(cylinders.CylinderTransferredOut, cylinder_id=one, to_department_id=st.just(NEIGHBOUR_ID)),
        st.builds(cylinders.CylinderCondemned, cylinder_id=one, reason=st.just("x")),
        st.builds(cylinders.CylinderRetired, cylinder_id=one, reason=st.just("x")),
        st.builds(fills.Filled, cylinder_id=one, end_psi=st.just(4500)),
    )


def _of_station() -> st.SearchStrategy[Body]:
    one = st.just(STATION_ID)
    ratings = st.none() | st.sampled_from([0, 2216, 4500, 5500])
    return st.one_of(
        st.builds(stations.StationClosed, station_id=one, reason=st.just("x")),
        st.builds(stations.StationOpened, station_id=one),
        st.builds(
            stations.FillPositionRegistered,
            station_id=one,
            fill_position_id=st.just(POSITION_ID),
            label=st.just("Position 1"),
            regulator_psi=ratings,
            hose_rating_psi=ratings,
        ),
        st.builds(stations.FillPositionRemoved, station_id=one, fill_position_id=st.just(POSITION_ID)),
        st.builds(
            stations.AlarmRaised,
            station_id=one,
            alarm_id=alarms,
            alarm_kind=st.just("carbon monoxide"),
            alarm_about=st.sampled_from([None, "air", "pressure"]),
            air_source_id=st.sampled_from([None, SOURCE_ID, EVENT_ID]),
        ),
        st.builds(stations.AlarmEnded, station_id=one, alarm_id=alarms),
    )


def _of_source() -> st.SearchStrategy[Body]:
    one = st.just(SOURCE_ID)
    return st.one_of(
        st.builds(
            air.AirSourceSampled,
            air_source_id=one,
            sample_id=st.just(EVENT_ID),
            taken_on=days,
            verdict=st.sampled_from(["pass", "pass", "fail"]),
            standard=st.just("NFPA 1989"),
            results=st.none()
            | st.lists(
                st.builds(
                    air.AnalyteResult,
                    analyte=st.sampled_from(get_args(air.Analyte)),
                    value=st.none() | st.sampled_from(["5", "9", "20.9", "-70", "0"]),
                    unit=st.sampled_from(["percent", "ppm", "mg_per_m3", "deg_f", "none"]),
                    text=st.none()
                    | st.text(min_size=1, max_size=200)
                    | st.sampled_from(["none detected", "< 1", "< 9e999999"]),
                ),
                max_size=3,
            ).map(tuple),
        ),
        st.builds(air.CoMonitorCalibrated, air_source_id=one, calibrated_on=days, due_on=st.none() | days),
        st.builds(air.FilterChanged, air_source_id=one, run_time_tenths_h=run_times),
        st.builds(air.CompressorHoursRead, air_source_id=one, run_time_tenths_h=st.sampled_from([0, 400, 700, 2_000])),
        st.builds(air.AirSourceOutOfService, air_source_id=one, reason=st.just("x")),
        st.builds(air.AirSourceReturnedToService, air_source_id=one),
    )


def _of_member() -> st.SearchStrategy[Body]:
    one = st.just(MEMBER_ID)
    return st.one_of(
        st.builds(
            members.MemberAuthorised,
            member_id=one,
            kinds=st.lists(uses, max_size=3).map(tuple),
            through=st.none() | days,
            station_ids=st.none() | st.sampled_from([(STATION_ID,), (EVENT_ID,)]),
        ),
        st.builds(members.MemberTrained, member_id=one, trained_on=days),
        st.builds(members.MemberDeactivated, member_id=one),
        st.builds(members.MemberReactivated, member_id=one),
    )


def _registered_cylinder() -> st.SearchStrategy[Body]:
    return st.builds(
        cylinders.CylinderRegistered,
        cylinder_id=st.just(CYLINDER_ID),
        details=details,
        requalifications=st.lists(stamps, max_size=3).map(tuple),
    )


def _folded(fold: Fold[AnyState], subject_id: uuid.UUID, dated: Sequence[tuple[datetime, Body]]) -> AnyState:
    events = [
        Event(
            department_id=DEPARTMENT_ID,
            event_id=uuid.UUID(int=1000 + number),
            occurred_at=at,
            effective_at=at,
            recorded_by=EVENT_ID,
            body=body,
        )
        for number, (at, body) in enumerate(dated)
    ]
    state = fold.empty(DEPARTMENT_ID, subject_id)
    for event in sorted(events, key=lambda event: event.key):
        fold.apply(state, event)
    return state


def _history(
    fold: Fold[AnyState], subject_id: uuid.UUID, first: st.SearchStrategy[Body], later: st.SearchStrategy[Body]
) -> st.SearchStrategy[AnyState]:
    """A history whose first event mostly comes first: a late fact may come before a registration."""
    early = moments_between(datetime(2004, 1, 1, tzinfo=UTC), datetime(2010, 1, 1, tzinfo=UTC))
    beginning = st.lists(st.tuples(early, first), min_size=0 if subject_id == CYLINDER_ID else 1, max_size=1)
    return st.builds(
        lambda begun, rest: _folded(fold, subject_id, [*begun, *rest]),
        beginning,
        st.lists(st.tuples(moments, later), max_size=5),
    )


cylinder_states = _history(cylinder_fold, CYLINDER_ID, _registered_cylinder(), _of_cylinder())
station_states = _history(
    station_fold,
    STATION_ID,
    st.just(stations.StationRegistered(station_id=STATION_ID, name="One", code="ST1", station_kind="fixed")),
    _of_station(),
)
source_states = _history(
    air_source_fold,
    SOURCE_ID,
    st.builds(
        air.AirSourceRegistered,
        air_source_id=st.just(SOURCE_ID),
        station_id=st.just(STATION_ID),
        air_source_kind=st.sampled_from(["compressor", "storage_bank", "purchased"]),
        label=st.text(min_size=1, max_size=200),
    ),
    _of_source(),
)
beside_states = source_states.map(lambda state: structs.replace(state, subject_id=EVENT_ID))
member_states = _history(member_fold, MEMBER_ID, st.just(members.MemberEnrolled(member_id=MEMBER_ID)), _of_member())
as_marked = st.builds(
    fills.AsMarked,
    serial=st.none() | st.text(min_size=1, max_size=64),
    specification=st.none() | st.sampled_from(SPECIFICATIONS),
    service_pressure_value=st.none() | st.sampled_from(["4500", "310", "45000"]),
    service_pressure_unit=st.none() | st.sampled_from(["psi", "bar"]),
    manufactured=st.none() | months | st.text(max_size=7),
    last_requalified=st.none() | months | st.text(max_size=7),
    marked_life_ends=st.none() | months | st.text(max_size=7),
)


def _near_local_midnight(at: datetime, offset: timedelta) -> datetime:
    return at.replace(day=1, hour=0, minute=0, second=0, microsecond=0) + offset


# Half of all questions fall within a day of a month's turn, where answers change.
question_moments = st.one_of(
    moments,
    st.builds(
        _near_local_midnight,
        moments,
        st.timedeltas(min_value=timedelta(hours=-26), max_value=timedelta(hours=26)),
    ),
)


def questions(**fixed: st.SearchStrategy[Any]) -> st.SearchStrategy[Question]:
    """Any question; `fixed` narrows single fields."""
    parts: dict[str, st.SearchStrategy[Any]] = {
        "department_id": st.just(DEPARTMENT_ID),
        "at": question_moments,
        "time_zone": st.sampled_from(ZONES),
        "policy": st.builds(
            stations.PolicySet,
            department_id=st.just(DEPARTMENT_ID),
            requalification_due=st.sampled_from(["lenient", "strict"]),
            air_sample_interval_days=st.sampled_from([1, 92, 183, 3_660]),
            member_required=st.booleans(),
            owner_consent_required=st.booleans(),
            air_standard=st.none() | st.sampled_from(["NFPA 1989-2019", "EN 12021:2014", "OSHA Grade D", "none such"]),
            scuba_air_standard=st.none() | st.just("CGA Grade E"),
            scuba_fills_allowed=st.booleans(),
            scuba_visual_required=st.booleans(),
            filter_life_tenths_h=st.none() | st.sampled_from([1, 300, 1_000]),
            filter_life_days=st.none() | st.sampled_from([1, 90, 3_660]),
            co_calibration_interval_days=st.none() | st.sampled_from([1, 30, 3_660]),
            training_interval_days=st.none() | st.sampled_from([1, 365, 3_660]),
            life_extensions_accepted=st.booleans(),
            fast_fills_allowed=st.booleans(),
            bank_needs_own_sample=st.booleans(),
        ),
        "cylinder": st.none() | cylinder_states,
        "subject_problem": st.sampled_from([None, None, None, "unknown", "ambiguous", "unreadable"]),
        "owner_department_id": st.sampled_from([None, DEPARTMENT_ID, NEIGHBOUR_ID]),
        "as_marked": st.none() | as_marked,
        "station": st.none() | station_states,
        "fill_position_id": st.sampled_from([None, POSITION_ID, EVENT_ID]),
        "air_sources": st.lists(source_states, max_size=2).map(tuple),
        "air_source_id": st.sampled_from([None, SOURCE_ID, EVENT_ID]),
        "every_air_source": st.booleans(),
        "station_air_sources": st.lists(beside_states, max_size=1).map(tuple),
        "owner_shares": st.booleans(),
        "owner_consent": st.sampled_from([None, True, False]),
        "member": st.none() | member_states,
        "member_asked": st.booleans(),
        "mode": st.sampled_from([None, "automatic", "manual", "fast"]),
        "gas_temperature_f": st.none() | st.integers(-60, 250),
    }
    return st.builds(Question, **(parts | fixed))
