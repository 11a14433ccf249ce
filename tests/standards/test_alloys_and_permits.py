"""Alloy 6351-T6 and special permits: cases in no list of the project, worked by hand from the regulation.

Sources: 49 CFR 180.205(c), (f)(4); 180.209(a) table 1; 180.213(f)(9); titles of part 178 (2015 edition); 71 FR 51122
(29 August 2006); PHMSA notice of 24 April 2019. What is secondary, from memory or inference says so where it stands.
"""

from typing import Any

import pytest

from fill_ledger.trade.events.cylinders import LifeExtension
from fill_ledger.trade.states.cylinders import CylinderState, LifeExtended
from tests.standards.test_cases_from_the_regulation import ask, on, twice_in_a_month
from tests.trade.rules.questions import EVENT_ID, LONG_AGO, answer, codes, cylinder, policy, sample, source, stamp


class TestAlloy6351:
    """180.205(f)(4), 180.213(f)(9): eddy current and visual, marked VE, at each requalification since January 2007."""

    @staticmethod
    def subject(*stamps: Any) -> CylinderState:
        return cylinder(*stamps, specification="DOT-3AL2216", manufactured="1985-01", details_alloy="6351-T6")

    @pytest.mark.parametrize(
        ("month", "marks", "day", "code"),
        [
            ("2006-12", (), "2008-03-01", "ok"),
            ("2006-12", ("VE",), "2008-03-01", "ok"),
            ("2007-01", (), "2008-03-01", "eddy-current-mark-missing"),
            ("2007-01", ("VE",), "2008-03-01", "ok"),
            # The test of December 2006 runs out in December 2011; the next one needs the mark.
            ("2006-12", (), "2011-12-31", "ok"),
            ("2006-12", (), "2012-01-01", "requalification-due"),
            # Another examination is not this one.
            ("2024-09", ("UE",), "2026-06-15", "eddy-current-mark-missing"),
            ("2024-09", ("AE",), "2026-06-15", "eddy-current-mark-missing"),
        ],
    )
    def test_around_january_2007(self, month: str, marks: tuple[str, ...], day: str, code: str) -> None:
        assert ask(self.subject(stamp(month, "pass", *marks)), day).code == code

    def test_the_mark_of_an_older_test_does_not_carry_over(self) -> None:
        """At each requalification."""
        assert ask(self.subject(stamp("2019-09", "pass", "VE"), stamp("2024-09"))).code == "eddy-current-mark-missing"
        assert ask(self.subject(stamp("2019-09"), stamp("2024-09", "pass", "VE"))).decision == "permit"

    def test_a_test_and_an_examination_entered_apart(self) -> None:
        """Two entries of one month, the volumetric test and the eddy current examination: together they are one."""
        both = twice_in_a_month(
            ("VE",), (), specification="DOT-3AL2216", manufactured="1985-01", details_alloy="6351-T6"
        )
        for subject in both:
            assert ask(subject).decision == "permit"

    @pytest.mark.parametrize(
        ("specification", "manufactured", "alloy", "in_doubt"),
        [
            ("DOT-3AL2216", "1990-12", None, True),
            ("DOT-3AL2216", "1991-01", None, False),
            ("DOT-3AL2216", "1985-01", "6061-T6", False),
            # Whoever leaves out the month of manufacture has not shown that it is none of them.
            ("DOT-3AL2216", None, None, True),
            ("DOT-3AL2216", None, "6061-T6", False),
            # The Canadian mark of the same cylinder (from memory), alone and before the other.
            ("TC-3ALM153", "1985-01", None, True),
            ("TC-3ALM153 DOT-3AL2216", "1985-01", None, True),
            ("DOT-3AA2216", "1985-01", None, False),
        ],
    )
    def test_people_keep_away_while_the_alloy_is_not_known(
        self, specification: str, manufactured: str | None, alloy: str | None, in_doubt: bool
    ) -> None:
        """173.302(e), worded as should, names the alloy; that not knowing it is no reason to stand near is inference.

        The year from which another alloy was usual is from memory.
        """
        subject = cylinder(
            stamp("2024-09"), specification=specification, manufactured=manufactured, details_alloy=alloy
        )
        judged = ask(subject)
        assert judged.decision == "permit"
        assert ("keep-people-away" in codes(judged), "alloy-not-recorded" in codes(judged)) == (in_doubt, in_doubt)
        if in_doubt:
            told = next(each for each in judged.obligations if each.code == "keep-people-away")
            assert told.source.endswith("inference")
            assert judged.display_text == "Fill to 2216 psi. Look it over first. Perhaps 6351 alloy: keep people away."

    def test_a_mark_does_not_cure_a_test_that_is_due(self) -> None:
        judged = ask(self.subject(stamp("2019-09", "pass", "VE")))
        assert judged.code == "requalification-due"
        assert "eddy-current-mark-missing" not in codes(judged)


class TestPermits:
    """180.205(c): as the permit says. Nothing on file is a reason to deny, with what to enter."""

    @pytest.mark.parametrize("number", ["6576", "6688"])
    def test_expired_permits_are_refused_outright(self, number: str) -> None:
        """Expired, no longer legal (secondary). No mark, use or fresh test changes that."""
        for mark in (f"DOT-E{number}-2216", f"DOT-SP{number}-2216", f"DOT-SP {number}"):
            for use in ("scba", "scuba", "storage"):
                judged = ask(cylinder(stamp("2026-05"), specification=mark, use=use, details_alloy="6061-T6"))
                assert judged.code == "specification-not-fillable"
                assert judged.fill_limit_psi is None

    @pytest.mark.parametrize("number", ["4157", "9999", "20999"])
    def test_an_unknown_permit_says_what_to_enter(self, number: str) -> None:
        judged = ask(cylinder(stamp("2026-05"), specification=f"DOT-SP{number}-4500", pressure="4500"))
        assert judged.code == "permit-unknown"
        assert "requalification interval" in judged.reasons[0].text
        assert "service life" in judged.reasons[0].text
        assert number in judged.display_text
        # Nobody is told that a test is due where no interval is known.
        assert len(judged.reasons) == 1

    def test_an_expired_life_extension_extends_nothing(self) -> None:
        """PHMSA notice, 24 April 2019: 16320 expired on 31 March 2019 and its renewal was denied."""
        subject = cylinder(
            stamp("2025-05"), specification="DOT-SP10915-4500 DOT-SP16320", pressure="4500", manufactured="2008-06"
        )
        assert ask(subject).code == "service-life-over"
        assert ask(cylinder(specification="DOT-SP16320", pressure="4500")).code == "specification-not-fillable"

    @pytest.mark.parametrize(
        ("specification", "word"),
        [
            ("DOT-39", "refilled"),
            ("DOT-3HT1850", "aircraft"),
            ("DOT-3E1800", "requalified"),
            ("DOT-4B240", "breathing-air"),
            ("DOT-8", "acetylene"),
            ("ISO 9809-1", "UN mark"),
        ],
    )
    def test_specifications_never_filled(self, specification: str, word: str) -> None:
        """180.205(i)(1)(v) for 3HT, table 1 for 3E, 178.65 for 39 (from memory), titles of part 178 for the rest."""
        judged = ask(cylinder(stamp("2026-05"), specification=specification, pressure="1800"))
        assert judged.code == "specification-not-fillable"
        assert word in judged.reasons[0].text


class TestMarkedLife:
    """180.207(c): 15 years for a UN composite in the 2015 text; a later text goes by the life specified for it."""

    @pytest.mark.parametrize(
        ("specification", "marked", "last_day", "first_denied"),
        [
            # Made June 2008. Nothing marked on record: the older text, through June 2023.
            ("UN ISO 11119-2", None, "2023-06-30", "2023-07-01"),
            # Marked for longer, and for shorter, than fifteen years.
            ("UN ISO 11119-2", "2028-06", "2028-06-30", "2028-07-01"),
            ("UN ISO 11119-2", "2018-06", "2018-06-30", "2018-07-01"),
            # A DOT special permit: the shorter of label and figure on file, for neither is verified (inference).
            ("DOT-SP10915-4500", "2038-06", "2023-06-30", "2023-07-01"),
            ("DOT-SP10915-4500", "2018-06", "2018-06-30", "2018-07-01"),
            # But where the holder himself says that 15 years may be too few (secondary), the label decides.
            ("DOT-SP14232-4500", None, "2023-06-30", "2023-07-01"),
            ("DOT-SP14232-4500", "2038-06", "2038-06-30", "2038-07-01"),
            ("DOT-SP14232-4500", "2018-06", "2018-06-30", "2018-07-01"),
            # No life by its specification, but one on the label.
            ("DOT-3AA2216", "2025-06", "2025-06-30", "2025-07-01"),
        ],
    )
    def test_which_end_counts(self, specification: str, marked: str | None, last_day: str, first_denied: str) -> None:
        # A test in the year before keeps "due" out of it.
        subject = cylinder(
            stamp(f"{int(last_day[:4]) - 1}-06"),
            specification=specification,
            manufactured="2008-06",
            details_marked_life_ends=marked,
        )
        assert ask(subject, last_day).decision == "permit"
        assert ask(subject, first_denied).code == "service-life-over"

    @pytest.mark.parametrize(
        ("tested", "accepted", "day", "code"),
        [
            # Made June 2010, life through June 2025, extended through June 2030.
            ("2025-05", False, "2025-06-30", "ok"),
            ("2025-05", False, "2025-07-01", "service-life-over"),
            ("2025-05", True, "2025-07-01", "ok"),
            ("2025-05", True, "2030-05-31", "ok"),
            # The test of May 2025 is good through May 2030, the extended life through June.
            ("2025-05", True, "2030-06-01", "requalification-due"),
            ("2025-05", True, "2030-07-01", "service-life-over"),
            # An extension is no test.
            ("2020-05", True, "2025-07-01", "requalification-due"),
        ],
    )
    def test_an_extension_is_data_and_counts_by_policy(self, tested: str, accepted: bool, day: str, code: str) -> None:
        """NIOSH CA-2018-1006-R1: it may cost the set its approval, so a department must want it; then it is said."""
        extension = LifeExtension(permit="DOT-SP 99999", through="2030-06")
        subject = cylinder(
            stamp(tested),
            specification="DOT-SP10915-4500",
            pressure="4500",
            manufactured="2010-06",
            life_extensions=[LifeExtended(event_id=EVENT_ID, starts_at=LONG_AGO, extension=extension)],
        )
        judged = answer(
            cylinder=subject,
            at=on(day),
            policy=policy(life_extensions_accepted=accepted),
            air_sources=(source(sample(day)),),
        )
        assert judged.code == code
        # Past the extension as well, it is nothing to tell whoever holds the cylinder.
        assert ("life-extension-counted" in codes(judged)) == (accepted and code != "service-life-over")
        assert ("life-extension-not-counted" in codes(judged)) == (not accepted)
