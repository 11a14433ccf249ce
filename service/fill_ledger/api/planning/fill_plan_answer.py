"""From a plan to the answer that a person at the station works by."""

from collections.abc import Sequence

from fill_ledger.api.planning.connections import Admitted
from fill_ledger.api.planning.fill_plan_types import (
    REQUEST_EXAMPLE,
    FillPlanAnswer,
    FillPlanRequest,
    NotFilled,
    PlannedCylinder,
    StageView,
    SupplyStep,
)
from fill_ledger.api.planning.planning_types import (
    CAUTIONS,
    AdviceView,
    BottleState,
    LeftOut,
    PressureStep,
    air_amount,
)
from fill_ledger.trade.gas.plan_types import (
    Advice,
    Compressor,
    Connection,
    ConnectionEnd,
    FillPlan,
    PressureChange,
    Stage,
    Supply,
)
from fill_ledger.trade.gas.plans import plan_fills
from fill_ledger.trade.gas.storage import Bottle

COMPRESSOR = "Compressor"


def answer_of(
    body: FillPlanRequest,
    plan: FillPlan,
    admitted: Sequence[Admitted],
    not_filled: Sequence[NotFilled],
    bottles: Sequence[BottleState],
    *,
    fill_rate_psi_per_minute: int,
    advice: Sequence[AdviceView],
    left_out: Sequence[LeftOut],
) -> FillPlanAnswer:
    """Return the answer. The plan was made for the admitted cylinders, in their order."""
    return FillPlanAnswer(
        temperature_f=body.temperature_f,
        stages=[_stage(stage) for stage in plan.stages],
        cylinders=[_cylinder(each, end) for each, end in zip(admitted, plan.ends, strict=True)],
        not_filled=list(not_filled),
        bottles=list(bottles),
        from_storage=air_amount(plan.from_storage),
        from_compressor=air_amount(plan.from_compressor),
        compressor_s=plan.compressor_s,
        duration_s=plan.duration_s,
        fill_rate_psi_per_minute=fill_rate_psi_per_minute,
        advice=[*(advice_view(each) for each in plan.advice), *advice],
        left_out=list(left_out),
        cautions=CAUTIONS,
    )


def advice_view(advice: Advice) -> AdviceView:
    """Return a word of advice as answers tell it."""
    return AdviceView(code=advice.code, text=advice.text, source=advice.source)


def _stage(stage: Stage) -> StageView:
    return StageView(
        number=stage.number,
        ceiling_psi=stage.ceiling_psi,
        stop_at_psi=stage.stop_at_psi,
        opened=list(stage.opened),
        supply=_supply_steps(stage),
        closed=list(stage.closed),
        reached=stage.reached,
        cylinders=[_step(change) for change in stage.cylinders],
        from_storage=air_amount(stage.from_storage),
        from_compressor=air_amount(stage.from_compressor),
        compressor_s=stage.compressor_s,
        duration_s=stage.duration_s,
    )


def _supply_steps(stage: Stage) -> list[SupplyStep]:
    """Return what is opened in a stage, in order."""
    bottles = [
        SupplyStep(
            supply="bottle",
            label=change.label,
            before_psi=change.before_psi,
            after_psi=change.after_psi,
            air=air_amount(change.air),
        )
        for change in stage.bottles
    ]
    if stage.compressor_s == 0:
        return bottles
    compressor = SupplyStep(
        supply="compressor", label=COMPRESSOR, before_psi=None, after_psi=None, air=air_amount(stage.from_compressor)
    )
    return [compressor, *bottles] if stage.compressor_first else [*bottles, compressor]


def _step(change: PressureChange) -> PressureStep:
    return PressureStep(
        label=change.label, before_psi=change.before_psi, after_psi=change.after_psi, air=air_amount(change.air)
    )


def _cylinder(admitted: Admitted, end: ConnectionEnd) -> PlannedCylinder:
    return PlannedCylinder(
        label=end.label,
        cylinder_id=admitted.cylinder_id,
        fill_position_id=admitted.fill_position_id,
        water_volume_ml=admitted.connection.water_volume_ml,
        state=end.state,
        start_psi=admitted.connection.present_psi,
        end_psi=end.end_psi,
        limit_psi=end.limit_psi,
        limit_reading_psi=end.limit_reading_psi,
        air=air_amount(end.air),
        text=end.text,
        obligations=list(admitted.obligations),
        advice=list(admitted.advice),
    )


def _example() -> FillPlanAnswer:
    """Return the answer to the example of the request, made as every other."""
    connections = [
        Connection(
            label=given.label or "",
            water_volume_ml=given.water_volume_ml or 0,
            present_psi=given.present_psi,
            limit_psi=given.limit_psi or 0,
        )
        for given in REQUEST_EXAMPLE.connections
    ]
    bottles = tuple(
        Bottle(label=given.label or "", water_volume_ml=given.water_volume_ml or 0, pressure_psi=given.pressure_psi)
        for given in REQUEST_EXAMPLE.supply.bottles
    )
    compressor, rate = REQUEST_EXAMPLE.supply.compressor, REQUEST_EXAMPLE.fill_rate_psi_per_minute
    assert compressor is not None
    assert rate is not None
    supply = Supply(
        compressor=Compressor(rate_scfm=compressor.rate_scfm, maximum_psi=compressor.maximum_psi), bottles=bottles
    )
    plan = plan_fills(connections, supply, fill_rate_psi_per_minute=rate)
    assert isinstance(plan, FillPlan)
    return answer_of(
        REQUEST_EXAMPLE,
        plan,
        [Admitted(connection=each, cylinder_id=None, fill_position_id=None) for each in connections],
        [],
        [
            BottleState(
                label=before.label,
                bottle_id=None,
                air_source_id=None,
                water_volume_ml=before.water_volume_ml,
                before_psi=before.pressure_psi,
                after_psi=after.pressure_psi,
                read_at=None,
                reading_age_s=None,
            )
            for before, after in zip(bottles, plan.bottles_after, strict=True)
        ],
        fill_rate_psi_per_minute=rate,
        advice=[],
        left_out=[],
    )


ANSWER_EXAMPLE = _example()
