"""Calibrations of the carbon monoxide monitor of an air source."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.places.place_entries import air_source_subject, post_entry, record_entry_at
from fill_ledger.api.trade_types import Reason
from fill_ledger.trade.events import air
from fill_ledger.trade.events.envelope import Day


class CoCalibration(Entry, frozen=True, kw_only=True):
    """The carbon monoxide monitor was calibrated. `note` is kept sealed."""

    calibrated_on: Annotated[Day, Meta(description="The day, in the station's calendar.")]
    due_on: (
        Annotated[Day, Meta(description="The last day its label or certificate gives it; it may only shorten policy.")]
        | None
    ) = None
    note: Reason | None = None


@post_entry(
    "/v1/air-sources/{air_source_id}/co-calibrations",
    right=rights.AIR_WRITE,
    tag="air-sources",
    summary="Enter a calibration of the carbon monoxide monitor",
    body_example=CoCalibration(calibrated_on="2026-11-02", due_on="2027-05-01"),
)
async def calibrate_co_monitor(
    request: AnyRequest, air_source_id: uuid.UUID, body: CoCalibration, principal: Principal
) -> Reply[Receipt]:
    """Enter that the monitor was calibrated. It is asked for where policy sets `co_calibration_interval_days`."""
    event = air.CoMonitorCalibrated(
        air_source_id=air_source_id, calibrated_on=body.calibrated_on, due_on=body.due_on, note=body.note
    )
    return await record_entry_at(request, principal, air_source_subject(air_source_id), body, event)


HANDLERS: list[HTTPRouteHandler] = [calibrate_co_monitor]
