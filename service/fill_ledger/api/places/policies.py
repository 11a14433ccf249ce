"""`/v1/departments/{department_id}/policy`: what a department asks for beyond the law."""

import uuid
from datetime import UTC, datetime
from typing import Any

from litestar.handlers import HTTPRouteHandler
from msgspec import Struct

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import ENTRY_ANSWERS, ENTRY_PROBLEMS, Entry, Receipt, event_id_for, record_entry
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.conditional import is_not_modified, require_version, version_tag
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY, IF_MATCH, IF_NONE_MATCH
from fill_ledger.api.http.operations import answer, get, put
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.replies import Reply, not_modified
from fill_ledger.api.http.value_types import Moment, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.api.places.departments import no_such_department
from fill_ledger.api.places.policy_types import (
    TERMS,
    BankNeedsOwnSample,
    CoCalibrationDays,
    DueMonth,
    FastFillsAllowed,
    FillPressurePsi,
    FillRate,
    FilterLifeDays,
    FilterLifeTenths,
    LifeExtensionsAccepted,
    Partners,
    RestsOn,
    SampleIntervalDays,
    ScubaFillsAllowed,
    ScubaStandardName,
    ScubaVisualRequired,
    StandardName,
    TolerancePsi,
    TrainingDays,
)
from fill_ledger.api.recorded_entries import recorded_event
from fill_ledger.api.trade_types import EXAMPLE_DEPARTMENT_ID
from fill_ledger.ledger.read import seeing
from fill_ledger.trade.entries.policies import NO_POLICY_YET, POLICY_CHANGED
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind
from fill_ledger.trade.states.county import DatedPolicy, PolicyState
from fill_ledger.views.folding import decode_state


class NewPolicy(Entry, frozen=True, kw_only=True):
    """A policy, whole: nothing is kept from the one before; a term left out stands as its default says."""

    requalification_due: DueMonth
    air_sample_interval_days: SampleIntervalDays
    air_sample_interval_source: RestsOn
    mutual_aid_department_ids: Partners
    member_required: bool
    owner_consent_required: bool
    air_standard: StandardName | None = None
    scuba_fills_allowed: ScubaFillsAllowed = True
    scuba_air_standard: ScubaStandardName | None = None
    scuba_visual_required: ScubaVisualRequired = False
    filter_life_tenths_h: FilterLifeTenths | None = None
    filter_life_days: FilterLifeDays | None = None
    co_calibration_interval_days: CoCalibrationDays | None = None
    training_interval_days: TrainingDays | None = None
    training_interval_source: RestsOn | None = None
    life_extensions_accepted: LifeExtensionsAccepted = False
    fill_limit_cap_psi: FillPressurePsi | None = None
    gauge_tolerance_psi: TolerancePsi | None = None
    fill_rate_max_psi_per_minute: FillRate | None = None
    fast_fills_allowed: FastFillsAllowed = True
    bank_needs_own_sample: BankNeedsOwnSample = True


class PolicyView(Struct, frozen=True, kw_only=True):
    """The policy in force. `starts_at` and `event_id` are null where none was set and the defaults hold."""

    department_id: uuid.UUID
    starts_at: Moment | None
    event_id: uuid.UUID | None
    requalification_due: DueMonth
    air_sample_interval_days: SampleIntervalDays
    air_sample_interval_source: RestsOn
    mutual_aid_department_ids: Partners
    member_required: bool
    owner_consent_required: bool
    air_standard: StandardName | None = None
    scuba_fills_allowed: ScubaFillsAllowed = True
    scuba_air_standard: ScubaStandardName | None = None
    scuba_visual_required: ScubaVisualRequired = False
    filter_life_tenths_h: FilterLifeTenths | None = None
    filter_life_days: FilterLifeDays | None = None
    co_calibration_interval_days: CoCalibrationDays | None = None
    training_interval_days: TrainingDays | None = None
    training_interval_source: RestsOn | None = None
    life_extensions_accepted: LifeExtensionsAccepted = False
    fill_limit_cap_psi: FillPressurePsi | None = None
    gauge_tolerance_psi: TolerancePsi | None = None
    fill_rate_max_psi_per_minute: FillRate | None = None
    fast_fills_allowed: FastFillsAllowed = True
    bank_needs_own_sample: BankNeedsOwnSample = True


class PolicyQuery(StrictStruct, frozen=True, kw_only=True):
    """For which moment; now unless given."""

    at: Moment | None = None


class _KnownPolicy(Struct, frozen=True, kw_only=True):
    version: int
    state: PolicyState


EXAMPLE = PolicyView(
    department_id=EXAMPLE_DEPARTMENT_ID,
    starts_at=datetime(2026, 1, 1, 5, 0, tzinfo=UTC),
    event_id=uuid.UUID("6d1a0b52-8e1f-4f57-a8d9-6d3a6d0f5a02"),
    requalification_due="lenient",
    air_sample_interval_days=92,
    air_sample_interval_source="department policy",
    mutual_aid_department_ids=(),
    member_required=True,
    owner_consent_required=True,
)
NEW_EXAMPLE = NewPolicy(
    requalification_due="strict",
    air_sample_interval_days=92,
    air_sample_interval_source="department policy",
    mutual_aid_department_ids=(),
    member_required=True,
    owner_consent_required=True,
)


async def _read(request: AnyRequest, principal: Principal, department_id: uuid.UUID) -> _KnownPolicy:
    """Return all policies of one of the principal's departments; version 0 where none was ever set."""
    if not principal.may_act_for(department_id) or department_id == COUNTY_ID:
        raise no_such_department()
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        row = await connection.fetchrow(
            """
            SELECT lookup.is_department($1) AS is_department, policy.ledger_position, policy.state
            FROM (SELECT 1) AS always
            LEFT JOIN views.state AS policy
                ON policy.department_id = $1 AND policy.subject_kind = 'policy' AND policy.subject_id = $1
            """,
            department_id,
        )
    if row is None or not row["is_department"]:
        raise no_such_department()
    if row["state"] is None:
        return _KnownPolicy(version=0, state=PolicyState(department_id=department_id, subject_id=department_id))
    return _KnownPolicy(version=row["ledger_position"], state=decode_state(SubjectKind.POLICY, row["state"]))


def _view(policy: PolicySet, dated: DatedPolicy | None) -> PolicyView:
    return PolicyView(
        department_id=policy.department_id,
        starts_at=None if dated is None else dated.starts_at,
        event_id=None if dated is None else dated.event_id,
        requalification_due=policy.requalification_due,
        air_sample_interval_days=policy.air_sample_interval_days,
        air_sample_interval_source=policy.air_sample_interval_source,
        mutual_aid_department_ids=policy.mutual_aid_department_ids or (),
        member_required=policy.member_required,
        owner_consent_required=policy.owner_consent_required,
        **{term: getattr(policy, term) for term in TERMS},
    )


@get(
    "/v1/departments/{department_id}/policy",
    right=rights.POLICIES_READ,
    tag="departments",
    summary="The policy of a department",
    answers=(
        answer(PolicyView, "The policy.", example=EXAMPLE, headers={"ETag": "The version; send it in If-Match."}),
        answer(None, "The caller has this version.", status=304),
    ),
    problems=(problem_types.INVALID_HEADER,),
    request_headers=(IF_NONE_MATCH,),
)
async def read_policy(
    request: AnyRequest, department_id: uuid.UUID, query: PolicyQuery, principal: Principal
) -> Reply[PolicyView] | Reply[None]:
    """Return the policy in force now, or at a moment. A department that never set one has the defaults."""
    known = await _read(request, principal, department_id)
    etag = version_tag(known.version)
    if is_not_modified(request, etag):
        return not_modified(etag)
    moment = query.at or datetime.now(UTC)
    return Reply(_view(known.state.at(moment), known.state.dated_at(moment)), etag=etag)


@put(
    "/v1/departments/{department_id}/policy",
    right=rights.POLICIES_WRITE,
    tag="departments",
    summary="Set the policy of a department",
    answers=ENTRY_ANSWERS,
    body_example=NEW_EXAMPLE,
    problems=(*ENTRY_PROBLEMS, problem_types.PRECONDITION_FAILED, problem_types.PRECONDITION_REQUIRED),
    request_headers=(IF_MATCH, IDEMPOTENCY_KEY),
)
async def set_policy(
    request: AnyRequest, department_id: uuid.UUID, body: NewPolicy, principal: Principal
) -> Reply[Receipt]:
    """Set the policy as a whole, starting from the version in If-Match. What was filled before stays judged as it was.

    Policy may tighten law, never loosen it: nothing here can permit what a regulation forbids.
    """
    known = await _read(request, principal, department_id)
    source = event_id_for(request, principal, body.event_id)
    recorded = await recorded_event(request, department_id, source.event_id)
    if recorded is not None and isinstance(recorded.event.body, PolicySet):
        # A repeat: it starts from what it started from then, and is not asked again.
        replaces = recorded.event.body.replaces_event_id
    else:
        require_version(request, known.version)
        await _refuse_what_is_not_there(request, department_id, body)
        replaces = _newest(request, known.state)
    event = PolicySet(
        department_id=department_id,
        requalification_due=body.requalification_due,
        air_sample_interval_days=body.air_sample_interval_days,
        air_sample_interval_source=body.air_sample_interval_source,
        mutual_aid_department_ids=body.mutual_aid_department_ids or None,
        member_required=body.member_required,
        owner_consent_required=body.owner_consent_required,
        replaces_event_id=replaces,
        **{term: getattr(body, term) for term in TERMS},
    )
    try:
        reply = await record_entry(
            request, principal, department_id, body, event, subject_id=department_id, source=source
        )
    except Problem as problem:
        if any(fault.code == POLICY_CHANGED for fault in problem.errors):
            raise Problem(problem_types.PRECONDITION_FAILED, "The policy has changed since it was read.") from None
        raise
    if reply.status == 201:
        reply.etag = version_tag(reply.value.ledger_position)
    return reply


def _newest(request: AnyRequest, state: PolicyState) -> uuid.UUID | None:
    """Return what the new policy replaces, so that the ledger refuses it where another one came in between."""
    if request.headers.get("if-match", "").strip() == "*":
        return None
    return state.policies[-1].event_id if state.policies else NO_POLICY_YET


async def _refuse_what_is_not_there(request: AnyRequest, department_id: uuid.UUID, body: NewPolicy) -> None:
    """Refuse partners that the county does not have and standards of air that nobody entered.

    Raises:
        Problem: 422 not-processable with a pointer for each.
    """
    errors = [
        *await _unknown_partners(request, department_id, body.mutual_aid_department_ids),
        *await _unknown_standards(request, body),
    ]
    if errors:
        detail = " ".join(dict.fromkeys(fault.detail for fault in errors))
        raise Problem(problem_types.NOT_PROCESSABLE, detail, errors=errors)


async def _unknown_partners(
    request: AnyRequest, department_id: uuid.UUID, partners: tuple[uuid.UUID, ...]
) -> list[Fault]:
    """Return a fault for each mutual-aid partner that the county does not have; none is ever taken away again."""
    async with parts_of(request).database.lookups.acquire() as connection, seeing(connection, (department_id,)):
        rows: list[Any] = await connection.fetch(
            """
            SELECT asked.place FROM unnest($1::uuid[]) WITH ORDINALITY AS asked (department_id, place)
            WHERE asked.department_id = $2 OR NOT lookup.is_department(asked.department_id)
            ORDER BY asked.place
            """,
            list(partners),
            COUNTY_ID,
        )
    return [
        Fault(
            code="department-unknown",
            detail="There is no such department.",
            pointer=f"/mutual_aid_department_ids/{row['place'] - 1}",
        )
        for row in rows
    ]


async def _unknown_standards(request: AnyRequest, body: NewPolicy) -> list[Fault]:
    """Return a fault for each standard of air that is not on file: with it nothing would be permitted any more."""
    named = {"air_standard": body.air_standard, "scuba_air_standard": body.scuba_air_standard}
    if all(key is None for key in named.values()):
        return []
    parts = parts_of(request)
    rulebook = await parts.rulebooks.current(parts.database.lookups)
    known = ", ".join(dict.fromkeys(standard.key for standard in rulebook.every_air_standard()))
    return [
        Fault(
            code="air-standard-unknown",
            detail=f"No standard of air of this name is on file. Name one of these, or enter it: {known}.",
            pointer=f"/{name}",
        )
        for name, key in named.items()
        if key is not None and not rulebook.air_standards(key)
    ]


HANDLERS: list[HTTPRouteHandler] = [read_policy, set_policy]
