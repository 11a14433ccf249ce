"""What the judgement of a whole fleet takes and answers."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Literal

from msgspec import Meta, Struct

from fill_ledger.api.due.due_types import MAXIMUM_LISTED_CODES, IncludeEnded, WhatIf
from fill_ledger.api.fleet.cylinder_types import SpecificationText
from fill_ledger.api.http.paging import MAX_PAGE_SIZE, PageQuery
from fill_ledger.api.http.value_types import Code, Count, CursorText, GaugePsi, Moment
from fill_ledger.api.question.eligibility_types import RulesVersion
from fill_ledger.api.trade_types import EXAMPLE_DEPARTMENT_ID, EXAMPLE_STATION_ID
from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.rules.reasons import MAXIMUM_DISPLAY_TEXT

MAXIMUM_CODES = 500

FleetDecision = Literal["permit", "deny"]


class FleetQuery(PageQuery, frozen=True, kw_only=True):
    """Which cylinders to judge, where and when; `decision` and `code` choose among the answers."""

    at: WhatIf | None = None
    station_id: (
        Annotated[
            uuid.UUID,
            Meta(description="Judge each as if it stood at this station. Without it only the cylinder is judged."),
        ]
        | None
    ) = None
    air_source_id: (
        Annotated[uuid.UUID, Meta(description="The air source; needed only where the station has several.")] | None
    ) = None
    department_id: Annotated[uuid.UUID, Meta(description="Only cylinders of this department.")] | None = None
    home_station_id: Annotated[uuid.UUID, Meta(description="Only cylinders of this home station.")] | None = None
    use: Annotated[Use, Meta(description="Only cylinders of this use.")] | None = None
    specification: (
        Annotated[
            SpecificationText,
            Meta(description="Only cylinders of this mark; DOT-3AA or SP10915 finds every pressure of it."),
        ]
        | None
    ) = None
    decision: Annotated[FleetDecision, Meta(description="Only cylinders with this answer.")] | None = None
    code: Annotated[Code, Meta(description="Only cylinders whose answer carries this code.")] | None = None
    include_ended: IncludeEnded = False


class FleetJudgement(Struct, frozen=True, kw_only=True):
    """The answer about one cylinder, as the look-up would give it, but for who fills.

    `codes` are all it carries: what denies, what obliges, what advises. `fill_limit_psi` is settled at 70 F.
    `valid_until` is the first instant at which this answer changes by itself.
    """

    cylinder_id: uuid.UUID
    department_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    serial: Annotated[str, Meta(max_length=64)] | None
    specification: Annotated[str, Meta(max_length=120)] | None
    use: Use | None
    home_station_id: uuid.UUID | None
    decision: FleetDecision
    code: Code
    display_text: Annotated[str, Meta(max_length=MAXIMUM_DISPLAY_TEXT)]
    codes: Annotated[tuple[Code, ...], Meta(max_length=MAXIMUM_LISTED_CODES)]
    fill_limit_psi: GaugePsi | None
    valid_until: Moment | None


class CodeCount(Struct, frozen=True, kw_only=True):
    """How many cylinders have the code as the first to act on, and how many carry it at all. "ok" is a permit."""

    code: Code
    first: Count
    carried: Count


class UseCount(Struct, frozen=True, kw_only=True):
    """How many cylinders of one use were asked about, and how they were answered. use: null where not on record."""

    use: Use | None
    asked: Count
    permit: Count
    deny: Count


class FleetTotals(Struct, frozen=True, kw_only=True):
    """All cylinders asked about, whatever `decision` and `code` choose of them: `permit` could still be filled."""

    asked: Count
    permit: Count
    deny: Count
    by_code: Annotated[tuple[CodeCount, ...], Meta(max_length=MAXIMUM_CODES)]
    by_use: Annotated[tuple[UseCount, ...], Meta(max_length=4)]


class FleetPage(Struct, frozen=True, kw_only=True):
    """One page of the judgement of a fleet. All pages are of the moment `at`; `totals` are of the whole fleet."""

    items: Annotated[
        list[FleetJudgement], Meta(max_length=MAX_PAGE_SIZE, description="By department and inventory number.")
    ]
    next_cursor: Annotated[
        CursorText | None, Meta(description="Send it as cursor for the next page; null on the last.")
    ]
    at: Moment
    rules_version: RulesVersion
    totals: FleetTotals


FLEET_EXAMPLE = FleetPage(
    items=[
        FleetJudgement(
            cylinder_id=uuid.UUID("2f7e6d1c-5b4a-4c3d-8e2f-1a0b9c8d7e6f"),
            department_id=EXAMPLE_DEPARTMENT_ID,
            inventory_number="0412",
            serial="K 48213",
            specification="DOT-3AL2216",
            use="scba",
            home_station_id=EXAMPLE_STATION_ID,
            decision="deny",
            code="requalification-due",
            display_text="Do not fill. Hydro test due since 2026-04.",
            codes=("requalification-due",),
            fill_limit_psi=None,
            valid_until=None,
        )
    ],
    next_cursor=None,
    at=datetime(2026, 11, 24, 8, 0, tzinfo=UTC),
    rules_version="9f86d081884c",
    totals=FleetTotals(
        asked=1,
        permit=0,
        deny=1,
        by_code=(CodeCount(code="requalification-due", first=1, carried=1),),
        by_use=(UseCount(use="scba", asked=1, permit=0, deny=1),),
    ),
)
