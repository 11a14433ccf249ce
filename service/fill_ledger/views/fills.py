"""Rows for fills, and for attempts that were no fills."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.events.fills import (
    FillAbandoned,
    FillDenied,
    Filled,
    FilledElsewhere,
    FillStarted,
)


class FillRow(msgspec.Struct, kw_only=True):
    """One fill, with what the ledger thought of it when it was taken.

    settled_psi: what the end reading comes to at 70 F, whole gauge psi. air_delivered_l: whole litres of free air.
    """

    department_id: uuid.UUID
    event_id: uuid.UUID
    event_type: str
    filled_at: datetime
    station_id: uuid.UUID | None
    cylinder_id: uuid.UUID | None
    owner_department_id: uuid.UUID | None
    attributed_by: str | None
    tag: str | None
    member_id: uuid.UUID | None
    fill_position_id: uuid.UUID | None
    air_source_ids: tuple[uuid.UUID, ...]
    mode: str | None
    start_psi: int | None
    end_psi: int | None
    gas_temperature_f: int | None
    duration_s: int | None
    overridden: bool
    decision: str | None
    code: str | None
    fill_limit_psi: int | None
    settled_psi: int | None
    air_delivered_l: int | None
    rules_version: str | None
    permit_nonce: str | None = None
    retracted: bool


class AttemptRow(msgspec.Struct, kw_only=True):
    """A fill that was started, denied or abandoned."""

    department_id: uuid.UUID
    event_id: uuid.UUID
    event_type: str
    attempted_at: datetime
    station_id: uuid.UUID | None
    cylinder_id: uuid.UUID | None
    tag: str | None
    member_id: uuid.UUID | None
    code: str | None
    attempt_id: uuid.UUID | None
    retracted: bool


def fill_rows(event: Event, *, retracted: bool, cylinder_id: uuid.UUID | None = None) -> list[FillRow]:
    """Return the row of a fill, none for other events.

    `cylinder_id` is the cylinder that the tag of a fill without a cylinder id belongs to by what is known now. By marks
    a fill belongs to the cylinder that was found when it was taken.
    """
    body, judgement = event.body, event.judgement
    if isinstance(body, FilledElsewhere):
        return [_filled_elsewhere_row(event, body, retracted=retracted)]
    if not isinstance(body, Filled):
        return []
    return [
        FillRow(
            department_id=event.department_id,
            event_id=event.event_id,
            event_type=body.event_type,
            filled_at=event.effective_at,
            station_id=event.station_id or body.station_id,
            cylinder_id=body.cylinder_id or cylinder_id or judged_cylinder_id(event),
            owner_department_id=None if judgement is None else judgement.owner_department_id,
            attributed_by=_attributed_by(event, cylinder_id),
            tag=body.tag,
            member_id=body.member_id,
            fill_position_id=body.fill_position_id,
            air_source_ids=tuple(source.air_source_id for source in body.sources or ()),
            mode=body.mode,
            start_psi=body.start_psi,
            end_psi=body.end_psi,
            gas_temperature_f=body.gas_temperature_f,
            duration_s=body.duration_s,
            overridden=body.override is not None,
            decision=None if judgement is None else judgement.decision,
            code=None if judgement is None else judgement.code,
            fill_limit_psi=None if judgement is None else judgement.fill_limit_psi,
            settled_psi=None if judgement is None else judgement.settled_psi,
            air_delivered_l=None if judgement is None else judgement.air_delivered_l,
            rules_version=None if judgement is None else judgement.rules_version,
            permit_nonce=None if judgement is None or judgement.permit is None else judgement.permit.nonce,
            retracted=retracted,
        )
    ]


def judged_cylinder_id(event: Event) -> uuid.UUID | None:
    """Return the cylinder that a fill stays with: one known by its marks, or another department's known by its tag.

    Own tags are not asked of the judgement: a pairing made or taken back since then counts, not what was known then.
    """
    if event.cylinder_id_by_marks is not None:
        return event.cylinder_id_by_marks
    judgement = event.judgement
    if judgement is None or judgement.owner_department_id == event.department_id:
        return None
    return judgement.cylinder_id


def _attributed_by(event: Event, cylinder_id: uuid.UUID | None) -> str | None:
    if isinstance(event.body, Filled) and event.body.cylinder_id is not None:
        return "id"
    if event.judgement is not None and event.judgement.attributed_by == "marks":
        return "marks"
    return "tag" if cylinder_id is not None or judged_cylinder_id(event) is not None else None


def _filled_elsewhere_row(event: Event, body: FilledElsewhere, *, retracted: bool) -> FillRow:
    return FillRow(
        department_id=event.department_id,
        event_id=event.event_id,
        event_type=body.event_type,
        filled_at=body.filled_at,
        station_id=body.at_station_id,
        cylinder_id=body.cylinder_id,
        owner_department_id=event.department_id,
        attributed_by="id",
        tag=None,
        member_id=None,
        fill_position_id=None,
        air_source_ids=(),
        mode=None,
        start_psi=body.start_psi,
        end_psi=body.end_psi,
        gas_temperature_f=None,
        duration_s=None,
        overridden=False,
        decision=None,
        code=None,
        fill_limit_psi=None,
        settled_psi=None,
        air_delivered_l=None,
        rules_version=None,
        retracted=retracted,
    )


def attempt_rows(event: Event, *, retracted: bool, cylinder_id: uuid.UUID | None = None) -> list[AttemptRow]:
    """Return the row of an attempt, none for other events."""
    body = event.body
    if not isinstance(body, FillStarted | FillDenied | FillAbandoned):
        return []
    return [
        AttemptRow(
            department_id=event.department_id,
            event_id=event.event_id,
            event_type=body.event_type,
            attempted_at=event.effective_at,
            station_id=event.station_id or body.station_id,
            cylinder_id=body.cylinder_id or cylinder_id,
            tag=body.tag,
            member_id=body.member_id,
            code=None if isinstance(body, FillStarted) else body.code,
            attempt_id=body.attempt_id,
            retracted=retracted,
        )
    ]
