"""A decision of the past asked again by today's rules: with what was known then, and with what is known now."""

import uuid
from collections.abc import Iterable
from typing import Literal

import msgspec

from fill_ledger.intake.hindsight import StatesInHindsight, neighbours_now, neighbours_then, time_zone_then
from fill_ledger.intake.judging import FillTaken, States, judge_fill, subjects_to_judge, whose_cylinder
from fill_ledger.intake.neighbours import Neighbours
from fill_ledger.intake.permits import read_reference
from fill_ledger.intake.reading import department_time_zone
from fill_ledger.ledger.handles import PermitReferences
from fill_ledger.ledger.read import Connection, RecordedEvent, seeing
from fill_ledger.trade.events.envelope import Event, Judged, QuotedPermit
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.identifiers import Subject
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rules import rules_catalogue
from fill_ledger.trade.rules.finding_kinds import DATED_IN_THE_FUTURE, FINDING_KINDS
from fill_ledger.trade.rules.limits import RULE as LIMIT_RULE
from fill_ledger.trade.rules.permits import PermitStanding
from fill_ledger.views.as_known import StatesAsKnown
from fill_ledger.views.source import MAXIMUM_POSITION

Comparison = Literal["same", "changed-by-rules", "changed-by-facts", "changed-by-both"]

AFTER_THE_FACT = "after-the-fact"
"""Stands where a rule is named for what is found beyond the reasons of the rules."""
EARLIER_RULES = "earlier-rules"
"""Stands where a rule is named for a code that no rule of today gives."""

_RULE_OF_CODE = {entry.code: entry.rule for entry in rules_catalogue()} | {
    kind.code: AFTER_THE_FACT for kind in FINDING_KINDS
}


class CodesChanged(msgspec.Struct, frozen=True, kw_only=True):
    """Codes that came and that went between two answers."""

    came: tuple[str, ...] = ()
    went: tuple[str, ...] = ()


class AskedAgain(msgspec.Struct, frozen=True, kw_only=True):
    """Three answers about one fill, and what made the difference.

    recorded: what the ledger kept with the fill. same_facts: today's rules with what was known when it was taken.
    todays_facts: today's rules with what is known now. by_rules: rule by rule, where `recorded` and `same_facts`
    differ; the rule of the fill limit stands there without codes where only the limit differs. by_facts: where
    `same_facts` and `todays_facts` differ. The order of codes does not count.
    """

    recorded: Judged
    same_facts: Judged
    todays_facts: Judged
    comparison: Comparison
    by_rules: dict[str, CodesChanged]
    by_facts: CodesChanged


async def ask_again(
    connection: Connection, recorded: RecordedEvent, rulebook: Rulebook, references: PermitReferences
) -> AskedAgain | None:
    """Ask again about a fill on record; None where it was not judged: taken back before it came, or no fill here.

    `rulebook` is today's. The connection must be in no transaction.
    """
    event = recorded.event
    kept = event.judgement
    if kept is None or not isinstance(event.body, Filled):
        return None
    then = StatesAsKnown(connection, event.department_id, recorded.ledger_position - 1)
    await then.ensure(_subjects(event, event.body))
    neighbour = _neighbour_of(event, kept)
    same_facts = await _judged(
        then,
        event,
        await neighbours_then(connection, event.body, neighbour, recorded.recorded_at, event.cylinder_id_by_marks),
        await time_zone_then(connection, event.department_id, recorded.recorded_at),
        rulebook,
        await _permit(connection, recorded, references, recorded.ledger_position - 1),
    )
    now = StatesInHindsight(connection, event.department_id, event.effective_at)
    await now.ensure(_subjects(event, event.body))
    todays_facts = await _judged(
        now,
        event,
        await neighbours_now(connection, now, event.body, neighbour, event.effective_at, event.cylinder_id_by_marks),
        await department_time_zone(connection, event.department_id),
        rulebook,
        await _permit(connection, recorded, references, MAXIMUM_POSITION),
    )
    return compare(kept, same_facts, todays_facts)


def compare(recorded: Judged, same_facts: Judged, todays_facts: Judged) -> AskedAgain:
    """Tell three answers about one fill apart."""
    is_by_rules, is_by_facts = _is_another(recorded, same_facts), _is_another(same_facts, todays_facts)
    comparison: Comparison = "same"
    if is_by_rules and is_by_facts:
        comparison = "changed-by-both"
    elif is_by_rules or is_by_facts:
        comparison = "changed-by-rules" if is_by_rules else "changed-by-facts"
    return AskedAgain(
        recorded=recorded,
        same_facts=same_facts,
        todays_facts=todays_facts,
        comparison=comparison,
        by_rules=_by_rule(recorded, same_facts) if is_by_rules else {},
        by_facts=_changed(same_facts.reasons, todays_facts.reasons),
    )


def _is_another(before: Judged, after: Judged) -> bool:
    return (before.decision, before.fill_limit_psi, set(before.reasons)) != (
        after.decision,
        after.fill_limit_psi,
        set(after.reasons),
    )


def _changed(before: Iterable[str], after: Iterable[str]) -> CodesChanged:
    had, has = tuple(before), tuple(after)
    return CodesChanged(
        came=tuple(code for code in has if code not in had), went=tuple(code for code in had if code not in has)
    )


def _by_rule(before: Judged, after: Judged) -> dict[str, CodesChanged]:
    changed = _changed(before.reasons, after.reasons)
    names = {_RULE_OF_CODE.get(code, EARLIER_RULES): None for code in (*changed.came, *changed.went)}
    by_rule = {
        name: CodesChanged(
            came=tuple(code for code in changed.came if _RULE_OF_CODE.get(code, EARLIER_RULES) == name),
            went=tuple(code for code in changed.went if _RULE_OF_CODE.get(code, EARLIER_RULES) == name),
        )
        for name in names
    }
    if not by_rule:
        by_rule[LIMIT_RULE.name] = CodesChanged()
    return by_rule


def _subjects(event: Event, body: Filled) -> Iterable[Subject]:
    return subjects_to_judge(body, event.department_id, event.station_id or body.station_id)


def _neighbour_of(event: Event, judged: Judged) -> tuple[uuid.UUID, uuid.UUID] | None:
    """Return department and cylinder where the fill was taken for a neighbour's cylinder."""
    owner_id, cylinder_id = judged.owner_department_id, judged.cylinder_id
    if owner_id is None or cylinder_id is None or owner_id == event.department_id:
        return None
    return owner_id, cylinder_id


async def _judged(
    states: States,
    event: Event,
    neighbours: Neighbours,
    time_zone: str | None,
    rulebook: Rulebook,
    permit: PermitStanding,
) -> Judged:
    assert isinstance(event.body, Filled)
    fill = FillTaken(
        body=event.body,
        effective_at=event.effective_at,
        station_id=event.station_id or event.body.station_id,
        is_from_controller=event.station_id is not None,
        permit=permit,
        # What the clocks said when it came is kept in nothing else.
        is_dated_ahead=event.judgement is not None and DATED_IN_THE_FUTURE.code in event.judgement.reasons,
    )
    whose = await whose_cylinder(states, event.body, event.effective_at, neighbours)
    return await judge_fill(states, fill, whose, time_zone, rulebook)


async def _permit(
    connection: Connection, recorded: RecordedEvent, references: PermitReferences, position: int
) -> PermitStanding:
    """Return what was known at a position of the permit that the fill quotes."""
    permit = _permit_of(recorded.event, references)
    if permit is None:
        return PermitStanding()
    return PermitStanding(permit=permit, is_used_before=await _is_used_before(connection, recorded, permit, position))


def _permit_of(event: Event, references: PermitReferences) -> QuotedPermit | None:
    """Return the permit as it was kept with the fill; else as its reference is read now."""
    assert isinstance(event.body, Filled)
    if event.judgement is not None and event.judgement.permit is not None:
        return event.judgement.permit
    if event.body.permit_reference is None:
        return None
    permit = read_reference(references, event.body.permit_reference)
    if permit is None or event.clock is None or event.clock.synced or event.occurred_at != event.effective_at:
        return permit
    return msgspec.structs.replace(permit, is_fill_time_certain=False)


async def _is_used_before(connection: Connection, recorded: RecordedEvent, permit: QuotedPermit, position: int) -> bool:
    """Tell whether a fill recorded earlier, not taken back by a position, quoted the same permit."""
    department_id = recorded.event.department_id
    async with seeing(connection, (department_id,)):
        is_used: bool = await connection.fetchval(
            """
            SELECT EXISTS (
                SELECT 1 FROM views.fill JOIN ledger.event USING (department_id, event_id)
                WHERE fill.department_id = $1 AND fill.permit_nonce = $2 AND event.ledger_position < $3
                    AND NOT EXISTS (
                        SELECT 1 FROM ledger.event_subject AS taken_back
                        WHERE taken_back.department_id = $1 AND taken_back.subject_kind = 'event'
                            AND taken_back.subject_id = fill.event_id AND taken_back.folds
                            AND taken_back.ledger_position <= $4))
            """,
            department_id,
            permit.nonce,
            recorded.ledger_position,
            position,
        )
    return is_used
