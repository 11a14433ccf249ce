"""From a judgement to the answer a station reads."""

from datetime import timedelta

from msgspec import UNSET

from fill_ledger.api.access.principals import Principal
from fill_ledger.api.parts import Parts
from fill_ledger.api.question.eligibility_request import Question
from fill_ledger.api.question.eligibility_subject import Resolved
from fill_ledger.api.question.eligibility_types import (
    MAXIMUM_CHOICES,
    Choice,
    CylinderBrief,
    EligibilityAnswer,
    ExplainedRule,
    NoteView,
    ReasonView,
)
from fill_ledger.ledger.handles import PermitReference, new_nonce
from fill_ledger.ledger.ledger_token import encode_ledger_token
from fill_ledger.trade.judgement import Judgement, Reason, service_pressure_psi
from fill_ledger.trade.judgement import Question as Judged
from fill_ledger.trade.rules.as_marked import provisional_cylinder
from fill_ledger.views.questions import Gathered, Match

PERMIT_LIFETIME = timedelta(minutes=15)
"""Long enough to connect a cylinder and fill it slowly, short enough that asking again is the habit."""


def answer_of(
    parts: Parts,
    principal: Principal,
    question: Question,
    gathered: Gathered,
    resolved: Resolved,
    judged: Judged,
    judgement: Judgement,
) -> EligibilityAnswer:
    """Return the answer. A permit for now gets a reference to quote with the fill; one for another moment does not."""
    assert gathered.department_id is not None
    return EligibilityAnswer(
        decision=judgement.decision,
        code=judgement.code,
        display_text=judgement.display_text,
        fill_limit_psi=judgement.fill_limit_psi,
        stop_at_psi=judgement.stop_at_psi,
        reasons=tuple([reason_view(reason) for reason in judgement.reasons]),
        obligations=tuple([note_view(reason) for reason in judgement.obligations]),
        advice=tuple([note_view(reason) for reason in judgement.advice]),
        cylinder=None if resolved.match is None else _brief(resolved.match),
        valid_until=judgement.valid_until,
        permit_reference=_permit_reference(parts, principal, question, gathered, judged, judgement),
        served_at=gathered.checked_at,
        ledger=encode_ledger_token(gathered.department_id, gathered.position),
        rules_version=judgement.rules_version,
        choices=_choices(resolved, principal, judged) if resolved.problem == "ambiguous" else UNSET,
        explanation=UNSET if judgement.explanation is None else _explanation(judgement),
    )


def reason_view(reason: Reason) -> ReasonView:
    """Return a reason that denies as answers tell it."""
    return ReasonView(
        code=reason.code,
        effect="deny",
        text=reason.text,
        source=reason.source,
        clears_by=reason.clears_by,
        clears_at=reason.clears_at,
    )


def note_view(reason: Reason) -> NoteView:
    """Return an obligation or an advice as answers tell it."""
    return NoteView(code=reason.code, text=reason.text, source=reason.source)


def _brief(match: Match) -> CylinderBrief | None:
    cylinder = match.cylinder
    if cylinder is None or cylinder.details is None:
        return None
    return CylinderBrief(
        cylinder_id=cylinder.subject_id,
        inventory_number=cylinder.inventory_number,
        serial=cylinder.details.serial,
        department_id=match.department_id,
        specification=cylinder.details.specification,
        service_pressure_psi=service_pressure_psi(cylinder.details),
        use=cylinder.details.use,
    )


def _choices(resolved: Resolved, principal: Principal, judged: Judged) -> tuple[Choice, ...]:
    """List the cylinders there are to choose from, as far as the key may know of them."""
    known = {judged.department_id, *(judged.policy.mutual_aid_department_ids or ())}
    return tuple(
        Choice(
            cylinder_id=match.cylinder.subject_id,
            inventory_number=match.cylinder.inventory_number,
            department_id=match.department_id,
            specification=match.cylinder.details.specification,
        )
        for match in resolved.choices[:MAXIMUM_CHOICES]
        if match.cylinder is not None
        and match.cylinder.details is not None
        and (match.department_id in known or principal.may_act_for(match.department_id))
    )


def _permit_reference(
    parts: Parts,
    principal: Principal,
    question: Question,
    gathered: Gathered,
    judged: Judged,
    judgement: Judgement,
) -> str | None:
    if judgement.decision != "permit" or judgement.fill_limit_psi is None or question.asked.at is not None:
        return None
    station_id = principal.station_id or question.asked.station_id
    cylinder = judged.cylinder or provisional_cylinder(judged)
    if station_id is None or cylinder is None:
        return None
    until = gathered.asked_at + PERMIT_LIFETIME
    if judgement.valid_until is not None:
        until = min(until, judgement.valid_until)
    return parts.permit_references.issue(
        PermitReference(
            station_id=station_id,
            cylinder_id=cylinder.subject_id,
            member_id=question.member_id,
            fill_limit_psi=judgement.fill_limit_psi,
            mode=question.asked.mode,
            until=until,
            nonce=new_nonce(),
        )
    )


def _explanation(judgement: Judgement) -> tuple[ExplainedRule, ...]:
    return tuple(
        ExplainedRule(rule=told.rule, outcome=told.outcome, codes=told.codes, facts=told.facts, figures=told.figures)
        for told in judgement.explanation or ()
    )
