"""Judging a gauge reading: is a cylinder over its limit once settled, and is it due for a recharge."""

from bisect import bisect_left
from enum import StrEnum

import msgspec

from fill_ledger.trade.gas.air_table import OutsideTable, reading_fault, temperature_fault
from fill_ledger.trade.gas.readings import (
    REFERENCE_TEMPERATURE_F,
    at_other_temperature_psi,
    settled_psi,
    stop_at_psi,
)

# US Navy Diving Manual 7-5.1.1: at 50 psi or more over the rating, bleed off and gauge again.
GAUGE_TOLERANCE_PSI = 50
# 49 CFR 173.301(a)(8), 2015 edition, reckons with 131 F (55 C); gas that has just been filled fast may be hotter still.
HOTTEST_GAS_F = 131
# 29 CFR 1910.134(h)(3)(iii): recharged when the pressure falls to 90 % of the recommended level (wording from memory).
RECHARGE_PER_MILLE = 900
RECHARGE_SOURCE = "29 CFR 1910.134(h)(3)(iii)"
CORRECTED_RECHARGE_SOURCE = "inference: the regulation names no temperature"


class EndReadingVerdict(StrEnum):
    """What an end reading says of a fill. Values are stored and sent; never rename one."""

    WITHIN_LIMIT = "within-limit"
    WITHIN_TOLERANCE = "within-tolerance"
    EXPLAINED_BY_HEAT = "explained-by-heat"
    OVER_LIMIT = "over-limit"
    OUTSIDE_TABLE = "outside-table"


class EndReading(msgspec.Struct, frozen=True, kw_only=True):
    """An end reading judged against the settled limit.

    `settled_psi` and `stop_at_psi` stand only where the temperature is known and the table reaches.
    `explained_from_f` stands only with `EXPLAINED_BY_HEAT`: gas that warm or warmer, the reading would settle to less
    than the tolerance above the limit.
    """

    verdict: EndReadingVerdict
    settled_psi: int | None = None
    stop_at_psi: int | None = None
    explained_from_f: int | None = None
    outside: OutsideTable | None = None


class Recharge(msgspec.Struct, frozen=True, kw_only=True):
    """Whether a cylinder must be recharged, by the plain reading, and what it would be once settled.

    The plain figures rest on `RECHARGE_SOURCE`. The corrected ones are advice (`CORRECTED_RECHARGE_SOURCE`) and None
    where the temperature is unknown or outside the table. Parts per thousand are rounded down.
    """

    due: bool
    reading_per_mille: int
    corrected_due: bool | None
    settled_psi: int | None
    settled_per_mille: int | None
    source: str = RECHARGE_SOURCE
    corrected_source: str = CORRECTED_RECHARGE_SOURCE


def judge_end_reading(
    end_psi: int,
    limit_psi: int,
    gas_temperature_f: int | None,
    reference_temperature_f: int = REFERENCE_TEMPERATURE_F,
    tolerance_psi: int = GAUGE_TOLERANCE_PSI,
) -> EndReading:
    """Judge the reading at the end of a fill against the limit at the reference temperature.

    With a known temperature the reading is settled first. Without one, what heat up to 131 F could explain is not
    called an overfill; that a cold cylinder may be overfilled at a reading within its limit cannot be seen then.
    Less than `tolerance_psi` over the limit is what gauges differ by; 0 lets nothing pass. A reading beyond the table
    is over the limit where the reading that would settle to it is in the table.
    """
    for fault in (reading_fault(limit_psi), temperature_fault(reference_temperature_f)):
        if fault is not None:
            return EndReading(verdict=EndReadingVerdict.OUTSIDE_TABLE, outside=fault)
    if gas_temperature_f is not None and (fault := temperature_fault(gas_temperature_f)) is not None:
        return EndReading(verdict=EndReadingVerdict.OUTSIDE_TABLE, outside=fault)
    if (fault := reading_fault(end_psi)) is not None:
        return _judge_beyond_table(fault, limit_psi, gas_temperature_f, reference_temperature_f, tolerance_psi)
    if gas_temperature_f is None:
        return _judge_without_temperature(end_psi, limit_psi, reference_temperature_f, tolerance_psi)
    settled = settled_psi(end_psi, gas_temperature_f, reference_temperature_f)
    stop = stop_at_psi(limit_psi, gas_temperature_f, reference_temperature_f)
    stop_at = None if isinstance(stop, OutsideTable) else stop
    if isinstance(settled, OutsideTable):
        # A cold reading that would settle above the end of the table is above any limit within it.
        return EndReading(verdict=EndReadingVerdict.OVER_LIMIT, stop_at_psi=stop_at, outside=settled)
    return EndReading(verdict=_verdict(settled, limit_psi, tolerance_psi), settled_psi=settled, stop_at_psi=stop_at)


def judge_recharge(
    reading_psi: int,
    rated_psi: int,
    gas_temperature_f: int | None,
    reference_temperature_f: int = REFERENCE_TEMPERATURE_F,
) -> Recharge:
    """Judge a cylinder that should be full: due for a recharge at 90 % of its rated pressure or less.

    The corrected figures are those at the reference temperature, where the rated pressure holds. Raises `ValueError`
    when `rated_psi` is not above zero.
    """
    if rated_psi <= 0:
        raise ValueError(f"{rated_psi} psi is not a rated pressure")
    settled: int | OutsideTable | None = None
    if gas_temperature_f is not None:
        settled = settled_psi(reading_psi, gas_temperature_f, reference_temperature_f)
    if isinstance(settled, OutsideTable):
        settled = None
    return Recharge(
        due=_recharge_due(reading_psi, rated_psi),
        reading_per_mille=reading_psi * 1_000 // rated_psi,
        corrected_due=None if settled is None else _recharge_due(settled, rated_psi),
        settled_psi=settled,
        settled_per_mille=None if settled is None else settled * 1_000 // rated_psi,
    )


def _recharge_due(pressure_psi: int, rated_psi: int) -> bool:
    return pressure_psi * 1_000 <= RECHARGE_PER_MILLE * rated_psi


def _verdict(settled: int, limit_psi: int, tolerance_psi: int) -> EndReadingVerdict:
    if settled <= limit_psi:
        return EndReadingVerdict.WITHIN_LIMIT
    if settled < limit_psi + tolerance_psi:
        return EndReadingVerdict.WITHIN_TOLERANCE
    return EndReadingVerdict.OVER_LIMIT


def _judge_beyond_table(
    fault: OutsideTable,
    limit_psi: int,
    gas_temperature_f: int | None,
    reference_temperature_f: int,
    tolerance_psi: int,
) -> EndReading:
    """Judge a reading that the table does not reach: higher than any in it, or below 0, which no gauge shows."""
    if fault.given is not None and fault.given < fault.least:
        return EndReading(verdict=EndReadingVerdict.OUTSIDE_TABLE, outside=fault)
    hottest_f = max(HOTTEST_GAS_F, reference_temperature_f) if gas_temperature_f is None else gas_temperature_f
    highest_allowed = at_other_temperature_psi(limit_psi + tolerance_psi, reference_temperature_f, hottest_f)
    if isinstance(highest_allowed, OutsideTable):
        return EndReading(verdict=EndReadingVerdict.OUTSIDE_TABLE, outside=fault)
    stop = None if gas_temperature_f is None else stop_at_psi(limit_psi, gas_temperature_f, reference_temperature_f)
    return EndReading(
        verdict=EndReadingVerdict.OVER_LIMIT,
        stop_at_psi=None if isinstance(stop, OutsideTable) else stop,
        outside=fault,
    )


def _judge_without_temperature(
    end_psi: int, limit_psi: int, reference_temperature_f: int, tolerance_psi: int
) -> EndReading:
    verdict = _verdict(end_psi, limit_psi, tolerance_psi)
    if verdict is not EndReadingVerdict.OVER_LIMIT:
        return EndReading(verdict=verdict)

    def explains(temperature_f: int) -> bool:
        settled = settled_psi(end_psi, temperature_f, reference_temperature_f)
        return not isinstance(settled, OutsideTable) and settled < limit_psi + max(tolerance_psi, 1)

    # The warmer the gas is, the lower it settles: once it explains the reading, all warmer gas does.
    temperatures_f = range(reference_temperature_f + 1, HOTTEST_GAS_F + 1)
    first = bisect_left(temperatures_f, True, key=explains)
    if first == len(temperatures_f):
        return EndReading(verdict=EndReadingVerdict.OVER_LIMIT)
    return EndReading(verdict=EndReadingVerdict.EXPLAINED_BY_HEAT, explained_from_f=temperatures_f[first])
