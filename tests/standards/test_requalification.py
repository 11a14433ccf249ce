"""When a cylinder is due, checked against the regulation.

Sources: 49 CFR 180.205(c), 180.207, 180.209(a) table 1, 180.213(d), 173.301(a)(6) and (a)(7) (2015 edition). Which day
of the due month is the last one no text read settles; both readings are checked. Cases marked "inference" are not in a
text: that a service life ends by the same month rule, and that a new cylinder's first period runs from manufacture.
"""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from fill_ledger.trade.states.cylinders import CylinderState
from tests.trade.rules.questions import answer, codes, cylinder, policy, sample, source, stamp

NEW_YORK = ZoneInfo("America/New_York")


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=NEW_YORK)


def ask(subject: CylinderState, at: datetime, due: str = "lenient") -> str:
    """Ask with everything else in order, so that the code speaks of the cylinder alone."""
    day = at.astimezone(NEW_YORK).date().isoformat()
    return answer(
        cylinder=subject, at=at, policy=policy(requalification_due=due), air_sources=(source(sample(day)),)
    ).code


STEEL = cylinder(stamp("2021-09"), specification="DOT-3AA2216")


# 49 CFR 180.209(a) table 1: five years for 3AA; 180.213(d): a stamp has month and year only.
@pytest.mark.parametrize(
    ("at", "lenient", "strict"),
    [
        ("2026-08-31 23:59:59.999999", "ok", "ok"),
        ("2026-09-01 00:00", "ok", "requalification-due"),
        ("2026-09-30 23:59:59.999999", "ok", "requalification-due"),
        ("2026-10-01 00:00", "requalification-due", "requalification-due"),
        ("2027-02-01 12:00", "requalification-due", "requalification-due"),
    ],
)
def test_steel_tested_in_september_2021(at: str, lenient: str, strict: str) -> None:
    assert ask(STEEL, local(at)) == lenient
    assert ask(STEEL, local(at), due="strict") == strict


def test_a_due_cylinder_may_serve_until_emptied_but_is_not_topped_off() -> None:
    """49 CFR 180.205(c), 173.301(a)(6); PHMSA letter 09-0148: topping off is filling."""
    reason = answer(cylinder=STEEL, at=local("2027-02-01 12:00")).reasons[0]
    assert reason.code == "requalification-due"
    assert "may serve until emptied" in reason.text
    assert "may not be topped off" in reason.text
    assert reason.display_text == "Do not fill. Hydro test due since 2026-09."
    assert reason.clears_by == "requalification"


def test_a_composite_past_its_life_is_not_cured_by_a_test() -> None:
    """49 CFR 180.205(c), 173.301(a)(7). Made June 2011, tested 2016 and 2021, life 15 years: ends June 2026."""
    composite = cylinder(
        stamp("2016-06"), stamp("2021-06"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2011-06"
    )
    assert ask(composite, local("2026-06-30 23:59:59")) == "ok"
    judged = answer(cylinder=composite, at=local("2026-07-01 00:00"))
    assert codes(judged)[0] == "service-life-over"
    assert "requalification-due" not in codes(judged)
    assert "even if full" in judged.reasons[0].text
    assert judged.reasons[0].clears_by is None
    retested = cylinder(stamp("2026-06"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2011-06")
    assert ask(retested, local("2026-07-01 00:00")) == "service-life-over"


def test_life_ends_a_month_earlier_by_the_strict_reading() -> None:
    """Inference: the same month rule as for a requalification."""
    composite = cylinder(stamp("2023-06"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2011-06")
    assert ask(composite, local("2026-05-31 23:59:59"), due="strict") == "ok"
    assert ask(composite, local("2026-06-01 00:00"), due="strict") == "service-life-over"


# 49 CFR 180.209(b): ten years with a star, 3A and 3AA only; not under water and not in a bank (both in part from
# memory), not above 125 lb of water, made after 1945.
@pytest.mark.parametrize(
    ("subject", "code"),
    [
        (cylinder(stamp("2017-03", "pass", "star"), use="scba"), "ok"),
        (cylinder(stamp("2017-03", "pass", "*"), use="scba"), "ok"),
        (cylinder(stamp("2017-03", "pass", "star"), specification="DOT-3A2216"), "ok"),
        (cylinder(stamp("2017-03", "pass", "star"), use="scuba"), "requalification-due"),
        (cylinder(stamp("2017-03", "pass", "star"), use="storage"), "requalification-due"),
        (cylinder(stamp("2017-03", "pass", "star"), details_water_volume_ml=56_699), "ok"),
        (cylinder(stamp("2017-03", "pass", "star"), details_water_volume_ml=56_700), "requalification-due"),
        (cylinder(stamp("2017-03", "pass", "star"), manufactured="1945-12"), "requalification-due"),
        (cylinder(stamp("2017-03", "pass", "star"), manufactured="1946-01"), "ok"),
        (cylinder(stamp("2017-03", "pass", "star"), manufactured=None), "requalification-due"),
        (cylinder(stamp("2017-03", "pass", "star"), specification="DOT-3AL2216"), "requalification-due"),
        (cylinder(stamp("2017-03", "pass"), use="scba"), "requalification-due"),
        # Only the latest stamp counts: a star is stamped after each test anew.
        (cylinder(stamp("2012-03", "pass", "star"), stamp("2017-03", "pass")), "requalification-due"),
    ],
)
def test_a_star_gives_ten_years_only_within_its_conditions(subject: CylinderState, code: str) -> None:
    judged = answer(cylinder=subject, at=local("2026-06-15 12:00"))
    assert judged.code == code
    starred = "star" in str(subject.requalifications[-1].stamp.marks)
    assert ("star-not-counted" in codes(judged)) == (starred and code != "ok")


def test_a_star_ends_after_ten_years() -> None:
    """49 CFR 180.209(b)."""
    starred = cylinder(stamp("2016-06", "pass", "star"))
    assert ask(starred, local("2026-06-30 23:59:59")) == "ok"
    assert ask(starred, local("2026-07-01 00:00")) == "requalification-due"


# 49 CFR 180.207(c) (2015 edition): ten years for UN steel and aluminium, five for UN composite.
@pytest.mark.parametrize(
    ("specification", "material", "last_day_of_five_years_passes", "last_day_of_ten_years_passes"),
    [
        ("UN ISO 9809-1", None, True, True),
        ("UN ISO 7866", None, True, True),
        ("UN ISO 11119-2", None, True, False),
        ("DOT-3AL2216", None, True, False),
    ],
)
def test_un_periods(
    specification: str, material: str | None, last_day_of_five_years_passes: bool, last_day_of_ten_years_passes: bool
) -> None:
    subject = cylinder(stamp("2016-06"), specification=specification, manufactured="2014-01", details_material=material)
    assert (ask(subject, local("2021-06-30 23:59:59")) == "ok") == last_day_of_five_years_passes
    assert (ask(subject, local("2026-06-30 23:59:59")) == "ok") == last_day_of_ten_years_passes
    assert ask(subject, local("2026-07-01 00:00")) == "requalification-due"


def test_a_un_composite_ends_at_fifteen_years() -> None:
    """49 CFR 180.207(c) (2015 edition); a later text goes by the life marked, which is not on record."""
    subject = cylinder(stamp("2024-06"), specification="UN ISO 11119-2", manufactured="2011-05")
    assert ask(subject, local("2026-05-31 23:59:59")) == "ok"
    assert ask(subject, local("2026-06-01 00:00")) == "service-life-over"


def test_the_stations_local_calendar_counts() -> None:
    """49 CFR 180.213(d): a stamp is a month; whose midnight is inference. 23:30 in New York is the next day in UTC."""
    at = datetime(2026, 10, 1, 3, 30, tzinfo=UTC)
    judged_here = answer(cylinder=STEEL, at=at, air_sources=(source(sample("2026-09-01")),))
    assert judged_here.code == "ok"
    assert judged_here.valid_until == datetime(2026, 10, 1, 0, 0, tzinfo=NEW_YORK)
    judged_in_utc = answer(cylinder=STEEL, at=at, time_zone="UTC", air_sources=(source(sample("2026-09-01")),))
    assert judged_in_utc.code == "requalification-due"


def test_an_early_test_starts_a_new_period() -> None:
    """Inference from 49 CFR 180.205(c): the period runs from the newest stamp."""
    subject = cylinder(stamp("2021-09"), stamp("2025-02"))
    assert ask(subject, local("2030-02-28 23:59:59")) == "ok"
    assert ask(subject, local("2030-03-01 00:00")) == "requalification-due"


def test_a_new_cylinders_first_period_runs_from_manufacture() -> None:
    """Inference and common practice; the reason says so in its source."""
    new = cylinder(manufactured="2021-06")
    new.requalifications = []
    assert ask(new, local("2026-06-30 23:59:59")) == "ok"
    judged = answer(cylinder=new, at=local("2026-07-01 00:00"))
    assert judged.code == "requalification-due"
    assert "inference" in judged.reasons[0].source
    assert judged.reasons[0].text.startswith("Made 2021-06, no test on record")


@pytest.mark.parametrize(
    ("subject", "due", "source_text", "text"),
    [
        (STEEL, "lenient", "49 CFR 180.205(c), 173.301(a)(6) (2015 edition); last day by policy", "Tested 2021-09"),
        (STEEL, "strict", "last day by policy: strict", "Tested 2021-09, every 5 years: due since 2026-09"),
        (
            cylinder(stamp("2015-06"), specification="UN ISO 9809-1"),
            "lenient",
            "49 CFR 180.207(a)(2), (c) (2015 edition); last day by policy",
            "Tested 2015-06, every 10 years: due since 2025-06",
        ),
    ],
)
def test_the_reason_names_its_paragraph(subject: CylinderState, due: str, source_text: str, text: str) -> None:
    """49 CFR 180.207(a)(2) speaks of UN pressure receptacles, 180.205(c) of DOT cylinders and permits."""
    judged = answer(cylinder=subject, at=local("2027-02-01 12:00"), policy=policy(requalification_due=due))
    assert judged.reasons[0].source.endswith(source_text)
    assert judged.reasons[0].source.startswith("49 CFR 180.20")
    assert judged.reasons[0].text.startswith(text)


def test_rejected_comes_back_after_a_passed_test_and_condemned_never() -> None:
    """49 CFR 180.205(h) and (i)."""
    rejected = cylinder(stamp("2024-03"), stamp("2026-03", "rejected"))
    assert ask(rejected, local("2026-06-15 12:00")) == "requalification-rejected"
    repaired = cylinder(stamp("2026-03", "rejected"), stamp("2026-05"))
    assert ask(repaired, local("2026-06-15 12:00")) == "ok"
    condemned = cylinder(stamp("2026-03", "condemned"), stamp("2026-05"))
    assert ask(condemned, local("2026-06-15 12:00")) == "condemned"


@pytest.mark.parametrize(
    ("subject", "code"),
    [
        (cylinder(stamp("2024-09"), specification="DOT-3AL2216", details_alloy="6351-T6"), "eddy-current-mark-missing"),
        (cylinder(stamp("2024-09", "pass", "VE"), specification="DOT-3AL2216", details_alloy="6351-T6"), "ok"),
        (cylinder(stamp("2024-09"), specification="DOT-3AL2216", details_alloy="6061-T6"), "ok"),
        (cylinder(stamp("2024-09"), specification="DOT-E6498-2216"), "eddy-current-mark-missing"),
        (cylinder(stamp("2024-09"), specification="DOT-E6498-2216", details_alloy="6061-T6"), "ok"),
        (cylinder(stamp("2024-09"), specification="DOT-3AL2216 DOT-E6498-2216"), "eddy-current-mark-missing"),
    ],
)
def test_alloy_6351_needs_the_eddy_current_mark(subject: CylinderState, code: str) -> None:
    """49 CFR 180.205(f)(4), 180.213(f)(9) (2015 edition); that it bars filling is inference."""
    judged = answer(cylinder=subject)
    assert judged.code == code


def test_the_eddy_current_mark_is_asked_of_tests_since_2007() -> None:
    """71 FR 51122: at each requalification since 1 January 2007."""
    before = cylinder(stamp("2006-12"), specification="DOT-3AL2216", manufactured="1985-01", details_alloy="6351-T6")
    assert ask(before, local("2008-03-01 12:00")) == "ok"
    after = cylinder(stamp("2007-01"), specification="DOT-3AL2216", manufactured="1985-01", details_alloy="6351-T6")
    assert ask(after, local("2008-03-01 12:00")) == "eddy-current-mark-missing"


def test_people_keep_away_while_6351_fills() -> None:
    """49 CFR 173.302(e) (2015 edition), worded as should."""
    judged = answer(
        cylinder=cylinder(stamp("2024-09", "pass", "VE"), specification="DOT-3AL2216", details_alloy="6351-T6")
    )
    assert [reason.code for reason in judged.obligations][:2] == ["look-over", "keep-people-away"]
    assert judged.display_text == "Fill to 2216 psi. Look it over first. 6351 alloy: keep people away."
