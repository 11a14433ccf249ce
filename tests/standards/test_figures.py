"""Every figure of the rules, with what bounds an amendment of it, against the text that it is from."""

import pytest

from fill_ledger.trade.rules import FIGURES
from fill_ledger.trade.rules.figure import NumberFigure
from tests.trade.rules.questions import answer, codes, cylinder

NUMBERS = {
    # 125 lb of water: 49 CFR 180.209(b)(1), from memory; 125 x 453.59237 g (NIST SP 811, B.8) = 56,699.05 ml at 1 g/ml.
    "star_water_volume_max_ml": (56_699, 0, 10_000_000),
    # None by the regulation; PHMSA gave relief for some months in 2020 (secondary source).
    "requalification_grace_months": (0, 0, 24),
    # Common practice, no source: 310 bar and 4,500 psi are one pressure, 0.1 % apart by NIST SP 811.
    "pressures_agree_percent": (1, 0, 5),
    # CGA P-5 as cited (secondary): every 12 months.
    "visual_interval_years": (1, 1, 5),
    # 49 CFR 173.302a(b) (2015 edition): 10 % above the marked pressure, and none without the sign.
    "plus_percent": (110, 100, 110),
    # US Navy Diving Manual 7-5.1.1: from 50 psi over on, bleed off and gauge again.
    "gauge_tolerance_psi": (50, 0, 50),
    # Common practice, no source: a month.
    "hour_meter_read_within_days": (31, 1, 366),
    # Gas-industry habit, secondary source.
    "fill_rate_max_psi_per_minute": (600, 50, 6_000),
}
MONTHS = {
    # 49 CFR 180.209(b), secondary quotation: cylinders made after 31 December 1945.
    "star_made_after": "1945-12",
    # 71 FR 51122 (29 August 2006): in effect from 1 January 2007.
    "eddy_current_examined_since": "2007-01",
    # From memory: the year from which another alloy was usual.
    "alloy_asked_before": "1991-01",
}


@pytest.mark.parametrize("name", sorted(NUMBERS))
def test_a_number_and_its_bounds(name: str) -> None:
    figure = FIGURES[name]
    assert isinstance(figure, NumberFigure)
    assert (figure.value, figure.lowest, figure.highest) == NUMBERS[name]


@pytest.mark.parametrize("name", sorted(MONTHS))
def test_a_month(name: str) -> None:
    assert FIGURES[name].value == MONTHS[name]


def test_every_figure_has_its_source_here() -> None:
    assert set(FIGURES) == {*NUMBERS, *MONTHS}


@pytest.mark.parametrize(("recorded", "agree"), [("4455", True), ("4454", False), ("4545", True), ("4546", False)])
def test_two_stamps_of_one_pressure_agree_within_a_hundredth_of_the_higher(recorded: str, agree: bool) -> None:
    """By hand: 45 of 4,500 and of 4,545 are at most one in a hundred, 46 of 4,500 and of 4,546 are more."""
    judged = answer(cylinder=cylinder(specification="DOT-SP10915-4500", pressure=recorded, manufactured="2019-01"))
    assert ("service-pressure-disagrees" not in codes(judged)) == agree
