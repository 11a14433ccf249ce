"""What a permit says on a small display of 80 characters, and which rules an answer about one part asks."""

from datetime import date
from typing import Any

import pytest

from fill_ledger.trade import judgement, rules
from fill_ledger.trade.judgement import RULES, CatalogueEntry, judge, rules_version
from fill_ledger.trade.rulebook import SHIPPED
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.rules.reasons import Effect, ReasonKind
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


def test_an_explanation_names_the_gravest_thing_a_rule_said(monkeypatch: pytest.MonkeyPatch) -> None:
    effects: tuple[Effect, ...] = ("advice", "obligation", "deny")
    kinds = {effect: ReasonKind(code=effect, effect=effect, title="Invented", source="invented") for effect in effects}
    cases: list[tuple[tuple[Effect, ...], str]] = [
        ((), "nothing to say"),
        (("advice",), "advises"),
        (("obligation", "advice"), "obliges"),
        (("deny", "obligation", "advice"), "denies"),
        (("deny",), "denies"),
    ]

    def saying(said: tuple[Effect, ...]) -> Rule:
        reasons = tuple(kinds[effect].reason("Invented.", "Invented.") for effect in said)
        return Rule(name="invented", concerns="fill", kinds=tuple(kinds.values()), reasons=lambda case: reasons)

    for said, outcome in cases:
        rule = saying(said)
        monkeypatch.setattr(judgement, "RULES", (rule,))
        explanation = judge(question(), explain=True).explanation
        assert explanation is not None
        assert [(one.rule, one.outcome, one.codes, one.facts) for one in explanation] == [
            ("invented", outcome, said, {})
        ]


def test_the_catalogue_tells_all_that_a_rule_declares(monkeypatch: pytest.MonkeyPatch) -> None:
    figure = NumberFigure(name="invented_psi", value=2, lowest=1, highest=3, meaning="Invented.")
    kind = ReasonKind(code="invented", effect="advice", title="A title", source="a source", clears_by="a way")
    rule = Rule(
        name="a-rule",
        concerns="station",
        kinds=(kind,),
        reasons=lambda case: (),
        figures=(figure,),
        effective_from=date(2026, 1, 1),
        effective_until=date(2027, 1, 1),
    )
    monkeypatch.setattr(rules, "RULES", (rule,))
    assert rules.rules_catalogue() == (
        CatalogueEntry(
            code="invented",
            effect="advice",
            title="A title",
            source="a source",
            clears_by="a way",
            rule="a-rule",
            concerns="station",
            figures=(figure,),
            effective_from=date(2026, 1, 1),
            effective_until=date(2027, 1, 1),
        ),
    )


def test_an_answer_names_the_version_of_the_rules() -> None:
    assert answer().rules_version == rules_version(SHIPPED)
