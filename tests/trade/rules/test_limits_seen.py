"""What the limit is where little is known, and what an explanation tells of it."""

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended
from fill_ledger.trade.judgement import judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.rules.rule import Facts
from tests.trade.rules.questions import (
    AT,
    POSITION_ID,
    answer,
    book,
    codes,
    cylinder,
    hold,
    inspection,
    policy,
    position,
    question,
    sample,
    source,
    stamp,
)


def seen(rule: str, **fields: Any) -> Facts:
    explanation = judge(question(**fields), explain=True).explanation
    assert explanation is not None
    return {told.rule: told.facts for told in explanation}[rule]


def test_beyond_the_table_a_warmer_reference_gains_nothing() -> None:
    """49 CFR 173.301(a)(8), 2015 edition: at most 5/4 when hot; 8,101 x 4 / 5 = 6,480.8, rounded down."""
    for reference_f, limit_psi in ((59, 8101), (100, 6480)):
        judged = answer(
            cylinder=cylinder(specification="DOT-SP99998-8101", pressure="8101"),
            rulebook=book(key="SP99998", reference_temperature_f=reference_f),
        )
        assert judged.fill_limit_psi == limit_psi
        assert type(judged.fill_limit_psi) is int


def test_a_pressure_that_cannot_be_one_gives_no_limit_whatever_the_position_allows() -> None:
    facts = seen(
        "fill-limit",
        cylinder=cylinder(specification="DOT-3AA", pressure="45000"),
        station=position(3000),
        fill_position_id=POSITION_ID,
    )
    assert (facts["regulator_psi"], facts["fill_limit_psi"]) == (3000, None)


def test_a_plus_is_nothing_to_tell_of_a_cylinder_that_is_not_filled() -> None:
    plus = stamp("2024-09", "pass", "+")
    assert codes(answer(cylinder=cylinder(plus, specification="DOT-39"))) == ["specification-not-fillable"]


def test_without_a_test_there_is_no_plus() -> None:
    untested = msgspec.structs.replace(cylinder(), requalifications=[])
    assert seen("fill-limit", cylinder=untested)["plus_on_any_test"] is False


@pytest.mark.parametrize(
    "fields",
    [
        {"gas_temperature_f": 40},
        {"gas_temperature_f": 100},
        {"gas_temperature_f": 151},
        {"gas_temperature_f": 140, "big": True},
        {"policy": policy(fill_limit_cap_psi=2000)},
        {"station": position(2000), "fill_position_id": POSITION_ID},
        {"station": position(9500), "fill_position_id": POSITION_ID},
    ],
)
def test_how_to_fill_is_nothing_to_tell_of_a_denial(fields: dict[str, Any]) -> None:
    asked = dict(fields)
    kind = {"specification": "DOT-3AA7500", "pressure": "7500", "use": "storage"} if asked.pop("big", False) else {}
    assert len(answer(cylinder=cylinder(**kind), **asked).advice) == 1
    assert codes(answer(cylinder=cylinder(**kind, holds=[hold()]), **asked)) == ["on-hold"]


def test_an_inspection_counts_from_its_moment() -> None:
    inspected = cylinder(inspections=[inspection("monthly", "pass", AT)])
    assert seen("inspections", cylinder=inspected)["monthly"] == "pass on 2026-06-15"


def test_a_look_inside_beyond_the_calendar_is_answered() -> None:
    """Five years from 2197 are 2202, and stamped months end with 2200."""
    amended = RuleAmended(figures=(AmendedFigure(figure="visual_interval_years", value=5),), reason="invented")
    at = datetime(2197, 6, 15, 12, tzinfo=UTC)
    diving = cylinder(stamp("2196-06"), use="scuba", inspections=[inspection("visual_internal", "pass", at)])
    judged = answer(
        at=at,
        cylinder=diving,
        air_sources=(source(sample("2197-06-01")),),
        rulebook=Rulebook(SPECIFICATIONS, (), (amended,)),
    )
    assert judged.decision == "permit"


def test_a_cylinder_only_ever_filled_has_no_inspections_to_tell_of() -> None:
    nameless = cylinder()
    nameless.details = None
    assert seen("inspections", cylinder=nameless) == seen("inspections", cylinder=None)
