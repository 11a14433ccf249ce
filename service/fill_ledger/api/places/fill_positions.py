"""`/v1/stations/{station_id}/fill-positions`: the connections at a station."""

import uuid

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, event_id_for
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Label
from fill_ledger.api.places.place_entries import post_entry, record_entry_at, station_subject
from fill_ledger.api.trade_types import RatedPressurePsi
from fill_ledger.trade.events import stations
from fill_ledger.trade.identifiers import derived_id


class NewFillPosition(Entry, frozen=True, kw_only=True):
    """A connection: what its regulator is set to and its hose is rated for. Both hold down what a fill may reach."""

    label: Label
    regulator_psi: RatedPressurePsi | None = None
    hose_rating_psi: RatedPressurePsi | None = None
    fill_position_id: uuid.UUID | None = None


class Removal(Entry, frozen=True, kw_only=True):
    """The connection or bottle is gone."""


@post_entry(
    "/v1/stations/{station_id}/fill-positions",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Register a fill position",
    body_example=NewFillPosition(label="Whip 1", regulator_psi=4500, hose_rating_psi=6000),
)
async def register_fill_position(
    request: AnyRequest, station_id: uuid.UUID, body: NewFillPosition, principal: Principal
) -> Reply[Receipt]:
    """Register a connection. To change its regulator or hose, remove it and register it anew under the same id."""
    source = event_id_for(request, principal, body.event_id)
    fill_position_id = body.fill_position_id or derived_id("fill-position", source.event_id)
    event = stations.FillPositionRegistered(
        station_id=station_id,
        fill_position_id=fill_position_id,
        label=body.label,
        regulator_psi=body.regulator_psi,
        hose_rating_psi=body.hose_rating_psi,
    )
    return await record_entry_at(
        request, principal, station_subject(station_id), body, event, subject_id=fill_position_id, source=source
    )


@post_entry(
    "/v1/stations/{station_id}/fill-positions/{fill_position_id}/removals",
    right=rights.STATIONS_WRITE,
    tag="stations",
    summary="Remove a fill position",
    body_example=Removal(),
)
async def remove_fill_position(
    request: AnyRequest, station_id: uuid.UUID, fill_position_id: uuid.UUID, body: Removal, principal: Principal
) -> Reply[Receipt]:
    """Take a connection away; nothing is permitted through it any more, and its past fills stay."""
    event = stations.FillPositionRemoved(station_id=station_id, fill_position_id=fill_position_id)
    return await record_entry_at(
        request, principal, station_subject(station_id), body, event, subject_id=fill_position_id
    )


HANDLERS: list[HTTPRouteHandler] = [register_fill_position, remove_fill_position]
