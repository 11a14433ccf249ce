"""Rows for findings: what a person should look at, each with a plain sentence."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events.envelope import Event, Judged
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.found import found_codes
from fill_ledger.trade.identifiers import finding_id
from fill_ledger.trade.rules import rules_catalogue
from fill_ledger.trade.rules.finding_kinds import (
    CONFLICT_KEPT,
    FINDING_KINDS,
    PERMIT_FOR_ANOTHER_FILL,
    QUARANTINED,
    severity_of,
)
from fill_ledger.trade.rules.permits import differences_text
from fill_ledger.trade.states.findings import FindingState
from fill_ledger.views.fills import judged_cylinder_id

CODE_CONFLICT_KEPT = CONFLICT_KEPT.code
CODE_QUARANTINED = QUARANTINED.code

# The reasons of the rules, and what is found beyond them.
FINDING_TEXTS: dict[str, str] = {
    **{entry.code: f"{entry.title}." for entry in rules_catalogue()},
    **{kind.code: f"{kind.title}." for kind in FINDING_KINDS},
}


class FindingRow(msgspec.Struct, kw_only=True):
    """Something about a recorded fact that a person should look at.

    `standing` is "open", "reviewed" or "cleared"; `reviewed_at` and `cause` are those of the review that holds.
    """

    department_id: uuid.UUID
    finding_id: uuid.UUID
    event_id: uuid.UUID
    code: str
    severity: str
    found_at: datetime
    station_id: uuid.UUID | None
    cylinder_id: uuid.UUID | None
    member_id: uuid.UUID | None
    text: str
    standing: str
    rules_version: str | None
    reviewed_at: datetime | None = None
    cause: str | None = None


def finding_rows(event: Event, *, retracted: bool, cylinder_id: uuid.UUID | None = None) -> list[FindingRow]:
    """Return a row for each thing the ledger found about an event when it was taken."""
    body, judgement = event.body, event.judgement
    codes = found_codes(event)
    if judgement is None or not isinstance(body, Filled):
        return [_row(event, code, retracted=retracted) for code in codes]
    return [
        _row(
            event,
            code,
            retracted=retracted,
            station_id=event.station_id or body.station_id,
            cylinder_id=body.cylinder_id or cylinder_id or judged_cylinder_id(event),
            member_id=body.member_id,
            rules_version=judgement.rules_version,
            text=_text_of(code, judgement),
        )
        for code in codes
    ]


def show_review(row: FindingRow, state: FindingState) -> None:
    """Put what persons made of a finding into its row. What is cleared stays cleared, whatever was reviewed."""
    review = state.review_in_force()
    if review is None:
        return
    row.reviewed_at, row.cause = review.reviewed_at, review.cause
    if row.standing == "open":
        row.standing = "reviewed"


def _text_of(code: str, judgement: Judged) -> str:
    if code == PERMIT_FOR_ANOTHER_FILL.code and judgement.permit is not None:
        return differences_text(judgement.permit)
    # A code of an older version of the rules may have left the catalogue.
    return FINDING_TEXTS.get(code, f"Code {code} of an earlier version of the rules.")


def _row(
    event: Event,
    code: str,
    *,
    retracted: bool,
    station_id: uuid.UUID | None = None,
    cylinder_id: uuid.UUID | None = None,
    member_id: uuid.UUID | None = None,
    rules_version: str | None = None,
    text: str | None = None,
) -> FindingRow:
    return FindingRow(
        department_id=event.department_id,
        finding_id=finding_id(event.event_id, code),
        event_id=event.event_id,
        code=code,
        severity=severity_of(code),
        found_at=event.effective_at,
        station_id=station_id or event.station_id,
        cylinder_id=cylinder_id,
        member_id=member_id,
        text=text or FINDING_TEXTS[code],
        standing="cleared" if retracted else "open",
        rules_version=rules_version,
    )
