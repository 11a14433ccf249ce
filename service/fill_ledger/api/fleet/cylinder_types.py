"""What requests and answers about cylinders are made of, and how they become event bodies and back."""

import uuid
from collections.abc import Sequence
from typing import Annotated, Literal

from msgspec import Meta, Struct

from fill_ledger.api.http.problems import Fault
from fill_ledger.api.http.value_types import Count, GaugePsi, Moment, StrictStruct
from fill_ledger.trade.cylinder_marks import read_mark
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.events.envelope import ReportedPsi
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.trade.mark_types import Material, SpecificationFamily, SpecificationFault
from fill_ledger.trade.months import StampMonth
from fill_ledger.trade.pressure import PressureUnit
from fill_ledger.trade.requalifiers import RequalificationSuffix
from fill_ledger.trade.states.cylinders import KEPT_LIFE_EXTENSIONS, CylinderState, TagState
from fill_ledger.views.cylinders import service_pressure_psi, standing

MAXIMUM_STAMPS = 40
MAXIMUM_LISTED = 10_000  # of what one cylinder gathers in its life: holds, stamps, pairings

SerialAsStamped = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        pattern=r"^[^\x00-\x1f]*[A-Za-z0-9][^\x00-\x1f]*\Z",
        description="The serial as stamped. Case, spaces and hyphens do not count when serials are compared.",
    ),
]
InventoryNumber = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=24,
        pattern=r"^[A-Z0-9][A-Z0-9./-]{0,23}\Z",
        description="The department's own number, in upper case as painted. Never given twice.",
    ),
]
SpecificationText = Annotated[
    str, Meta(min_length=1, max_length=120, description="The specification or permit mark as stamped: DOT-3AA2015.")
]
StampedNumber = Annotated[
    str,
    Meta(
        max_length=10,
        pattern=r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,3})?\Z",
        description="The number exactly as stamped, as decimal text.",
    ),
]
TagAsRead = Annotated[
    str,
    Meta(
        min_length=1, max_length=200, description="A tag as a reader or a label gives it; one canonical text is kept."
    ),
]
Reason = Annotated[str, Meta(min_length=1, max_length=2000, description="Kept sealed, because it may name a person.")]
ShortText = Annotated[str, Meta(min_length=1, max_length=200)]
RequalifierNumber = Annotated[
    str,
    Meta(
        max_length=4,
        pattern=r"^[A-Z0-9]{4}\Z",
        description="Requalifier identification number, clockwise from the upper left of the square: A123.",
    ),
]
Signs = Annotated[
    tuple[RequalificationSuffix, ...],
    Meta(max_length=8, description="What is stamped after the date (49 CFR 180.213(f))."),
]
Use = Literal["scba", "scuba", "storage"]
Outcome = Literal["pass", "rejected", "condemned"]
Standing = Literal["unregistered", "in_service", "held", "rejected", "condemned", "retired", "transferred"]
ShownText = Annotated[str, Meta(max_length=2000)]


class ServicePressure(StrictStruct, frozen=True, kw_only=True):
    """Service pressure exactly as stamped. Converted to psi it is rounded down."""

    value: StampedNumber
    unit: PressureUnit


class Details(StrictStruct, frozen=True, kw_only=True):
    """What is stamped on a cylinder or written on its label, and what it is used for.

    Without `service_pressure` it is taken from the specification: DOT-3AA2015 says 2015 psi.
    """

    serial: SerialAsStamped
    specification: SpecificationText
    use: Use
    service_pressure: ServicePressure | None = None
    manufactured: StampMonth | None = None
    water_volume_ml: Annotated[int, Meta(ge=100, le=3_000_000)] | None = None
    material: Material | None = None
    alloy: Annotated[str, Meta(min_length=1, max_length=16)] | None = None
    maker_lot: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    home_station_id: uuid.UUID | None = None
    marked_life_ends: (
        Annotated[StampMonth, Meta(description="The end of its service life, where it is marked on the cylinder.")]
        | None
    ) = None


class Stamp(StrictStruct, frozen=True, kw_only=True):
    """One requalification: what the requalifier marked or reported. A stamp has a month and no day."""

    month: StampMonth
    outcome: Outcome
    requalifier: RequalifierNumber | None = None
    method: ShortText | None = None
    marks: Signs | None = None


class SpecificationRead(Struct, frozen=True, kw_only=True):
    """How the specification mark was read: null parts are not in it."""

    canonical: Annotated[str, Meta(max_length=200)]
    family: SpecificationFamily
    other_marks: Annotated[tuple[Annotated[str, Meta(max_length=200)], ...], Meta(max_length=20)]
    notes: Annotated[tuple[Annotated[str, Meta(max_length=500)], ...], Meta(max_length=20)]


class RequalificationShown(Struct, frozen=True, kw_only=True):
    """One requalification on record, with the event that reported it."""

    event_id: uuid.UUID
    reported_at: Moment
    month: StampMonth
    outcome: Outcome
    requalifier: Annotated[str, Meta(max_length=16)] | None
    method: Annotated[str, Meta(max_length=200)] | None
    marks: Annotated[tuple[Annotated[str, Meta(max_length=8)], ...], Meta(max_length=8)]


class HoldShown(Struct, frozen=True, kw_only=True):
    """One hold; it stands while `ends_at` is null. Its reason is listed at `/v1/holds`."""

    hold_id: uuid.UUID
    hold_kind: Annotated[str, Meta(max_length=16)]
    clears_by: Annotated[str, Meta(max_length=200)] | None
    starts_at: Moment
    ends_at: Moment | None


class InspectionShown(Struct, frozen=True, kw_only=True):
    """The newest inspection of one kind."""

    inspection_kind: Annotated[str, Meta(max_length=32)]
    outcome: Annotated[str, Meta(max_length=16)]
    inspected_at: Moment
    event_id: uuid.UUID


class LifeExtensionShown(Struct, frozen=True, kw_only=True):
    """An extension of the service life. Whether it counts is for the department's policy to say."""

    event_id: uuid.UUID
    entered_for: Moment
    permit: Annotated[str, Meta(max_length=200)]
    through: StampMonth
    requalifier: Annotated[str, Meta(max_length=16)] | None


class PairingShown(Struct, frozen=True, kw_only=True):
    """A tag while it was on the cylinder; it is there while `unpaired_at` is null."""

    tag: Annotated[str, Meta(max_length=128)]
    paired_at: Moment
    unpaired_at: Moment | None


class LastFillShown(Struct, frozen=True, kw_only=True):
    """The newest fill, wherever it happened."""

    event_id: uuid.UUID
    filled_at: Moment
    end_psi: ReportedPsi | None
    station_id: uuid.UUID | None


class CylinderView(Struct, frozen=True, kw_only=True):
    """Everything on record about one cylinder. `details` is null where only fills are known, but no registration."""

    cylinder_id: uuid.UUID
    department_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    standing: Standing
    details: Details | None
    service_pressure_psi: GaugePsi | None
    specification_read: SpecificationRead | None
    requalifications: Annotated[tuple[RequalificationShown, ...], Meta(max_length=MAXIMUM_LISTED)]
    holds: Annotated[tuple[HoldShown, ...], Meta(max_length=MAXIMUM_LISTED)]
    inspections: Annotated[tuple[InspectionShown, ...], Meta(max_length=MAXIMUM_LISTED)]
    life_extensions: Annotated[tuple[LifeExtensionShown, ...], Meta(max_length=KEPT_LIFE_EXTENSIONS)]
    tags: Annotated[tuple[PairingShown, ...], Meta(max_length=MAXIMUM_LISTED)]
    registered_at: Moment | None
    condemned_at: Moment | None
    retired_at: Moment | None
    transferred_at: Moment | None
    transferred_to: uuid.UUID | None
    fills_total: Count
    last_fill: LastFillShown | None


def details_body(given: Details) -> cylinders.CylinderDetails | Fault:
    """Return the details as an event keeps them: as stamped, with the service pressure from the mark if left out."""
    pressure = given.service_pressure
    if pressure is None:
        mark = read_mark(given.specification)
        if isinstance(mark, SpecificationFault):
            return Fault(code=mark.code, detail=f"{mark.detail}; {mark.suggestion}.", pointer="/details/specification")
        if mark.service_pressure is None:
            return Fault(
                code="missing-field",
                detail=f"The mark {mark.canonical} carries no service pressure: enter it as stamped.",
                pointer="/details/service_pressure",
            )
        pressure = ServicePressure(value=mark.service_pressure.value, unit=mark.service_pressure.unit)
    return cylinders.CylinderDetails(
        serial=" ".join(given.serial.split()),
        specification=" ".join(given.specification.split()),
        service_pressure=cylinders.ServicePressure(value=pressure.value, unit=pressure.unit.value),
        use=given.use,
        manufactured=given.manufactured,
        water_volume_ml=given.water_volume_ml,
        material=None if given.material is None else given.material.value,
        alloy=given.alloy,
        maker_lot=given.maker_lot,
        home_station_id=given.home_station_id,
        marked_life_ends=given.marked_life_ends,
    )


def stamp_body(given: Stamp) -> cylinders.RequalificationStamp:
    """Return a stamp as an event keeps it; no signs and an empty list of signs are the same."""
    return cylinders.RequalificationStamp(
        month=given.month,
        outcome=given.outcome,
        requalifier=given.requalifier,
        method=given.method,
        marks=tuple(sign.value for sign in given.marks) if given.marks else None,
    )


def cylinder_view(state: CylinderState, tags: Sequence[TagState]) -> CylinderView:
    """Return a cylinder as it is shown, with the states of the tags that were ever on it."""
    details = state.details
    last = state.last_fill
    return CylinderView(
        cylinder_id=state.subject_id,
        department_id=state.department_id,
        inventory_number=state.inventory_number,
        standing=standing(state),  # type: ignore[arg-type]
        details=None if details is None else _details_shown(details),
        service_pressure_psi=service_pressure_psi(state),
        specification_read=None if details is None else _specification_read(details.specification),
        requalifications=tuple(
            RequalificationShown(
                event_id=known.event_id,
                reported_at=known.reported_at,
                month=known.stamp.month,
                outcome=known.stamp.outcome,
                requalifier=known.stamp.requalifier,
                method=known.stamp.method,
                marks=known.stamp.marks or (),
            )
            for known in state.requalifications
        ),
        holds=tuple(
            HoldShown(
                hold_id=hold.hold_id,
                hold_kind=hold.hold_kind,
                clears_by=hold.clears_by,
                starts_at=hold.starts_at,
                ends_at=hold.ends_at,
            )
            for hold in state.holds
        ),
        inspections=tuple(
            InspectionShown(
                inspection_kind=known.inspection_kind,
                outcome=known.outcome,
                inspected_at=known.inspected_at,
                event_id=known.event_id,
            )
            for known in state.inspections
        ),
        life_extensions=tuple(
            LifeExtensionShown(
                event_id=known.event_id,
                entered_for=known.starts_at,
                permit=known.extension.permit,
                through=known.extension.through,
                requalifier=known.extension.requalifier,
            )
            for known in state.life_extensions
        ),
        tags=pairings_of(state.subject_id, tags),
        registered_at=state.registered_at,
        condemned_at=state.condemned_at,
        retired_at=state.retired_at,
        transferred_at=state.transferred_at,
        transferred_to=state.transferred_to,
        fills_total=state.fills_total,
        last_fill=None
        if last is None
        else LastFillShown(
            event_id=last.event_id, filled_at=last.filled_at, end_psi=last.end_psi, station_id=last.station_id
        ),
    )


def pairings_of(cylinder_id: uuid.UUID, tags: Sequence[TagState]) -> tuple[PairingShown, ...]:
    """Return when which tag was on a cylinder, oldest first."""
    found = [
        PairingShown(tag=tag.tag, paired_at=pairing.starts_at, unpaired_at=pairing.ends_at)
        for tag in tags
        if tag.tag is not None
        for pairing in tag.pairings
        if pairing.cylinder_id == cylinder_id
    ]
    return tuple(sorted(found, key=lambda pairing: (pairing.paired_at, pairing.tag)))


def _details_shown(details: cylinders.CylinderDetails) -> Details:
    return Details(
        serial=details.serial,
        specification=details.specification,
        use=details.use,
        service_pressure=ServicePressure(
            value=details.service_pressure.value, unit=PressureUnit(details.service_pressure.unit)
        ),
        manufactured=details.manufactured,
        water_volume_ml=details.water_volume_ml,
        material=None if details.material is None else Material(details.material),
        alloy=details.alloy,
        maker_lot=details.maker_lot,
        home_station_id=details.home_station_id,
        marked_life_ends=details.marked_life_ends,
    )


def _specification_read(text: str) -> SpecificationRead | None:
    mark = read_mark(text)
    if isinstance(mark, SpecificationFault):
        return None
    return SpecificationRead(
        canonical=mark.canonical, family=mark.family, other_marks=mark.other_marks, notes=mark.notes
    )


EXAMPLE_CYLINDER_ID = uuid.UUID("3c0b8a52-6f5e-4f0a-a5e1-0b7c5d1a9e44")
EXAMPLE_DETAILS = Details(
    serial="AX 40771",
    specification="DOT-3AA2216",
    use="scba",
    service_pressure=ServicePressure(value="2216", unit=PressureUnit.PSI),
    manufactured="2019-05",
    water_volume_ml=6_800,
)
EXAMPLE_STAMP = Stamp(month="2024-06", outcome="pass", requalifier="A123", marks=(RequalificationSuffix.PLUS,))
EXAMPLE_OTHER_DEPARTMENT_ID = uuid.UUID(int=COUNTY_ID.int + 41)
