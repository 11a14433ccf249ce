"""`/v1/gauge-readings`: what a gauge reading means, from numbers alone."""

from typing import Annotated, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.value_types import GaugePsi, StrictStruct
from fill_ledger.api.planning.planning_types import AdviceView, AirAmount, Sentence, WaterVolumeMl, air_amount
from fill_ledger.api.question.eligibility_request import Faults
from fill_ledger.api.question.eligibility_types import GasTemperatureF, Source
from fill_ledger.api.trade_types import PressurePsi
from fill_ledger.trade.gas.air_table import OutsideTable, reading_fault, temperature_fault
from fill_ledger.trade.gas.contents import content
from fill_ledger.trade.gas.reading_checks import (
    GAUGE_TOLERANCE_PSI,
    EndReading,
    EndReadingVerdict,
    Recharge,
    judge_end_reading,
    judge_recharge,
)
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F, settled_psi, stop_at_psi
from fill_ledger.trade.pressure import (
    SERVICE_PRESSURE_MAX_PSI,
    SERVICE_PRESSURE_MIN_PSI,
    PressureError,
    PressureUnit,
    StampedPressure,
    service_pressure_fault,
    unit_doubt,
)

MAXIMUM_ADVICE = 10

_REAL_AIR = "dry real air by CoolProp 8.0.0; a rigid cylinder, its gas at one temperature"
_LIMIT_SOURCE = "49 CFR 173.301a(c) (2024 copy): the limit holds settled at 70 F"
_TOLERANCE_SOURCE = "US Navy Diving Manual 7-5.1.1: from 50 psi over the rating on, bleed off and gauge again"
_HEAT_SOURCE = "inference; 49 CFR 173.301(a)(8) (2015 edition) reckons with 131 F"

CAUTIONS = (
    "This informs; a trained person decides. The cylinder's own marks, the maker's instructions and local codes "
    "prevail. Stretch of the cylinder, moisture and a wall cooler or warmer than the gas are not reckoned with."
)

Percent = Annotated[float, Meta(ge=0, le=100_000, description="Of the limit, in tenths of a percent, rounded down.")]
LimitPsi = Annotated[
    int,
    Meta(
        ge=SERVICE_PRESSURE_MIN_PSI,
        le=SERVICE_PRESSURE_MAX_PSI,
        extra_json_schema={"format": "int32"},
        description="The cylinder's limit at the reference temperature, whole gauge psi.",
    ),
]
StampedFigure = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=10,
        pattern=r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,3})?\Z",
        description="Instead of limit_psi: the service pressure exactly as stamped, rounded down to whole psi.",
        examples=["300"],
    ),
]


class GaugeReadingQuery(StrictStruct, frozen=True, kw_only=True):
    """A reading, a limit, or both, with what is known of the gas and the cylinder."""

    reading_psi: Annotated[PressurePsi, Meta(description="What the gauge shows, whole psi.")] | None = None
    gas_temperature_f: GasTemperatureF | None = None
    limit_psi: LimitPsi | None = None
    service_pressure_value: StampedFigure | None = None
    service_pressure_unit: (
        Annotated[Literal["psi", "bar", "kpa", "mpa"], Meta(description="The unit of service_pressure_value.")] | None
    ) = None
    reference_temperature_f: Annotated[
        int,
        Meta(
            ge=32,
            le=100,
            extra_json_schema={"format": "int32"},
            description="Where the limit holds: 70 F in America, 59 (15 C) for European cylinders.",
        ),
    ] = REFERENCE_TEMPERATURE_F
    gauge_tolerance_psi: Annotated[
        int,
        Meta(
            ge=0,
            le=GAUGE_TOLERANCE_PSI,
            extra_json_schema={"format": "int32"},
            description="A reading less than this over the limit is what gauges differ by.",
        ),
    ] = GAUGE_TOLERANCE_PSI
    water_volume_ml: WaterVolumeMl | None = None


class Verdict(Struct, frozen=True, kw_only=True):
    """The reading judged against the limit.

    `explained_from_f` stands only with `explained-by-heat`: gas that warm or warmer, the reading settles to less than
    the tolerance above the limit.
    """

    verdict: EndReadingVerdict
    text: Sentence
    source: Source
    explained_from_f: Annotated[int, Meta(ge=-60, le=250, extra_json_schema={"format": "int32"})] | None


class CorrectedRecharge(Struct, frozen=True, kw_only=True):
    """The same rule asked of the settled pressure: advice, an inference."""

    due: bool
    percent: Percent
    source: Source


class RechargeView(Struct, frozen=True, kw_only=True):
    """Whether a cylinder kept full must be recharged: at 90 % of its limit or less, by the plain reading."""

    due: bool
    percent: Percent
    source: Source
    corrected: CorrectedRecharge | None


class GaugeReadingAnswer(Struct, frozen=True, kw_only=True):
    """What a gauge reading means. What cannot be told from what was given, or lies outside the table, is null.

    settled_psi: what the reading comes to at the reference temperature. stop_at_psi: the reading to stop at now, so
    that it comes to the limit there. content: the free air there is at the reading, at the gas temperature, else at the
    reference temperature. full_content: the free air at the limit.
    """

    reading_psi: PressurePsi | None
    gas_temperature_f: GasTemperatureF | None
    limit_psi: GaugePsi | None
    reference_temperature_f: Annotated[int, Meta(ge=32, le=100, extra_json_schema={"format": "int32"})]
    gauge_tolerance_psi: Annotated[int, Meta(ge=0, le=GAUGE_TOLERANCE_PSI, extra_json_schema={"format": "int32"})]
    water_volume_ml: WaterVolumeMl | None
    settled_psi: GaugePsi | None
    stop_at_psi: GaugePsi | None
    verdict: Verdict | None
    recharge: RechargeView | None
    content: AirAmount | None
    full_content: AirAmount | None
    advice: Annotated[list[AdviceView], Meta(max_length=MAXIMUM_ADVICE)]
    cautions: Sentence


def _limit_psi(query: GaugeReadingQuery, advice: list[AdviceView]) -> int | None:
    """Return the limit in whole psi.

    Raises:
        Problem: 400 with every fault of what was given together.
    """
    faults = Faults(is_body=False)
    limit_psi = query.limit_psi
    value, unit = query.service_pressure_value, query.service_pressure_unit
    if value is not None and limit_psi is not None:
        faults.add("service_pressure_value", "one-limit", "Give limit_psi or the service pressure, not both.")
    if unit is None and value is not None:
        faults.add("service_pressure_unit", "missing", "Name the unit the service pressure is stamped in.")
    if value is None and unit is not None:
        faults.add("service_pressure_value", "missing", "Give the service pressure as stamped.")
    if value is not None and unit is not None:
        limit_psi = _stamped_psi(value, unit, faults, advice)
    if query.reading_psi is None and query.limit_psi is None and value is None:
        faults.add("reading_psi", "missing", "Give a reading, or a limit, or both.")
    faults.refuse_any()
    return limit_psi


def _stamped_psi(value: str, unit: str, faults: Faults, advice: list[AdviceView]) -> int | None:
    try:
        stamped = StampedPressure(value=value, unit=PressureUnit(unit))
    except PressureError as error:
        faults.add("service_pressure_value", error.code, str(error))
        return None
    if (fault := service_pressure_fault(stamped)) is not None:
        faults.add("service_pressure_value", fault.code, f"{fault.detail}; {fault.suggestion}.")
        return None
    if (doubt := unit_doubt(stamped)) is not None:
        text = f"{doubt[0].upper()}{doubt[1:]}"
        advice.append(AdviceView(code="service-pressure-doubtful", text=text, source="common practice, no source"))
    return stamped.psi


def _figure(value: int | OutsideTable | None) -> int | None:
    return None if isinstance(value, OutsideTable) else value


def _verdict_text(judged: EndReading, query: GaugeReadingQuery, limit_psi: int) -> str:
    limit = f"the limit of {limit_psi} psi"
    at_rest = "" if judged.settled_psi is None else f" Settled it is {judged.settled_psi} psi."
    match judged.verdict:
        case EndReadingVerdict.WITHIN_LIMIT if query.gas_temperature_f is None:
            return f"The reading is within {limit}; were the gas cold, it could still be too much."
        case EndReadingVerdict.WITHIN_LIMIT:
            return f"Within {limit}.{at_rest}"
        case EndReadingVerdict.WITHIN_TOLERANCE:
            return f"Over {limit} by less than {query.gauge_tolerance_psi} psi, as gauges differ.{at_rest}"
        case EndReadingVerdict.EXPLAINED_BY_HEAT:
            return (
                f"Over {limit} as read; gas of {judged.explained_from_f} F or more explains it. Gauge again when cool."
            )
        case EndReadingVerdict.OVER_LIMIT:
            return f"Over {limit}. Bleed off and gauge again.{at_rest}"
        case EndReadingVerdict.OUTSIDE_TABLE:
            return "The table of air does not reach this, so nothing is said."


_VERDICT_SOURCES = {
    EndReadingVerdict.WITHIN_TOLERANCE: _TOLERANCE_SOURCE,
    EndReadingVerdict.EXPLAINED_BY_HEAT: _HEAT_SOURCE,
}


def _verdict(query: GaugeReadingQuery, limit_psi: int | None) -> Verdict | None:
    if query.reading_psi is None or limit_psi is None:
        return None
    judged = judge_end_reading(
        query.reading_psi, limit_psi, query.gas_temperature_f, query.reference_temperature_f, query.gauge_tolerance_psi
    )
    return Verdict(
        verdict=judged.verdict,
        text=_verdict_text(judged, query, limit_psi),
        source=_VERDICT_SOURCES.get(judged.verdict, _LIMIT_SOURCE),
        explained_from_f=judged.explained_from_f,
    )


def _recharge(query: GaugeReadingQuery, limit_psi: int | None) -> RechargeView | None:
    if query.reading_psi is None or limit_psi is None:
        return None
    judged = judge_recharge(query.reading_psi, limit_psi, query.gas_temperature_f, query.reference_temperature_f)
    return RechargeView(
        due=judged.due,
        percent=judged.reading_per_mille / 10,
        source=judged.source,
        corrected=_corrected(judged),
    )


def _corrected(judged: Recharge) -> CorrectedRecharge | None:
    if judged.corrected_due is None or judged.settled_per_mille is None:
        return None
    return CorrectedRecharge(
        due=judged.corrected_due, percent=judged.settled_per_mille / 10, source=judged.corrected_source
    )


def _content(psi: int | None, temperature_f: int, water_volume_ml: int | None) -> AirAmount | None:
    if psi is None or water_volume_ml is None:
        return None
    air = content(psi, temperature_f, water_volume_ml)
    return None if isinstance(air, OutsideTable) else air_amount(air)


def _advice(query: GaugeReadingQuery, limit_psi: int | None, stop: int | OutsideTable | None) -> list[AdviceView]:
    """Say where the table ends, and that a cold gas needs a lower stop."""
    found: list[AdviceView] = []
    temperature_f = query.gas_temperature_f
    for code, outside in (
        ("gas-temperature-outside-table", None if temperature_f is None else temperature_fault(temperature_f)),
        ("reading-outside-table", None if query.reading_psi is None else reading_fault(query.reading_psi)),
        ("limit-outside-table", None if limit_psi is None else reading_fault(limit_psi)),
        ("stop-reading-outside-table", stop if _is_result(stop) else None),
    ):
        if isinstance(outside, OutsideTable):
            text = f"{outside.text[0].upper()}{outside.text[1:]}: no figure is given that rests on it."
            found.append(AdviceView(code=code, text=text, source=_REAL_AIR))
    if isinstance(stop, int) and limit_psi is not None and temperature_f is not None and stop < limit_psi:
        settled = _figure(settled_psi(limit_psi, temperature_f, query.reference_temperature_f))
        overfilled = "" if settled is None else f", for filled to {limit_psi} psi it comes to {settled} psi"
        text = f"The gas is colder than {query.reference_temperature_f} F: stop at {stop} psi{overfilled}."
        found.append(AdviceView(code="cold-gas-lower-stop", text=text, source=f"{_LIMIT_SOURCE}; {_REAL_AIR}"))
    return found


def _is_result(stop: int | OutsideTable | None) -> bool:
    return isinstance(stop, OutsideTable) and stop.quantity == "result_psi"


_EXAMPLE = GaugeReadingAnswer(
    reading_psi=4510,
    gas_temperature_f=96,
    limit_psi=4500,
    reference_temperature_f=70,
    gauge_tolerance_psi=50,
    water_volume_ml=6800,
    settled_psi=4192,
    stop_at_psi=4845,
    verdict=Verdict(
        verdict=EndReadingVerdict.WITHIN_LIMIT,
        text="Within the limit of 4500 psi. Settled it is 4192 psi.",
        source=_LIMIT_SOURCE,
        explained_from_f=None,
    ),
    recharge=RechargeView(
        due=False,
        percent=100.2,
        source="29 CFR 1910.134(h)(3)(iii)",
        corrected=CorrectedRecharge(due=False, percent=93.1, source="inference: the regulation names no temperature"),
    ),
    content=AirAmount(litres=1776, standard_cubic_feet=62.7),
    full_content=AirAmount(litres=1871, standard_cubic_feet=66.1),
    advice=[],
    cautions=CAUTIONS,
)


@get(
    "/v1/gauge-readings",
    right=rights.PLANS_MAKE,
    tag="gauge-readings",
    summary="What a gauge reading means",
    answers=answer(GaugeReadingAnswer, "What it means.", example=_EXAMPLE),
)
async def read_gauge_reading(request: AnyRequest, query: GaugeReadingQuery, principal: Principal) -> GaugeReadingAnswer:
    """Return what a reading settles to, at which reading to stop, whether it is over the limit, and the air there is.

    From numbers alone: nothing is looked up, nothing is recorded. Real air, within 0 to 8,000 psi and -20 to 150 F;
    beyond, figures are null and `advice` says why. The 90 % rule of 29 CFR 1910.134(h)(3)(iii) is asked of the plain
    reading; the temperature-corrected figure beside it is an inference, for the regulation names no temperature.
    """
    advice: list[AdviceView] = []
    limit_psi = _limit_psi(query, advice)
    settled: int | OutsideTable | None = None
    stop: int | OutsideTable | None = None
    if query.gas_temperature_f is not None and query.reading_psi is not None:
        settled = settled_psi(query.reading_psi, query.gas_temperature_f, query.reference_temperature_f)
    if query.gas_temperature_f is not None and limit_psi is not None:
        stop = stop_at_psi(limit_psi, query.gas_temperature_f, query.reference_temperature_f)
    gas_f = query.reference_temperature_f if query.gas_temperature_f is None else query.gas_temperature_f
    return GaugeReadingAnswer(
        reading_psi=query.reading_psi,
        gas_temperature_f=query.gas_temperature_f,
        limit_psi=limit_psi,
        reference_temperature_f=query.reference_temperature_f,
        gauge_tolerance_psi=query.gauge_tolerance_psi,
        water_volume_ml=query.water_volume_ml,
        settled_psi=_figure(settled),
        stop_at_psi=_figure(stop),
        verdict=_verdict(query, limit_psi),
        recharge=_recharge(query, limit_psi),
        content=_content(query.reading_psi, gas_f, query.water_volume_ml),
        full_content=_content(limit_psi, query.reference_temperature_f, query.water_volume_ml),
        advice=[*advice, *_advice(query, limit_psi, stop)],
        cautions=CAUTIONS,
    )


HANDLERS: list[HTTPRouteHandler] = [read_gauge_reading]
