"""Fills on record: the list with its filters, and one fill with everything the ledger thought of it."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, field

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.filters import AtStation, BeforeMoment, ByMember, FromMoment, IsRetracted, OfCylinder, OfDepartment
from fill_ledger.api.fleet.cylinder_history import FieldName, FieldNames
from fill_ledger.api.http.conditional import is_not_modified, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IF_NONE_MATCH
from fill_ledger.api.http.newest_first import Conditions, fetch_window, newest_first, version_of
from fill_ledger.api.http.operations import answer, get
from fill_ledger.api.http.paging import Page, PageQuery, open_window
from fill_ledger.api.http.problem_types import NOT_FOUND
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import MAX_INT32, Code, Count, GaugePsi, LedgerPosition, Moment
from fill_ledger.api.opened_texts import show_bodies
from fill_ledger.api.parts import parts_of
from fill_ledger.api.record.facts import FindingIds
from fill_ledger.ledger.canonical import read_event
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.events.envelope import Judged, PermitPart, ReportedPsi
from fill_ledger.trade.events.fills import MAXIMUM_SOURCES, Duration, FillMode, GasTemperature
from fill_ledger.trade.gas.contents import free_air
from fill_ledger.trade.identifiers import finding_id

MAXIMUM_REASONS = 100
MAXIMUM_FIELDS = 100

Decision = Literal["permit", "deny"]
FillType = Literal["cylinder.filled", "cylinder.filled_by_hand", "cylinder.filled_elsewhere"]
TagText = Annotated[str, Meta(max_length=128)]
RulesVersion = Annotated[str, Meta(max_length=64)]


CubicFeet = Annotated[float, Meta(ge=0, le=MAX_INT32, description="Standard cubic feet at 70 F and 14.7 psia, tenths.")]


class FillQuery(PageQuery, frozen=True, kw_only=True):
    """Filters of the list of fills; `from` is included, `to` is not."""

    department_id: OfDepartment | None = None
    station_id: AtStation | None = None
    cylinder_id: OfCylinder | None = None
    member_id: ByMember | None = None
    air_source_id: Annotated[uuid.UUID, Meta(description="Only fills from this air source.")] | None = None
    owner_department_id: Annotated[uuid.UUID, Meta(description="Only fills of this department's cylinders.")] | None = (
        None
    )
    from_: FromMoment | None = field(default=None, name="from")
    to: BeforeMoment | None = None
    decision: Annotated[Decision, Meta(description="Only fills that the ledger thought of so.")] | None = None
    code: Annotated[Code, Meta(description="Only fills whose first reason to act on was this one.")] | None = None
    overridden: Annotated[bool, Meta(description="Only fills with an override, or only those without.")] | None = None
    event_type: Annotated[FillType, Meta(description="Only fills reported so.")] | None = None
    retracted: IsRetracted | None = None


class FillView(Struct, frozen=True, kw_only=True):
    """One fill as a list shows it. `decision` and `code` are what the ledger thought when it took the fact.

    `cylinder_id` is null while nobody knows which cylinder it was; `attributed_by` says how it is known: by its id, its
    tag, or the serial among the marks that were keyed in. `settled_psi` is what the end reading comes to at 70 F, null
    where the gas temperature was not told. `air_delivered_l` and `air_delivered_scf` are the free air (at 70 F and 14.7
    psia) that went in, null where start, end or water volume is not known: the gas before the fill is taken at 70 F, or
    as cold as after it, and at 70 F where nothing was told. Readings stand as they were reported, impossible ones too.

    A fill of type `cylinder.filled_elsewhere` happened at another department's station, which has the whole of it.
    """

    event_id: uuid.UUID
    department_id: uuid.UUID
    event_type: FillType
    filled_at: Moment
    station_id: uuid.UUID | None
    cylinder_id: uuid.UUID | None
    owner_department_id: uuid.UUID | None
    attributed_by: Literal["id", "tag", "marks"] | None
    tag: TagText | None
    member_id: uuid.UUID | None
    fill_position_id: uuid.UUID | None
    air_source_ids: Annotated[list[uuid.UUID], Meta(max_length=MAXIMUM_SOURCES)]
    mode: FillMode | None
    start_psi: ReportedPsi | None
    end_psi: ReportedPsi | None
    gas_temperature_f: GasTemperature | None
    duration_s: Duration | None
    overridden: bool
    decision: Decision | None
    code: Code | None
    fill_limit_psi: GaugePsi | None
    settled_psi: GaugePsi | None
    air_delivered_l: Count | None
    air_delivered_scf: CubicFeet | None
    rules_version: RulesVersion | None
    retracted: bool


class PermitShown(Struct, frozen=True, kw_only=True):
    """The permit that a fill quoted. `until` is exclusive; `differs` names what was otherwise at the fill."""

    station_id: uuid.UUID
    cylinder_id: uuid.UUID
    member_id: uuid.UUID | None
    mode: FillMode | None
    fill_limit_psi: GaugePsi
    until: Moment
    differs: Annotated[tuple[PermitPart, ...], Meta(max_length=4)]


class FillDetail(FillView, frozen=True, kw_only=True):
    """One fill with the whole of what was reported, and every reason that spoke against it.

    `permit` is the permit that the fill quoted, null where it quoted none, or one that is not genuine. Fields of the
    body named in `sealed` are kept from this caller and are null; those in `erased` are gone for good.
    """

    ledger_position: LedgerPosition
    occurred_at: Moment
    recorded_at: Moment
    recorded_by: uuid.UUID
    reasons: Annotated[tuple[Code, ...], Meta(max_length=MAXIMUM_REASONS)]
    finding_ids: FindingIds
    permit: PermitShown | None
    body: Annotated[dict[FieldName, Any], Meta(max_length=MAXIMUM_FIELDS)]
    sealed: FieldNames
    erased: FieldNames


_SHOWN: dict[str, Any] = {
    "event_id": uuid.UUID("0c1d9b52-8e1f-4f57-a8d9-6d3a6d0f5a01"),
    "department_id": uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    "event_type": "cylinder.filled",
    "filled_at": datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    "station_id": uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11"),
    "cylinder_id": uuid.UUID("7d1f3b5a-9c2e-4a68-b0d4-1e3f5a7c9b05"),
    "owner_department_id": uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    "attributed_by": "id",
    "tag": None,
    "member_id": uuid.UUID("2b4d6f81-a3c5-4e70-92b4-d6f8a1c3e506"),
    "fill_position_id": None,
    "air_source_ids": [uuid.UUID("8e0a2c4b-6d8f-4013-a5b7-c9d1e3f50708")],
    "mode": "automatic",
    "start_psi": 480,
    "end_psi": 4510,
    "gas_temperature_f": 96,
    "duration_s": 380,
    "overridden": False,
    "decision": "deny",
    "code": "requalification-due",
    "fill_limit_psi": None,
    "settled_psi": 4192,
    "air_delivered_l": 1544,
    "air_delivered_scf": 54.5,
    "rules_version": "2f6a3c1d9b40",
    "retracted": False,
}
EXAMPLE_VIEW = FillView(**_SHOWN)
EXAMPLE_DETAIL = FillDetail(
    **_SHOWN,
    ledger_position=60_211,
    occurred_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    recorded_at=datetime(2026, 11, 24, 8, 10, 23, tzinfo=UTC),
    recorded_by=uuid.UUID("8c6f4a50-1d36-4f0e-8f7b-0f5b1c1f9b77"),
    reasons=("requalification-due",),
    finding_ids=[uuid.UUID("5b0f4d7e-6a2c-5c1b-9e3d-2f4a6c8e0b12")],
    permit=None,
    body={"cylinder_id": "7d1f3b5a-9c2e-4a68-b0d4-1e3f5a7c9b05", "start_psi": 480, "end_psi": 4510, "note": None},
    sealed=("note",),
    erased=(),
)
ORDER = newest_first("fill.filled_at", "fill.event_id")


def _permit(judgement: Judged | None) -> PermitShown | None:
    permit = None if judgement is None else judgement.permit
    if permit is None:
        return None
    return PermitShown(**{name: getattr(permit, name) for name in PermitShown.__struct_fields__})


def _values(row: Any) -> dict[str, Any]:
    values = {name: row[name] for name in FillView.__struct_fields__ if name != "air_delivered_scf"}
    litres = row["air_delivered_l"]
    return {**values, "air_delivered_scf": None if litres is None else float(free_air(litres).standard_cubic_feet)}


@get(
    "/v1/fills",
    right=rights.FILLS_READ,
    tag="fills",
    summary="List fills",
    answers=answer(Page[FillView], "One page of fills.", example=Page(items=[EXAMPLE_VIEW], next_cursor=None)),
)
async def list_fills(request: AnyRequest, query: FillQuery, principal: Principal) -> Reply[Page[FillView]]:
    """Return fills, the newest first. Retracted ones are listed too unless `retracted=false`."""
    conditions = Conditions("fill")
    for name in ("station_id", "cylinder_id", "member_id", "owner_department_id", "decision", "code", "overridden"):
        conditions.equal(name, getattr(query, name))
    conditions.equal("event_type", query.event_type)
    conditions.equal("retracted", query.retracted)
    conditions.among("air_source_ids", query.air_source_id)
    conditions.at_least("filled_at", query.from_)
    conditions.below("filled_at", query.to)
    window = open_window(request, query, ORDER)
    rows = await fetch_window(request, principal, window, "fill", conditions, query.department_id)
    return window.page(rows, lambda row: FillView(**_values(row)))


@get(
    "/v1/fills/{event_id}",
    right=rights.FILLS_READ,
    tag="fills",
    summary="One fill",
    answers=(
        answer(FillDetail, "The fill.", example=EXAMPLE_DETAIL),
        answer(None, "Not changed since the ETag was answered.", status=304),
    ),
    request_headers=(IF_NONE_MATCH,),
)
async def read_fill(request: AnyRequest, event_id: uuid.UUID, principal: Principal) -> Reply[FillDetail] | Reply[None]:
    """Return one fill by the id of its event. A remark is shown to those who may read names."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, principal.visible):
        row = await connection.fetchrow(
            """
            SELECT fill.*, event.ledger_position, event.recorded_at, event.canonical
            FROM views.fill JOIN ledger.event USING (department_id, event_id)
            WHERE fill.department_id = ANY ((SELECT lookup.visible_departments())::uuid[]) AND fill.event_id = $1
            ORDER BY fill.department_id LIMIT 1
            """,
            event_id,
        )
    if row is None:
        raise Problem(NOT_FOUND, "No fill has this id.")
    event = read_event(row["canonical"])
    shown = (await show_bodies(request, principal, [event]))[event.department_id, event.event_id]
    reasons = () if event.judgement is None else event.judgement.reasons
    detail = FillDetail(
        **_values(row),
        ledger_position=row["ledger_position"],
        occurred_at=event.occurred_at,
        recorded_at=row["recorded_at"],
        recorded_by=event.recorded_by,
        reasons=reasons,
        finding_ids=[finding_id(event_id, code) for code in reasons],
        permit=_permit(event.judgement),
        body=shown.values,
        sealed=shown.sealed,
        erased=shown.erased,
    )
    etag = version_tag(version_of(detail))
    if is_not_modified(request, etag):
        return not_modified(etag)
    return Reply(detail, etag=etag)


HANDLERS: list[HTTPRouteHandler] = [list_fills, read_fill]
