"""`/v1/fills/{event_id}/judgement`: the decision kept with a fill, asked again by today's rules."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.newest_first import version_of
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.problem_types import NOT_FOUND
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Code, GaugePsi, LedgerPosition, Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.api.question.eligibility_types import RulesVersion
from fill_ledger.intake.asking_again import AskedAgain, CodesChanged, ask_again
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import RecordedEvent, seeing
from fill_ledger.trade.events.envelope import Judged

MAXIMUM_CODES = 100

Codes = Annotated[tuple[Code, ...], Meta(max_length=MAXIMUM_CODES)]


class DecisionView(Struct, frozen=True, kw_only=True):
    """One answer about a fill: `codes` holds every reason to deny and everything found once it had happened."""

    decision: Literal["permit", "deny"]
    code: Annotated[Code, Meta(description="The first reason to act on; ok on a permit.")]
    codes: Codes
    fill_limit_psi: GaugePsi | None
    rules_version: RulesVersion


class CodesChangedView(Struct, frozen=True, kw_only=True):
    """Codes that came and that went."""

    came: Codes
    went: Codes


class RuleChangedView(CodesChangedView, frozen=True, kw_only=True):
    """What one rule says otherwise today. A rule without codes gives another fill limit."""

    rule: Annotated[
        Code,
        Meta(
            description="As `explain` names it; after-the-fact for what is found once a fill has happened, "
            "earlier-rules for a code that no rule gives any more."
        ),
    ]


class FillJudgement(Struct, frozen=True, kw_only=True):
    """A decision of the past, as it was kept and asked again.

    `recorded` is what the ledger thought when it took the fill. `same_facts_todays_rules` asks today's rules with the
    facts as they were known then, `todays_facts_todays_rules` with everything known now, each about the moment of the
    fill: a rule that is in effect from a later day says nothing of it. `changed_by_rules` tells `recorded` from the
    former, `changed_by_facts` the former from the latter. The order of codes does not count.
    """

    event_id: uuid.UUID
    department_id: uuid.UUID
    filled_at: Moment
    recorded_at: Moment
    ledger_position: LedgerPosition
    recorded: DecisionView
    same_facts_todays_rules: DecisionView
    todays_facts_todays_rules: DecisionView
    comparison: Literal["same", "changed-by-rules", "changed-by-facts", "changed-by-both"]
    changed_by_rules: Annotated[tuple[RuleChangedView, ...], Meta(max_length=MAXIMUM_CODES)]
    changed_by_facts: CodesChangedView


_PERMITTED = DecisionView(decision="permit", code="ok", codes=(), fill_limit_psi=4500, rules_version="2f6a3c1d9b40")
EXAMPLE = FillJudgement(
    event_id=uuid.UUID("0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01"),
    department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    filled_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    recorded_at=datetime(2026, 11, 24, 8, 10, 23, tzinfo=UTC),
    ledger_position=60_211,
    recorded=_PERMITTED,
    same_facts_todays_rules=_PERMITTED,
    todays_facts_todays_rules=DecisionView(
        decision="deny",
        code="requalification-rejected",
        codes=("requalification-rejected",),
        fill_limit_psi=None,
        rules_version="2f6a3c1d9b40",
    ),
    comparison="changed-by-facts",
    changed_by_rules=(),
    changed_by_facts=CodesChangedView(came=("requalification-rejected",), went=()),
)


@get(
    "/v1/fills/{event_id}/judgement",
    right=rights.FILLS_READ,
    tag="fills",
    summary="The decision about a fill, asked again",
    answers=(
        answer(FillJudgement, "The decision kept with the fill, and what today's rules say.", example=EXAMPLE),
        answer(None, "Not changed since the ETag was answered.", status=304),
    ),
    request_headers=(IF_NONE_MATCH,),
)
async def read_fill_judgement(
    request: AnyRequest, event_id: uuid.UUID, principal: Principal
) -> Reply[FillJudgement] | Reply[None]:
    """Ask again about a fill on record, by today's rules.

    Nothing is recorded, and no finding changes. A fill at another department's station was judged there, and one that
    was taken back before it came was never judged: both are answered with 404.
    """
    parts = parts_of(request)
    recorded = await _recorded_fill(request, event_id, principal)
    async with parts.database.lookups.acquire() as connection:
        rulebook = await parts.rulebooks.current(connection)
        asked = await ask_again(connection, recorded, rulebook, parts.permit_references)
    if asked is None:
        detail = "This fill was not judged here: it was taken back before it came, or happened elsewhere."
        raise Problem(NOT_FOUND, detail)
    view = _view(recorded, asked)
    etag = version_tag(version_of(view))
    return not_modified(etag) if is_not_modified(request, etag) else Reply(view, etag=etag)


async def _recorded_fill(request: AnyRequest, event_id: uuid.UUID, principal: Principal) -> RecordedEvent:
    """Return the event of a fill that the principal may see.

    Raises:
        Problem: 404.
    """
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            """
            SELECT event.ledger_position, event.recorded_at, event.chain_digest, event.canonical
            FROM views.fill JOIN ledger.event USING (department_id, event_id)
            WHERE fill.department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND fill.event_id = $1
            ORDER BY fill.department_id LIMIT 1
            """,
            event_id,
        )
    if row is None:
        raise Problem(NOT_FOUND, "No fill has this id.")
    return RecordedEvent(
        ledger_position=row["ledger_position"],
        recorded_at=row["recorded_at"],
        chain_digest=row["chain_digest"],
        event=read_event(row["canonical"]),
    )


def _view(recorded: RecordedEvent, asked: AskedAgain) -> FillJudgement:
    return FillJudgement(
        event_id=recorded.event.event_id,
        department_id=recorded.event.department_id,
        filled_at=recorded.event.effective_at,
        recorded_at=recorded.recorded_at,
        ledger_position=recorded.ledger_position,
        recorded=_decision(asked.recorded),
        same_facts_todays_rules=_decision(asked.same_facts),
        todays_facts_todays_rules=_decision(asked.todays_facts),
        comparison=asked.comparison,
        changed_by_rules=tuple(
            RuleChangedView(rule=rule, came=changed.came, went=changed.went) for rule, changed in asked.by_rules.items()
        ),
        changed_by_facts=_codes_changed(asked.by_facts),
    )


def _decision(judged: Judged) -> DecisionView:
    return DecisionView(
        decision=judged.decision,
        code=judged.code,
        codes=judged.reasons,
        fill_limit_psi=judged.fill_limit_psi,
        rules_version=judged.rules_version,
    )


def _codes_changed(changed: CodesChanged) -> CodesChangedView:
    return CodesChangedView(came=changed.came, went=changed.went)


HANDLERS: list[HTTPRouteHandler] = [read_fill_judgement]
