"""The rules of the trade, one small file each, in the order in which a person should act on what they say.

To add a rule: write a file that ends in `RULE = Rule(...)`, add it to `RULES` where its reasons belong, and test it.
"""

import hashlib
from datetime import date
from functools import lru_cache

import msgspec

from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rules import (
    air,
    air_limits,
    air_upkeep,
    alarms,
    gas_temperature,
    handling,
    inspections,
    life,
    limits,
    members,
    moment,
    offered,
    ownership,
    record,
    requalification,
    specification,
    standing,
    station,
    subject,
    sustained_load,
)
from fill_ledger.trade.rules.figure import Figure
from fill_ledger.trade.rules.reasons import Effect
from fill_ledger.trade.rules.rule import Concern, Rule

VERSION_DIGITS = 12
REMEMBERED_VERSIONS = 64

RULES: tuple[Rule, ...] = (
    subject.RULE,
    standing.RULE,
    ownership.RULE,
    record.RULE,
    specification.RULE,
    life.RULE,
    requalification.RULE,
    sustained_load.RULE,
    inspections.RULE,
    moment.RULE,
    station.RULE,
    offered.RULE,
    alarms.RULE,
    air.RULE,
    air_limits.RULE,
    air_upkeep.RULE,
    members.RULE,
    limits.RULE,
    gas_temperature.RULE,
    handling.RULE,
)


class CatalogueEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One code of the catalogue. A code never changes its meaning."""

    code: str
    effect: Effect
    title: str
    source: str
    clears_by: str | None
    rule: str
    concerns: Concern
    figures: tuple[Figure, ...]
    effective_from: date | None
    effective_until: date | None


def rules_catalogue() -> tuple[CatalogueEntry, ...]:
    """Return every code a judgement may carry as a reason, in the order in which the rules are asked."""
    return tuple(
        CatalogueEntry(
            code=kind.code,
            effect=kind.effect,
            title=kind.title,
            source=kind.source,
            clears_by=kind.clears_by,
            rule=rule.name,
            concerns=rule.concerns,
            figures=rule.figures,
            effective_from=rule.effective_from,
            effective_until=rule.effective_until,
        )
        for rule in RULES
        for kind in rule.kinds
    )


FIGURES: dict[str, Figure] = {figure.name: figure for rule in RULES for figure in rule.figures}

_DECLARED = msgspec.json.encode(rules_catalogue())


def rules_version(rulebook: Rulebook) -> str:
    """Return the version of the rules: it changes when what they declare or what they go by changes."""
    return _version(rulebook.digest)


@lru_cache(maxsize=REMEMBERED_VERSIONS)
def _version(digest: str) -> str:
    return hashlib.sha256(_DECLARED + digest.encode()).hexdigest()[:VERSION_DIGITS]
