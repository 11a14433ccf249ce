"""The rules of the trade, one small file each, in the order in which a person should act on what they say.

To add a rule: write a file that ends in `RULE = Rule(...)`, add it to `RULES` where its reasons belong, and test it.
"""

import hashlib
from datetime import date

import msgspec

from fill_ledger.trade.rules import (
    air,
    handling,
    inspections,
    life,
    limits,
    members,
    moment,
    ownership,
    record,
    requalification,
    specification,
    standing,
    station,
    subject,
    sustained_load,
)
from fill_ledger.trade.rules.reasons import Effect
from fill_ledger.trade.rules.rule import Rule
from fill_ledger.trade.specifications import SPECIFICATIONS

VERSION_DIGITS = 12

RULES: tuple[Rule, ...] = (
    subject.RULE,
    ownership.RULE,
    standing.RULE,
    record.RULE,
    specification.RULE,
    life.RULE,
    requalification.RULE,
    sustained_load.RULE,
    inspections.RULE,
    moment.RULE,
    station.RULE,
    air.RULE,
    members.RULE,
    limits.RULE,
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
    parameters: dict[str, str]
    effective_from: date | None


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
            parameters=dict(rule.parameters),
            effective_from=rule.effective_from,
        )
        for rule in RULES
        for kind in rule.kinds
    )


def _version() -> str:
    """Return a digest of everything the rules declare: it changes when a figure, a source or an entry changes."""
    declared = msgspec.json.encode((rules_catalogue(), SPECIFICATIONS))
    return hashlib.sha256(declared).hexdigest()[:VERSION_DIGITS]


RULES_VERSION = _version()
