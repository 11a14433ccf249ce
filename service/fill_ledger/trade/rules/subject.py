"""Is it plain which cylinder this is? Unknown is a reason to deny, never to guess."""

from fill_ledger.trade.rules.as_marked import missing_marks
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.reasons import USE_WORDS, Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule

_PRACTICE = "common practice, no source"

AMBIGUOUS = ReasonKind(
    code="cylinder-ambiguous",
    effect="deny",
    title="More than one cylinder answers to what was given",
    source=_PRACTICE,
    clears_by="naming one cylinder",
)
UNREADABLE = ReasonKind(
    code="tag-unreadable",
    effect="deny",
    title="The tag could not be read as a tag",
    source=_PRACTICE,
    clears_by="reading the tag again, or keying in the marks",
)
UNKNOWN = ReasonKind(
    code="cylinder-unknown",
    effect="deny",
    title="No registered cylinder answers to what was given",
    source=_PRACTICE,
    clears_by="registration, or keying in the marks",
)
MARKS_MISSING = ReasonKind(
    code="marks-missing",
    effect="deny",
    title="A cylinder nobody registered cannot be judged before its marks are keyed in",
    source="49 CFR 173.301(a)(1) asks that marks be complete; which ones are needed here is inference",
    clears_by="keying in the marks named",
)
READ_MARKS_TWICE = ReasonKind(
    code="read-marks-twice",
    effect="obligation",
    title="The marks of a cylinder nobody registered are read by two persons",
    source="a city department's manual (rev. 2025): check date and rated pressure by eye and double-check (secondary)",
)


def _reasons(case: Case) -> tuple[Reason, ...]:
    question = case.question
    problem = question.subject_problem
    if problem == "ambiguous":
        return (
            AMBIGUOUS.reason(
                "More than one cylinder answers to what was given. Ask again with one cylinder_id or inventory_number.",
                "Do not fill. More than one cylinder fits: choose one.",
            ),
        )
    if case.provisional:
        return _of_marks(case)
    if problem == "unreadable":
        return (
            UNREADABLE.reason(
                "The tag could not be read as a tag. Read it again, use the inventory number, or key in the marks.",
                "Do not fill. Tag not readable: scan again or key in the number.",
            ),
        )
    if problem is not None or case.details is None:
        return (
            UNKNOWN.reason(
                "No registered cylinder answers to what was given. Register it, or key in what is stamped on it.",
                "Do not fill. Cylinder not known here: key in its marks.",
            ),
        )
    return ()


def _of_marks(case: Case) -> tuple[Reason, ...]:
    marks = case.question.as_marked
    missing = () if marks is None else missing_marks(marks)
    if missing:
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        return (
            MARKS_MISSING.reason(
                f"Key in from the cylinder: {', '.join(missing)}.", f"Do not fill. Key in the {missing[0]}{more}."
            ),
        )
    serial = "" if case.details is None else plain(case.details.serial)
    use = USE_WORDS["scba" if case.details is None else case.details.use]
    return (
        READ_MARKS_TWICE.reason(
            f"Nobody registered cylinder {serial}: two persons read its marks. It was judged as {use}, without star or "
            "plus; its own marks prevail.",
            "Two persons read its marks.",
        ),
    )


def _facts(case: Case) -> Facts:
    marks = case.question.as_marked
    return {
        "subject_problem": case.question.subject_problem,
        "registered": case.details is not None and not case.provisional,
        "judged_by_marks": case.provisional,
        "marks_missing": None if marks is None else ", ".join(missing_marks(marks)),
    }


RULE = Rule(
    name="which-cylinder",
    concerns="cylinder",
    kinds=(AMBIGUOUS, UNREADABLE, UNKNOWN, MARKS_MISSING, READ_MARKS_TWICE),
    reasons=_reasons,
    facts=_facts,
)
