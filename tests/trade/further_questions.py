"""Questions whose codes have one already: other words of the same reason, and the facts of every rule."""

from fill_ledger.trade.judgement import Question
from tests.trade.rules.questions import question

FURTHER_QUESTIONS: dict[str, Question] = {
    "everything: a plain permit": question(),
}
