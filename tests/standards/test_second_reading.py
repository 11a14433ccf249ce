"""The regulation read a second time, in a few lines that share nothing with the rules, and asked the same questions.

Sources: 49 CFR 180.203, 180.205(c), (h), (i); 180.207(c); 180.209(a) table 1 and (b) (its conditions in part secondary,
in part from memory); 180.213(d), (f); 173.301(a)(6), (a)(7); 173.302a(b) (2015 edition). The life of the special permit
is a secondary figure; that it excludes use under water is from memory. That two entries of one month have no order, and
the worse one stands, is inference.

Months are counted as whole numbers here, and every question is asked on the 15th, so that no calendar is needed.
"""

from datetime import UTC, datetime
from typing import NamedTuple

from hypothesis import given, settings
from hypothesis import strategies as st

from fill_ledger.trade.states.cylinders import OUTCOME_RANK
from tests.trade.rules.questions import answer, cylinder, policy, sample, source, stamp

FIRST_YEAR, LAST_YEAR = 2012, 2050
MONTHS = 12


class Stamp(NamedTuple):
    """A stamp: its month counted from year 0, what came of the test, and the signs after it."""

    month: int
    outcome: str
    signs: tuple[str, ...]


class Kind(NamedTuple):
    """What the texts say of a kind of cylinder: years between tests, years of life, and which signs it may carry."""

    mark: str
    pressure: str
    period_years: int
    life_years: int | None
    may_carry_star: bool
    may_carry_plus: bool
    under_water: bool = True


KINDS = (
    Kind("DOT-3AA2015", "2015", 5, None, True, True),
    Kind("DOT-3A2015", "2015", 5, None, True, True),
    Kind("DOT-3AL3000", "3000", 5, None, False, False),
    Kind("UN ISO 9809-1", "3000", 10, None, False, False),
    Kind("DOT-SP10915-4500", "4500", 5, 15, False, False, under_water=False),
)


def month_text(month: int) -> str:
    return f"{month // MONTHS:04d}-{month % MONTHS + 1:02d}"


def over(from_month: int, years: int, now: int, strict: bool) -> bool:
    """Through the month it falls in, or through the month before by the strict reading."""
    return now >= from_month + years * MONTHS + (0 if strict else 1)


def second_reading(
    kind: Kind, made: int, use: str, stamps: list[Stamp], now: int, strict: bool
) -> tuple[str, int | None]:
    """Return the first reason and the limit in psi, by the texts named at the top."""
    known = [one for one in stamps if one.month <= now]
    if any(one.outcome == "condemned" for one in known):
        return "condemned", None  # 180.205(i): never again, by any procedure
    # 180.213(f)(5): E is a look from outside in place of a test, and not for air.
    tests = [one for one in known if not (one.outcome == "pass" and "E" in one.signs)]
    newest = max((one.month for one in tests), default=None)
    if any(one.month == newest and one.outcome == "rejected" for one in tests):
        return "requalification-rejected", None  # 180.205(h)
    if use == "scuba" and not kind.under_water:
        return "specification-wrong-use", None
    if kind.life_years is not None and over(made, kind.life_years, now, strict):
        return "service-life-over", None  # 180.205(c), 173.301(a)(7)
    passed = [one for one in tests if one.month == newest]
    starred = kind.may_carry_star and use == "scba" and bool(passed) and all("star" in one.signs for one in passed)
    if over(made if newest is None else newest, 10 if starred else kind.period_years, now, strict):
        return "requalification-due", None  # 180.205(c), 173.301(a)(6)
    plus = kind.may_carry_plus and bool(passed) and all("+" in one.signs for one in passed)
    return "ok", int(kind.pressure) * 11 // 10 if plus else int(kind.pressure)


stamps = st.builds(
    Stamp,
    st.integers(FIRST_YEAR * MONTHS, LAST_YEAR * MONTHS - 1),
    st.sampled_from(["pass"] * 8 + ["rejected", "condemned"]),
    st.lists(st.sampled_from(["star", "+", "UE", "E"]), unique=True, max_size=2).map(tuple),
)


@settings(max_examples=800)
@given(
    kind=st.sampled_from(KINDS),
    use=st.sampled_from(["scba", "scba", "scuba"]),
    drawn=st.lists(stamps, max_size=4),
    # Mostly within fifteen years of the newest stamp, where something is still open.
    away=st.integers(-6, 15 * MONTHS),
    made_before=st.integers(0, 10 * MONTHS),
    strict=st.booleans(),
    twin=st.booleans(),
)
def test_both_readings_agree(
    kind: Kind, use: str, drawn: list[Stamp], away: int, made_before: int, strict: bool, twin: bool
) -> None:
    if twin and len(drawn) > 1:
        # Two entries of one month, which chance alone would hardly give.
        drawn = [drawn[0]._replace(month=drawn[1].month), *drawn[1:]]
    months = [one.month for one in drawn] or [2010 * MONTHS]
    made = min(months) - made_before
    now = min(max(months) + away, LAST_YEAR * MONTHS - 1) if away >= 0 else max(months) + away
    # A cylinder is asked about once it is made.
    now = max(now, made)
    ordered = sorted(drawn, key=lambda one: (one.month, OUTCOME_RANK[one.outcome]))
    subject = cylinder(
        specification=kind.mark,
        pressure=kind.pressure,
        use=use,
        manufactured=month_text(made),
        details_alloy="6061-T6" if "3AL" in kind.mark else None,
    )
    subject.requalifications = [stamp(month_text(one.month), one.outcome, *one.signs) for one in ordered]
    at = datetime(now // MONTHS, now % MONTHS + 1, 15, 12, tzinfo=UTC)
    judged = answer(
        cylinder=subject,
        at=at,
        policy=policy(requalification_due="strict" if strict else "lenient"),
        air_sources=(source(sample(at.date().isoformat())),),
    )
    assert (judged.code, judged.fill_limit_psi) == second_reading(kind, made, use, drawn, now, strict)
