"""At which gauge reading to stop, where the temperature of the gas is known.

A limit holds at 70 F (49 CFR 173.301a(c), 2024 copy). Warm gas may be read above it (PHMSA letter 03-0159, 2003), cold
gas must be stopped below it: a cylinder at 40 F filled to its mark of 4,500 psi comes to 4,946 psi at 70 F.
"""

from functools import lru_cache

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.readings import REFERENCE_TEMPERATURE_F, settled_psi, stop_at_psi
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.limits import CODES_OF_A_LIMIT, fill_limit_psi, reading_limit_psi, settled_limit_psi
from fill_ledger.trade.rules.reasons import Reason, ReasonKind
from fill_ledger.trade.rules.rule import Facts, Rule

REMEMBERED_STOPS = 4_096

_REAL_AIR = "real air by CoolProp 8.0.0"

COLD_GAS = ReasonKind(
    code="cold-gas-lower-stop",
    effect="advice",
    title="The gas is cold: filled to the limit on the gauge the cylinder would be overfilled at 70 F",
    source=f"49 CFR 173.301a(c) (2024 copy): the limit holds at 70 F; {_REAL_AIR}",
)
WARM_GAS = ReasonKind(
    code="warm-gas-higher-stop",
    effect="advice",
    title="The gas is warm: the gauge may read above the limit while filling, for it settles to the limit at 70 F",
    source=f"PHMSA interpretation letter 03-0159 (2003); {_REAL_AIR}",
)
TEMPERATURE_OUTSIDE = ReasonKind(
    code="gas-temperature-outside-table",
    effect="advice",
    title="The gas temperature lies outside the table of air, so no reading to stop at is given",
    source="inference: the table is made for what a cylinder may come to",
    clears_by="a gas temperature within the table",
)
PRESSURE_OUTSIDE = ReasonKind(
    code="stop-reading-outside-table",
    effect="advice",
    title="The reading to stop at lies above the table of air, so none is given",
    source="inference: the table is made for the pressures of the trade",
)

# They tell how to fill, so they have nothing to say to whoever must not.
CODES_OF_A_PERMIT = CODES_OF_A_LIMIT | {COLD_GAS.code, WARM_GAS.code, TEMPERATURE_OUTSIDE.code, PRESSURE_OUTSIDE.code}


@lru_cache(maxsize=REMEMBERED_STOPS)
def _stop_at_psi(limit_psi: int, gas_temperature_f: int) -> int | OutsideTable:
    """Return the reading that settles to a limit at 70 F; a fleet has few limits, and gas few temperatures."""
    return stop_at_psi(limit_psi, gas_temperature_f)


def stop_reading_psi(case: Case) -> int | OutsideTable | None:
    """Return the gauge reading to stop at in whole psi, rounded down.

    It settles at 70 F to what marks and policy allow, and is never above the regulator's setting or the hose's rating:
    those bound the reading itself. None where the gas temperature or the limit is not known; `OutsideTable` where the
    table of air does not reach.
    """
    gas_temperature_f, settled_limit = case.question.gas_temperature_f, settled_limit_psi(case)
    if gas_temperature_f is None or settled_limit is None:
        return None
    stop, highest_reading = _stop_at_psi(settled_limit, gas_temperature_f), reading_limit_psi(case)
    if isinstance(stop, OutsideTable):
        # What would be above the table is above a regulator or hose that is within it.
        is_above = stop.quantity == "result_psi" and highest_reading is not None and highest_reading <= stop.greatest
        return highest_reading if is_above else stop
    return stop if highest_reading is None else min(stop, highest_reading)


def _reasons(case: Case) -> tuple[Reason, ...]:
    gas_temperature_f, limit_psi = case.question.gas_temperature_f, fill_limit_psi(case)
    stop = stop_reading_psi(case)
    if gas_temperature_f is None or limit_psi is None or stop is None:  # pragma: no mutate - for types: stop is enough
        return ()
    if isinstance(stop, OutsideTable):
        return (_outside(stop, gas_temperature_f),)
    if stop > limit_psi:
        return (
            WARM_GAS.reason(
                f"The gas is at {gas_temperature_f} F: the gauge may go to {stop} psi, no higher. That settles to at "
                f"most {limit_psi} psi at {REFERENCE_TEMPERATURE_F} F. The maker's instructions prevail.",
                f"Gas at {gas_temperature_f} F: stop at {stop} psi.",
            ),
        )
    return (_cold(case, stop, limit_psi, gas_temperature_f),) if stop < limit_psi else ()


def _cold(case: Case, stop: int, limit_psi: int, gas_temperature_f: int) -> Reason:
    settled = settled_psi(limit_psi, gas_temperature_f)
    overfilled = "" if isinstance(settled, OutsideTable) else f" Filled to {limit_psi} it comes to {settled} psi then."
    return COLD_GAS.reason(
        f"The gas is at {gas_temperature_f} F: stop at {stop} psi, which comes to {settled_limit_psi(case)} psi at "
        f"{REFERENCE_TEMPERATURE_F} F.{overfilled}",
        f"Cold gas, {gas_temperature_f} F: stop at {stop} psi.",
    )


def _outside(stop: OutsideTable, gas_temperature_f: int) -> Reason:
    if stop.quantity == "gas_temperature_f":
        return TEMPERATURE_OUTSIDE.reason(
            f"A gas temperature of {gas_temperature_f} F is not within {stop.least} to {stop.greatest} F, so no "
            "reading to stop at is given. Fill slowly and gauge again when it has come to 70 F.",
            f"{gas_temperature_f} F is not within {stop.least} to {stop.greatest} F: no stop reading.",
        )
    return PRESSURE_OUTSIDE.reason(
        f"The reading to stop at would be above {stop.greatest} psi, where the table of air ends. Gauge again when the "
        "gas has come to 70 F.",
        f"No stop reading: it would be above {stop.greatest} psi.",
    )


def _facts(case: Case) -> Facts:
    stop = stop_reading_psi(case)
    return {
        "gas_temperature_f": case.question.gas_temperature_f,
        "settled_limit_psi": settled_limit_psi(case),
        "reading_limit_psi": reading_limit_psi(case),
        "stop_at_psi": None if isinstance(stop, OutsideTable) else stop,
    }


# What the limit rests on changes at the instants of the limit's own rules.
RULE = Rule(
    name="gas-temperature",
    concerns="fill",
    kinds=(COLD_GAS, WARM_GAS, TEMPERATURE_OUTSIDE, PRESSURE_OUTSIDE),
    reasons=_reasons,
    facts=_facts,
)
