"""`/v1/storage-forecasts`: how many cylinders the stored air still fills without power, and from which bottle first."""

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial

import msgspec
from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer, post
from fill_ledger.api.planning.calculations import calculated, outside_table
from fill_ledger.api.planning.planning_types import CAUTIONS, AdviceView, BottleState, LeftOut, air_amount
from fill_ledger.api.planning.station_at_hand import read_station
from fill_ledger.api.planning.storage_forecast_types import (
    REQUEST_EXAMPLE,
    BottleLeft,
    FillTold,
    GivenKind,
    KindAlone,
    KindTogether,
    OpeningView,
    StorageForecastAnswer,
    StorageForecastRequest,
)
from fill_ledger.api.planning.supplies import check_given_bottles, free_label, take_supply, volume_ml
from fill_ledger.api.question.eligibility_request import Faults
from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.storage import (
    BankFill,
    Bottle,
    CylinderKind,
    Forecast,
    comes_full,
    forecast,
    forecast_together,
)

_LOWEST_FIRST = AdviceView(
    code="open-lowest-bottle-first",
    text="Open one bottle at a time: the lowest that stands above the cylinder, until the flow ends or "
    "the cylinder is full, then close it and open the next. Fill the cylinders with the highest limit first.",
    source="department fill sheets (secondary); mass balance of real air",
)


class _Forecasts(msgspec.Struct, frozen=True, kw_only=True):
    """What was counted: each kind alone, in the order given, and all together, in the order of filling."""

    alone: tuple[Forecast, ...]
    together: tuple[Forecast, ...]


def _forecasts(
    bottles: Sequence[Bottle], kinds: Sequence[CylinderKind], temperature_f: int, fills_told: int
) -> _Forecasts | OutsideTable:
    alone: list[Forecast] = []
    for kind in kinds:
        one = forecast(bottles, msgspec.structs.replace(kind, wanted=None), temperature_f)
        if isinstance(one, OutsideTable):
            return one
        alone.append(one)
    together = forecast_together(bottles, kinds, temperature_f, fills_told=fills_told)
    return together if isinstance(together, OutsideTable) else _Forecasts(alone=tuple(alone), together=together)


def _answer_of(
    kinds: Sequence[CylinderKind],
    temperature_f: int,
    counted: _Forecasts,
    states: Sequence[BottleState],
    advice: Sequence[AdviceView],
    left_out: Sequence[LeftOut],
) -> StorageForecastAnswer:
    wanted = {kind.label: kind.wanted for kind in kinds}
    return StorageForecastAnswer(
        temperature_f=temperature_f,
        alone=[_alone(one) for one in counted.alone],
        together=[_together(one, wanted[one.kind]) for one in counted.together],
        bottles=list(states),
        advice=[_LOWEST_FIRST, *advice],
        left_out=list(left_out),
        cautions=CAUTIONS,
    )


def _alone(one: Forecast) -> KindAlone:
    return KindAlone(
        label=one.kind,
        full_fills=one.full_fills,
        full_fills_all_open=one.full_fills_all_open,
        more=one.more,
        limit_reading_psi=one.limit_reading_psi,
        next_end_psi=one.next_end_psi,
        opening_order=list(one.opening_order),
        air=air_amount(one.air),
        bottles_after=_left(one.bottles_after),
    )


def _together(one: Forecast, wanted: int | None) -> KindTogether:
    return KindTogether(
        label=one.kind,
        wanted=wanted,
        full_fills=one.full_fills,
        short_by=None if wanted is None else wanted - one.full_fills,
        more=one.more,
        limit_reading_psi=one.limit_reading_psi,
        next_end_psi=one.next_end_psi,
        opening_order=list(one.opening_order),
        air=air_amount(one.air),
        bottles_after=_left(one.bottles_after),
        first_fills=[_fill(fill) for fill in one.first_fills],
    )


def _left(bottles: Sequence[Bottle]) -> list[BottleLeft]:
    return [BottleLeft(label=bottle.label, pressure_psi=bottle.pressure_psi) for bottle in bottles]


def _fill(fill: BankFill) -> FillTold:
    return FillTold(
        openings=[
            OpeningView(
                bottle=step.bottle,
                bottle_before_psi=step.bottle_before_psi,
                bottle_after_psi=step.bottle_after_psi,
                cylinder_after_psi=step.cylinder_after_psi,
                air=air_amount(step.air),
            )
            for step in fill.openings
        ],
        end_psi=fill.end_psi,
        air=air_amount(fill.air),
    )


def _read_kinds(given_kinds: Sequence[GivenKind], temperature_f: int, faults: Faults) -> list[CylinderKind]:
    """Return the kinds, each with a label of its own; notes what is wrong with them."""
    given_labels: set[str] = set()
    labels = {given.label for given in given_kinds if given.label is not None}
    kinds: list[CylinderKind] = []
    for place, given in enumerate(given_kinds):
        here = faults.within(f"/kinds/{place}")
        if given.label is not None and given.label in given_labels:
            here.add("label", "used-twice", "Each kind needs a label of its own.")
        given_labels |= set() if given.label is None else {given.label}
        volume = volume_ml(given.water_volume_ml, given.water_volume_l, here)
        if volume is None:
            here.add("water_volume_ml", "missing", "Give the water volume of one such cylinder.")
            continue
        kind = CylinderKind(
            label=given.label or free_label((f"kind {place + 1}",), labels),
            water_volume_ml=volume,
            start_psi=given.start_psi,
            limit_psi=given.limit_psi,
            wanted=given.wanted,
        )
        if comes_full(kind, temperature_f) is True:
            detail = f"At {temperature_f} F {given.start_psi} psi is at the limit of {given.limit_psi} psi already."
            here.add("start_psi", "at-its-limit", detail)
        kinds.append(kind)
    return kinds


def _example() -> StorageForecastAnswer:
    """Return the answer to the example of the request, made as every other."""
    kinds = _read_kinds(REQUEST_EXAMPLE.kinds, REQUEST_EXAMPLE.temperature_f, Faults(is_body=True))
    supply = take_supply(REQUEST_EXAMPLE.bottles, (), None, "/bottles", datetime.now(UTC))
    bottles = [taken.bottle for taken in supply.bottles]
    counted = _forecasts(bottles, kinds, REQUEST_EXAMPLE.temperature_f, REQUEST_EXAMPLE.fills_told)
    assert isinstance(counted, _Forecasts)
    states = supply.states(counted.together[-1].bottles_after, datetime.now(UTC))
    return _answer_of(kinds, REQUEST_EXAMPLE.temperature_f, counted, states, (), ())


@post(
    "/v1/storage-forecasts",
    right=rights.PLANS_MAKE,
    tag="plans",
    summary="Forecast what stored air still fills",
    answers=answer(StorageForecastAnswer, "The forecast. Nothing was recorded.", example=_example()),
    body_example=REQUEST_EXAMPLE,
    problems=(problem_types.NOT_FOUND, problem_types.NOT_PROCESSABLE),
)
async def make_storage_forecast(
    request: AnyRequest, body: StorageForecastRequest, principal: Principal
) -> StorageForecastAnswer:
    """Say how many cylinders of which kind the stored air still fills without power, and what to open in which order.

    Numbers alone are enough: bottles with water volume and gauge pressure, and kinds of cylinders. Air sources on
    record may be named instead or as well: their bottles in place are taken with their newest readings, and one never
    read is named under `left_out`. `alone` has the whole store for one kind; `together` fills all kinds from it, those
    with the highest limit first, each as many as `wanted`. Give `wanted` for every kind but the last one filled, or the
    first takes what it can get.

    Counting is bounded: at most 6 kinds, 100 bottles and 2,000 fills of a kind, fewer with many bottles (`more` says
    that it stopped there); a tenth of a second at most, off the event loop.
    """
    faults = Faults(is_body=True)
    kinds = _read_kinds(body.kinds, body.temperature_f, faults)
    check_given_bottles(body.bottles, faults, "/bottles")
    if not body.bottles and not body.air_source_ids:
        faults.add("bottles", "missing", "Give the bottles by numbers, or name air sources.")
    station = await read_station(
        request, principal, body.station_id, is_needed=bool(body.air_source_ids), faults=faults
    )
    at = datetime.now(UTC) if station is None else station.at
    named = () if station is None else station.sources(body.air_source_ids, "/air_source_ids")
    question = None if station is None else station.question()
    supply = take_supply(body.bottles, named, question, "/bottles", at)
    bottles = [taken.bottle for taken in supply.bottles]
    counted = await calculated(partial(_forecasts, bottles, kinds, body.temperature_f, body.fills_told))
    if isinstance(counted, OutsideTable):
        raise outside_table(counted)
    states = supply.states(counted.together[-1].bottles_after, at)
    return _answer_of(kinds, body.temperature_f, counted, states, supply.advice, supply.left_out)


HANDLERS: list[HTTPRouteHandler] = [make_storage_forecast]
