"""An explanation names every rule that was asked, what it said, and all that it looked at to say so."""

import json
import re
from collections import defaultdict
from datetime import datetime

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings

from fill_ledger.api.question.eligibility_types import ExplainedRule
from fill_ledger.trade.events.rulebook import AmendedFigure, RuleAmended
from fill_ledger.trade.judgement import RULES, Judgement, Question, RuleAnswer, judge
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.rules import FIGURES
from tests.trade.rules import histories
from tests.trade.rules.questions import AT, question
from tests.trade.test_judgement_codes import QUESTIONS

EXAMPLES = 300
ALL_QUESTIONS: dict[str, Question] = {**QUESTIONS, "a plain permit": question()}
Answers = dict[str, dict[str, set[tuple[str, ...]]]]
"""By rule and by what it saw: the sets of codes it answered with."""
FACT_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


def explained(asked: Question) -> tuple[Judgement, tuple[RuleAnswer, ...]]:
    """Judge a question and return the answer with its explanation."""
    judged = judge(asked, explain=True, look_ahead=False)
    return judged, judged.explanation or ()


@pytest.mark.parametrize("name", [name for name in ALL_QUESTIONS if name != "moment-out-of-range"])
def test_every_rule_is_named_in_order_with_plain_facts_and_its_own_codes(name: str) -> None:
    judged, rules = explained(ALL_QUESTIONS[name])
    assert [told.rule for told in rules] == [rule.name for rule in RULES]
    denials = [reason.code for reason in judged.reasons]
    told_by_rules = [code for told in rules for code in told.codes]
    assert [code for code in told_by_rules if code in denials] == denials
    for told, rule in zip(rules, RULES, strict=True):
        assert set(told.codes) <= {kind.code for kind in rule.kinds}
        asked_for = () if told.outcome == "not in effect" else rule.figures
        assert set(told.figures) == {figure.name for figure in asked_for}
        for fact, value in told.facts.items():
            assert FACT_NAME.fullmatch(fact), fact
            assert value is None or type(value) in (str, int, bool), (told.rule, fact)
        # As it is promised to callers: lengths, numbers and how many facts there may be.
        sent = msgspec.convert(msgspec.to_builtins(told), ExplainedRule)
        assert sent.facts == told.facts


def _told(answers: Answers, asked: Question) -> None:
    for told in explained(asked)[1]:
        seen = json.dumps([told.facts, told.figures, asked.time_zone], sort_keys=True)
        answers[told.rule][seen].add(tuple(sorted(set(told.codes))))


def _left_out(answers: Answers) -> list[tuple[str, str, list[tuple[str, ...]]]]:
    return [
        (rule, seen, sorted(codes))
        for rule, by_facts in answers.items()
        for seen, codes in by_facts.items()
        if len(codes) > 1
    ]


def test_a_rule_that_says_something_else_has_seen_another_fact() -> None:
    """Two questions in which a rule saw the same must have the same answer of it; else a fact it saw is left out."""
    answers: Answers = defaultdict(lambda: defaultdict(set))
    for name, asked in ALL_QUESTIONS.items():
        if name != "moment-out-of-range":
            _told(answers, asked)
    assert _left_out(answers) == []

    @settings(max_examples=EXAMPLES, suppress_health_check=[HealthCheck.too_slow], deadline=None)
    @given(asked=histories.questions())
    def of_any_history(asked: Question) -> None:
        # At one moment, so that histories can meet in what a rule sees.
        _told(answers, msgspec.structs.replace(asked, at=AT))

    of_any_history()
    assert _left_out(answers) == []


def test_a_figure_is_told_as_it_holds_at_the_moment() -> None:
    amended = RuleAmended(
        figures=(
            AmendedFigure(figure="plus_percent", value=105),
            AmendedFigure(figure="star_made_after", value="1950-12"),
        ),
        reason="a test",
        effective_from="2026-06-15",
    )
    rulebook = Rulebook(SPECIFICATIONS, (), (amended,))
    told: dict[datetime, tuple[int | str, int | str]] = {}
    for at in (AT.replace(day=14), AT):
        figures = {
            name: value
            for answer in explained(question(at=at, rulebook=rulebook))[1]
            for name, value in answer.figures.items()
        }
        assert set(figures) == set(FIGURES)
        told[at] = figures["plus_percent"], figures["star_made_after"]
    assert list(told.values()) == [(110, "1945-12"), (105, "1950-12")]
