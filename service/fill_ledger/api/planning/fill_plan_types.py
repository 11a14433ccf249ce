"""What a fill plan is asked with and what it answers."""

import uuid
from typing import Annotated, Literal

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Code, Label, StrictStruct
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
    PlanText,
    PressureStep,
    RateScfm,
    ReadingPsi,
    Seconds,
    Sentence,
    TemperatureF,
    WaterVolumeL,
    WaterVolumeMl,
)
from fill_ledger.api.question.eligibility_types import (
    MAXIMUM_REASONS,
    CylinderId,
    FillPositionId,
    MemberId,
    NoteView,
    PaintedNumber,
    ReasonView,
    Serial,
    SessionHandle,
    Tag,
)
from fill_ledger.trade.gas.plan_types import ConnectionState
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F

MAXIMUM_CONNECTIONS = 20

StationId = Annotated[
    uuid.UUID,
    Meta(
        description="Needed where anything on record is named, unless the key is a controller's, which plans for its "
        "own station."
    ),
]
FillRate = Annotated[
    int,
    Meta(
        ge=1,
        le=20_000,
        extra_json_schema={"format": "int32"},
        description="The fastest rise allowed, in psi a minute. In a request: the rules' greatest rate unless given, "
        "never above the department's.",
    ),
]


class GivenConnection(StrictStruct, frozen=True, kw_only=True):
    """A cylinder and what it shows: by numbers alone, or one on record by exactly one of its names.

    By numbers: `water_volume_ml` (or `_l`) and `limit_psi`. On record: volume and limit come from the record and the
    judgement; a volume given fills in where none is on record, and a limit given only lowers.
    """

    present_psi: ReadingPsi
    label: Label | None = None
    fill_position_id: FillPositionId | None = None
    water_volume_ml: WaterVolumeMl | None = None
    water_volume_l: WaterVolumeL | None = None
    limit_psi: LimitPsi | None = None
    cylinder_id: CylinderId | None = None
    tag: Tag | None = None
    inventory_number: PaintedNumber | None = None
    serial: Serial | None = None


class GivenCompressor(StrictStruct, frozen=True, kw_only=True):
    """A compressor: how much free air it makes, and the pressure at which it stops."""

    rate_scfm: RateScfm
    maximum_psi: ReadingPsi


class GivenSupply(StrictStruct, frozen=True, kw_only=True):
    """What there is to fill from: a compressor, bottles by numbers, air sources on record, or all of them together."""

    compressor: GivenCompressor | None = None
    bottles: GivenBottles = ()
    air_source_ids: AirSourceIds = ()


class FillPlanRequest(StrictStruct, frozen=True, kw_only=True):
    """Cylinders on connections, and what there is to fill them from."""

    connections: Annotated[tuple[GivenConnection, ...], Meta(min_length=1, max_length=MAXIMUM_CONNECTIONS)]
    supply: GivenSupply
    station_id: StationId | None = None
    member_id: MemberId | None = None
    member_session: SessionHandle | None = None
    temperature_f: TemperatureF = REFERENCE_TEMPERATURE_F
    gas_temperature_f: TemperatureF | None = None
    fill_rate_psi_per_minute: FillRate | None = None


class SupplyStep(Struct, frozen=True, kw_only=True):
    """One thing to open in a stage, and to close before the next; its pressures are null for the compressor."""

    supply: Literal["bottle", "compressor"]
    label: PlanLabel
    before_psi: ReadingPsi | None
    after_psi: ReadingPsi | None
    air: AirAmount


ConnectionSteps = Annotated[list[PressureStep], Meta(max_length=MAXIMUM_CONNECTIONS)]
ConnectionLabels = Annotated[list[PlanLabel], Meta(max_length=MAXIMUM_CONNECTIONS)]


class StageView(Struct, frozen=True, kw_only=True):
    """One stage: open `opened` in that order, bring them to the ceiling from `supply` in that order, close `closed`.

    `ceiling_psi` is settled at 70 F; `stop_at_psi` is what the gauge shows then at the gas temperature given, never
    above what a fill position that is open is rated for. `reached` is false where the supply ends below the ceiling.
    `compressor_s` and `duration_s` wait for the fastest rise allowed.
    """

    number: Annotated[int, Meta(ge=1, le=MAXIMUM_CONNECTIONS)]
    ceiling_psi: ReadingPsi
    stop_at_psi: ReadingPsi | None
    opened: ConnectionLabels
    supply: Annotated[list[SupplyStep], Meta(max_length=MAXIMUM_BOTTLES + 1)]
    closed: ConnectionLabels
    reached: bool
    cylinders: ConnectionSteps
    from_storage: AirAmount
    from_compressor: AirAmount
    compressor_s: Seconds
    duration_s: Seconds | None


class PlannedCylinder(Struct, frozen=True, kw_only=True):
    """How one cylinder ends, and why when it is not full.

    `limit_psi` is settled at 70 F and heeds regulator and hose; `limit_reading_psi` is what that shows at the
    temperature of the plan. `obligations` and `advice` are the judgement's, about a cylinder on record.
    """

    label: PlanLabel
    cylinder_id: uuid.UUID | None
    fill_position_id: uuid.UUID | None
    water_volume_ml: WaterVolumeMl
    state: Annotated[ConnectionState, Meta(description="full, already-full, over-limit or short.")]
    start_psi: ReadingPsi
    end_psi: ReadingPsi
    limit_psi: ReadingPsi
    limit_reading_psi: ReadingPsi
    air: AirAmount
    text: Sentence
    obligations: Annotated[list[NoteView], Meta(max_length=MAXIMUM_REASONS)]
    advice: Annotated[list[NoteView], Meta(max_length=MAXIMUM_REASONS)]


class NotFilled(Struct, frozen=True, kw_only=True):
    """A cylinder that stays shut: the first reason to act on, and all of them where the judgement denies it."""

    label: PlanLabel
    cylinder_id: uuid.UUID | None
    code: Code
    text: PlanText
    reasons: Annotated[list[ReasonView], Meta(max_length=MAXIMUM_REASONS)]


class FillPlanAnswer(Struct, frozen=True, kw_only=True):
    """The plan. It informs; a trained person decides. It is no permit: ask for each cylinder before it is filled.

    Pressures are whole gauge psi settled at `temperature_f`, limits and ceilings at 70 F.
    """

    temperature_f: TemperatureF
    stages: Annotated[list[StageView], Meta(max_length=MAXIMUM_CONNECTIONS)]
    cylinders: Annotated[list[PlannedCylinder], Meta(max_length=MAXIMUM_CONNECTIONS)]
    not_filled: Annotated[list[NotFilled], Meta(max_length=MAXIMUM_CONNECTIONS)]
    bottles: BottleStates
    from_storage: AirAmount
    from_compressor: AirAmount
    compressor_s: Seconds
    duration_s: Seconds | None
    fill_rate_psi_per_minute: FillRate
    advice: AdviceList
    left_out: LeftOutList
    cautions: Sentence


REQUEST_EXAMPLE = FillPlanRequest(
    connections=(
        GivenConnection(label="left", water_volume_ml=6_800, limit_psi=4_500, present_psi=500),
        GivenConnection(label="right", water_volume_ml=8_430, limit_psi=2_216, present_psi=300),
    ),
    supply=GivenSupply(
        compressor=GivenCompressor(rate_scfm=25.0, maximum_psi=6_000),
        bottles=(GivenBottle(label="Bottle 1", water_volume_ml=43_000, pressure_psi=5_400),),
    ),
    fill_rate_psi_per_minute=600,
)
