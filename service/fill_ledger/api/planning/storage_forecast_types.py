"""What a storage forecast is asked with and what it answers."""

import uuid
from typing import Annotated

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Count, Label, StrictStruct
from fill_ledger.api.planning.planning_types import (
    MAXIMUM_BOTTLES,
    AdviceList,
    AirAmount,
    AirSourceIds,
    BottleStates,
    GivenBottle,
    GivenBottles,
    LeftOutList,
    LimitPsi,
    PlanLabel,
    ReadingPsi,
    Sentence,
    TemperatureF,
    WaterVolumeL,
    WaterVolumeMl,
)
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F
from fill_ledger.trade.gas.storage import MAXIMUM_FORECAST_FILLS

MAXIMUM_KINDS = 6
MAXIMUM_FILLS_TOLD = 10
USUAL_FILLS_TOLD = 5

StationId = Annotated[
    uuid.UUID,
    Meta(description="Needed with air_source_ids, unless the key is a controller's, which asks for its own station."),
]
FillsTold = Annotated[
    int,
    Meta(
        ge=0,
        le=MAXIMUM_FILLS_TOLD,
        extra_json_schema={"format": "int32"},
        description="How many of the first fills to tell step by step.",
    ),
]
Fills = Annotated[int, Meta(ge=0, le=MAXIMUM_FORECAST_FILLS, extra_json_schema={"format": "int32"})]
Wanted = Annotated[
    int,
    Meta(
        ge=1,
        le=MAXIMUM_FORECAST_FILLS,
        extra_json_schema={"format": "int32"},
        description="How many of them there are; left out, as many as the air fills.",
    ),
]


class GivenKind(StrictStruct, frozen=True, kw_only=True):
    """Cylinders that are alike: water volume, what they show when they come, and what they may have."""

    start_psi: ReadingPsi
    limit_psi: LimitPsi
    label: Label | None = None
    water_volume_ml: WaterVolumeMl | None = None
    water_volume_l: WaterVolumeL | None = None
    wanted: Wanted | None = None


class StorageForecastRequest(StrictStruct, frozen=True, kw_only=True):
    """Stored air and the kinds of cylinders to fill from it."""

    kinds: Annotated[tuple[GivenKind, ...], Meta(min_length=1, max_length=MAXIMUM_KINDS)]
    bottles: GivenBottles = ()
    air_source_ids: AirSourceIds = ()
    station_id: StationId | None = None
    temperature_f: TemperatureF = REFERENCE_TEMPERATURE_F
    fills_told: FillsTold = USUAL_FILLS_TOLD


BottleLabels = Annotated[list[PlanLabel], Meta(max_length=MAXIMUM_BOTTLES)]


class BottleLeft(Struct, frozen=True, kw_only=True):
    """What a bottle shows after the fills told of."""

    label: PlanLabel
    pressure_psi: ReadingPsi


BottlesLeft = Annotated[list[BottleLeft], Meta(max_length=MAXIMUM_BOTTLES)]


class OpeningView(Struct, frozen=True, kw_only=True):
    """One bottle opened to the cylinder and closed again."""

    bottle: PlanLabel
    bottle_before_psi: ReadingPsi
    bottle_after_psi: ReadingPsi
    cylinder_after_psi: ReadingPsi
    air: AirAmount


class FillTold(Struct, frozen=True, kw_only=True):
    """One fill, step by step: what to open in which order."""

    openings: Annotated[list[OpeningView], Meta(max_length=MAXIMUM_BOTTLES)]
    end_psi: ReadingPsi
    air: AirAmount


class KindAlone(Struct, frozen=True, kw_only=True):
    """What the whole store fills of one kind, were it all for that kind.

    `full_fills` opens the lowest bottle first; `full_fills_all_open` has all bottles open together, for comparison.
    `limit_reading_psi` is what a full one shows at the temperature of the forecast. `next_end_psi` is how far the one
    after the last full one comes; null where the counting stopped at its bound, and then `more` is true.
    """

    label: PlanLabel
    full_fills: Fills
    full_fills_all_open: Fills
    more: bool
    limit_reading_psi: ReadingPsi
    next_end_psi: ReadingPsi | None
    opening_order: BottleLabels
    air: AirAmount
    bottles_after: BottlesLeft


class KindTogether(Struct, frozen=True, kw_only=True):
    """What is filled of one kind where all kinds share the store, in the order of filling.

    `short_by` is how many of the wanted ones are not filled; null where no number was given. `more` says that the air
    would fill further ones of this kind.
    """

    label: PlanLabel
    wanted: Wanted | None
    full_fills: Fills
    short_by: Count | None
    more: bool
    limit_reading_psi: ReadingPsi
    next_end_psi: ReadingPsi | None
    opening_order: BottleLabels
    air: AirAmount
    bottles_after: BottlesLeft
    first_fills: Annotated[list[FillTold], Meta(max_length=MAXIMUM_FILLS_TOLD)]


class StorageForecastAnswer(Struct, frozen=True, kw_only=True):
    """The forecast. It informs; a trained person decides. Settled pressures, whole gauge psi at `temperature_f`.

    `opening_order` holds for every fill: open the first bottle that stands above the cylinder, close it before the
    next. `bottles` tells what was reckoned with, and what is left after `together`.
    """

    temperature_f: TemperatureF
    alone: Annotated[list[KindAlone], Meta(max_length=MAXIMUM_KINDS)]
    together: Annotated[list[KindTogether], Meta(max_length=MAXIMUM_KINDS)]
    bottles: BottleStates
    advice: AdviceList
    left_out: LeftOutList
    cautions: Sentence


REQUEST_EXAMPLE = StorageForecastRequest(
    kinds=(GivenKind(label="SCBA 45 minutes", water_volume_ml=6_800, start_psi=500, limit_psi=4_500),),
    bottles=tuple(
        GivenBottle(label=f"Bottle {number}", water_volume_ml=43_000, pressure_psi=6_000) for number in range(1, 5)
    ),
    fills_told=1,
)
