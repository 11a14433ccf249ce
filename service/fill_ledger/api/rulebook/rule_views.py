"""The codes of the rules as the catalogue shows them: with figures and sources as they hold on a day."""

import hashlib
from collections.abc import Iterator, Sequence
from datetime import date
from functools import lru_cache
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import MAX_INT32, Code
from fill_ledger.api.question.eligibility_types import RulesVersion
from fill_ledger.trade.events.rulebook import FigureName, RuleAmended
from fill_ledger.trade.months import StampMonth
from fill_ledger.trade.rulebook import Rulebook, holds_on
from fill_ledger.trade.rules import CatalogueEntry, rules_catalogue, rules_version
from fill_ledger.trade.rules.figure import Figure, NumberFigure
from fill_ledger.trade.rules.finding_kinds import FINDING_KINDS, FindingKind, severity_of
from fill_ledger.trade.rules.rule import Concern

MAXIMUM_RULES = 1_000
MAXIMUM_FIGURES = 50
REMEMBERED_CATALOGUES = 16
RULE_OF_FINDINGS = "findings"
"""Stands where a rule would: these codes are found about a recorded fact, and no rule gives them before one."""

CodeEffect = Literal["deny", "obligation", "advice", "finding"]
Severity = Literal["grave", "notable"]
RuleConcern = Literal["cylinder", "station", "air", "member", "fill"]
Text = Annotated[str, Meta(max_length=300)]
FigureNumber = Annotated[int, Meta(ge=-MAX_INT32, le=MAX_INT32, extra_json_schema={"format": "int32"})]

_CODES_OF_FINDINGS = frozenset(kind.code for kind in FINDING_KINDS)


class AmendedBy(Struct, frozen=True, kw_only=True):
    """By what authority something holds instead of what the release brings, and on which days."""

    reason: Text
    effective_from: date | None
    effective_until: Annotated[date, Meta(description="First day on which it holds no more; null for open.")] | None


class FigureView(Struct, frozen=True, kw_only=True):
    """A figure of a rule: a number in the unit of its name, or a month. `lowest` and `highest` bound amendments."""

    name: FigureName
    value: FigureNumber | StampMonth
    released_value: FigureNumber | StampMonth
    meaning: Text
    lowest: FigureNumber | None
    highest: FigureNumber | None
    amended_by: AmendedBy | None


class RuleView(Struct, frozen=True, kw_only=True):
    """One code: what it means, what it does, where it comes from. A code never changes its meaning."""

    code: Code
    effect: Annotated[
        CodeEffect,
        Meta(description="What it does to a decision; `finding`: it is only found about a fact after it was recorded."),
    ]
    severity: Annotated[Severity, Meta(description="How grave a finding with this code is; null if never one.")] | None
    title: Annotated[str, Meta(max_length=200)]
    source: Annotated[
        str, Meta(max_length=300, description="Regulation paragraph, standard, policy or common practice.")
    ]
    source_amended_by: AmendedBy | None
    clears_by: Annotated[str, Meta(max_length=200, description="What a person does about it.")] | None
    rule: Annotated[Code, Meta(description="The rule that may say it; `explain` names rules by this.")]
    concerns: Annotated[RuleConcern, Meta(description="What the rule looks at.")]
    figures: Annotated[tuple[FigureView, ...], Meta(max_length=MAXIMUM_FIGURES)]
    effective_from: Annotated[date, Meta(description="First day on which it is asked; null for always.")] | None
    effective_until: Annotated[date, Meta(description="First day on which it is asked no more; null: none.")] | None
    version: RulesVersion


class Catalogue(Struct, frozen=True, kw_only=True):
    """Every code as it stands on a day, by code, and a digest of all of it."""

    views: dict[str, RuleView]
    digest: str


def amendments_on(rulebook: Rulebook, day: date) -> list[RuleAmended]:
    """Return the county's amendments that hold on a day, the one that goes before the others first."""
    entered = () if rulebook.state is None else reversed(rulebook.state.amendments)
    return [known.entry for known in entered if holds_on(day, known.entry.effective_from, known.entry.effective_until)]


@lru_cache(maxsize=REMEMBERED_CATALOGUES)
def catalogue_on(rulebook: Rulebook, day: date) -> Catalogue:
    """Return the codes of all rules, in the order they are asked, then those that are only found about facts."""
    amendments, version = amendments_on(rulebook, day), rules_version(rulebook)
    views = [_rule_view(entry, amendments, version) for entry in rules_catalogue()]
    codes = {view.code for view in views}
    views += [_finding_view(kind, version) for kind in FINDING_KINDS if kind.code not in codes]
    return Catalogue(
        views={view.code: view for view in views}, digest=hashlib.sha256(msgspec.json.encode(views)).hexdigest()
    )


def _rule_view(entry: CatalogueEntry, amendments: Sequence[RuleAmended], version: str) -> RuleView:
    sources = (
        (amended, named.source) for amended in amendments for named in amended.sources if named.code == entry.code
    )
    amended, source = next(sources, (None, entry.source))
    return RuleView(
        code=entry.code,
        effect=entry.effect,
        severity=severity_of(entry.code) if entry.effect == "deny" or entry.code in _CODES_OF_FINDINGS else None,
        title=entry.title,
        source=source,
        source_amended_by=None if amended is None else _amended_by(amended),
        clears_by=entry.clears_by,
        rule=entry.rule,
        concerns=entry.concerns,
        figures=tuple(_figure_view(figure, amendments) for figure in entry.figures),
        effective_from=entry.effective_from,
        effective_until=entry.effective_until,
        version=version,
    )


def _finding_view(kind: FindingKind, version: str) -> RuleView:
    concerns: Concern = "fill"
    return RuleView(
        code=kind.code,
        effect="finding",
        severity=kind.severity,
        title=kind.title,
        source=kind.source,
        source_amended_by=None,
        clears_by=None,
        rule=RULE_OF_FINDINGS,
        concerns=concerns,
        figures=(),
        effective_from=None,
        effective_until=None,
        version=version,
    )


def _figure_view(figure: Figure, amendments: Sequence[RuleAmended]) -> FigureView:
    def amended_values() -> Iterator[tuple[RuleAmended, int | str]]:
        for amended in amendments:
            yield from ((amended, named.value) for named in amended.figures if named.figure == figure.name)

    amended, value = next(amended_values(), (None, figure.value))
    return FigureView(
        name=figure.name,
        value=value,
        released_value=figure.value,
        meaning=figure.meaning,
        lowest=figure.lowest if isinstance(figure, NumberFigure) else None,
        highest=figure.highest if isinstance(figure, NumberFigure) else None,
        amended_by=None if amended is None else _amended_by(amended),
    )


def _amended_by(amended: RuleAmended) -> AmendedBy:
    return AmendedBy(
        reason=amended.reason,
        effective_from=_day(amended.effective_from),
        effective_until=_day(amended.effective_until),
    )


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
