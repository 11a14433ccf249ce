"""What is found of a fill after it happened, and what is not: a finding that cries wolf is read by nobody.

4,500 psi on the gauge is 4,500 settled at 70 F; the real-gas figures are those of tests/standards/test_gas.py.
"""

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.trade.events.fills import Filled, Override
from fill_ledger.trade.judgement import judge
from fill_ledger.trade.rules.after_the_fact import codes_after_the_fact, is_over_limit
from fill_ledger.trade.rules.finding_kinds import FINDING_KINDS, GRAVE_REASON_CODES, severity_of
from fill_ledger.trade.rules.limits import FILL_RATE_MAX, GAUGE_TOLERANCE, PLUS_PERCENT
from tests.trade.rules.questions import (
    NEIGHBOUR_ID,
    POSITION_ID,
    book,
    cylinder,
    hold,
    policy,
    position,
    question,
)

COMPOSITE = cylinder(specification="DOT-SP10915-4500", pressure="4500", manufactured="2019-01")


def found(asked: dict[str, Any] | None = None, **fields: Any) -> list[str]:
    """Return the codes of a fill of a 4,500, reported with these fields; `asked` spoils the question."""
    body = Filled(**fields)
    defaults = {"cylinder": COMPOSITE, "gas_temperature_f": body.gas_temperature_f, "mode": body.mode}
    asked_about = question(**(defaults | (asked or {})))
    return list(codes_after_the_fact(body, asked_about, judge(asked_about, look_ahead=False)))


def at_position(regulator_psi: int | None = None, hose_psi: int | None = None) -> dict[str, Any]:
    return {"station": position(regulator_psi, hose_psi), "fill_position_id": POSITION_ID}


@pytest.mark.parametrize(
    ("end_psi", "temperature_f"),
    [
        (4510, 96),  # settles to 4,192
        (4510, 70),  # what gauges differ by
        (4549, 70),
        (4510, None),
        (4898, 100),
        (5307, 131),
        (5300, None),  # gas at 131 F explains it
        (4099, 40),
        (3993, 32),
        (0, -20),
        (None, 40),
    ],
)
def test_no_wolf_is_cried(end_psi: int | None, temperature_f: int | None) -> None:
    assert found(end_psi=end_psi, gas_temperature_f=temperature_f) == []


@pytest.mark.parametrize(
    ("end_psi", "temperature_f"),
    [
        (4550, 70),
        (4500, 40),  # a cold cylinder at its mark comes to 4,946
        (5100, 100),
        (5500, None),
        (9000, 70),  # beyond the table
        (9000, None),
        (7900, -20),
    ],
)
def test_an_overfill_is_found(end_psi: int, temperature_f: int | None) -> None:
    assert found(end_psi=end_psi, gas_temperature_f=temperature_f) == ["over-fill-limit"]


def test_an_overfill_is_found_of_a_denied_fill_too() -> None:
    """Who fills a cylinder on hold may overfill it as well."""
    held = cylinder(specification="DOT-SP10915-4500", pressure="4500", manufactured="2019-01", holds=[hold()])
    assert found({"cylinder": held}, end_psi=4600, gas_temperature_f=70) == ["over-fill-limit"]


def test_a_european_cylinder_is_held_to_its_limit_at_70_f() -> None:
    """300 bar = 4,351 psi at 15 C reads 4,497 at 70 F (CoolProp 8.0.0)."""
    asked = {
        "cylinder": cylinder(specification="DOT-SP99998", pressure="300", unit="bar", manufactured="2019-01"),
        "rulebook": book(key="SP99998", reference_temperature_f=59),
    }
    assert found(asked, end_psi=4497, gas_temperature_f=70) == []
    assert found(asked, end_psi=4351, gas_temperature_f=59) == []
    assert found(asked, end_psi=4547, gas_temperature_f=70) == ["over-fill-limit"]
    assert found(asked, end_psi=4420, gas_temperature_f=59) == ["over-fill-limit"]


def test_policy_lowers_limit_and_tolerance() -> None:
    assert found({"policy": policy(fill_limit_cap_psi=4000)}, end_psi=4100, gas_temperature_f=70) == ["over-fill-limit"]
    assert found({"policy": policy(gauge_tolerance_psi=5)}, end_psi=4510, gas_temperature_f=70) == ["over-fill-limit"]
    assert found({"policy": policy(gauge_tolerance_psi=5)}, end_psi=4504, gas_temperature_f=70) == []
    assert found({"policy": policy(gauge_tolerance_psi=0)}, end_psi=4501, gas_temperature_f=70) == ["over-fill-limit"]
    assert found({"policy": policy(gauge_tolerance_psi=0)}, end_psi=4500, gas_temperature_f=70) == []


@pytest.mark.parametrize("temperature_f", [-60, -21, 151, 250])
def test_a_temperature_outside_the_table_is_found_and_not_reckoned_with(temperature_f: int) -> None:
    assert found(end_psi=4500, gas_temperature_f=temperature_f) == ["gas-temperature-outside-table"]
    both = ["gas-temperature-outside-table", "over-fill-limit"]
    assert found(end_psi=5500, gas_temperature_f=temperature_f) == both
    assert found(gas_temperature_f=temperature_f) == ["gas-temperature-outside-table"]


@pytest.mark.parametrize(
    ("regulator_psi", "hose_psi", "end_psi", "codes"),
    [
        (4000, 5000, 4040, []),
        (4000, 5000, 4050, ["regulator-setting-exceeded"]),
        (4000, 4200, 4300, ["hose-rating-exceeded", "regulator-setting-exceeded"]),
        (None, 3000, 3049, []),
        (None, 3000, 3050, ["hose-rating-exceeded"]),
        (None, 2000, 4001, ["end-reading-impossible"]),  # a gauge for such a hose reads to about 4,000
        (None, 2000, 4000, ["hose-rating-exceeded"]),
        (None, 40, 81, ["end-reading-impossible"]),
        (39, 39, 4500, []),
        (0, 10, 4500, []),  # no ratings: the rules say so of the position
    ],
)
def test_regulator_and_hose(regulator_psi: int | None, hose_psi: int | None, end_psi: int, codes: list[str]) -> None:
    """Hot or cold: a rating bounds the reading."""
    assert found(at_position(regulator_psi, hose_psi), end_psi=end_psi, gas_temperature_f=100) == codes


def test_no_gauge_reads_so_much() -> None:
    assert found(end_psi=10_001) == ["over-fill-limit", "end-reading-impossible"]
    assert found(end_psi=10_000) == ["over-fill-limit"]
    assert found(at_position(None, 6000), end_psi=12_001) == ["over-fill-limit", "end-reading-impossible"]


@pytest.mark.parametrize(
    ("start_psi", "end_psi", "codes"),
    [(4500, 500, ["start-above-end"]), (4500, 4450, ["start-above-end"]), (4500, 4451, []), (4500, 4500, [])],
)
def test_a_start_above_the_end(start_psi: int, end_psi: int, codes: list[str]) -> None:
    """Less than 50 psi is what gauges differ by: a full cylinder was topped off."""
    assert found(start_psi=start_psi, end_psi=end_psi) == codes


@pytest.mark.parametrize(
    ("start_psi", "end_psi", "duration_s", "codes"),
    [
        (500, 4500, 0, ["duration-impossible"]),
        (500, 4500, 5, ["duration-impossible"]),
        (2000, 4500, 5, ["duration-impossible"]),
        (3000, 4100, 5, ["duration-impossible"]),
        (4400, 4500, 0, []),  # a topping-off in no time says nothing
        (4200, 4500, 5, []),
        (500, 4500, 45, ["filled-too-fast"]),  # what makers claim for a fast fill, not reported as one
        (500, 4500, 330, ["filled-too-fast"]),
        (480, 4510, 380, []),  # 636 psi/min: within a tenth of the habit
        (500, 4500, 400, []),
        (500, 4500, 86_400, []),
        (4000, 4490, 10, []),
        # By hand: too fast where (rise - 50) x 60 > 600 x 1.1 x (seconds + 1), of a rise of 500 psi or more.
        (500, 4500, 358, ["filled-too-fast"]),  # 237,000 > 236,940
        (500, 4500, 359, []),  # 237,000 < 237,600
        (500, 1650, 99, []),  # 66,000 = 66,000
        (500, 1651, 99, ["filled-too-fast"]),
        (500, 1000, 10, ["filled-too-fast"]),
        (500, 999, 10, []),
        # Impossible where rise x 60 > 12,000 x seconds, of a rise of 1,000 psi or more.
        (500, 1500, 5, ["filled-too-fast"]),  # 60,000 = 60,000
        (500, 1501, 5, ["duration-impossible"]),
        (500, 1500, 0, ["duration-impossible"]),
        (500, 1499, 0, ["filled-too-fast"]),
    ],
)
def test_how_fast(start_psi: int, end_psi: int, duration_s: int, codes: list[str]) -> None:
    """Gas-industry habit, secondary source: 600 psi/min or slower."""
    assert found(start_psi=start_psi, end_psi=end_psi, duration_s=duration_s) == codes


def test_a_fast_fill_is_held_to_what_makers_claim() -> None:
    """Empty to 4,500 psi in 45 s, makers' claims in a secondary source."""
    assert found(start_psi=0, end_psi=4500, duration_s=45, mode="fast") == []
    assert found(start_psi=0, end_psi=4500, duration_s=30, mode="fast") == ["filled-too-fast"]
    # By hand: 4,400 x 60 = 264,000 = 6,000 x 1.1 x 40; 11,001 x 60 = 660,060 > 6,000 x 1.1 x 100.
    assert found(start_psi=50, end_psi=4500, duration_s=39, mode="fast") == []
    assert found(start_psi=49, end_psi=4500, duration_s=39, mode="fast") == ["filled-too-fast"]
    assert "filled-too-fast" in found(start_psi=0, end_psi=11_051, duration_s=99, mode="fast")
    assert "filled-too-fast" not in found(start_psi=0, end_psi=11_050, duration_s=99, mode="fast")
    forbidden = {"policy": policy(fast_fills_allowed=False)}
    assert "filled-too-fast" in found(forbidden, start_psi=0, end_psi=4500, duration_s=60, mode="fast")


def test_policy_lowers_the_rate() -> None:
    slow = {"policy": policy(fill_rate_max_psi_per_minute=300)}
    assert found(slow, start_psi=500, end_psi=4500, duration_s=480) == ["filled-too-fast"]
    assert found(slow, start_psi=500, end_psi=4500, duration_s=800) == []


def test_what_was_not_done() -> None:
    assert found(look_over="failed") == ["look-over-failed"]
    assert found(look_over="not_done") == ["look-over-not-done"]
    assert found(override=Override(reason_code="fire")) == ["override-used"]


def test_consent_has_to_be_reported() -> None:
    neighbours = {"owner_department_id": NEIGHBOUR_ID, "owner_shares": True}
    assert found(neighbours) == ["owner-consent-not-reported"]
    assert found(neighbours, owner_consent=True) == []
    assert found(owner_consent=None) == []


def test_without_tolerance_a_rating_is_still_reached() -> None:
    asked = at_position(4000, 4000) | {"policy": policy(gauge_tolerance_psi=0)}
    assert found(asked, end_psi=4000) == []
    assert found(asked, end_psi=4001) == ["hose-rating-exceeded", "regulator-setting-exceeded"]


def test_outside_the_calendar_the_readings_are_not_judged() -> None:
    for at in (datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC)):
        assert found({"at": at}, end_psi=5500, look_over="failed") == ["look-over-failed"]


@pytest.mark.parametrize(
    ("end_psi", "limit_psi", "temperature_f", "over"),
    [(8149, 8100, 70, False), (8150, 8100, 70, True), (10_125, 8100, 131, False), (10_126, 8100, None, True)],
)
def test_above_the_table_the_regulations_own_bound_holds(
    end_psi: int, limit_psi: int, temperature_f: int | None, over: bool
) -> None:
    """49 CFR 173.301(a)(8), 2015 edition: 5/4 of the service pressure at 131 F."""
    assert is_over_limit(end_psi, limit_psi, temperature_f, 50) is over


READINGS = st.none() | st.integers(0, 15_000)
REPORTED = st.none() | st.integers(-(2**31), 2**31 - 1)


@pytest.mark.parametrize(
    ("fields", "codes"),
    [
        ({"gas_temperature_f": 9999, "end_psi": 4500}, ["gas-temperature-outside-table"]),
        ({"end_psi": 45_000}, ["over-fill-limit", "end-reading-impossible"]),
        ({"end_psi": -1}, ["end-reading-impossible"]),
        ({"end_psi": -1, "gas_temperature_f": 70}, ["end-reading-impossible"]),
        ({"start_psi": -1}, ["start-reading-impossible"]),
        ({"start_psi": -1, "end_psi": 4500, "duration_s": 1}, ["start-reading-impossible"]),
        ({"start_psi": 10_000, "end_psi": 4500}, ["start-above-end"]),
        ({"start_psi": 10_001, "end_psi": 4500}, ["start-reading-impossible", "start-above-end"]),
        ({"start_psi": 500, "end_psi": 4500, "duration_s": -1}, ["duration-unbelievable"]),
        ({"start_psi": 500, "end_psi": 4500, "duration_s": 86_400}, []),
        ({"duration_s": 86_401}, ["duration-unbelievable"]),
    ],
)
def test_what_a_broken_sensor_sends_is_found(fields: dict[str, Any], codes: list[str]) -> None:
    """A gauge without a known hose is taken to read to 10,000 psi (common practice, no source)."""
    assert found(**fields) == codes


def test_the_scale_of_a_start_is_that_of_the_hose() -> None:
    """Twice the hose's rating: ASME B40.100, from memory."""
    on_hose = at_position(hose_psi=6_000)
    assert found(on_hose, start_psi=12_000) == []
    assert found(on_hose, start_psi=12_001) == ["start-reading-impossible"]


@pytest.mark.parametrize(
    ("at", "codes"),
    [
        # The station's calendar is America/New_York: 2019 begins there at 05:00 UTC.
        (datetime(2019, 1, 1, 4, 59, tzinfo=UTC), ["dated-before-manufacture"]),
        (datetime(2019, 1, 1, 5, 0, tzinfo=UTC), []),
    ],
)
def test_a_fill_dated_before_the_cylinder_was_made(at: datetime, codes: list[str]) -> None:
    assert found({"at": at, "time_zone": "America/New_York"}, end_psi=4500) == codes


@given(
    start_psi=READINGS | REPORTED,
    end_psi=READINGS | REPORTED,
    gas_temperature_f=st.none() | st.integers(-60, 250) | REPORTED,
    duration_s=st.none() | st.integers(0, 86_400) | REPORTED,
    regulator_psi=READINGS,
    hose_psi=READINGS,
)
def test_any_report_is_judged(
    start_psi: int | None,
    end_psi: int | None,
    gas_temperature_f: int | None,
    duration_s: int | None,
    regulator_psi: int | None,
    hose_psi: int | None,
) -> None:
    """Nothing a device can send makes the judgement fail, and every code has a kind."""
    codes = found(
        at_position(regulator_psi, hose_psi),
        start_psi=start_psi,
        end_psi=end_psi,
        gas_temperature_f=gas_temperature_f,
        duration_s=duration_s,
    )
    assert len(set(codes)) == len(codes)
    assert set(codes) <= {kind.code for kind in FINDING_KINDS}


def test_what_an_amendment_may_set() -> None:
    """The plus sign and the gauge's tolerance are never loosened: 49 CFR 173.302a(b), US Navy Diving Manual 7-5.1.1."""
    bounds = [
        (figure.value, figure.lowest, figure.highest) for figure in (PLUS_PERCENT, GAUGE_TOLERANCE, FILL_RATE_MAX)
    ]
    assert bounds == [(110, 100, 110), (50, 0, 50), (600, 50, 6_000)]


def test_kinds_are_told_apart_and_have_a_source() -> None:
    assert len({kind.code for kind in FINDING_KINDS}) == len(FINDING_KINDS)
    for kind in FINDING_KINDS:
        assert kind.title
        assert not kind.title.endswith(".")
        assert kind.source
        assert severity_of(kind.code) == kind.severity
    assert {severity_of(code) for code in GRAVE_REASON_CODES} == {"grave"}
    # Notice 94-7: such cylinders burst while being filled, so the next one to fill it must know.
    assert severity_of("eddy-current-mark-missing") == "grave"
    assert severity_of("air-source-out-of-service") == "grave"
    assert severity_of("requalification-due") == "notable"
