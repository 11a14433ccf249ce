"""Which cylinders a fire department has: specification, pressure, size, age and how they are marked.

Intervals and lives are those of `fill_ledger.trade.rulebook`; the shares are invented.
"""

import random
from typing import Literal

import msgspec

from fill_ledger.trade.events.cylinders import CylinderDetails, RequalificationStamp, ServicePressure

MONTHS_A_YEAR = 12
TestOutcome = Literal["pass", "rejected", "condemned"]


class FleetKind(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of cylinder. `share` is its weight among its use; ages are months at the start of the history."""

    specification: str
    pressure: str
    unit: Literal["psi", "bar"]
    service_pressure_psi: int
    use: Literal["scba", "scuba", "storage"]
    material: Literal["steel", "aluminium", "composite"]
    alloy: str | None = None
    water_volume_ml: int
    interval_months: int
    life_months: int | None = None
    oldest_months: int
    share: int
    lot_letter: str
    plus_share: float = 0.0


KINDS = (
    FleetKind(
        specification="DOT-SP10915-4500", pressure="4500", unit="psi", service_pressure_psi=4500, use="scba",
        material="composite", water_volume_ml=6_800, interval_months=60, life_months=180, oldest_months=172,
        share=44, lot_letter="C",
    ),
    FleetKind(
        specification="DOT-SP11194-4500", pressure="4500", unit="psi", service_pressure_psi=4500, use="scba",
        material="composite", water_volume_ml=9_000, interval_months=60, life_months=180, oldest_months=150,
        share=18, lot_letter="D",
    ),
    FleetKind(
        specification="UN ISO 11119-2 PW310BAR", pressure="310", unit="bar", service_pressure_psi=4496, use="scba",
        material="composite", water_volume_ml=6_800, interval_months=60, life_months=180, oldest_months=70,
        share=10, lot_letter="U",
    ),
    FleetKind(
        specification="DOT-SP14232-5500", pressure="5500", unit="psi", service_pressure_psi=5500, use="scba",
        material="composite", water_volume_ml=5_900, interval_months=60, life_months=180, oldest_months=60,
        share=8, lot_letter="H",
    ),
    FleetKind(
        specification="DOT-3AL2216", pressure="2216", unit="psi", service_pressure_psi=2216, use="scba",
        material="aluminium", alloy="6061-T6", water_volume_ml=8_430, interval_months=60, oldest_months=300,
        share=8, lot_letter="A",
    ),
    FleetKind(
        specification="DOT-3AL2216", pressure="2216", unit="psi", service_pressure_psi=2216, use="scba",
        material="aluminium", alloy="6351-T6", water_volume_ml=8_430, interval_months=60, oldest_months=470,
        share=2, lot_letter="B",
    ),
    FleetKind(
        specification="DOT-3AA2216", pressure="2216", unit="psi", service_pressure_psi=2216, use="scba",
        material="steel", water_volume_ml=8_430, interval_months=60, oldest_months=420, share=7, lot_letter="S",
    ),
    FleetKind(
        specification="DOT-3AA2015", pressure="2015", unit="psi", service_pressure_psi=2015, use="scba",
        material="steel", water_volume_ml=8_430, interval_months=60, oldest_months=460, share=3, lot_letter="T",
        plus_share=0.7,
    ),
    FleetKind(
        specification="DOT-3AL3000", pressure="3000", unit="psi", service_pressure_psi=3000, use="scuba",
        material="aluminium", alloy="6061-T6", water_volume_ml=11_030, interval_months=60, oldest_months=220,
        share=3, lot_letter="W",
    ),
    FleetKind(
        specification="DOT-3AA2400", pressure="2400", unit="psi", service_pressure_psi=2400, use="scuba",
        material="steel", water_volume_ml=12_900, interval_months=60, oldest_months=200, share=1, lot_letter="X",
        plus_share=0.5,
    ),
    FleetKind(
        specification="DOT-3AA6000", pressure="6000", unit="psi", service_pressure_psi=6000, use="storage",
        material="steel", water_volume_ml=43_000, interval_months=60, oldest_months=240, share=3, lot_letter="G",
    ),
    FleetKind(
        specification="UN ISO 9809-2 PW400BAR", pressure="400", unit="bar", service_pressure_psi=5801, use="storage",
        material="steel", water_volume_ml=50_000, interval_months=120, oldest_months=110, share=1, lot_letter="N",
    ),
)  # fmt: skip
# The lot that is recalled half way through the history; about one in twelve of its kind bears it.
RECALLED_LOT = "C-0417"
LOTS_A_KIND = 12
# The regulation's own example of a requalifier's number, 49 CFR 180.213(d): no real requalifier is named.
REQUALIFIER = "A123"
LATE_TEST_SHARE = 0.03
EDDY_CURRENT_SINCE = (2007, 1)  # 49 CFR 180.205(f)(4): 6351-T6 is examined by eddy current, marked VE


def month_text(month: int) -> str:
    """Return a month, counted from year 0, as it is written in events."""
    return f"{month // MONTHS_A_YEAR:04d}-{month % MONTHS_A_YEAR + 1:02d}"


def month_number(year: int, month: int) -> int:
    """Return a calendar month as a number that can be counted with."""
    return year * MONTHS_A_YEAR + month - 1


class NewCylinder(msgspec.Struct, frozen=True, kw_only=True):
    """A cylinder as it comes into the inventory, with its kind and the month of its newest test."""

    kind: FleetKind
    details: CylinderDetails
    made: int
    last_test: int
    stamps: tuple[RequalificationStamp, ...]


def draw_cylinder(
    rng: random.Random, use: str, serial: str, this_month: int, *, brand_new: bool = False
) -> NewCylinder:
    """Draw a cylinder of a use, tested whenever a test was due until this month; a few were not."""
    kinds = [kind for kind in KINDS if kind.use == use]
    kind = rng.choices(kinds, weights=[kind.share for kind in kinds])[0]
    youngest = 1 if kind.oldest_months < 200 else kind.oldest_months // 3
    age = 1 if brand_new else rng.randint(youngest, kind.oldest_months)
    made = this_month - age
    tests: list[int] = []
    due = made + kind.interval_months
    while due <= this_month:
        tests.append(due - rng.randint(0, 2))
        due = tests[-1] + kind.interval_months
    if tests and rng.random() < LATE_TEST_SHARE:
        tests.pop()
    plus = rng.random() < kind.plus_share
    stamps = tuple(stamp(kind, month, plus=plus) for month in tests)
    details = CylinderDetails(
        serial=serial,
        specification=kind.specification,
        service_pressure=ServicePressure(value=kind.pressure, unit=kind.unit),
        use=kind.use,
        manufactured=month_text(made),
        water_volume_ml=kind.water_volume_ml,
        material=kind.material,
        alloy=kind.alloy,
        maker_lot=f"{kind.lot_letter}-{410 + rng.randrange(LOTS_A_KIND):04d}",
    )
    return NewCylinder(kind=kind, details=details, made=made, last_test=tests[-1] if tests else made, stamps=stamps)


def stamp(kind: FleetKind, month: int, *, plus: bool = False, outcome: TestOutcome = "pass") -> RequalificationStamp:
    """Return the stamp of a test in a month, with the marks its kind would carry."""
    marks: list[str] = []
    if outcome == "pass":
        if plus:
            marks.append("+")
        if kind.alloy == "6351-T6" and month >= month_number(*EDDY_CURRENT_SINCE):
            marks.append("VE")
    return RequalificationStamp(
        month=month_text(month),
        outcome=outcome,
        requalifier=REQUALIFIER if outcome == "pass" else None,
        method="visual" if outcome != "pass" else "water jacket",
        marks=tuple(marks) or None,
    )
