"""Cases in no list of the project, worked by hand from the regulation.

Sources: 49 CFR 180.205(c), (h), (i); 180.207(c); 180.209(a) table 1 and (b); 180.213(d), (f); 173.301(a)(6),
(a)(7); 173.302a(b), all in the 2015 edition, but table 1 and the opening of 180.207(a), read in a later copy too. Of
180.209(b) the conditions "125 lb" and "not under water" are from memory, "made after 1945" is a secondary quotation.
What is inference says so where it stands.
"""

from datetime import UTC, datetime
from typing import Any

import pytest

from fill_ledger.trade.judgement import Judgement
from fill_ledger.trade.states.cylinders import CylinderState, LastFill
from tests.trade.rules.questions import EVENT_ID, answer, codes, cylinder, policy, sample, source, stamp

MIDDAY_UTC = 16  # about noon in New York in either half of the year


def on(day: str) -> datetime:
    return datetime.fromisoformat(day).replace(hour=MIDDAY_UTC, tzinfo=UTC)


def ask(subject: CylinderState, day: str = "2026-06-15") -> Judgement:
    """Ask about a cylinder alone: the air is fresh, the member authorised."""
    return answer(cylinder=subject, at=on(day), air_sources=(source(sample(day)),))


def twice_in_a_month(first: tuple[str, ...], second: tuple[str, ...], **fields: Any) -> tuple[CylinderState, ...]:
    """The same two passed stamps of one month, reported in either order."""
    return tuple(
        cylinder(stamp("2024-09", "pass", *one), stamp("2024-09", "pass", *other), **fields)
        for one, other in ((first, second), (second, first))
    )


class TestStar:
    """180.209(b): 3A and 3AA, at most 125 lb of water, made after 1945, listed dry gases, not under water."""

    @pytest.mark.parametrize(
        ("made", "last_day", "first_denied"),
        [
            ("1945-12", "2021-06-30", "2021-07-01"),
            ("1946-01", "2026-06-30", "2026-07-01"),
        ],
    )
    def test_made_before_and_after_the_end_of_1945(self, made: str, last_day: str, first_denied: str) -> None:
        subject = cylinder(stamp("2016-06", "pass", "star"), specification="DOT-3AA2216", manufactured=made)
        assert ask(subject, last_day).decision == "permit"
        judged = ask(subject, first_denied)
        assert judged.code == "requalification-due"
        assert ("star-not-counted" in codes(judged)) == (made == "1945-12")

    @pytest.mark.parametrize(
        ("water_volume_ml", "counts"),
        [(11_100, True), (56_698, True), (56_699, True), (56_700, False), (68_000, False)],
    )
    def test_125_pounds_of_water(self, water_volume_ml: int, counts: bool) -> None:
        """125 x 0.45359237 kg = 56.699 kg; at 1 g/ml (water at 4 C) 56,699 ml. Warmer water would allow more."""
        assert 125 * 45_359_237 // 100_000 == 56_699_046 // 1_000
        subject = cylinder(stamp("2018-06", "pass", "star"), details_water_volume_ml=water_volume_ml)
        assert ask(subject).code == ("ok" if counts else "requalification-due")

    @pytest.mark.parametrize(
        "specification", ["DOT-3AL2216", "DOT-SP10915-4500", "UN ISO 11119-2", "DOT-SP6498-2216", "TC-3ALM153"]
    )
    def test_on_what_may_not_carry_it(self, specification: str) -> None:
        """3A and 3AA only. Five years and five months after the test the star gives nothing."""
        subject = cylinder(
            stamp("2021-01", "pass", "star"),
            specification=specification,
            manufactured="2015-01",
            details_alloy="6061-T6",
        )
        judged = ask(subject)
        assert judged.code == "requalification-due"
        assert "star-not-counted" in codes(judged)

    def test_on_un_steel_it_adds_nothing_to_the_ten_years(self) -> None:
        """180.207(c): ten years by themselves."""
        subject = cylinder(stamp("2016-06", "pass", "star"), specification="UN ISO 9809-1", manufactured="2010-01")
        assert ask(subject, "2026-06-30").decision == "permit"
        assert ask(subject, "2026-07-01").code == "requalification-due"

    @pytest.mark.parametrize("use", ["scuba", "storage"])
    def test_lost_by_use(self, use: str) -> None:
        """PHMSA letter 09-0236: used outside the conditions, back to five years from the marked date."""
        subject = cylinder(stamp("2020-06", "pass", "star"), use=use)
        assert "requalification-due" not in codes(ask(subject, "2025-06-30"))
        assert "requalification-due" in codes(ask(subject, "2025-07-01"))

    def test_only_the_newest_test_tells(self) -> None:
        """Inference: a sign belongs to its own stamp. Star of 2015, none of 2019: due in 2024."""
        subject = cylinder(stamp("2015-06", "pass", "star"), stamp("2019-06"))
        assert ask(subject, "2024-06-30").decision == "permit"
        assert ask(subject, "2024-07-01").code == "requalification-due"

    def test_the_hammer_test_comes_with_it(self) -> None:
        """A condition of 180.209(b) (secondary quotation; CGA C-6): before each refill, out of any bank or rack."""
        starred = ask(cylinder(stamp("2024-06", "pass", "star")))
        assert [reason.code for reason in starred.obligations][:2] == ["hammer-test", "look-over"]
        assert starred.display_text == "Fill to 2216 psi. Star: hammer test first. Look it over first."
        for without in (
            cylinder(stamp("2024-06")),
            cylinder(stamp("2024-06", "pass", "star"), use="scuba"),
            cylinder(stamp("2024-06", "pass", "star"), specification="DOT-3AL2216", details_alloy="6061-T6"),
        ):
            assert "hammer-test" not in codes(ask(without))

    def test_two_stamps_of_one_month_that_disagree(self) -> None:
        """A stamp has no day (180.213(d)), so neither is the later one: inference, the shorter period holds."""
        for subject in twice_in_a_month(("star",), ()):
            assert ask(subject, "2029-09-30").decision == "permit"
            assert ask(subject, "2029-10-01").code == "requalification-due"


class TestPlus:
    """173.302a(b): 110 % on 3A, 3AX, 3AA, 3AAX, 3T; stamped after the test that allows it."""

    @pytest.mark.parametrize(
        ("stamps", "limit_psi", "void"),
        [
            # On an older test only: void. That a rejection lies between changes nothing.
            ([("2016-05", "pass", "+"), ("2021-05", "rejected"), ("2021-09", "pass")], 2_015, True),
            ([("2016-05", "pass", "+"), ("2021-05", "rejected", "+"), ("2021-09", "pass")], 2_015, True),
            # On the newest again, though the one before had none.
            ([("2016-05", "pass"), ("2021-05", "rejected"), ("2021-09", "pass", "+")], 2_216, False),
            ([("2016-05", "pass", "+"), ("2021-09", "pass", "+")], 2_216, False),
            # Never there.
            ([("2016-05", "pass"), ("2021-09", "pass")], 2_015, False),
        ],
    )
    def test_newest_stamp_decides(self, stamps: list[tuple[str, ...]], limit_psi: int, void: bool) -> None:
        subject = cylinder(
            *(stamp(month, outcome, *marks) for month, outcome, *marks in stamps),
            specification="DOT-3AA2015",
            pressure="2015",
        )
        judged = ask(subject)
        assert (judged.decision, judged.fill_limit_psi) == ("permit", limit_psi)
        assert ("plus-void" in codes(judged)) == void

    def test_a_rejected_cylinder_gets_nothing_by_its_plus(self) -> None:
        """180.205(h): the newest test was not passed."""
        subject = cylinder(
            stamp("2021-09", "pass", "+"), stamp("2026-02", "rejected"), specification="DOT-3AA2015", pressure="2015"
        )
        judged = ask(subject)
        assert (judged.code, judged.fill_limit_psi) == ("requalification-rejected", None)

    def test_two_stamps_of_one_month_that_disagree(self) -> None:
        """Inference: neither is the later one, so the lower limit holds, in whichever order they were reported."""
        for subject in twice_in_a_month(("+",), (), specification="DOT-3AA2015", pressure="2015"):
            assert ask(subject).fill_limit_psi == 2_015
        for subject in twice_in_a_month(("+",), ("star", "+"), specification="DOT-3AA2015", pressure="2015"):
            assert ask(subject).fill_limit_psi == 2_216

    def test_star_and_plus_are_independent(self) -> None:
        """Inference from separate paragraphs: nine years after the test both still hold for a 3AA of 2250 psi."""
        both = cylinder(stamp("2017-07", "pass", "star", "+"), specification="DOT-3AA2250", pressure="2250")
        assert ask(both).fill_limit_psi == 2_475
        assert ask(cylinder(stamp("2017-07", "pass", "+"), specification="DOT-3AA2250", pressure="2250")).code == (
            "requalification-due"
        )

    @pytest.mark.parametrize(
        ("marked_psi", "limit_psi"),
        [(1_800, 1_980), (2_015, 2_216), (2_265, 2_491), (2_400, 2_640), (2_640, 2_904), (3_500, 3_850)],
    )
    def test_110_percent_rounded_down(self, marked_psi: int, limit_psi: int) -> None:
        """By hand: 2,015 x 1.1 = 2,216.5 and 2,265 x 1.1 = 2,491.5; a limit rounds down."""
        subject = cylinder(
            stamp("2024-09", "pass", "+"), specification=f"DOT-3AA{marked_psi}", pressure=str(marked_psi)
        )
        assert ask(subject).fill_limit_psi == limit_psi


class TestPeriods:
    """180.209(a) table 1, 180.207(c)."""

    @pytest.mark.parametrize(
        ("specification", "years"),
        [
            ("DOT-3A2216", 5),
            ("DOT-3AA2216", 5),
            ("DOT-3AL2216", 5),
            ("ICC-3AA2216", 5),  # marked before 1967 by the predecessor (from memory); the same specification
            ("UN ISO 9809-1", 10),
            ("UN ISO 9809-2", 10),
            ("UN ISO 7866", 10),
            ("UN ISO 11119-1", 5),
            ("UN ISO 11119-3", 5),
        ],
    )
    def test_last_month(self, specification: str, years: int) -> None:
        subject = cylinder(
            stamp("2016-04"), specification=specification, manufactured="2016-04", details_alloy="6061-T6"
        )
        assert ask(subject, f"{2016 + years}-04-30").decision == "permit"
        assert ask(subject, f"{2016 + years}-05-01").code == "requalification-due"

    @pytest.mark.parametrize(
        ("tests", "day", "code"),
        [
            # Made June 2011, life 15 years: tests of years 5 and 10 carry it to the end.
            (("2016-06", "2021-06"), "2026-06-30", "ok"),
            (("2016-06", "2021-06"), "2026-07-01", "service-life-over"),
            # Tested early, in February of year 10: due in February 2026, before the life ends in June.
            (("2016-06", "2021-02"), "2026-02-28", "ok"),
            (("2016-06", "2021-02"), "2026-03-01", "requalification-due"),
            (("2016-06", "2021-02"), "2026-06-30", "requalification-due"),
            (("2016-06", "2021-02"), "2026-07-01", "service-life-over"),
            # A test in year 15 buys nothing (a city's notice, secondary: two tests at most).
            (("2016-06", "2021-06", "2026-05"), "2026-07-01", "service-life-over"),
            # Never tested at all: due after five years, and over age after fifteen.
            ((), "2016-07-01", "requalification-due"),
            ((), "2026-07-01", "service-life-over"),
        ],
    )
    def test_test_and_life_which_comes_first(self, tests: tuple[str, ...], day: str, code: str) -> None:
        """180.205(c) and 173.301(a)(7). Past its life no test helps, so "due" is not said beside it."""
        subject = cylinder(specification="DOT-SP10915-4500", pressure="4500", manufactured="2011-06")
        subject.requalifications = [stamp(month) for month in tests]
        judged = ask(subject, day)
        assert judged.code == code
        assert len(judged.reasons) == (0 if code == "ok" else 1)

    def test_the_answer_changes_at_whichever_comes_first(self) -> None:
        """valid_until names the test in February, then the life in June, by the calendar in New York."""
        subject = cylinder(stamp("2021-02"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2011-06")
        first = ask(subject, "2026-02-01").valid_until
        assert first == datetime(2026, 3, 1, 5, tzinfo=UTC)
        second = ask(subject, "2026-06-01").valid_until
        assert second == datetime(2026, 7, 1, 4, tzinfo=UTC)


class TestDueText:
    """173.301(a)(6), 180.205(c): charged before it is due, a cylinder may stay in service until emptied."""

    @pytest.mark.parametrize(
        ("due", "words"),
        [("lenient", "charged before 2026-10-01"), ("strict", "charged before 2026-09-01")],
    )
    def test_until_when_it_must_have_been_charged(self, due: str, words: str) -> None:
        """Whoever fills through September says that a charge of September is one in time; strict says it is not."""
        judged = answer(
            cylinder=cylinder(stamp("2021-09")),
            at=on("2027-02-01"),
            policy=policy(requalification_due=due),
            air_sources=(source(sample("2027-02-01")),),
        )
        assert words in judged.reasons[0].text
        assert "may serve until emptied" in judged.reasons[0].text
        assert "may not be topped off" in judged.reasons[0].text  # PHMSA letter 09-0148: topping off is filling

    @pytest.mark.parametrize(
        ("filled_at", "due", "words"),
        [
            # Trade vector: last charged September 20, now February, still full.
            ("2026-09-20T12:00:00-04:00", "lenient", "Last filled 2026-09-20, in time"),
            ("2026-09-20T12:00:00-04:00", "strict", "too late for it to serve until emptied"),
            ("2026-08-31T23:30:00-04:00", "strict", "Last filled 2026-08-31, in time"),
            ("2026-09-30T23:59:59-04:00", "lenient", "Last filled 2026-09-30, in time"),
            ("2026-10-01T00:00:00-04:00", "lenient", "Last filled 2026-10-01, too late"),
        ],
    )
    def test_whether_it_was_charged_in_time(self, filled_at: str, due: str, words: str) -> None:
        """180.205(c), 173.301(a)(6): no time limit once charged in time (PHMSA letters 09-0148, 18-0117)."""
        subject = cylinder(
            stamp("2021-09"),
            last_fill=LastFill(event_id=EVENT_ID, filled_at=datetime.fromisoformat(filled_at), end_psi=2216),
        )
        judged = answer(
            cylinder=subject,
            at=on("2027-02-01"),
            policy=policy(requalification_due=due),
            air_sources=(source(sample("2027-02-01")),),
        )
        assert judged.code == "requalification-due"
        assert words in judged.reasons[0].text
        assert ("take it out of service" in judged.reasons[0].text) == ("too late" in words)

    def test_past_its_life_a_full_one_comes_off_too(self) -> None:
        """173.301(a)(7): unlike a test that is due, this takes it out of service even if full."""
        text = (
            ask(cylinder(stamp("2023-06"), specification="DOT-SP10915-4500", pressure="4500", manufactured="2011-05"))
            .reasons[0]
            .text
        )
        assert "even if full" in text
        assert "emptied" not in text


class TestOutcomes:
    """180.205(h): a rejected cylinder may come back; (i): a condemned one never, by any procedure."""

    @pytest.mark.parametrize(
        ("outcomes", "code"),
        [
            ([("2026-03", "rejected"), ("2026-04", "pass")], "ok"),
            ([("2026-03", "pass"), ("2026-04", "rejected")], "requalification-rejected"),
            ([("2026-03", "pass"), ("2026-03", "rejected")], "requalification-rejected"),
            ([("2026-03", "rejected"), ("2026-03", "rejected"), ("2026-05", "pass")], "ok"),
            ([("2026-03", "condemned"), ("2026-04", "pass")], "condemned"),
            ([("2026-03", "condemned"), ("2026-04", "rejected"), ("2026-05", "pass")], "condemned"),
            ([("2026-03", "rejected"), ("2026-04", "condemned")], "condemned"),
            ([("2026-03", "condemned"), ("2026-03", "pass")], "condemned"),
        ],
    )
    def test_what_comes_back(self, outcomes: list[tuple[str, str]], code: str) -> None:
        # The fold keeps stamps by month and the worse one last: two of one month have no order of their own.
        rank = ["pass", "rejected", "condemned"]
        ordered = sorted(outcomes, key=lambda known: (known[0], rank.index(known[1])))
        judged = ask(cylinder(*(stamp(month, outcome) for month, outcome in ordered)))
        assert judged.code == code
        if code == "condemned":
            assert judged.reasons[0].clears_by is None

    def test_a_rejection_starts_no_new_period(self) -> None:
        """Passed 2021, rejected and passed again in 2026: the period runs from the pass."""
        subject = cylinder(stamp("2021-06"), stamp("2026-02", "rejected"), stamp("2026-05"))
        assert ask(subject, "2031-05-31").decision == "permit"
        assert ask(subject, "2031-06-01").code == "requalification-due"

    def test_external_visual_only_is_no_test_for_breathing_air(self) -> None:
        """180.213(f)(5), 180.209(g): E is for listed gases, of which air is none (from memory)."""
        only_looked_at = cylinder(stamp("2020-06"), stamp("2025-06", "pass", "E"))
        judged = ask(only_looked_at)
        assert judged.code == "requalification-due"
        assert "2020-06" in judged.reasons[0].text
        assert "external-visual-only" in codes(judged)
        tested_as_well = cylinder(stamp("2024-06"), stamp("2025-06", "pass", "E"))
        assert ask(tested_as_well).decision == "permit"
        assert ask(tested_as_well, "2029-07-01").code == "requalification-due"
