"""How each cylinder of a plan ends, and what to advise about the plan."""

from collections.abc import Iterator, Mapping, Sequence, Set

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.contents import free_air_of_mass
from fill_ledger.trade.gas.mass_balance import Vessel, shown_psi, vessel
from fill_ledger.trade.gas.plan_types import Advice, Connection, ConnectionEnd, ConnectionState, Supply
from fill_ledger.trade.gas.reading_checks import GAUGE_TOLERANCE_PSI
from fill_ledger.trade.gas.readings import settled_psi, stop_at_psi

COMMON_PRACTICE = "common practice, no source"


def ends_of(
    connections: Sequence[Connection],
    supply: Supply,
    cylinders: Mapping[str, Vessel],
    limits_kg_per_m3: Mapping[str, float],
    unopened: Set[str],
    temperature_f: int,
) -> tuple[ConnectionEnd, ...]:
    """Return how each cylinder ends, in the order given. Raises `BeyondTableError` when a pressure has no figure."""
    ends: list[ConnectionEnd] = []
    for each in connections:
        density, limit = cylinders[each.label].density_kg_per_m3, limits_kg_per_m3[each.label]
        end_psi = shown_psi(density, temperature_f)
        full_psi = shown_psi(limit, temperature_f)
        if each.label in unopened and end_psi > full_psi:
            state = ConnectionState.OVER_LIMIT
            text = f"not opened: it stands {end_psi - full_psi} psi above its limit of {each.limit_psi} psi"
        elif each.label in unopened:
            state, text = ConnectionState.ALREADY_FULL, f"not opened: it is at its limit of {each.limit_psi} psi"
        elif density >= limit:
            state, text = ConnectionState.FULL, f"filled to its limit of {each.limit_psi} psi"
        else:
            state, text = ConnectionState.SHORT, _why_short(each, supply, end_psi, full_psi)
        ends.append(
            ConnectionEnd(
                label=each.label,
                state=state,
                end_psi=end_psi,
                limit_psi=each.limit_psi,
                limit_reading_psi=full_psi,
                air=free_air_of_mass(cylinders[each.label].mass_kg - _mass_before_kg(each, temperature_f)),
                text=text,
            )
        )
    return tuple(ends)


def advice_for(
    connections: Sequence[Connection],
    supply: Supply,
    ends: Sequence[ConnectionEnd],
    one_by_one: int,
    gas_temperature_f: int | None,
) -> tuple[Advice, ...]:
    """Return what to advise. `one_by_one` is how many stored air alone fills one after the other."""
    return (
        *_about_connections(connections, ends),
        *_about_ratings(connections, ends, gas_temperature_f),
        *_about_the_order(supply, ends, one_by_one),
    )


def _mass_before_kg(connection: Connection, temperature_f: int) -> float:
    return vessel(connection.label, connection.water_volume_ml, connection.present_psi, temperature_f).mass_kg


def _why_short(connection: Connection, supply: Supply, end_psi: int, full_psi: int) -> str:
    missing = f"{full_psi - end_psi} psi are missing to its limit of {connection.limit_psi} psi"
    compressor = supply.compressor
    if compressor is None and not supply.bottles:
        return f"{missing}: there is neither a compressor nor stored air"
    if compressor is None:
        return f"{missing}: no bottle stands above {end_psi} psi any more"
    if supply.bottles:
        return f"{missing}: the compressor stops at {compressor.maximum_psi} psi, no bottle stands above {end_psi} psi"
    return f"{missing}: the compressor stops at {compressor.maximum_psi} psi"


def _about_connections(connections: Sequence[Connection], ends: Sequence[ConnectionEnd]) -> Iterator[Advice]:
    untouched = (ConnectionState.OVER_LIMIT, ConnectionState.ALREADY_FULL)
    opened = [each for each, end in zip(connections, ends, strict=True) if end.state not in untouched]
    limits = sorted({each.limit_psi for each in opened})
    if len(limits) > 1:
        yield Advice(
            code="mixed-limits",
            text="Fill cylinders of one limit at a time, or each from an outlet with a regulator of its own: "
            f"a cylinder for {limits[0]} psi left open takes up to {limits[-1]} psi",
            source=COMMON_PRACTICE,
        )
    presents = sorted(each.present_psi for each in opened)
    if presents and presents[-1] - presents[0] >= GAUGE_TOLERANCE_PSI:
        yield Advice(
            code="open-lowest-first",
            text="Open the emptiest cylinder first and each other one when the hose has reached its pressure, or it "
            "flows back into the emptier ones",
            source=COMMON_PRACTICE,
        )
    for connection, end in zip(connections, ends, strict=True):
        over_psi = end.end_psi - end.limit_reading_psi
        if end.state is ConnectionState.OVER_LIMIT and over_psi >= GAUGE_TOLERANCE_PSI:
            yield Advice(
                code="bleed-off",
                text=f"Bleed {connection.label} off and gauge it again: it stands {over_psi} psi above its limit",
                source="US Navy Diving Manual 7-5.1.1",
            )


def _about_ratings(
    connections: Sequence[Connection], ends: Sequence[ConnectionEnd], gas_temperature_f: int | None
) -> Iterator[Advice]:
    """Say where a regulator or hose ends the fill below the reading that warm gas needs."""
    for connection, end in zip(connections, ends, strict=True):
        if gas_temperature_f is None or connection.rating_psi is None or end.state is not ConnectionState.FULL:
            continue
        stop, settled = (
            stop_at_psi(end.limit_psi, gas_temperature_f),
            settled_psi(connection.rating_psi, gas_temperature_f),
        )
        if isinstance(stop, OutsideTable) or isinstance(settled, OutsideTable) or stop <= connection.rating_psi:
            continue
        yield Advice(
            code="rating-below-stop",
            text=f"{connection.label} is behind a regulator or hose of {connection.rating_psi} psi: with gas of "
            f"{gas_temperature_f} F it settles to {settled} psi; top it off once it has cooled",
            source="table of real air; topping off after cooling: NIOSH 2021-111 (secondary)",
        )


def _about_the_order(supply: Supply, ends: Sequence[ConnectionEnd], one_by_one: int) -> Iterator[Advice]:
    full = sum(end.state is ConnectionState.FULL for end in ends)
    if supply.compressor is None and one_by_one > full:
        yield Advice(
            code="one-at-a-time",
            text=f"Filled one after the other, emptying the lowest bottle first, the stored air fills {one_by_one} "
            f"of them instead of {full}",
            source="mass balance of real air",
        )
