"""Events about cylinders: registration, tags, requalification, holds, transfer and the end of life."""

import uuid
from collections.abc import Iterable
from typing import Annotated, Literal

from msgspec import Meta

from fill_ledger.trade.events.envelope import (
    Body,
    Month,
    Nature,
    SealedText,
    ShortText,
    Use,
    event,
)
from fill_ledger.trade.identifiers import Subject, SubjectKind, tag_subject

WaterVolume = Annotated[int, Meta(ge=100, le=3_000_000, description="water volume in millilitres")]
TagText = Annotated[str, Meta(min_length=4, max_length=128, description="tag in canonical text form")]
SerialText = Annotated[str, Meta(min_length=1, max_length=64)]
InventoryNumber = Annotated[
    str, Meta(pattern=r"^[A-Z0-9][A-Z0-9./-]{0,23}\Z", max_length=24, description="upper case, as painted")
]
PressureUnit = Literal["psi", "bar", "kpa", "mpa"]
DecimalText = Annotated[
    str, Meta(pattern=r"^[0-9]{1,6}(\.[0-9]{1,3})?\Z", max_length=10, description="decimal number as stamped")
]


class ServicePressure(Body, frozen=True, kw_only=True):
    """Service pressure exactly as stamped; conversions to psi round down."""

    value: DecimalText
    unit: PressureUnit


class RequalificationStamp(Body, frozen=True, kw_only=True):
    """One requalification: what the requalifier marked or reported.

    `marks` are the suffix codes stamped after the date (49 CFR 180.213(f)): `+`, `star`, `S`, `E`, `FS`, `AE`, `UE`,
    `VE`.
    """

    month: Month
    outcome: Literal["pass", "rejected", "condemned"]
    requalifier: Annotated[str, Meta(max_length=16)] | None = None
    method: ShortText | None = None
    marks: Annotated[tuple[Annotated[str, Meta(max_length=8)], ...], Meta(max_length=8)] | None = None


class CylinderDetails(Body, frozen=True, kw_only=True):
    """What is stamped on a cylinder or written on its label, and what it is used for."""

    serial: SerialText
    specification: Annotated[str, Meta(min_length=1, max_length=120, description="specification or permit as stamped")]
    service_pressure: ServicePressure
    use: Use
    manufactured: Month | None = None
    water_volume_ml: WaterVolume | None = None
    material: Literal["steel", "aluminium", "composite", "nickel"] | None = None
    alloy: Annotated[str, Meta(max_length=16)] | None = None
    maker_lot: Annotated[str, Meta(max_length=64)] | None = None
    home_station_id: uuid.UUID | None = None
    marked_life_ends: Month | None = None  # the end of the service life, where it is marked on the cylinder


class LifeExtension(Body, frozen=True, kw_only=True):
    """By which permit the service life was extended, through which month, and who found the cylinder fit for it."""

    permit: ShortText
    through: Month
    requalifier: Annotated[str, Meta(max_length=16)] | None = None


class CylinderBody(Body, frozen=True, kw_only=True):
    """Base of events that change a cylinder."""

    cylinder_id: uuid.UUID

    def folds_into(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.CYLINDER, self.cylinder_id),)


@event("cylinder.registered", Nature.OFFICE, sealed=("remark",))
class CylinderRegistered(CylinderBody, frozen=True, kw_only=True):
    """A cylinder enters the department's inventory. Its inventory number is given, or assigned by the ledger."""

    details: CylinderDetails
    inventory_number: InventoryNumber | None = None
    requalifications: Annotated[tuple[RequalificationStamp, ...], Meta(max_length=40)] | None = None
    remark: SealedText | None = None


@event("cylinder.details_corrected", Nature.OFFICE, sealed=("reason",))
class CylinderDetailsCorrected(CylinderBody, frozen=True, kw_only=True):
    """The record was wrong: these are the details as they really are, whole."""

    details: CylinderDetails
    reason: SealedText


@event("cylinder.requalified", Nature.OFFICE, sealed=("note",))
class CylinderRequalified(CylinderBody, frozen=True, kw_only=True):
    """The requalifier returned a result. In one month the worse result stands until a person resolves it."""

    stamp: RequalificationStamp
    note: SealedText | None = None


@event("cylinder.life_extended", Nature.OFFICE, sealed=("note",))
class CylinderLifeExtended(CylinderBody, frozen=True, kw_only=True):
    """An authority let this cylinder serve beyond its service life. It counts only where policy accepts it."""

    extension: LifeExtension
    note: SealedText | None = None


@event("cylinder.inspected", Nature.OFFICE, sealed=("inspector", "note"))
class CylinderInspected(CylinderBody, frozen=True, kw_only=True):
    """A visual or monthly inspection (29 CFR 1910.134(h)(3)(iv) asks for date, inspector, findings and action)."""

    inspection_kind: Literal["monthly", "visual_external", "visual_internal"]
    outcome: Literal["pass", "fail"]
    inspector: SealedText | None = None
    note: SealedText | None = None


@event("cylinder.held", Nature.OFFICE, sealed=("reason",))
class CylinderHeld(CylinderBody, frozen=True, kw_only=True):
    """Do not fill until this hold is released. Several holds may stand at once."""

    hold_id: uuid.UUID
    hold_kind: Literal["air", "damage", "recall", "lost", "inspection", "other"]
    reason: SealedText
    clears_by: ShortText | None = None


@event("cylinder.hold_released", Nature.OFFICE, sealed=("reason",))
class CylinderHoldReleased(CylinderBody, frozen=True, kw_only=True):
    """One hold ends, with the reason of the person who ended it."""

    hold_id: uuid.UUID
    reason: SealedText


@event("cylinder.transferred_out", Nature.OFFICE, sealed=("note",))
class CylinderTransferredOut(CylinderBody, frozen=True, kw_only=True):
    """The cylinder now belongs to another department."""

    to_department_id: uuid.UUID
    note: SealedText | None = None


@event("cylinder.transferred_in", Nature.LEDGER)
class CylinderTransferredIn(CylinderBody, frozen=True, kw_only=True):
    """The cylinder came from another department, with the state its ledger had for it."""

    from_department_id: uuid.UUID
    from_position: Annotated[int, Meta(ge=1, le=2**53 - 1)]
    from_digest: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z", max_length=64)]
    details: CylinderDetails
    requalifications: tuple[RequalificationStamp, ...] | None = None
    holds: tuple[uuid.UUID, ...] | None = None
    condemned: bool | None = None
    tags: Annotated[tuple[TagText, ...], Meta(max_length=100)] | None = None
    life_extensions: Annotated[tuple[LifeExtension, ...], Meta(max_length=20)] | None = None

    def folds_into(self) -> Iterable[Subject]:
        yield Subject(SubjectKind.CYLINDER, self.cylinder_id)
        yield from (tag_subject(tag) for tag in self.tags or ())


@event("cylinder.condemned", Nature.OFFICE, sealed=("reason",))
class CylinderCondemned(CylinderBody, frozen=True, kw_only=True):
    """Never to be filled again, by any procedure (49 CFR 180.205(i))."""

    reason: SealedText


@event("cylinder.retired", Nature.OFFICE, sealed=("reason",))
class CylinderRetired(CylinderBody, frozen=True, kw_only=True):
    """Taken out of use by the department. Its number is never given to another cylinder."""

    reason: SealedText


def tags_put_on(body: Body) -> tuple[str, ...]:
    """Return the tags that an event puts on a cylinder."""
    if isinstance(body, TagPaired):
        return (body.tag,)
    return (body.tags or ()) if isinstance(body, CylinderTransferredIn) else ()


def tags_concerned(body: Body) -> tuple[str, ...]:
    """Return the tags whose place on cylinders an event changes."""
    return (body.tag,) if isinstance(body, TagUnpaired) else tags_put_on(body)


class TagBody(Body, frozen=True, kw_only=True):
    """Base of events about a tag on a cylinder."""

    cylinder_id: uuid.UUID
    tag: TagText

    def folds_into(self) -> Iterable[Subject]:
        return (tag_subject(self.tag),)

    def mentions(self) -> Iterable[Subject]:
        return (Subject(SubjectKind.CYLINDER, self.cylinder_id),)


@event("tag.paired", Nature.OBSERVATION)
class TagPaired(TagBody, frozen=True, kw_only=True):
    """This tag is on this cylinder from now on. Past pairings stay."""


@event("tag.unpaired", Nature.OBSERVATION)
class TagUnpaired(TagBody, frozen=True, kw_only=True):
    """This tag is no longer on this cylinder."""


@event("tag.read", Nature.OBSERVATION, order_free=True)
class TagRead(Body, frozen=True, kw_only=True):
    """A station read a tag, without filling."""

    tag: TagText
    fill_position_id: uuid.UUID | None = None

    def mentions(self) -> Iterable[Subject]:
        return (tag_subject(self.tag),)
