"""What the trade's tables say of marks, permits and pressures, row by row.

Sources: 49 CFR 180.209(a) table 1; 180.205(c); 173.301(a)(2), (a)(5), (e); 173.302a(b); 173.302b(b); 178.71(q) (2015
edition). The interval and life of a special permit stand in the permit, and none was readable: each row says where its
figures come from, and the data must not claim more.
"""

from datetime import UTC, date, datetime, timedelta

import pytest

from fill_ledger.trade.cylinder_marks import above_test_pressure, read_mark, ruled_out_signs
from fill_ledger.trade.judgement import Judgement, rules_catalogue
from fill_ledger.trade.marks import SpecificationMark
from fill_ledger.trade.pressure import PressureUnit, StampedPressure
from fill_ledger.trade.states.cylinders import CylinderState
from tests.trade.rules.questions import (
    NEIGHBOUR_ID,
    POSITION_ID,
    answer,
    codes,
    cylinder,
    position,
    sample,
    source,
    stamp,
)

NEW_YORK_NOON_UTC = 16


def ask(subject: CylinderState, day: date) -> Judgement:
    """Ask with fresh air, so that the answer speaks of the cylinder alone."""
    at = datetime(day.year, day.month, day.day, NEW_YORK_NOON_UTC, tzinfo=UTC)
    return answer(cylinder=subject, at=at, air_sources=(source(sample(day.isoformat())),))


# Permit, interval in years, life in years, and where the figures come from: S a secondary source, M memory, FR a notice
# in the Federal Register for the kind of cylinder, not for the permit.
PERMIT_ROWS = [
    ("SP10915", 5, 15),  # interval S (fire department manuals), life S (holder's statement)
    ("SP11194", 5, 15),  # M, M
    ("SP10945", 5, 15),  # M, M
    ("SP13583", 5, 15),  # M, M
    ("SP14232", 5, 15),  # M, and the shorter life is taken: 30 years must not be assumed
    ("SP8059", 3, 15),  # M, FR 15 February 1994
    ("E7235", 3, 15),  # M, FR 15 February 1994
    ("E7277", 3, 15),
    ("E8162", 3, 15),
]


@pytest.mark.parametrize(("permit", "interval_years", "life_years"), PERMIT_ROWS)
def test_permit_interval_and_life(permit: str, interval_years: int, life_years: int) -> None:
    """180.205(c): as the permit says. Made January 2010, tested in time until the life ends in January 2025."""
    mark = f"DOT-{permit}-2216"
    tested = 2010 + life_years - 4
    by_test = cylinder(stamp(f"{tested}-06"), specification=mark, manufactured="2015-01")
    assert ask(by_test, date(tested + interval_years, 6, 30)).decision == "permit"
    assert ask(by_test, date(tested + interval_years, 7, 1)).code == "requalification-due"
    by_life = cylinder(stamp(f"{2010 + life_years - 1}-06"), specification=mark, manufactured="2010-01")
    assert ask(by_life, date(2010 + life_years, 1, 31)).decision == "permit"
    assert ask(by_life, date(2010 + life_years, 2, 1)).code == "service-life-over"


@pytest.mark.parametrize("permit", ["SP6498", "E6498", "SP7042", "E7042"])
def test_forerunners_of_3al(permit: str) -> None:
    """As 3AL: five years, no end of life; of alloy 6351-T6 unless proved otherwise (secondary)."""
    old = cylinder(stamp("2022-06", "pass", "VE"), specification=f"DOT-{permit}-2216", manufactured="1979-03")
    judged = ask(old, date(2027, 6, 30))
    assert judged.decision == "permit"
    assert "keep-people-away" in codes(judged)
    assert ask(old, date(2027, 7, 1)).code == "requalification-due"
    without = cylinder(stamp("2022-06"), specification=f"DOT-{permit}-2216", manufactured="1979-03")
    assert ask(without, date(2024, 1, 15)).code == "eddy-current-mark-missing"


@pytest.mark.parametrize(
    ("specification", "scba", "scuba", "storage"),
    [
        ("DOT-3A2216", True, True, True),
        ("DOT-3AA2216", True, True, True),
        ("DOT-3AL2216", True, True, True),
        ("DOT-3AX2216", False, False, True),
        ("DOT-3AAX2216", False, False, True),
        ("DOT-3T2216", False, False, True),
        ("DOT-3B480", False, False, False),
        ("DOT-3BN480", False, False, False),
        ("DOT-3E1800", False, False, False),
        ("DOT-3HT1850", False, False, False),
        ("DOT-39", False, False, False),
        ("DOT-4BA240", False, False, False),
        ("DOT-4BW240", False, False, False),
        ("DOT-8AL250", False, False, False),
        ("EN 12245", False, False, False),
        ("ASME", False, False, False),
        ("UN ISO 9809-1", True, True, True),
        ("UN ISO 7866", True, True, True),
        ("UN ISO 11119-2", True, True, True),
    ],
)
def test_what_is_filled_for_which_use(specification: str, scba: bool, scuba: bool, storage: bool) -> None:
    """180.209(a) table 1 with part 178; large tubes for storage and low pressure classes are from memory."""
    permitted = {
        use: ask(
            cylinder(
                stamp("2025-01"),
                specification=specification,
                pressure="2216" if "2216" in specification else "480",
                use=use,
                manufactured="2020-01",
            ),
            date(2026, 6, 15),
        ).decision
        == "permit"
        for use in ("scba", "scuba", "storage")
    }
    assert permitted == {"scba": scba, "scuba": scuba, "storage": storage}


@pytest.mark.parametrize(
    ("specification", "sign", "refused"),
    [
        ("3AL3000", "+", "plus-not-for-specification"),
        ("UN ISO 9809-1", "+", "plus-not-for-specification"),
        ("UN ISO 11119-2", "+", "plus-not-for-specification"),
        ("3HT1850", "+", "plus-not-for-specification"),
        ("3AL3000", "star", "star-not-for-specification"),
        ("3AX2400", "star", "star-not-for-specification"),
        ("3AA2015", "+", None),
        ("3A2015", "star", None),
        # A permit may say otherwise, so a person decides.
        ("SP10915-4500", "+", None),
    ],
)
def test_signs_refused_at_the_office_door(specification: str, sign: str, refused: str | None) -> None:
    """173.302a(b) lists 3A, 3AX, 3AA, 3AAX and 3T; 180.209(b) 3A and 3AA (secondary quotation)."""
    mark = read_mark(specification)
    assert isinstance(mark, SpecificationMark)
    assert [warning.code for warning in ruled_out_signs(mark, (sign,))] == ([] if refused is None else [refused])


@pytest.mark.parametrize(
    ("mark", "bar", "fits"),
    [
        ("UN ISO 9809-1 PW200 PH300BAR", "200", True),  # 2/3 of 300 is 200
        ("UN ISO 9809-1 PW300 PH450BAR", "300", True),
        ("UN ISO 11119-2 PW310 PH465BAR", "310", True),
        ("UN ISO 9809-1 PW232 PH348BAR", "232", True),
        # 2/3 of 229 is 152.7: the stamp is in whole bar, and 153 is what it stands for.
        ("UN ISO 7866 PW153 PH229BAR", "153", True),
        ("UN ISO 9809-1 PW250 PH300BAR", "250", False),
        ("UN ISO 9809-1 PH300BAR", "207", False),
        ("UN ISO 9809-1 PH300BAR", "200", True),
    ],
)
def test_working_pressure_is_two_thirds_of_test_pressure(mark: str, bar: str, fits: bool) -> None:
    """173.302b(b): working pressure at most two thirds of the test pressure, which 178.71(q)(6) has in the mark."""
    judged = ask(
        cylinder(stamp("2024-06"), specification=mark, pressure=bar, unit="bar", manufactured="2020-01"),
        date(2026, 6, 15),
    )
    assert ("service-pressure-above-test" not in codes(judged)) == fits
    assert (judged.decision == "permit") == fits
    # An office entry is held to the same at the door.
    read, stamped = read_mark(mark), StampedPressure(value=bar, unit=PressureUnit.BAR)
    assert isinstance(read, SpecificationMark)
    assert (above_test_pressure(read, stamped) is None) == fits


@pytest.mark.parametrize(
    ("mark", "pressure", "doubted"),
    [
        ("DOT-SP10915-4500", "4500", False),
        ("DOT-SP10915", "5000", False),
        ("DOT-SP10915", "5001", True),
        ("DOT-SP11194-5500", "5500", True),
        ("DOT-SP10945-5500", "5500", True),
        ("DOT-SP14232-5500", "5500", False),  # said to be designed by another guideline
        ("DOT-3AA5500", "5500", False),
    ],
)
def test_full_wrap_carbon_ends_at_5000_psi(mark: str, pressure: str, doubted: bool) -> None:
    """A comparison sheet of design guidelines (secondary); that it binds a permit is inference, so it is advice."""
    judged = ask(
        cylinder(stamp("2024-06"), specification=mark, pressure=pressure, manufactured="2020-01"), date(2026, 6, 15)
    )
    assert judged.decision == "permit"
    assert ("service-pressure-above-design" in codes(judged)) == doubted


def test_before_each_filling_the_outside_is_looked_over() -> None:
    """173.301(a)(2): crack, leak, bulge, valve and relief device, abuse, fire or heat, corrosion."""
    duty = ask(cylinder(), date(2026, 6, 15)).obligations[0]
    assert (duty.code, duty.source) == ("look-over", "49 CFR 173.301(a)(2) (2015 edition)")
    for fault in ("crack", "leak", "bulge", "valve", "relief", "abuse", "fire", "heat", "corrosion"):
        assert fault in duty.text


@pytest.mark.parametrize(
    ("consent", "code", "obliged"), [(True, "ok", False), (None, "ok", True), (False, "owner-consent-refused", False)]
)
def test_a_neighbours_cylinder_is_filled_with_the_owners_consent(
    consent: bool | None, code: str, obliged: bool
) -> None:
    """173.301(e): filled by the owner or with the owner's consent."""
    judged = answer(owner_department_id=NEIGHBOUR_ID, owner_shares=True, owner_consent=consent)
    assert judged.code == code
    assert ("owner-consent" in codes(judged)) == obliged


def test_a_supply_set_higher_than_the_cylinder_does_not_raise_its_limit() -> None:
    """173.301(a)(5) goes one way only; the fitting protects from nothing (inference): the mark decides."""
    judged = answer(
        cylinder=cylinder(specification="DOT-SP10915-4500", pressure="4500", manufactured="2019-01"),
        station=position(5500, 6000),
        fill_position_id=POSITION_ID,
    )
    assert judged.fill_limit_psi == 4500
    assert "regulator-above-limit" in codes(judged)


def test_every_source_says_where_it_comes_from() -> None:
    """Each code of the catalogue names a regulation, a standard, a policy or record, or owns up to having none."""
    known = (
        *("CFR", "FR ", "notice", "NFPA", "OSHA", "CGA", "EN ", "Navy", "PHMSA", "special permit", "manual"),
        *("CoolProp", "policy", "record", "common practice", "inference", "memory", "secondary"),
    )
    for kind in rules_catalogue():
        assert any(word in kind.source for word in known), (kind.code, kind.source)


def test_a_year_is_not_365_days() -> None:
    """180.209(a) counts years of the calendar: five years from June 2019 hold two leap days or one, and end in June."""
    for tested in (2015, 2016, 2017, 2018, 2019):
        subject = cylinder(stamp(f"{tested}-06"))
        last_day = date(tested + 5, 6, 30)
        assert ask(subject, last_day).decision == "permit"
        assert ask(subject, last_day + timedelta(days=1)).code == "requalification-due"
