"""What plans and forecasts are asked with and what they answer alike: figures with their bounds, the supply, notes.

The bounds are those of the table of real air (0 to 8,000 psig, -20 to 150 F), so that a figure outside it is told like
any other fault of the body.
"""

import uuid
from datetime import datetime
from decimal import Decimal
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Code, Count, Label, Moment, StrictStruct
from fill_ledger.trade.gas.air_table import GREATEST_READING_PSI, LEAST_READING_PSI
from fill_ledger.trade.gas.contents import MILLILITRES_PER_LITRE, FreeAir
from fill_ledger.trade.gas.table_values import GREATEST_TEMPERATURE_F, LEAST_TEMPERATURE_F
from fill_ledger.trade.pressure import SERVICE_PRESSURE_MIN_PSI
from fill_ledger.trade.volumes import WATER_VOLUME_MAX_ML, WATER_VOLUME_MIN_ML

MAXIMUM_GIVEN_BOTTLES = 40
MAXIMUM_BOTTLES = 100
"""Of all bottles together: plans and forecasts are made in a time that grows with them."""
MAXIMUM_AIR_SOURCES = 10
MAXIMUM_NOTES = 300
GREATEST_FREE_AIR = 1e12

CAUTIONS = (
    "This informs; a trained person decides. It is reckoned from the figures given and on record, at one temperature "
    "and with dry air. Look every cylinder over before it is filled; its own marks, the maker's instructions and local "
    "codes prevail. Read the gauges while filling and stop where they say otherwise."
)

_INT32: dict[str, Any] = {"format": "int32"}

TemperatureF = Annotated[
    int,
    Meta(
        ge=LEAST_TEMPERATURE_F,
        le=GREATEST_TEMPERATURE_F,
        extra_json_schema=_INT32,
        description="Whole degrees Fahrenheit, within the table of real air.",
    ),
]
ReadingPsi = Annotated[
    int,
    Meta(
        ge=LEAST_READING_PSI,
        le=GREATEST_READING_PSI,
        extra_json_schema=_INT32,
        description="Gauge reading in whole psi, within the table of real air.",
    ),
]
LimitPsi = Annotated[
    int,
    Meta(
        ge=SERVICE_PRESSURE_MIN_PSI,
        le=GREATEST_READING_PSI,
        extra_json_schema=_INT32,
        description="The pressure a cylinder may have, whole gauge psi settled at 70 F.",
    ),
]
WaterVolumeMl = Annotated[
    int,
    Meta(
        ge=WATER_VOLUME_MIN_ML,
        le=WATER_VOLUME_MAX_ML,
        extra_json_schema=_INT32,
        description="Water volume in whole millilitres.",
    ),
]
WaterVolumeL = Annotated[
    float,
    Meta(
        ge=WATER_VOLUME_MIN_ML / MILLILITRES_PER_LITRE,
        le=WATER_VOLUME_MAX_ML / MILLILITRES_PER_LITRE,
        description="Water volume in litres, instead of water_volume_ml.",
    ),
]
RateScfm = Annotated[
    float, Meta(ge=0.1, le=10_000, description="Free air made in standard cubic feet a minute, at 70 F and 14.7 psia.")
]
AirSourceIds = Annotated[
    tuple[uuid.UUID, ...],
    Meta(
        max_length=MAXIMUM_AIR_SOURCES,
        description="Air sources of the station: the bottles in place there, with their newest readings, are taken.",
    ),
]
PlanLabel = Annotated[str, Meta(max_length=500)]
PlanText = Annotated[str, Meta(max_length=2_000)]
Sentence = Annotated[str, Meta(max_length=1_000)]
Seconds = Count


class GivenBottle(StrictStruct, frozen=True, kw_only=True):
    """A storage bottle as its gauge was read: its water volume and its pressure.

    With `bottle_id` it is one of a named air source, and only the newer reading is given.
    """

    pressure_psi: ReadingPsi
    label: Label | None = None
    water_volume_ml: WaterVolumeMl | None = None
    water_volume_l: WaterVolumeL | None = None
    bottle_id: Annotated[uuid.UUID, Meta(description="A bottle in place in one of the named air sources.")] | None = (
        None
    )


GivenBottles = Annotated[tuple[GivenBottle, ...], Meta(max_length=MAXIMUM_GIVEN_BOTTLES)]


class AirAmount(Struct, frozen=True, kw_only=True):
    """An amount of air as free air at 70 F and 14.7 psia: whole litres, and tenths of a standard cubic foot."""

    litres: Annotated[int, Meta(ge=-(2**53) + 1, le=2**53 - 1, extra_json_schema={"format": "int64"})]
    standard_cubic_feet: Annotated[float, Meta(ge=-GREATEST_FREE_AIR, le=GREATEST_FREE_AIR)]


class PressureStep(Struct, frozen=True, kw_only=True):
    """A cylinder or bottle before and after, with the air that went in or came out."""

    label: PlanLabel
    before_psi: ReadingPsi
    after_psi: ReadingPsi
    air: AirAmount


class BottleState(Struct, frozen=True, kw_only=True):
    """A storage bottle: what it was taken to hold, and what it holds when all is done.

    `read_at` and `reading_age_s` tell of a reading on record; they are null where the caller gave the pressure.
    """

    label: PlanLabel
    bottle_id: uuid.UUID | None
    air_source_id: uuid.UUID | None
    water_volume_ml: WaterVolumeMl
    before_psi: ReadingPsi
    after_psi: ReadingPsi
    read_at: Moment | None
    reading_age_s: Seconds | None


class AdviceView(Struct, frozen=True, kw_only=True):
    """A word of advice and where it comes from."""

    code: Code
    text: PlanText
    source: Annotated[str, Meta(max_length=300)]


class LeftOut(Struct, frozen=True, kw_only=True):
    """Something that was not reckoned with, and why."""

    what: Literal["bottle", "air_source", "compressor", "member", "record"]
    label: PlanLabel
    code: Code
    text: PlanText


AdviceList = Annotated[list[AdviceView], Meta(max_length=MAXIMUM_NOTES)]
LeftOutList = Annotated[list[LeftOut], Meta(max_length=MAXIMUM_NOTES)]
BottleStates = Annotated[list[BottleState], Meta(max_length=MAXIMUM_BOTTLES)]


def air_amount(air: FreeAir) -> AirAmount:
    """Return an amount of air as answers tell it."""
    return AirAmount(litres=air.litres, standard_cubic_feet=as_number(air.standard_cubic_feet))


def as_number(figure: Decimal) -> float:
    """Return a figure in tenths as a JSON number; its shortest form is the tenths again."""
    return float(figure)


def age_s(read_at: datetime, at: datetime) -> int:
    """Return how old a reading is in whole seconds; one from a clock ahead of ours is new."""
    return max(0, int((at - read_at).total_seconds()))
