"""Events about filling: started, filled, denied, abandoned, by hand, off a hose, overrides and readings."""

import uuid
from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.cylinders import TagText
from fill_ledger.trade.events.envelope import (
    REPORTED_MAX,
    REPORTED_MIN,
    Body,
    Count,
    Moment,
    Nature,
    ReportedPsi,
    SealedText,
    ShortText,
    Use,
    event,
)
from fill_ledger.trade.identifiers import Subject, SubjectKind, tag_subject

FillMode = Literal["automatic", "manual", "fast"]
GasTemperature = Annotated[
    int,
    Meta(ge=REPORTED_MIN, le=REPORTED_MAX, description="gas temperature as a device reports it, whole degrees F"),
]
Duration = Annotated[
    int, Meta(ge=REPORTED_MIN, le=REPORTED_MAX, description="how long air flowed as a device reports it, seconds")
]
# Whatever was keyed in is taken; the rules say of it what cannot be read as a month.
KeyedMonth = Annotated[str, Meta(max_length=7, extra={"wanted": "a month as YYYY-MM, such as 2019-02"})]
PermitReference = Annotated[str, Meta(max_length=512)]
MAXIMUM_SOURCES = 20


class FillSource(Body, frozen=True, kw_only=True):
    """One source the air came from; with storage, which bottle and its gauge before and after."""

    air_source_id: uuid.UUID
    bottle_id: uuid.UUID | None = None
    start_psi: ReportedPsi | None = None
    end_psi: ReportedPsi | None = None


class Override(Body, frozen=True, kw_only=True):
    """Somebody went ahead in spite of a denial, or without an answer."""

    reason_code: ShortText
    approved_by: uuid.UUID | None = None


class AsMarked(Body, frozen=True, kw_only=True):
    """What is stamped on a cylinder that nobody registered, keyed in by the operator."""

    serial: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    specification: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    service_pressure_value: Annotated[str, Meta(pattern=r"^[0-9]{1,6}(\.[0-9]{1,3})?\Z", max_length=10)] | None = None
    service_pressure_unit: Literal["psi", "bar", "kpa", "mpa"] | None = None
    manufactured: KeyedMonth | None = None
    last_requalified: KeyedMonth | None = None
    marked_life_ends: KeyedMonth | None = None
    owner: ShortText | None = None
    use: Use | None = None  # what it is used for; left out it is taken as SCBA


class FillSubject(Body, frozen=True, kw_only=True):
    """Base of facts about one attempt to fill one cylinder, known by id, by tag, by its marks, or not at all."""

    cylinder_id: uuid.UUID | None = None
    tag: TagText | None = None
    cylinder_as_marked: AsMarked | None = None
    member_id: uuid.UUID | None = None
    station_id: uuid.UUID | None = None  # None: the station of the reporting controller
    fill_position_id: uuid.UUID | None = None

    def folds_into(self) -> Iterable[Subject]:
        if self.cylinder_id is not None:
            yield Subject(SubjectKind.CYLINDER, self.cylinder_id)

    def mentions(self) -> Iterable[Subject]:
        if self.tag is not None:
            yield tag_subject(self.tag)
        if self.member_id is not None:
            yield Subject(SubjectKind.MEMBER, self.member_id)
        if self.station_id is not None:
            yield Subject(SubjectKind.STATION, self.station_id)


@event("cylinder.fill_started", Nature.OBSERVATION, order_free=True)
class FillStarted(FillSubject, frozen=True, kw_only=True):
    """Air began to flow. `attempt_id` ties it to the fact that ends it."""

    attempt_id: uuid.UUID | None = None
    start_psi: ReportedPsi | None = None
    mode: FillMode | None = None
    permit_reference: PermitReference | None = None

    def folds_into(self) -> Iterable[Subject]:
        return ()

    def mentions(self) -> Iterable[Subject]:
        if self.cylinder_id is not None:
            yield Subject(SubjectKind.CYLINDER, self.cylinder_id)
        yield from super().mentions()


@event("cylinder.filled", Nature.OBSERVATION, order_free=True, sealed=("note",))
class Filled(FillSubject, frozen=True, kw_only=True):
    """A cylinder was filled. The one fact the whole service exists for."""

    attempt_id: uuid.UUID | None = None
    mode: FillMode | None = None
    sources: Annotated[tuple[FillSource, ...], Meta(max_length=MAXIMUM_SOURCES)] | None = None
    start_psi: ReportedPsi | None = None
    end_psi: ReportedPsi | None = None
    gas_temperature_f: GasTemperature | None = None
    duration_s: Duration | None = None
    look_over: Literal["passed", "failed", "not_done"] | None = None
    owner_consent: bool | None = None
    override: Override | None = None
    permit_reference: PermitReference | None = None
    roster_position: Count | None = None
    note: SealedText | None = None

    def mentions(self) -> Iterable[Subject]:
        yield from super().mentions()
        for source in self.sources or ():
            yield Subject(SubjectKind.AIR_SOURCE, source.air_source_id)


@event("cylinder.filled_by_hand", Nature.OBSERVATION, order_free=True, sealed=("note",))
class FilledByHand(Filled, frozen=True, kw_only=True):
    """A fill by hand valves, such as in a power cut, entered from paper with its true time."""


@event("cylinder.fill_denied", Nature.OBSERVATION, order_free=True)
class FillDenied(FillSubject, frozen=True, kw_only=True):
    """Somebody wanted a fill and was denied."""

    attempt_id: uuid.UUID | None = None
    code: ShortText
    decided_from: Literal["service", "roster", "marks"] | None = None

    def folds_into(self) -> Iterable[Subject]:
        return ()

    def mentions(self) -> Iterable[Subject]:
        if self.cylinder_id is not None:
            yield Subject(SubjectKind.CYLINDER, self.cylinder_id)
        yield from super().mentions()


@event("cylinder.fill_abandoned", Nature.OBSERVATION, order_free=True, sealed=("note",))
class FillAbandoned(FillDenied, frozen=True, kw_only=True):
    """A fill that was begun or permitted did not come to an end as planned."""

    code: ShortText = "abandoned"
    end_psi: ReportedPsi | None = None
    note: SealedText | None = None


@event("hose.filled", Nature.OBSERVATION, order_free=True, sealed=("note",))
class HoseFilled(Body, frozen=True, kw_only=True):
    """Air was delivered off a hose to something that is not a cylinder of record."""

    station_id: uuid.UUID | None = None
    fill_position_id: uuid.UUID | None = None
    member_id: uuid.UUID | None = None
    sources: Annotated[tuple[FillSource, ...], Meta(max_length=MAXIMUM_SOURCES)] | None = None
    end_psi: ReportedPsi | None = None
    note: SealedText | None = None

    def mentions(self) -> Iterable[Subject]:
        if self.station_id is not None:
            yield Subject(SubjectKind.STATION, self.station_id)
        if self.member_id is not None:
            yield Subject(SubjectKind.MEMBER, self.member_id)
        for source in self.sources or ():
            yield Subject(SubjectKind.AIR_SOURCE, source.air_source_id)


@event("pressure.read", Nature.OBSERVATION, order_free=True)
class PressureRead(FillSubject, frozen=True, kw_only=True):
    """A cylinder's gauge was read without filling."""

    pressure_psi: ReportedPsi
    gas_temperature_f: GasTemperature | None = None


@event("override.used", Nature.OBSERVATION, order_free=True, sealed=("note",))
class OverrideUsed(FillSubject, frozen=True, kw_only=True):
    """An operator went ahead without or against an answer."""

    override: Override
    note: SealedText | None = None

    def folds_into(self) -> Iterable[Subject]:
        return ()


@event("cylinder.filled_elsewhere", Nature.LEDGER, order_free=True)
class FilledElsewhere(Body, frozen=True, kw_only=True):
    """Another department's station filled this cylinder (mutual aid). Points at the event in their ledger."""

    cylinder_id: uuid.UUID
    at_department_id: uuid.UUID
    at_station_id: uuid.UUID | None = None
    at_event_id: uuid.UUID
    at_position: Annotated[int, Meta(ge=1, le=2**53 - 1)]
    at_digest: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z", max_length=64)]
    filled_at: Moment
    start_psi: ReportedPsi | None = None
    end_psi: ReportedPsi | None = None

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.CYLINDER, self.cylinder_id),)
