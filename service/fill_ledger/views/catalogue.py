"""Which rows follow from which state and which event: the views, all on one page."""

import uuid
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.views import county, cylinders, fills, findings, members, stations

StateRows = Callable[[Any], Sequence[msgspec.Struct]]
EventRows = Callable[..., Sequence[msgspec.Struct]]

# A view of current state: its rows are put anew whenever the state of their subject changes.
STATE_VIEWS: dict[SubjectKind, tuple[tuple[str, StateRows], ...]] = {
    SubjectKind.DEPARTMENT: (("department", county.department_rows),),
    SubjectKind.PRINCIPAL: (("principal", county.principal_rows), ("access_key", county.access_key_rows)),
    SubjectKind.POLICY: (),
    SubjectKind.NUMBERING: (),
    SubjectKind.CODES: (),
    SubjectKind.STATION: (("station", stations.station_rows),),
    SubjectKind.AIR_SOURCE: (("air_source", stations.air_source_rows),),
    SubjectKind.CYLINDER: (
        ("cylinder", cylinders.cylinder_rows),
        ("directory", cylinders.cylinder_directory_rows),
    ),
    SubjectKind.INVENTORY_NUMBER: (),
    SubjectKind.TAG: (("tag", cylinders.tag_rows), ("directory", cylinders.tag_directory_rows)),
    SubjectKind.MEMBER: (("member", members.member_rows),),
    SubjectKind.RULEBOOK: (),
    # What persons made of a finding stands in the finding's own row, which follows from its event: see folding.
    SubjectKind.FINDING: (),
}

# A view of history: its rows follow from one event, and again when that event is retracted.
EVENT_VIEWS: tuple[tuple[str, EventRows], ...] = (
    ("fill", fills.fill_rows),
    ("attempt", fills.attempt_rows),
    ("finding", findings.finding_rows),
    ("air_sample", stations.air_sample_rows),
)


def rows_of_event(
    event: Event, *, retracted: bool, cylinder_id: uuid.UUID | None = None
) -> dict[str, list[msgspec.Struct]]:
    """Return the rows of all history views for one event, by table.

    `cylinder_id` is the cylinder that a tag stands for, where the event names only a tag.
    """
    return {
        table: list(rows)
        for table, make_rows in EVENT_VIEWS
        if (rows := make_rows(event, retracted=retracted, cylinder_id=cylinder_id))
    }
