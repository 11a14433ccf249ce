"""To what pressure a cylinder may be filled, settled at 70 F.

Sources: 49 CFR 173.301a(c) (2024 copy): not above the marked service pressure at 70 F; 49 CFR 173.302a(b) (2015
edition): 110 % with a plus sign, on 3A, 3AX, 3AA, 3AAX and 3T only, stamped after that test. Pounds and inches: NIST SP
811, appendix B. 310 bar = 4496.17 psi and 200 bar = 2900.75 psi by those definitions, rounded down.
"""

import pytest

from fill_ledger.trade.events.fills import FillMode
from fill_ledger.trade.states.stations import StationState
from tests.trade.rules.questions import POSITION_ID, answer, codes, cylinder, hold, policy, position, stamp


@pytest.mark.parametrize(
    ("specification", "pressure", "unit", "marks", "limit_psi"),
    [
        ("DOT-3AA2015", "2015", "psi", ("+",), 2216),  # 2216.5 rounded down
        ("DOT-3AA2015", "2015", "psi", (), 2015),
        ("DOT-3AA2216", "2216", "psi", (), 2216),
        ("DOT-3A2015", "2015", "psi", ("+",), 2216),
        ("DOT-3AA2250", "2250", "psi", ("+", "star"), 2475),
        ("DOT-3AL3000", "3000", "psi", ("+",), 3000),
        ("DOT-SP10915-4500", "4500", "psi", ("+",), 4500),
        ("UN ISO 9809-1", "200", "bar", ("+",), 2900),
        ("DOT-SP10915", "310", "bar", (), 4496),
        ("DOT-SP10915", "31", "mpa", (), 4496),
        ("DOT-SP10915", "31000", "kpa", (), 4496),
    ],
)
def test_settled_limit(specification: str, pressure: str, unit: str, marks: tuple[str, ...], limit_psi: int) -> None:
    judged = answer(
        cylinder=cylinder(
            stamp("2024-09", "pass", *marks),
            specification=specification,
            pressure=pressure,
            unit=unit,
            manufactured="2019-01",
        )
    )
    assert judged.decision == "permit"
    assert judged.fill_limit_psi == limit_psi
    allowed = specification.startswith(("DOT-3AA", "DOT-3A2"))
    assert ("plus-not-valid" in codes(judged)) == ("+" in marks and not allowed)


@pytest.mark.parametrize("specification", ["DOT-3AX2400", "DOT-3AAX2400", "DOT-3T2400"])
def test_plus_on_large_tubes(specification: str) -> None:
    """49 CFR 173.302a(b): 3AX, 3AAX and 3T may carry a plus; here they are storage only."""
    judged = answer(
        cylinder=cylinder(stamp("2024-09", "pass", "+"), specification=specification, pressure="2400", use="storage")
    )
    assert judged.fill_limit_psi == 2640


def test_a_plus_is_void_after_a_test_without_one() -> None:
    """Inference from 49 CFR 173.302a(b)(5): the sign is stamped after each test."""
    judged = answer(
        cylinder=cylinder(stamp("2021-09", "pass", "+"), stamp("2026-02"), specification="DOT-3AA2015", pressure="2015")
    )
    assert judged.fill_limit_psi == 2015
    assert "plus-void" in codes(judged)


def test_a_marked_2216_needs_no_plus_and_2015_shows_2216_only_with_one() -> None:
    """2216 = 1.1 x 2015 rounded down; arithmetic."""
    with_plus = answer(cylinder=cylinder(stamp("2024-09", "pass", "+"), specification="DOT-3AA2015", pressure="2216"))
    # The record says 2216, the mark 2015: the lower one holds, and the plus raises that.
    assert with_plus.fill_limit_psi == 2216
    assert "service-pressure-disagrees" in codes(with_plus)
    without = answer(cylinder=cylinder(stamp("2024-09"), specification="DOT-3AA2015", pressure="2216"))
    assert without.fill_limit_psi == 2015


@pytest.mark.parametrize(
    ("regulator_psi", "hose_rating_psi", "limit_psi", "code"),
    [
        (None, None, 4500, None),
        (4500, None, 4500, None),
        (4499, None, 4499, "limit-lowered"),
        (5500, None, 4500, "regulator-above-limit"),
        (None, 3000, 3000, "limit-lowered"),
        (5500, 3000, 3000, "limit-lowered"),
        (2216, 5000, 2216, "limit-lowered"),
    ],
)
def test_the_weakest_part_sets_the_limit(
    regulator_psi: int | None, hose_rating_psi: int | None, limit_psi: int, code: str | None
) -> None:
    """Common practice, no source."""
    judged = answer(
        cylinder=cylinder(specification="DOT-SP10915-4500", pressure="4500", manufactured="2019-01"),
        station=position(regulator_psi, hose_rating_psi),
        fill_position_id=POSITION_ID,
    )
    assert judged.fill_limit_psi == limit_psi
    assert [reason.code for reason in judged.advice] == ([] if code is None else [code])


@pytest.mark.parametrize(
    ("mode", "advice"),
    [
        (None, ["regulator-above-limit"]),
        ("manual", ["regulator-above-limit"]),
        ("fast", ["regulator-above-limit"]),
        ("automatic", []),
    ],
)
def test_a_regulator_set_higher_is_told_to_whoever_stops_the_fill(mode: FillMode | None, advice: list[str]) -> None:
    """Inference: in automatic mode the controller stops at the limit that it was told."""
    judged = answer(station=position(5500), fill_position_id=POSITION_ID, mode=mode)
    assert [reason.code for reason in judged.advice] == advice
    assert judged.fill_limit_psi == 2216


@pytest.mark.parametrize(("rating_psi", "code"), [(39, "fill-position-rating-wrong"), (40, "ok")])
def test_a_rating_below_any_cylinders_pressure_is_a_mistake(rating_psi: int, code: str) -> None:
    """49 CFR 178.57(a): no specification has a service pressure below 40 psig."""
    judged = answer(station=position(rating_psi), fill_position_id=POSITION_ID)
    assert judged.code == code


def test_no_limit_on_a_denial() -> None:
    judged = answer(cylinder=cylinder(condemned_at=stamp("2020-01").reported_at))
    assert judged.decision == "deny"
    assert judged.fill_limit_psi is None
    assert judged.obligations == ()


@pytest.mark.parametrize(
    ("station", "cap_psi", "advice"),
    [
        (position(5500), None, "regulator-above-limit"),
        (position(1500), None, "limit-lowered"),
        (position(3000, 1500), None, "limit-lowered"),
        (position(2000), 2000, "limit-capped-by-policy"),
    ],
)
def test_whoever_must_not_fill_is_not_told_how_far(station: StationState, cap_psi: int | None, advice: str) -> None:
    """Common practice, no source: who reads "do not fill" needs no pressure to stop at."""
    terms = policy(fill_limit_cap_psi=cap_psi)
    permit = answer(station=station, fill_position_id=POSITION_ID, policy=terms)
    assert [each.code for each in permit.advice] == [advice]
    held = answer(station=station, fill_position_id=POSITION_ID, policy=terms, cylinder=cylinder(holds=[hold()]))
    assert codes(held) == ["on-hold"]
