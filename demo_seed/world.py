"""The invented county while its history unfolds: who and what there is, and how it stands just now."""

import random
import uuid
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import msgspec

from demo_seed.fleet import FleetKind, month_number
from demo_seed.plan import TIME_ZONE, DepartmentPlan, Plan
from fill_ledger.trade.identifiers import derived_id

ZONE = ZoneInfo(TIME_ZONE)
FULL_BANK_PSI = 5_800
# Departments wait for each other at the end of a window, so that a cylinder is on record with its owner before a
# neighbour fills it.
WINDOW_DAYS = 30


class Member(msgspec.Struct, kw_only=True):
    """A member who may fill, until the day the authorisation runs to, while active."""

    member_id: uuid.UUID
    name: str
    badge_number: str
    card_value: str
    is_diver: bool
    authorised_through: date
    active: bool = True
    # Something about them was entered on this day: others fill until the next, so that no fill falls before the entry.
    quiet_on: date | None = None
    renews: bool = True


class Source(msgspec.Struct, kw_only=True):
    """A compressor or a storage bank."""

    air_source_id: uuid.UUID
    kind: str
    label: str
    bottle_ids: list[uuid.UUID] = msgspec.field(default_factory=list)
    bottle_psi: list[int] = msgspec.field(default_factory=list)
    next_sample_on: date
    run_time_tenths_h: int = 0
    changed_filter_at_tenths_h: int = 0
    in_service: bool = True
    # Cylinders filled from it since the last sample was taken, for the day a sample fails.
    filled_since_sample: list["Cylinder"] = msgspec.field(default_factory=list)


class Position(msgspec.Struct, frozen=True, kw_only=True):
    """A connection with its regulator."""

    fill_position_id: uuid.UUID
    label: str
    regulator_psi: int
    hose_rating_psi: int


class Station(msgspec.Struct, kw_only=True):
    """A fill station with its controller."""

    station_id: uuid.UUID
    department: "Department"
    number: int
    name: str
    code: str
    is_truck: bool
    controller_id: uuid.UUID
    stream_id: uuid.UUID
    boot_id: uuid.UUID
    booted_at: datetime
    positions: list[Position]
    sources: list[Source]
    facts_sent: int = 0
    # Facts of these days reach the ledger only on the day after: no network.
    offline_days: set[date] = msgspec.field(default_factory=set)
    busy_until: datetime


class Cylinder(msgspec.Struct, kw_only=True):
    """A cylinder, how full it is, and why it may not be filled, if so. Months are counted from year 0."""

    cylinder_id: uuid.UUID
    department: "Department"
    home: Station
    kind: FleetKind
    serial: str
    maker_lot: str
    tag: str
    made: int
    last_test: int
    plus: bool
    pressure_psi: int
    # When it was registered, or given another tag.
    named_on: date
    # By the id of the hold: what kind it is.
    holds: dict[uuid.UUID, str] = msgspec.field(default_factory=dict)
    is_away: bool = False
    is_gone: bool = False
    is_replacement: bool = False
    # Something about it was entered on this day: nobody takes it to the whip until the next.
    quiet_on: date | None = None
    is_forgotten: bool = False  # nobody sends it to the requalifier when it is due

    def last_fill_month(self) -> int:
        """Return the last month in which it may be filled."""
        margin = 1 if self.department.plan.strict_due else 0
        last = self.last_test + self.kind.interval_months
        if self.kind.life_months is not None:
            last = min(last, self.made + self.kind.life_months)
        return last - margin

    def is_life_over(self, month: int) -> bool:
        """Tell whether its service life has ended by a month."""
        margin = 1 if self.department.plan.strict_due else 0
        return self.kind.life_months is not None and month > self.made + self.kind.life_months - margin

    def limit_psi(self) -> int:
        """Return its own limit at 70 F."""
        return self.kind.service_pressure_psi * 11 // 10 if self.plus else self.kind.service_pressure_psi

    def is_at_hand(self, day: date) -> bool:
        """Tell whether it stands in the station or on an engine, in use, on a day."""
        return not (self.is_away or self.is_gone or self.quiet_on == day or self.kind.use == "storage")


class Department(msgspec.Struct, kw_only=True):
    """A department with its people and its things."""

    plan: DepartmentPlan
    department_id: uuid.UUID
    officer_id: uuid.UUID
    technician_id: uuid.UUID
    stations: list[Station] = msgspec.field(default_factory=list)
    members: list[Member] = msgspec.field(default_factory=list)
    cylinders: list[Cylinder] = msgspec.field(default_factory=list)

    @property
    def trucks(self) -> list[Station]:
        """The stations on wheels."""
        return [station for station in self.stations if station.is_truck]

    @property
    def houses(self) -> list[Station]:
        """The stations that stay where they are."""
        return [station for station in self.stations if not station.is_truck]


class World:
    """Everything invented so far, one source of chance, and the calendar."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.rng = random.Random(plan.seed)
        self.departments: list[Department] = []
        self.day = plan.first_day
        self._deferred: dict[date, list[Callable[[], None]]] = {}

    def later(self, day: date, change: Callable[[], None]) -> None:
        """Change the world on the morning of a later day."""
        self._deferred.setdefault(day, []).append(change)

    def wake(self, day: date) -> None:
        """Begin a day: what was put off until it happens first."""
        self.day = day
        for change in self._deferred.pop(day, []):
            change()

    def identify(self, *parts: object) -> uuid.UUID:
        """Return the id that always follows from the seed and these words."""
        return derived_id("demonstration", self.plan.seed, *parts)

    def at(self, seconds: float, day: date | None = None) -> datetime:
        """Return a moment of a day of the county's calendar, in seconds after midnight."""
        midnight = datetime.combine(day or self.day, time(), ZONE)
        return midnight.astimezone(ZoneInfo("UTC")) + timedelta(seconds=int(seconds))

    @property
    def month(self) -> int:
        """The present month, counted from year 0."""
        return month_number(self.day.year, self.day.month)

    @property
    def stations(self) -> list[Station]:
        """All stations of the county."""
        return [station for department in self.departments for station in department.stations]
