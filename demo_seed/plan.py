"""What to invent: the departments of a county that does not exist, how large they are, and for how long they filled.

Every name here is made up of plain words. Any likeness to a real place, department or person is chance.
"""

from datetime import date, timedelta

import msgspec

COUNTY_NAME = "Tamber County"
TIME_ZONE = "America/New_York"
DEFAULT_SEED = 1
HISTORY_DAYS = 730


class DepartmentPlan(msgspec.Struct, frozen=True, kw_only=True):
    """One department: its stations by name, trucks among them, and how many members and cylinders it has."""

    code: str
    name: str
    fixed_stations: tuple[str, ...]
    trucks: tuple[str, ...] = ()
    members: int
    scba_cylinders: int
    scuba_cylinders: int = 0
    # The departments whose cylinders it fills, by code.
    partners: tuple[str, ...] = ()
    strict_due: bool = False


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """The whole county and its time: `days` days of history that end with the day before `reference_day`."""

    reference_day: date
    departments: tuple[DepartmentPlan, ...]
    seed: int = DEFAULT_SEED
    days: int = HISTORY_DAYS

    @property
    def first_day(self) -> date:
        """The day on which everything is registered; the filling begins on the next."""
        return self.reference_day - timedelta(days=self.days)


FULL_COUNTY = (
    DepartmentPlan(
        code="QFD",
        name="Quillby Fire Department",
        fixed_stations=("Quarry Road", "Old Mill", "North Basin", "Tollgate", "Upper Terrace"),
        trucks=("Air Truck One",),
        members=96,
        scba_cylinders=232,
        scuba_cylinders=16,
        partners=("THF", "OVF", "FVF"),
    ),
    DepartmentPlan(
        code="THF",
        name="Tarn Hollow Fire District",
        fixed_stations=("Tarn Street", "Lower Ferry", "Signal Hill"),
        trucks=("Air Truck Two",),
        members=60,
        scba_cylinders=148,
        scuba_cylinders=8,
        partners=("QFD", "OVF", "FVF"),
    ),
    DepartmentPlan(
        code="OVF",
        name="Ostermoor Volunteer Fire Company",
        fixed_stations=("Ostermoor Green", "Peat Lane"),
        members=36,
        scba_cylinders=82,
        partners=("QFD", "THF"),
        strict_due=True,
    ),
    DepartmentPlan(
        code="FVF",
        name="Ferrow Valley Fire District",
        fixed_stations=("Ferrow Bridge", "Long Orchard"),
        members=28,
        scba_cylinders=60,
        # Ostermoor is no partner, so that one denial says so.
        partners=("QFD", "THF"),
    ),
)

SMALL_COUNTY = (
    DepartmentPlan(
        code="QFD",
        name="Quillby Fire Department",
        fixed_stations=("Quarry Road",),
        trucks=("Air Truck One",),
        members=8,
        scba_cylinders=22,
        scuba_cylinders=2,
        partners=("THF",),
    ),
    DepartmentPlan(
        code="THF",
        name="Tarn Hollow Fire District",
        fixed_stations=("Tarn Street",),
        members=5,
        scba_cylinders=14,
        partners=("QFD",),
    ),
)


def full_plan(reference_day: date, *, seed: int = DEFAULT_SEED) -> Plan:
    """Return the plan of the demonstration: 4 departments, 14 stations, 600 cylinders, 220 members, two years."""
    return Plan(reference_day=reference_day, departments=FULL_COUNTY, seed=seed)


def small_plan(reference_day: date, *, seed: int = DEFAULT_SEED, days: int = 40) -> Plan:
    """Return a plan for a quick look: 2 departments, 3 stations, a few weeks."""
    return Plan(reference_day=reference_day, departments=SMALL_COUNTY, seed=seed, days=days)
