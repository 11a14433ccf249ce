"""What happens to an air source: bottles come and go, banks are charged, gauges and meters are read, filters changed.

A station's controller reports the same as facts. What a person enters here is checked against the ledger and may be
refused, so that a slip of the keyboard does not become a reading.
"""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, event_id_for
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import Label
from fill_ledger.api.places.air_types import MAXIMUM_BOTTLES, NewBottle, WaterVolume, storage_bottle
from fill_ledger.api.places.fill_positions import Removal
from fill_ledger.api.places.place_entries import air_source_subject, post_entry, record_entry_at
from fill_ledger.api.trade_types import EXAMPLE_AIR_SOURCE_ID, PressurePsi, RatedPressurePsi, Reason, RunTimeTenths
from fill_ledger.trade.events import air
from fill_ledger.trade.identifiers import derived_id

EXAMPLE_BOTTLE_ID = uuid.UUID("9f0a2c4b-6d8f-4013-a5b7-c9d1e3f50712")


class BottleInstalled(Entry, frozen=True, kw_only=True):
    """A bottle that was added to a bank. A bottle that comes back keeps its `bottle_id`."""

    label: Label
    water_volume_ml: WaterVolume
    service_pressure_psi: RatedPressurePsi
    bottle_id: uuid.UUID | None = None


class Charge(Entry, frozen=True, kw_only=True):
    """A bank was charged; no `bottle_ids` means all of it."""

    from_air_source_id: uuid.UUID
    bottle_ids: Annotated[tuple[uuid.UUID, ...], Meta(max_length=MAXIMUM_BOTTLES)] = ()
    start_psi: PressurePsi | None = None
    end_psi: PressurePsi | None = None


class BottleReading(Entry, frozen=True, kw_only=True):
    """What the gauge of a bottle shows."""

    bottle_id: uuid.UUID
    pressure_psi: PressurePsi


class FilterChange(Entry, frozen=True, kw_only=True):
    """The purification filter or cartridge was replaced. `note` is kept sealed."""

    run_time_tenths_h: RunTimeTenths | None = None
    cartridge: Annotated[str, Meta(min_length=1, max_length=200)] | None = None
    note: Reason | None = None


class RunTimeReading(Entry, frozen=True, kw_only=True):
    """What the hour meter of a compressor shows."""

    run_time_tenths_h: RunTimeTenths


@post_entry(
    "/v1/air-sources/{air_source_id}/bottles",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Add a bottle to a storage bank",
    body_example=BottleInstalled(label="Bottle 5", water_volume_ml=43_000, service_pressure_psi=6000),
)
async def install_bottle(
    request: AnyRequest, air_source_id: uuid.UUID, body: BottleInstalled, principal: Principal
) -> Reply[Receipt]:
    """Add a bottle to a storage bank."""
    source = event_id_for(request, principal, body.event_id)
    bottle = storage_bottle(
        NewBottle(
            label=body.label,
            water_volume_ml=body.water_volume_ml,
            service_pressure_psi=body.service_pressure_psi,
            bottle_id=body.bottle_id,
        ),
        derived_id("bottle", source.event_id),
    )
    event = air.StorageBottleInstalled(air_source_id=air_source_id, bottle=bottle)
    return await record_entry_at(
        request, principal, air_source_subject(air_source_id), body, event, subject_id=bottle.bottle_id, source=source
    )


@post_entry(
    "/v1/air-sources/{air_source_id}/bottles/{bottle_id}/removals",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Take a bottle out of a storage bank",
    body_example=Removal(),
)
async def remove_bottle(
    request: AnyRequest, air_source_id: uuid.UUID, bottle_id: uuid.UUID, body: Removal, principal: Principal
) -> Reply[Receipt]:
    """Take a bottle out of a storage bank; its time in the bank stays on record."""
    event = air.StorageBottleRemoved(air_source_id=air_source_id, bottle_id=bottle_id)
    return await record_entry_at(
        request, principal, air_source_subject(air_source_id), body, event, subject_id=bottle_id
    )


@post_entry(
    "/v1/air-sources/{air_source_id}/charges",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Enter that a storage bank was charged",
    body_example=Charge(from_air_source_id=EXAMPLE_AIR_SOURCE_ID, start_psi=2200, end_psi=5800),
)
async def charge_storage(
    request: AnyRequest, air_source_id: uuid.UUID, body: Charge, principal: Principal
) -> Reply[Receipt]:
    """Enter that a bank was charged from another source of its station."""
    event = air.StorageCharged(
        air_source_id=air_source_id,
        from_air_source_id=body.from_air_source_id,
        bottle_ids=body.bottle_ids or None,
        start_psi=body.start_psi,
        end_psi=body.end_psi,
    )
    return await record_entry_at(request, principal, air_source_subject(air_source_id), body, event)


@post_entry(
    "/v1/air-sources/{air_source_id}/bottle-readings",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Enter the gauge reading of a bottle",
    body_example=BottleReading(bottle_id=EXAMPLE_BOTTLE_ID, pressure_psi=5400),
)
async def read_bottle(
    request: AnyRequest, air_source_id: uuid.UUID, body: BottleReading, principal: Principal
) -> Reply[Receipt]:
    """Enter what the gauge of a bottle in the bank shows."""
    event = air.StorageBottleRead(air_source_id=air_source_id, bottle_id=body.bottle_id, pressure_psi=body.pressure_psi)
    return await record_entry_at(
        request, principal, air_source_subject(air_source_id), body, event, subject_id=body.bottle_id
    )


@post_entry(
    "/v1/air-sources/{air_source_id}/filter-changes",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Enter a filter change",
    body_example=FilterChange(run_time_tenths_h=12_345, cartridge="purification cartridge, lot 7"),
)
async def change_filter(
    request: AnyRequest, air_source_id: uuid.UUID, body: FilterChange, principal: Principal
) -> Reply[Receipt]:
    """Enter that the purification filter was replaced; 29 CFR 1910.134(i)(5)(iv) asks for the date and who did it."""
    event = air.FilterChanged(
        air_source_id=air_source_id,
        run_time_tenths_h=body.run_time_tenths_h,
        cartridge=body.cartridge,
        note=body.note,
    )
    return await record_entry_at(request, principal, air_source_subject(air_source_id), body, event)


@post_entry(
    "/v1/air-sources/{air_source_id}/run-time-readings",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Enter the hour meter of a compressor",
    body_example=RunTimeReading(run_time_tenths_h=12_345),
)
async def read_run_time(
    request: AnyRequest, air_source_id: uuid.UUID, body: RunTimeReading, principal: Principal
) -> Reply[Receipt]:
    """Enter what the hour meter shows. A lower reading than before is taken: meters are replaced."""
    event = air.CompressorHoursRead(air_source_id=air_source_id, run_time_tenths_h=body.run_time_tenths_h)
    return await record_entry_at(request, principal, air_source_subject(air_source_id), body, event)


HANDLERS: list[HTTPRouteHandler] = [
    install_bottle,
    remove_bottle,
    charge_storage,
    read_bottle,
    change_filter,
    read_run_time,
]
