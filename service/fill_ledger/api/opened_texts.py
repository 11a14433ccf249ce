"""Showing the texts of events again: sealed unless the caller may read them, gone where they were erased."""

import uuid
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
from msgspec import Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.parts import parts_of
from fill_ledger.ledger.sealed_bodies import open_bodies, references_of
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.events.members import CredentialBound

# A credential is found by its digest and never shown again, whoever asks.
_NEVER_SHOWN: tuple[type[Body], ...] = (CredentialBound,)


class ShownBody(Struct, frozen=True, kw_only=True):
    """A body as plain values. Fields in `sealed` or `erased` are null: not for this caller, or gone for good."""

    values: dict[str, Any]
    sealed: tuple[str, ...] = ()
    erased: tuple[str, ...] = ()


def may_open(principal: Principal, body: Body) -> bool:
    """Tell whether a principal may read the sealed texts of a body.

    Names are for those who may read names. Whoever puts cylinders on hold and releases them reads why.
    """
    if isinstance(body, _NEVER_SHOWN):
        return False
    if rights.MEMBERS_READ_NAMES in principal.rights:
        return True
    return isinstance(body, cylinders.CylinderBody) and rights.HOLDS_WRITE in principal.rights


async def show_bodies(
    request: AnyRequest, principal: Principal, events: Sequence[Event]
) -> Mapping[tuple[uuid.UUID, uuid.UUID], ShownBody]:
    """Return the bodies of events by department and event id, with the texts that the principal may read."""
    shown = {
        (event.department_id, event.event_id): _closed(event.body)
        for event in events
        if not may_open(principal, event.body)
    }
    readable: dict[uuid.UUID, list[Event]] = {}
    for event in events:
        if may_open(principal, event.body):
            readable.setdefault(event.department_id, []).append(event)
    if readable:
        vault = parts_of(request).vault
        async with parts_of(request).database.lookups.acquire() as connection:
            for department_id, of_department in readable.items():
                opened = await open_bodies(
                    vault.sealer,
                    [event.body for event in of_department],
                    department_id,
                    vault.loader(connection, department_id),
                )
                for event, text in zip(of_department, opened, strict=True):
                    values = _values(text.body, text.erased)
                    shown[department_id, event.event_id] = ShownBody(values=values, erased=text.erased)
    return shown


def _closed(body: Body) -> ShownBody:
    sealed = tuple(references_of(body))
    return ShownBody(values=_values(body, sealed), sealed=sealed)


def _values(body: Body, hidden: Sequence[str]) -> dict[str, Any]:
    values: dict[str, Any] = msgspec.to_builtins(body)
    return values | dict.fromkeys(hidden)
