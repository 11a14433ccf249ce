"""Every sentence of the rules as a person gets it, written to one page for reading (`make words`).

A change of wording shows in the page, where somebody who fills cylinders can judge it; the test beside holds the rules
to the page. One question for each code, and further ones where a code is said in several ways.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

from fill_ledger.trade.judgement import Judgement, Question, judge
from tests.trade.further_questions import FURTHER_QUESTIONS
from tests.trade.test_judgement_codes import QUESTIONS

EVERYTHING = "everything"
"""A question of this name is told with all reasons and all facts."""

PAGE = Path(__file__).with_name("what_is_said.txt")


def page() -> str:
    """Return the page."""
    named = {**QUESTIONS, **FURTHER_QUESTIONS}
    return "\n".join(line for name in sorted(named) for line in _lines(name, named[name])).rstrip() + "\n"


def _lines(name: str, question: Question) -> Iterator[str]:
    judgement = judge(question, explain=True)
    said = (*judgement.reasons, *judgement.obligations, *judgement.advice)
    yield f"== {name}"
    yield f"{judgement.decision}: {judgement.display_text}"
    yield f"limit {judgement.fill_limit_psi} psi, stop at {judgement.stop_at_psi} psi, until {judgement.valid_until}"
    for reason in said:
        if not _is_about(name, reason.code):
            continue
        yield f"{reason.effect} {reason.code}"
        yield f"  {reason.text}"
        yield f"  {reason.display_text}"
        yield f"  source: {reason.source}"
        if reason.clears_by is not None or reason.clears_at is not None:
            yield f"  clears by {reason.clears_by}, at {reason.clears_at}"
    also = [reason.code for reason in said if not _is_about(name, reason.code)]
    if also:
        yield f"also {', '.join(also)}"
    yield from _facts(name, judgement)
    yield ""


def _is_about(name: str, code: str) -> bool:
    return name.partition(":")[0] in (code, EVERYTHING)


def _facts(name: str, judgement: Judgement) -> Iterator[str]:
    """Tell what the rule of the code saw; the other rules saw the same as in the plain permit."""
    for answer in judgement.explanation or ():
        if name.startswith(EVERYTHING) or any(_is_about(name, code) for code in answer.codes):
            seen = ", ".join(f"{fact}={value}" for fact, value in answer.facts.items())
            yield f"  {answer.rule} saw {seen}"


if __name__ == "__main__":
    PAGE.write_text(page())
    sys.stdout.write(f"wrote {PAGE.name}\n")
