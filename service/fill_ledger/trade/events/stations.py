"""Events about stations, their fill positions and the policy of the department."""

import uuid
from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.county import TimeZoneName
from fill_ledger.trade.events.envelope import Body, Nature, Psi, SealedText, ShortText, event
from fill_ledger.trade.identifiers import Subject, SubjectKind, codes_subject

StationCode = Annotated[
    str, Meta(pattern=r"^[A-Z0-9-]{1,16}\Z", max_length=16, description="short code, unique in the department")
]
StationKind = Literal["fixed", "mobile"]
Days = Annotated[int, Meta(ge=1, le=3_660)]
AlarmAbout = Literal["air", "temperature", "pressure", "filter", "power", "other"]
FillPressure = Annotated[int, Meta(ge=500, le=10_000, description="gauge pressure a cylinder is filled to, whole psi")]


@event("policy.set", Nature.OFFICE)
class PolicySet(Body, frozen=True, kw_only=True):
    """The department's policy from now on, whole. Policy may tighten law, never loosen it.

    `requalification_due` says until when a cylinder may be filled: `lenient` to the end of the month in which its
    requalification is due, `strict` to the end of the month before (no text read settles it).
    `mutual_aid_department_ids` names the neighbours whose cylinders are filled here; None names nobody.
    `air_standard` names a standard of the rulebook by which samples are judged again, analyte by analyte; None leaves
    it at the laboratory's verdict. `scuba_air_standard` is asked for as well where a SCUBA cylinder is filled.
    `filter_life_*`, `co_calibration_interval_days` and `training_interval_days` are asked for where given.
    `gauge_tolerance_psi` and `fill_rate_max_psi_per_minute` may be stricter than the rules' own figures.
    `bank_needs_own_sample`: without it a storage bank that has no current sample is judged by those of the compressors
    of its station, which is common practice.
    `replaces_event_id` is the policy this one was made from: another one meanwhile, and the entry is refused. It is
    the nil UUID (RFC 9562) where there was none yet, and None where it does not matter.
    """

    department_id: uuid.UUID
    requalification_due: Literal["lenient", "strict"] = "lenient"
    air_sample_interval_days: Days = 92
    air_sample_interval_source: ShortText = "department policy"
    mutual_aid_department_ids: Annotated[tuple[uuid.UUID, ...], Meta(max_length=500)] | None = None
    bank_needs_own_sample: bool = True
    member_required: bool = True
    owner_consent_required: bool = True
    air_standard: ShortText | None = None
    scuba_fills_allowed: bool = True
    scuba_air_standard: ShortText | None = None
    scuba_visual_required: bool = False
    filter_life_tenths_h: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    filter_life_days: Days | None = None
    co_calibration_interval_days: Days | None = None
    training_interval_days: Days | None = None
    training_interval_source: ShortText | None = None
    life_extensions_accepted: bool = False
    fill_limit_cap_psi: FillPressure | None = None
    gauge_tolerance_psi: Annotated[int, Meta(ge=0, le=50)] | None = None
    fill_rate_max_psi_per_minute: Annotated[int, Meta(ge=50, le=600)] | None = None
    fast_fills_allowed: bool = True
    replaces_event_id: uuid.UUID | None = None

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.POLICY, self.department_id),)


class StationBody(Body, frozen=True, kw_only=True):
    """Base of events that change a station."""

    station_id: uuid.UUID

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.STATION, self.station_id),)


@event("station.registered", Nature.OFFICE)
class StationRegistered(StationBody, frozen=True, kw_only=True):
    """A fill station, fixed or on a truck. Its local calendar decides what "this month" is."""

    name: ShortText
    code: StationCode
    station_kind: StationKind
    time_zone: TimeZoneName | None = None  # None: the department's

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.STATION, self.station_id), codes_subject())


@event("station.details_corrected", Nature.OFFICE)
class StationDetailsCorrected(StationBody, frozen=True, kw_only=True):
    """Details of a station were wrong or have changed. Fields left out stay as they are."""

    name: ShortText | None = None
    code: StationCode | None = None
    time_zone: TimeZoneName | None = None

    def folds_into(self) -> Iterable[Subject]:
        yield Subject(SubjectKind.STATION, self.station_id)
        if self.code is not None:
            yield codes_subject()


@event("station.closed", Nature.OFFICE, sealed=("reason",))
class StationClosed(StationBody, frozen=True, kw_only=True):
    """No fills at this station until it is opened again."""

    reason: SealedText


@event("station.opened", Nature.OFFICE, sealed=("reason",))
class StationOpened(StationBody, frozen=True, kw_only=True):
    """A closed station is in service again."""

    reason: SealedText | None = None


@event("fill_position.registered", Nature.OFFICE)
class FillPositionRegistered(StationBody, frozen=True, kw_only=True):
    """A connection at a station, with what its regulator is set to and its hose is rated for."""

    fill_position_id: uuid.UUID
    label: ShortText
    regulator_psi: Psi | None = None
    hose_rating_psi: Psi | None = None


@event("fill_position.removed", Nature.OFFICE)
class FillPositionRemoved(StationBody, frozen=True, kw_only=True):
    """The connection is gone; its past fills stay."""

    fill_position_id: uuid.UUID


@event("alarm.raised", Nature.OBSERVATION, sealed=("note",))
class AlarmRaised(StationBody, frozen=True, kw_only=True):
    """The station raised an alarm, such as carbon monoxide or high temperature.

    It is open until it is ended. Without `air_source_id` it is about the whole station. While one about the air or the
    temperature is open, or one that does not say what it is about, nothing is permitted; the others are advice.
    """

    alarm_id: uuid.UUID
    alarm_kind: ShortText
    alarm_about: AlarmAbout | None = None  # None: not said
    air_source_id: uuid.UUID | None = None
    reading: ShortText | None = None
    note: SealedText | None = None

    def mentions(self) -> Iterable[Subject]:
        if self.air_source_id is not None:
            yield Subject(SubjectKind.AIR_SOURCE, self.air_source_id)


@event("alarm.ended", Nature.OBSERVATION, sealed=("reason",))
class AlarmEnded(StationBody, frozen=True, kw_only=True):
    """An alarm is over. A person who ends one, because the device cannot, says why."""

    alarm_id: uuid.UUID
    reason: SealedText | None = None


@event("clock.read", Nature.OBSERVATION, order_free=True)
class ClockRead(StationBody, frozen=True, kw_only=True):
    """The device compared its clock with a better one; `ahead_ms` is negative where it was behind."""

    ahead_ms: Annotated[int, Meta(ge=-(2**53 - 1), le=2**53 - 1)]

    def folds_into(self) -> Iterable[Subject]:
        return ()

    def mentions(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.STATION, self.station_id),)


@event("roster.applied", Nature.OBSERVATION, order_free=True)
class RosterApplied(StationBody, frozen=True, kw_only=True):
    """The station took over a roster for deciding alone."""

    roster_digest: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z", max_length=64)]

    def folds_into(self) -> Iterable[Subject]:
        return ()

    def mentions(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.STATION, self.station_id),)
