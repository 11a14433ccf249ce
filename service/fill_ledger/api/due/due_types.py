"""What the lists of what comes due take and answer."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Literal

from msgspec import Meta, Struct

from fill_ledger.api.http.paging import MAX_PAGE_SIZE, PageQuery
from fill_ledger.api.http.value_types import Code, Count, CursorText, Moment, Month, StrictStruct
from fill_ledger.api.question.eligibility_types import NoteView, Source, Text
from fill_ledger.api.trade_types import EXAMPLE_DEPARTMENT_ID, EXAMPLE_STATION_ID
from fill_ledger.trade.events.envelope import Use

MAXIMUM_HORIZON_DAYS = 3_660
DEFAULT_HORIZON_DAYS = 31
MAXIMUM_LISTED_CODES = 100
MAXIMUM_COUNTS = 100_000
MAXIMUM_MONTHS = 125  # of the greatest horizon, in any calendar

DueKind = Literal["air_source", "cylinder", "member"]
DayText = Annotated[str, Meta(max_length=10, description="A calendar day, YYYY-MM-DD, where the subject is filled.")]
Label = Annotated[
    str,
    Meta(
        max_length=200,
        description="Inventory number or serial of a cylinder, label of an air source; null for a member.",
    ),
]
WhatIf = Annotated[
    datetime,
    Meta(tz=True, description="Ask as of another moment than now, with what is on record now. Within fifty years."),
]
HorizonDays = Annotated[
    int,
    Meta(
        ge=0,
        le=MAXIMUM_HORIZON_DAYS,
        extra_json_schema={"format": "int32"},
        description="How many days to look ahead.",
    ),
]
OfStation = Annotated[
    uuid.UUID,
    Meta(description="Only cylinders of this home station, air sources at it, members whose authorisation names it."),
]
OfDepartment = Annotated[uuid.UUID, Meta(description="Only what belongs to this department.")]
OfKind = Annotated[DueKind, Meta(description="Only this kind.")]
IncludeEnded = Annotated[
    bool, Meta(description="Also cylinders condemned, retired or given away, and members who left.")
]


class WorkloadQuery(StrictStruct, frozen=True, kw_only=True):
    """What to count, from when and how far ahead."""

    at: WhatIf | None = None
    horizon_days: HorizonDays = DEFAULT_HORIZON_DAYS
    station_id: OfStation | None = None
    kind: OfKind | None = None
    department_id: OfDepartment | None = None
    include_ended: IncludeEnded = False


class DueQuery(PageQuery, frozen=True, kw_only=True):
    """What to list, from when and how far ahead; all filters given must hold."""

    at: WhatIf | None = None
    horizon_days: HorizonDays = DEFAULT_HORIZON_DAYS
    station_id: OfStation | None = None
    kind: OfKind | None = None
    code: (
        Annotated[Code, Meta(description="Only what this code stands against now, or will within the horizon.")] | None
    ) = None
    department_id: OfDepartment | None = None
    include_stopped: Annotated[
        bool, Meta(description="Also what is not permitted already; it comes first, air before the rest.")
    ] = True
    include_ended: IncludeEnded = False


class LaterReason(Struct, frozen=True, kw_only=True):
    """Something that begins to deny later on. `last_day` is the last day on which it does not yet."""

    at: Moment
    last_day: DayText
    code: Code
    text: Text
    source: Source
    clears_by: Annotated[str, Meta(max_length=200)] | None


class DueItem(Struct, frozen=True, kw_only=True):
    """What comes due about one cylinder, member or air source; it is judged for itself, wherever the others stand.

    `standing` says whether it is permitted at the moment asked about. Where it is, `stops_at` is the first instant at
    which it no longer is, exclusive, `last_day` the last day on which it is, and `days_left` how many days after the
    day asked about that is; where it is not, they are null. `code`, `text`, `source` and `clears_by` tell what then
    stands against it first, and `codes` everything that does; `clears_at` is when that ends by itself. `later` tells
    what else begins within the horizon, `advice` what the office should see to, though it stops nothing. `uses` says
    for which uses of cylinders a member or an air source stands so; who or what stands differently for different uses
    is listed for each. `station_id` is the home station of a cylinder, the station of an air source, and the one
    station that a member's authorisation names, if it is one.
    """

    kind: DueKind
    id: uuid.UUID
    department_id: uuid.UUID
    label: Label | None
    station_id: uuid.UUID | None
    uses: Annotated[tuple[Use, ...], Meta(max_length=3)]
    standing: Literal["permit", "deny"]
    stops_at: Moment | None
    last_day: DayText | None
    days_left: Count | None
    code: Code
    text: Text
    source: Source
    clears_by: Annotated[str, Meta(max_length=200, description="What a person does about it.")] | None
    clears_at: Moment | None
    codes: Annotated[tuple[Code, ...], Meta(max_length=MAXIMUM_LISTED_CODES)]
    later: Annotated[tuple[LaterReason, ...], Meta(max_length=MAXIMUM_LISTED_CODES)]
    advice: Annotated[tuple[NoteView, ...], Meta(max_length=MAXIMUM_LISTED_CODES)] = ()


class DuePage(Struct, frozen=True, kw_only=True):
    """One page of what comes due. All pages of a list are of the moment `at` and look ahead through `until`."""

    items: Annotated[list[DueItem], Meta(max_length=MAX_PAGE_SIZE, description="What is stopped, then by time.")]
    next_cursor: Annotated[
        CursorText | None, Meta(description="Send it as cursor for the next page; null on the last.")
    ]
    at: Moment
    until: Moment


class WorkloadCount(Struct, frozen=True, kw_only=True):
    """How many, of one kind, code and station.

    `stops`: how many items of the list have this `code`, so that all `stops` together are as many as the list has
    items. `begins`: how often the code begins to deny (or stands, under `stopped`), also together with or after
    others: a cylinder that is due for a test in May and whose life ends in July counts in both months.
    """

    kind: DueKind
    code: Code
    station_id: uuid.UUID | None
    stops: Count
    begins: Count


class WorkloadMonth(Struct, frozen=True, kw_only=True):
    """What must be done in one month: its `last_day` falls in it."""

    month: Month
    stops: Count
    begins: Count
    counts: Annotated[tuple[WorkloadCount, ...], Meta(max_length=MAXIMUM_COUNTS)]


class Workload(Struct, frozen=True, kw_only=True):
    """The list of what comes due, counted. `stopped` is what is not permitted already at the moment `at`."""

    at: Moment
    until: Moment
    items: Annotated[Count, Meta(description="How many items the list has: all stops together.")]
    stopped: Annotated[tuple[WorkloadCount, ...], Meta(max_length=MAXIMUM_COUNTS)]
    months: Annotated[tuple[WorkloadMonth, ...], Meta(max_length=MAXIMUM_MONTHS)]


_AT = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
_UNTIL = datetime(2026, 12, 25, 8, 0, tzinfo=UTC)
_SOURCE = "49 CFR 180.205(c), 173.301(a)(6) (2015 edition); last day by policy"
ITEM_EXAMPLE = DueItem(
    kind="cylinder",
    id=uuid.UUID("2f7e6d1c-5b4a-4c3d-8e2f-1a0b9c8d7e6f"),
    department_id=EXAMPLE_DEPARTMENT_ID,
    label="0412",
    station_id=EXAMPLE_STATION_ID,
    uses=("scba",),
    standing="permit",
    stops_at=datetime(2026, 12, 1, 5, 0, tzinfo=UTC),
    last_day="2026-11-30",
    days_left=6,
    code="requalification-due",
    text="Tested 2021-11, every 5 years: due since 2026-11.",
    source=_SOURCE,
    clears_by="requalification",
    clears_at=None,
    codes=("requalification-due",),
    later=(),
)
PAGE_EXAMPLE = DuePage(items=[ITEM_EXAMPLE], next_cursor=None, at=_AT, until=_UNTIL)
_COUNT = WorkloadCount(kind="cylinder", code="requalification-due", station_id=EXAMPLE_STATION_ID, stops=1, begins=1)
WORKLOAD_EXAMPLE = Workload(
    at=_AT,
    until=_UNTIL,
    items=1,
    stopped=(),
    months=(
        WorkloadMonth(month="2026-11", stops=1, begins=1, counts=(_COUNT,)),
        WorkloadMonth(month="2026-12", stops=0, begins=0, counts=()),
    ),
)
