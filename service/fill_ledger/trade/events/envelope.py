"""The shape every event has around its body, and the registry of event types.

An event is a dated fact. `occurred_at` is the time as claimed; `effective_at` is fixed once when the ledger takes the
event and orders the folds (ties broken by `event_id`); `recorded_at` and `ledger_position` are given by the ledger.
"""

import uuid
from collections.abc import Callable, Iterable
from datetime import datetime
from enum import StrEnum
from typing import Annotated, ClassVar, Literal, TypeVar

import msgspec
from msgspec import Meta

from fill_ledger.trade.identifiers import Subject, SubjectKind, inventory_number_subject
from fill_ledger.trade.months import StampMonth

MAXIMUM_INTEGER = 2**53 - 1  # RFC 8785: numbers are IEEE 754 doubles, so integers beyond this are not exact
MAXIMUM_SHORT_TEXT = 200
MAXIMUM_LONG_TEXT = 2_000

ShortText = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_SHORT_TEXT)]
LongText = Annotated[str, Meta(min_length=1, max_length=MAXIMUM_LONG_TEXT)]
Psi = Annotated[int, Meta(ge=0, le=15_000, description="gauge pressure, whole psi")]
# What a sensor says is kept though it is broken: a device sends what 32 bits hold, and the findings say what is wrong.
REPORTED_MIN, REPORTED_MAX = -(2**31), 2**31 - 1
ReportedPsi = Annotated[
    int, Meta(ge=REPORTED_MIN, le=REPORTED_MAX, description="gauge pressure as a device reports it, whole psi")
]
Moment = Annotated[datetime, Meta(tz=True, description="a time with its offset from UTC (RFC 3339)")]
Count = Annotated[int, Meta(ge=0, le=MAXIMUM_INTEGER)]
Month = StampMonth
Day = Annotated[
    str,
    Meta(
        pattern=r"^(19|20|21)[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])\Z",
        max_length=10,
        description="calendar day, YYYY-MM-DD",
        extra_json_schema={"format": "date"},
    ),
]


class Nature(StrEnum):
    """The two kinds of writes, and what the ledger itself notes down."""

    OFFICE = "office"  # checked against the ledger, may be refused
    OBSERVATION = "observation"  # has already happened, is always kept
    LEDGER = "ledger"  # written by the ledger itself, never accepted from outside


class SealedReference(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Stands in an event for text that may name a person: the text itself is encrypted beside the ledger."""

    record_id: uuid.UUID
    digest: Annotated[
        str, Meta(pattern=r"^[0-9a-f]{64}\Z", max_length=64, description="SHA-256 of the sealed bytes, hex")
    ]


SealedText = LongText | SealedReference


class Clock(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What a device says of its own clock when a fact happened."""

    boot_id: uuid.UUID
    uptime_ms: Count
    synced: bool


class Body(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Base of all event bodies. A default value, once released, never changes: canonical bytes leave defaults out."""

    event_type: ClassVar[str]
    type_version: ClassVar[int]
    nature: ClassVar[Nature]
    order_free: ClassVar[bool]
    sealed: ClassVar[tuple[str, ...]]

    def folds_into(self) -> Iterable[Subject]:
        """Name the subjects whose state this event changes."""
        return ()

    def mentions(self) -> Iterable[Subject]:
        """Name further subjects in whose history this event stands, without changing their state."""
        return ()


PermitPart = Literal["cylinder", "station", "member", "mode"]


class QuotedPermit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The permit that a fill quoted, as its reference told it: genuine, whether or not it fits the fill.

    `until` is exclusive. `nonce` tells two permits for the same fill apart, hex. `is_fill_time_certain` is False where
    the device's clock was not set and nothing told how far off it was. `differs` names what was otherwise at the fill.
    """

    station_id: uuid.UUID
    cylinder_id: uuid.UUID
    fill_limit_psi: int
    until: datetime
    nonce: str
    member_id: uuid.UUID | None = None
    mode: Literal["automatic", "manual", "fast"] | None = None
    is_fill_time_certain: bool = True
    differs: tuple[PermitPart, ...] = ()


class Judged(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What the ledger thought of a fill when it took the fact: kept with it, whatever becomes known later.

    `reasons` are codes; `cylinder_id` is the cylinder it was taken for, found by `attributed_by`: "marks" is the serial
    that was keyed in from the cylinder, and then the fill stays with the cylinder found. `settled_psi` is what
    the end reading comes to at 70 F, `air_delivered_l` the air that went in as whole litres of free air (70 F and 14.7
    psia); None where the readings, the temperature or the water volume do not say. `permit` is the permit that the fill
    quoted, None where it quoted none or one that is not genuine.
    """

    decision: Literal["permit", "deny"]
    code: str
    rules_version: str
    reasons: tuple[str, ...] = ()
    fill_limit_psi: int | None = None
    cylinder_id: uuid.UUID | None = None
    owner_department_id: uuid.UUID | None = None
    attributed_by: Literal["id", "tag", "marks"] | None = None
    settled_psi: int | None = None
    air_delivered_l: int | None = None
    permit: QuotedPermit | None = None


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """One taken event as folds and rules see it."""

    department_id: uuid.UUID
    event_id: uuid.UUID
    occurred_at: datetime
    effective_at: datetime
    recorded_by: uuid.UUID
    body: Body
    station_id: uuid.UUID | None = None  # the station whose controller reported it
    stream_id: uuid.UUID | None = None
    stream_number: int | None = None
    clock: Clock | None = None
    inventory_number: str | None = None  # assigned by the ledger to a registered cylinder
    judgement: Judged | None = None

    @property
    def key(self) -> tuple[datetime, uuid.UUID]:
        """Order of the folds."""
        return (self.effective_at, self.event_id)

    def folds_into(self) -> tuple[Subject, ...]:
        """Name the subjects whose state this event changes, with those that the ledger found or assigned."""
        subjects = tuple(self.body.folds_into())
        cylinder_id = self.cylinder_id_by_marks
        if cylinder_id is not None:
            subjects = (*subjects, Subject(SubjectKind.CYLINDER, cylinder_id))
        if self.inventory_number is None:
            return subjects
        return (
            *subjects,
            inventory_number_subject(self.inventory_number),
            Subject(SubjectKind.NUMBERING, self.department_id),
        )

    @property
    def cylinder_id_by_marks(self) -> uuid.UUID | None:
        """The department's own cylinder that a fill was taken for by the serial keyed in, None for all other events."""
        judged = self.judgement
        if judged is None or judged.attributed_by != "marks" or judged.owner_department_id != self.department_id:
            return None
        return judged.cylinder_id

    def mentions(self) -> tuple[Subject, ...]:
        """Name further subjects in whose history this event stands, the reporting station among them."""
        mentioned = set(self.body.mentions())
        if self.station_id is not None:
            mentioned.add(Subject(SubjectKind.STATION, self.station_id))
        return tuple(sorted(mentioned - set(self.folds_into())))


BodyType = TypeVar("BodyType", bound=type[Body])
_catalogue: dict[tuple[str, int], type[Body]] = {}


def event(
    name: str, nature: Nature, *, version: int = 1, order_free: bool = False, sealed: tuple[str, ...] = ()
) -> Callable[[BodyType], BodyType]:
    """Register a body class under its event type name.

    `order_free` promises that folding it late gives the same state as folding it in its place, so that a late fact
    needs no refold of the subject. `sealed` names the fields whose text may name a person and is therefore replaced by
    a `SealedReference` before the event is written.
    """

    def register(body_class: BodyType) -> BodyType:
        if (name, version) in _catalogue:
            raise ValueError(f"event type {name} version {version} is registered twice")
        body_class.event_type = name
        body_class.type_version = version
        body_class.nature = nature
        body_class.order_free = order_free
        body_class.sealed = sealed
        _catalogue[name, version] = body_class
        return body_class

    return register


def catalogue() -> dict[tuple[str, int], type[Body]]:
    """Return all event types by (name, version)."""
    return dict(_catalogue)


def body_class(name: str, version: int) -> type[Body] | None:
    """Return the body class of an event type, or None where it is not known."""
    return _catalogue.get((name, version))


def latest_version(name: str) -> int | None:
    """Return the newest version of an event type, or None where the name is not known."""
    versions = [known_version for known_name, known_version in _catalogue if known_name == name]
    return max(versions, default=None)


Use = Literal["scba", "scuba", "storage"]
