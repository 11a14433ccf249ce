"""Checks of a department's policy."""

import uuid
from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.entries.registry import Known, Refusal, check, too_early
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.states.county import PolicyState

# Stands for "there was no policy yet" (RFC 9562, section 5.9: the Nil UUID).
NO_POLICY_YET = uuid.UUID(int=0)
POLICY_CHANGED = "policy-changed"


@check(PolicySet)
def _starts_from_the_newest(body: PolicySet, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: PolicyState = known.state(Subject(SubjectKind.POLICY, body.department_id))
    newest = state.policies[-1] if state.policies else None
    newest_id = NO_POLICY_YET if newest is None else newest.event_id
    if body.replaces_event_id not in (None, newest_id):
        yield Refusal(code=POLICY_CHANGED, detail="The policy has changed since it was read.")
    elif newest is not None and moment < newest.starts_at:
        yield too_early("The policy in force was set", newest.starts_at)


@check(PolicySet)
def _partners_make_sense(body: PolicySet, known: Known, moment: datetime) -> Iterable[Refusal]:
    seen: set[uuid.UUID] = set()
    for place, department_id in enumerate(body.mutual_aid_department_ids or ()):
        pointer = f"/mutual_aid_department_ids/{place}"
        if department_id == body.department_id:
            yield Refusal(
                code="partner-is-self",
                detail="A department is no mutual-aid partner of itself.",
                pointer=pointer,
                conflict=False,
            )
        elif department_id in seen:
            yield Refusal(code="named-twice", detail="This department is named twice.", pointer=pointer, conflict=False)
        seen.add(department_id)
