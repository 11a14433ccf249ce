"""`/v1/fill-plans`: several cylinders with different limits on one supply, stage by stage."""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import answer, post
from fill_ledger.api.parts import parts_of
from fill_ledger.api.planning.calculations import calculated, outside_table
from fill_ledger.api.planning.connections import ReadConnection, admit, is_on_record, read_connections
from fill_ledger.api.planning.fill_plan_answer import ANSWER_EXAMPLE, answer_of
from fill_ledger.api.planning.fill_plan_types import REQUEST_EXAMPLE, FillPlanAnswer, FillPlanRequest, GivenCompressor
from fill_ledger.api.planning.planning_types import AdviceView, LeftOut
from fill_ledger.api.planning.station_at_hand import read_station
from fill_ledger.api.planning.supplies import TakenSupply, check_given_bottles, take_supply
from fill_ledger.api.question.eligibility_request import Faults, read_session
from fill_ledger.api.question.eligibility_types import EligibilityQuery
from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.gas.air_table import OutsideTable
from fill_ledger.trade.gas.plan_types import Compressor, Connection, FillPlan, Supply
from fill_ledger.trade.gas.plans import plan_fills
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.trade.judgement import Question as Judged
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.handling import FILL_RATE
from fill_ledger.trade.rules.limits import fill_rate_max_psi_per_minute
from fill_ledger.trade.states.stations import AirSourceState

NO_STATION_ZONE = "UTC"
"""Without a station there is no calendar by which an amended figure begins to hold."""


@post(
    "/v1/fill-plans",
    right=rights.PLANS_MAKE,
    tag="plans",
    summary="Plan the fill of several cylinders",
    answers=answer(FillPlanAnswer, "The plan. Nothing was recorded.", example=ANSWER_EXAMPLE),
    body_example=REQUEST_EXAMPLE,
    problems=(problem_types.NOT_FOUND, problem_types.NOT_PROCESSABLE),
)
async def make_fill_plan(request: AnyRequest, body: FillPlanRequest, principal: Principal) -> FillPlanAnswer:
    """Say in which stages to fill up to 20 cylinders: what to open, to what pressure, from what, and what to close.

    Numbers alone are enough: water volume, limit and present pressure of each cylinder, and a compressor, storage
    bottles or both. Cylinders, fill positions and air sources on record may be named instead; then the key must be a
    station's, or `station_id` given. A cylinder on record is judged as `/v1/eligibility` judges it, and one that is
    denied stands under `not_filled`; one given by numbers is not judged. Without a member the plan asks for none.

    All cylinders below the lowest limit are brought to it together, those that are full are closed, and the rest goes
    on to the next limit. Stored air comes first, the lowest bottle that still helps before the next, then the
    compressor; where a limit lies above what the compressor reaches, the compressor comes first. A plan is reckoned
    once, off the event loop, over at most 20 cylinders, 20 stages and 100 bottles: some hundredths of a second.
    """
    faults = Faults(is_body=True)
    session = read_session(
        EligibilityQuery(member_id=body.member_id, member_session=body.member_session),
        parts_of(request).member_sessions,
        faults,
    )
    member_id = body.member_id if session is None else session.member_id
    connections = read_connections(body.connections, member_id, faults)
    check_given_bottles(body.supply.bottles, faults, "/supply/bottles")
    station = await read_station(
        request,
        principal,
        body.station_id,
        is_needed=bool(body.supply.air_source_ids) or any(is_on_record(read) for read in connections),
        faults=faults,
        member_id=member_id,
        session=session,
    )
    at = datetime.now(UTC) if station is None else station.at
    named = () if station is None else station.sources(body.supply.air_source_ids, "/supply/air_source_ids")
    question = None if station is None else station.question()
    supply = take_supply(body.supply.bottles, named, question, "/supply/bottles", at)
    # Where none of the named sources may be used, each cylinder is denied for it, by the judgement.
    admitted, not_filled = await admit(parts_of(request), station, connections, supply.sources or named)
    compressor, compressors_left_out = _compressor(body.supply.compressor, named, supply)
    rate, rate_advice = await _fill_rate(request, body.fill_rate_psi_per_minute, question, at)
    plan = await _planned(body, [each.connection for each in admitted], compressor, supply, rate)
    return answer_of(
        body,
        plan,
        admitted,
        not_filled,
        supply.states(plan.bottles_after, at),
        fill_rate_psi_per_minute=rate,
        advice=(*supply.advice, *rate_advice),
        left_out=(*supply.left_out, *compressors_left_out, *_not_judged(connections, member_id)),
    )


def _compressor(
    given: GivenCompressor | None, named: Sequence[AirSourceState], supply: TakenSupply
) -> tuple[Compressor | None, list[LeftOut]]:
    """Return the compressor to plan with. What it makes is not on record, so it is given by numbers or not used."""
    compressors = [source for source in named if source.air_source_kind == "compressor"]
    usable = [source for source in compressors if source in supply.sources]
    if given is None:
        text = "What a compressor makes and where it stops is not on record: give supply.compressor."
        return None, [
            LeftOut(what="compressor", label=source.label or "", code="compressor-not-described", text=text)
            for source in usable
        ]
    if compressors and not usable:
        text = "The compressor named may not be used, so the one described was not reckoned with."
        label = compressors[0].label or ""
        return None, [LeftOut(what="compressor", label=label, code="compressor-not-usable", text=text)]
    return Compressor(rate_scfm=given.rate_scfm, maximum_psi=given.maximum_psi), []


async def _fill_rate(
    request: AnyRequest, given: int | None, question: Judged | None, at: datetime
) -> tuple[int, tuple[AdviceView, ...]]:
    """Return the fastest rise allowed: what was given, never above the department's, else the rules' greatest rate.

    A compressor alone would be reckoned to fill a small cylinder in a minute or two, which nobody should do.
    """
    if given is not None:
        by_policy = None if question is None else question.policy.fill_rate_max_psi_per_minute
        return given if by_policy is None else min(given, by_policy), ()
    if question is None:
        parts = parts_of(request)
        rulebook = await parts.rulebooks.current(parts.database.lookups)
        policy = PolicySet(department_id=COUNTY_ID)
        question = Judged(department_id=COUNTY_ID, at=at, time_zone=NO_STATION_ZONE, policy=policy, rulebook=rulebook)
    rate = fill_rate_max_psi_per_minute(Case(question))
    text = f"No fill rate was given: times are reckoned at {rate} psi a minute, the greatest rate of an ordinary fill."
    return rate, (AdviceView(code="fill-rate-assumed", text=text, source=FILL_RATE.source),)


async def _planned(
    body: FillPlanRequest,
    connections: Sequence[Connection],
    compressor: Compressor | None,
    supply: TakenSupply,
    fill_rate_psi_per_minute: int,
) -> FillPlan:
    plan = await calculated(
        partial(
            plan_fills,
            connections,
            Supply(compressor=compressor, bottles=tuple(taken.bottle for taken in supply.bottles)),
            temperature_f=body.temperature_f,
            gas_temperature_f=body.gas_temperature_f,
            fill_rate_psi_per_minute=fill_rate_psi_per_minute,
        )
    )
    if isinstance(plan, OutsideTable):
        raise outside_table(plan)
    return plan


def _not_judged(connections: Sequence[ReadConnection], member_id: uuid.UUID | None) -> list[LeftOut]:
    """Say what the judgement was not asked, so that nobody takes the plan for a permit."""
    by_numbers = [read.label for read in connections if read.question is None]
    found: list[LeftOut] = []
    if by_numbers:
        text = (
            "Given by numbers, so neither marks, dates nor holds were judged. Read what is stamped on them: "
            + ", ".join(by_numbers)
        )
        found.append(LeftOut(what="record", label="", code="given-by-numbers", text=text[:2_000]))
    if member_id is None and len(by_numbers) < len(connections):
        text = "Nobody was named, so whether a member may fill was not asked."
        found.append(LeftOut(what="member", label="", code="member-not-asked", text=text))
    return found


HANDLERS: list[HTTPRouteHandler] = [make_fill_plan]
