"""Staged plans: order, times, what cannot be filled and why, and advice."""

import pytest

from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.plan_types import Compressor, Connection, ConnectionState, FillPlan, Supply
from fill_ledger.trade.gas.plans import plan_fills
from fill_ledger.trade.gas.readings import stop_at_psi
from fill_ledger.trade.gas.storage import Bottle

COMPRESSOR = Compressor(rate_scfm=25.0, maximum_psi=6_000)


def connection(
    label: str, present_psi: int, limit_psi: int, water_volume_ml: int = 6_800, rating_psi: int | None = None
) -> Connection:
    return Connection(
        label=label,
        water_volume_ml=water_volume_ml,
        present_psi=present_psi,
        limit_psi=limit_psi,
        rating_psi=rating_psi,
    )


def bottle(label: str, pressure_psi: int, water_volume_ml: int = 43_000) -> Bottle:
    return Bottle(label=label, water_volume_ml=water_volume_ml, pressure_psi=pressure_psi)


def planned(connections: list[Connection], supply: Supply, temperature_f: int = 70) -> FillPlan:
    plan = plan_fills(connections, supply, temperature_f=temperature_f)
    assert isinstance(plan, FillPlan)
    return plan


def advised(plan: FillPlan) -> list[str]:
    return [each.code for each in plan.advice]


def test_like_with_like_is_one_stage_and_needs_no_advice() -> None:
    plan = planned([connection("a", 500, 4_500), connection("b", 520, 4_500)], Supply(compressor=COMPRESSOR))
    (stage,) = plan.stages
    assert (stage.number, stage.ceiling_psi, stage.reached) == (1, 4_500, True)
    assert stage.closed == ("a", "b")
    assert stage.stop_at_psi is None
    assert plan.advice == ()
    assert plan.compressor_s == stage.compressor_s == plan.duration_s


def test_a_cylinder_above_the_ceiling_waits_for_its_stage() -> None:
    plan = planned([connection("fuller", 3_000, 4_500), connection("low", 500, 2_216)], Supply(compressor=COMPRESSOR))
    assert [stage.opened for stage in plan.stages] == [("low",), ("fuller",)]
    assert [stage.closed for stage in plan.stages] == [("low",), ("fuller",)]


def test_cylinders_are_opened_lowest_first() -> None:
    plan = planned(
        [connection("half", 2_000, 4_500), connection("empty", 0, 4_500), connection("some", 900, 4_500)],
        Supply(compressor=COMPRESSOR),
    )
    assert plan.stages[0].opened == ("empty", "some", "half")
    assert advised(plan) == ["open-lowest-first"]


def test_readings_to_stop_at_in_warm_gas() -> None:
    connections = [connection("a", 500, 2_216), connection("b", 500, 4_500)]
    plan = plan_fills(connections, Supply(compressor=COMPRESSOR), gas_temperature_f=100)
    assert isinstance(plan, FillPlan)
    assert [stage.stop_at_psi for stage in plan.stages] == [stop_at_psi(2_216, 100), stop_at_psi(4_500, 100)]
    too_hot = plan_fills(connections, Supply(compressor=COMPRESSOR), gas_temperature_f=180)
    assert isinstance(too_hot, FillPlan)
    assert [stage.stop_at_psi for stage in too_hot.stages] == [None, None]


def test_a_rating_lowers_the_limit_behind_it() -> None:
    """Limits hold at 70 F. At 100 F a 4,500 reads 4,898 (CoolProp 8.0.0), more than a hose for 4,500 may have."""
    behind = [connection("behind", 500, 5_500, rating_psi=4_500), connection("free", 500, 5_500)]
    plan = planned(behind, Supply(compressor=COMPRESSOR))
    assert [stage.ceiling_psi for stage in plan.stages] == [4_500, 5_500]
    assert [(end.end_psi, end.limit_psi) for end in plan.ends] == [(4_500, 4_500), (5_500, 5_500)]
    warm = planned([connection("behind", 500, 4_500, rating_psi=4_500)], Supply(compressor=COMPRESSOR), 100)
    assert warm.ends[0].end_psi <= 4_500
    assert warm.ends[0].limit_psi == pytest.approx(4_139, abs=1)  # what 4,500 at 100 F settles to
    # In the cold the gauge would allow more than the rating, once it is warm again: that is not used.
    cold = planned([connection("behind", 500, 5_500, rating_psi=4_500)], Supply(compressor=COMPRESSOR), 0)
    assert cold.ends[0].limit_psi == 4_500


def test_no_reading_to_stop_at_lies_above_a_rating() -> None:
    connections = [connection("behind", 500, 4_500, rating_psi=4_600), connection("free", 500, 4_500)]
    plan = plan_fills(connections, Supply(compressor=COMPRESSOR), gas_temperature_f=100)
    assert isinstance(plan, FillPlan)
    assert [stage.stop_at_psi for stage in plan.stages] == [4_600]
    (advice,) = plan.advice
    assert advice.code == "rating-below-stop"
    assert "behind is behind a regulator or hose of 4600 psi" in advice.text
    cool = plan_fills(connections, Supply(compressor=COMPRESSOR), gas_temperature_f=72)
    assert isinstance(cool, FillPlan)
    assert advised(cool) == []


def test_the_air_of_the_parts_adds_up() -> None:
    supply = Supply(compressor=COMPRESSOR, bottles=(bottle("a", 3_000), bottle("b", 4_000)))
    plan = planned([connection("low", 500, 2_216), connection("high", 900, 4_500)], supply)
    into_cylinders = sum(end.air.litres for end in plan.ends)
    assert into_cylinders == pytest.approx(plan.from_storage.litres + plan.from_compressor.litres, abs=2)
    for stage in plan.stages:
        assert sum(change.air.litres for change in stage.bottles) == pytest.approx(stage.from_storage.litres, abs=2)
        assert sum(change.air.litres for change in stage.cylinders) == pytest.approx(
            stage.from_storage.litres + stage.from_compressor.litres, abs=2
        )
        assert not stage.compressor_first


def test_stored_air_is_quick_and_comes_before_the_compressor() -> None:
    plan = planned(
        [connection("a", 500, 4_500)],
        Supply(compressor=COMPRESSOR, bottles=(bottle("high", 3_500), bottle("low", 1_500), bottle("empty", 300))),
    )
    (stage,) = plan.stages
    assert [change.label for change in stage.bottles] == ["low", "high"]
    assert all(change.after_psi < change.before_psi for change in stage.bottles)
    assert stage.from_storage.litres > stage.from_compressor.litres > 0
    assert stage.duration_s is None
    assert plan.duration_s is None
    assert plan.compressor_s == stage.compressor_s > 0
    assert (plan.bottles_after[0].label, plan.bottles_after[0].pressure_psi) == ("empty", 300)


def test_the_compressor_comes_first_where_only_bottles_reach_the_top() -> None:
    supply = Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=4_000), bottles=(bottle("high", 6_000),))
    plan = planned([connection("a", 500, 5_500)], supply)
    (stage,) = plan.stages
    assert stage.reached
    assert stage.compressor_first
    # From 500 to 4,000 psi by the compressor is far more than from there to 5,500.
    assert stage.from_compressor.litres > 2 * stage.from_storage.litres
    assert plan.bottles_after[0].pressure_psi > 5_700


def test_the_fastest_rise_allowed_sets_the_time() -> None:
    """4,000 psi at 500 psi a minute is 8 minutes, for stored air and for a compressor faster than that."""
    connections = [connection("a", 500, 4_500)]
    big_bank = Supply(bottles=(bottle("big", 6_000, 3_000_000),))
    fast_compressor = Supply(compressor=Compressor(rate_scfm=500.0, maximum_psi=6_000))
    for supply in (big_bank, fast_compressor):
        plan = plan_fills(connections, supply, fill_rate_psi_per_minute=500)
        assert isinstance(plan, FillPlan)
        assert plan.duration_s == 480
    slow = plan_fills(
        connections, Supply(compressor=Compressor(rate_scfm=5.0, maximum_psi=6_000)), fill_rate_psi_per_minute=500
    )
    assert isinstance(slow, FillPlan)
    assert slow.duration_s is not None
    assert slow.duration_s > 480


def test_stored_air_and_compressor_times_add_up() -> None:
    supply = Supply(compressor=COMPRESSOR, bottles=(bottle("half", 3_000),))
    plan = plan_fills([connection("a", 500, 4_500)], supply, fill_rate_psi_per_minute=1_000)
    assert isinstance(plan, FillPlan)
    assert plan.duration_s is not None
    assert 60 < plan.duration_s - plan.compressor_s < 150  # some 2,150 psi of the rise come from the bottle


@pytest.mark.parametrize(
    ("supply", "end_psi", "why"),
    [
        (Supply(), 500, "4000 psi are missing to its limit of 4500 psi: there is neither a compressor nor stored air"),
        (
            Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=3_000)),
            3_000,
            "1500 psi are missing to its limit of 4500 psi: the compressor stops at 3000 psi",
        ),
        (
            Supply(bottles=(bottle("x", 500),)),
            500,
            "4000 psi are missing to its limit of 4500 psi: no bottle stands above 500 psi any more",
        ),
        (
            Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=3_000), bottles=(bottle("x", 2_500),)),
            3_000,
            (
                "1500 psi are missing to its limit of 4500 psi: "
                "the compressor stops at 3000 psi, no bottle stands above 3000 psi"
            ),
        ),
    ],
)
def test_what_cannot_be_filled_and_why(supply: Supply, end_psi: int, why: str) -> None:
    plan = planned([connection("a", 500, 4_500)], supply)
    (end,) = plan.ends
    assert (end.state, end.end_psi, end.text) == (ConnectionState.SHORT, end_psi, why)
    assert not any(stage.reached for stage in plan.stages)
    assert len(plan.stages) == (end_psi > 500)
    assert all(stage.closed == () for stage in plan.stages)


def test_an_exhausted_supply_ends_the_plan_where_it_is() -> None:
    plan = planned(
        [connection("low", 500, 2_216), connection("mid", 500, 4_500), connection("high", 500, 5_500)],
        Supply(compressor=Compressor(rate_scfm=25.0, maximum_psi=3_000)),
    )
    assert [stage.reached for stage in plan.stages] == [True, False]
    assert [end.state for end in plan.ends] == [ConnectionState.FULL, ConnectionState.SHORT, ConnectionState.SHORT]
    assert [end.end_psi for end in plan.ends] == [2_216, 3_000, 3_000]


def test_full_and_overfilled_cylinders_stay_shut() -> None:
    plan = planned(
        [connection("full", 4_500, 4_500), connection("over", 4_560, 4_500), connection("a little", 4_510, 4_500)],
        Supply(compressor=COMPRESSOR),
    )
    assert plan.stages == ()
    assert plan.duration_s == plan.compressor_s == 0
    assert [end.state for end in plan.ends] == [
        ConnectionState.ALREADY_FULL,
        ConnectionState.OVER_LIMIT,
        ConnectionState.OVER_LIMIT,
    ]
    assert plan.ends[0].text == "not opened: it is at its limit of 4500 psi"
    assert plan.ends[1].text == "not opened: it stands 60 psi above its limit of 4500 psi"
    # Within the tolerance of a gauge nobody bleeds: US Navy Diving Manual 7-5.1.1.
    (advice,) = plan.advice
    assert (advice.code, advice.source) == ("bleed-off", "US Navy Diving Manual 7-5.1.1")
    assert advice.text.startswith("Bleed over off")


def test_stored_air_goes_further_one_cylinder_at_a_time() -> None:
    """Four cylinders on one bottle end level and short; one after the other, the first ones are full."""
    connections = [connection(f"cylinder {number}", 500, 4_500) for number in range(4)]
    plan = planned(connections, Supply(bottles=(bottle("only", 6_000),)))
    assert {end.state for end in plan.ends} == {ConnectionState.SHORT}
    (advice,) = plan.advice
    assert advice.code == "one-at-a-time"
    assert "fills 1 of them instead of 0" in advice.text


def test_mixed_limits_are_advised_against() -> None:
    plan = planned([connection("a", 500, 4_500), connection("b", 500, 2_216)], Supply(compressor=COMPRESSOR))
    (advice,) = plan.advice
    assert (advice.code, advice.source) == ("mixed-limits", "common practice, no source")
    assert "2216 psi left open takes up to 4500 psi" in advice.text


def test_in_the_cold_a_full_cylinder_reads_less() -> None:
    """Limits hold at 70 F: at 32 F a 4,500 is full at 3,993 (CoolProp 8.0.0), where a cold gauge already shows full."""
    plan = planned([connection("a", 500, 4_500), connection("full", 3_995, 4_500)], Supply(compressor=COMPRESSOR), 32)
    first, second = plan.ends
    assert (first.state, second.state) == (ConnectionState.FULL, ConnectionState.OVER_LIMIT)
    assert first.end_psi == first.limit_reading_psi == pytest.approx(3_993, abs=1)


def test_nothing_connected_is_an_empty_plan() -> None:
    plan = planned([], Supply(compressor=COMPRESSOR, bottles=(bottle("x", 6_000),)))
    assert (plan.stages, plan.ends, plan.advice, plan.duration_s) == ((), (), (), 0)


@pytest.mark.parametrize(
    ("connections", "supply", "rate", "message"),
    [
        ([connection("a", 0, 4_500), connection("a", 0, 4_500)], Supply(), None, "labels must be unique: a, a"),
        ([], Supply(bottles=(bottle("x", 1), bottle("x", 2))), None, "labels must be unique: x, x"),
        ([], Supply(compressor=Compressor(rate_scfm=0.0, maximum_psi=6_000)), None, "0.0 scfm is not a rate"),
        ([], Supply(compressor=Compressor(rate_scfm=float("nan"), maximum_psi=6_000)), None, "nan scfm"),
        ([], Supply(), 0, "0 psi a minute is not a rate"),
        ([connection("a", 0, 4_500, 0)], Supply(), None, "0 ml is not a water volume"),
    ],
)
def test_nonsense_is_refused(connections: list[Connection], supply: Supply, rate: int | None, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        plan_fills(connections, supply, fill_rate_psi_per_minute=rate)


@pytest.mark.parametrize(
    ("connections", "supply", "temperature_f"),
    [
        ([connection("a", 9_000, 4_500)], Supply(), 70),
        ([connection("a", 500, 9_000)], Supply(), 70),
        ([connection("a", 500, 7_500)], Supply(), 150),
        ([connection("a", 500, 4_500)], Supply(compressor=Compressor(rate_scfm=1.0, maximum_psi=9_000)), 70),
        ([connection("a", 500, 4_500)], Supply(bottles=(bottle("x", 9_000),)), 70),
        ([connection("a", 500, 4_500)], Supply(), 200),
    ],
)
def test_outside_the_table(connections: list[Connection], supply: Supply, temperature_f: int) -> None:
    assert isinstance(plan_fills(connections, supply, temperature_f=temperature_f), OutsideTable)
