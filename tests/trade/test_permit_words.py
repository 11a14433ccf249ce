"""What a permit says on a small display of 80 characters, and which rules an answer about one part asks."""

from typing import Any

import pytest

from fill_ledger.trade import judgement
from fill_ledger.trade.judgement import RULES, judge, rules_version
from fill_ledger.trade.rulebook import SHIPPED
from fill_ledger.trade.rules.reasons import ReasonKind
from fill_ledger.trade.rules.rule import Concern, Rule
from tests.trade.rules.questions import answer, codes, cylinder, question, stamp, station


def obliging(*lengths: int) -> Rule:
    """A rule that obliges in words of these lengths."""
    kinds = tuple(
        ReasonKind(code=f"invented-{length}", effect="obligation", title="Invented", source="invented")
        for length in lengths
    )
    reasons = tuple(kind.reason("Invented.", "x" * length) for kind, length in zip(kinds, lengths, strict=True))
    return Rule(name="invented", concerns="fill", kinds=kinds, reasons=lambda case: reasons)


# "Fill to 2216 psi. Look it over first." has 37 characters; every further obligation needs a space before it.
@pytest.mark.parametrize(
    ("lengths", "shown"),
    [
        ((42,), (42,)),
        ((43,), ()),
        ((20, 21), (20, 21)),
        ((20, 22), (20,)),
        ((43, 20), (20,)),
    ],
)
def test_as_many_obligations_as_the_display_holds(
    lengths: tuple[int, ...], shown: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judgement, "RULES", (obliging(*lengths), *RULES))
    judged = answer()
    words = "".join(f"{'x' * length} " for length in shown)
    assert judged.display_text == f"Fill to 2216 psi. {words}Look it over first."
    assert len(judged.display_text) <= 80


@pytest.mark.parametrize(
    ("concerns", "denied_by"),
    [
        ({"cylinder"}, ["requalification-due"]),
        ({"station"}, ["station-unknown"]),
        ({"air"}, ["air-source-unknown"]),
        ({"member"}, ["member-unknown"]),
        ({"cylinder", "member"}, ["requalification-due", "member-unknown"]),
        (set(), []),
        (None, ["requalification-due", "station-unknown", "air-source-unknown", "member-unknown"]),
    ],
)
def test_an_answer_about_one_part_asks_only_its_own_rules(concerns: set[Concern] | None, denied_by: list[str]) -> None:
    wrong: dict[str, Any] = {
        "cylinder": cylinder(stamp("2021-05")),
        "station": station(registered_at=None),
        "air_sources": (),
        "member": None,
        "member_asked": False,
    }
    assert [reason.code for reason in judge(question(**wrong), concerns=concerns).reasons] == denied_by
    # No date is told without a calendar, so that rule is always asked.
    lost = judge(question(time_zone="Nowhere"), concerns=concerns)
    assert "time-zone-unknown" in codes(lost)


def test_an_answer_names_the_version_of_the_rules() -> None:
    assert answer().rules_version == rules_version(SHIPPED)
