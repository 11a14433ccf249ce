"""`/v1/stations/{station_id}/gaps`: numbers that have not come from a station's devices."""

import uuid
from datetime import UTC, datetime
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, field

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerPosition, Moment
from fill_ledger.api.parts import parts_of
from fill_ledger.api.places.place_entries import station_subject
from fill_ledger.api.states import read_state
from fill_ledger.api.trade_types import EXAMPLE_STATION_ID
from fill_ledger.intake.missing import MAXIMUM_GAPS, MAXIMUM_STREAMS, gaps_of_station
from fill_ledger.trade.events.county import Role


class MissingSince(Struct, frozen=True, kw_only=True):
    """Numbers of a stream that have not come; the first and the last are meant too.

    `missing_since` is when the first higher number was recorded: from then on it was known that these are missing.
    """

    stream_id: uuid.UUID
    from_: LedgerPosition = field(name="from")
    to: LedgerPosition
    missing_since: Moment


class StreamView(Struct, frozen=True, kw_only=True):
    """What a device has sent in one stream: the highest number, and when that was recorded."""

    stream_id: uuid.UUID
    highest_number: LedgerPosition
    last_heard_at: Moment


class StationGapsView(Struct, frozen=True, kw_only=True):
    """The streams of a station's devices, heard last first, and the numbers that are missing in each.

    A stream counts for the station from which its highest number came. `is_complete` is false where a bound of this
    answer left something out: the oldest streams, or the highest of very many gaps.
    """

    station_id: uuid.UUID
    streams: Annotated[list[StreamView], Meta(max_length=MAXIMUM_STREAMS)]
    missing: Annotated[list[MissingSince], Meta(max_length=MAXIMUM_GAPS)]
    is_complete: bool


_EXAMPLE_STREAM_ID = uuid.UUID("3c5e7a91-b2d4-4f60-8a1c-3e5d7f9b0a24")
EXAMPLE = StationGapsView(
    station_id=EXAMPLE_STATION_ID,
    streams=[
        StreamView(
            stream_id=_EXAMPLE_STREAM_ID,
            highest_number=1234,
            last_heard_at=datetime(2026, 11, 24, 8, 12, tzinfo=UTC),
        )
    ],
    missing=[
        MissingSince(
            stream_id=_EXAMPLE_STREAM_ID, from_=1200, to=1203, missing_since=datetime(2026, 11, 24, 6, 2, tzinfo=UTC)
        )
    ],
    is_complete=True,
)


@get(
    "/v1/stations/{station_id}/gaps",
    right=rights.GAPS_READ,
    tag="stations",
    summary="Numbers missing from a station",
    answers=answer(StationGapsView, "What is missing.", example=EXAMPLE),
)
async def read_gaps(request: AnyRequest, station_id: uuid.UUID, principal: Principal) -> Reply[StationGapsView]:
    """Return the numbers that have not come from the station's devices although higher ones have, and since when.

    A controller is answered for its own station only. Of each stream the newest 100,000 numbers are looked at; a gap
    closes when its facts come, however late.
    """
    if principal.role is Role.CONTROLLER and principal.station_id != station_id:
        raise Problem(problem_types.NOT_FOUND, "No station has this id.")
    known = await read_state(request, principal, station_subject(station_id))
    if known.state.registered_at is None:
        raise Problem(problem_types.NOT_FOUND, "No station has this id.")
    async with parts_of(request).database.lookups.acquire() as connection:
        found = await gaps_of_station(connection, known.department_id, station_id)
    return Reply(
        StationGapsView(
            station_id=station_id,
            streams=[
                StreamView(
                    stream_id=stream.stream_id,
                    highest_number=stream.highest_number,
                    last_heard_at=stream.last_heard_at,
                )
                for stream in found.streams
            ],
            missing=[
                MissingSince(stream_id=gap.stream_id, from_=gap.first, to=gap.last, missing_since=gap.missing_since)
                for gap in found.gaps
                if gap.missing_since is not None
            ],
            is_complete=found.is_complete,
        )
    )


HANDLERS: list[HTTPRouteHandler] = [read_gaps]
