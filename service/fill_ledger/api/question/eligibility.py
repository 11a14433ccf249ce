"""`/v1/eligibility`: may this cylinder be filled here, now, by this member, to what pressure, and why not."""

import asyncio
from datetime import datetime
from functools import lru_cache

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import (
    KeyStanding,
    Principal,
    count_failure,
    presented_key_digest,
    principal_of,
    require_right,
)
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest, decode_body
from fill_ledger.api.http.operations import (
    DOORKEEPER_KEY,
    OPERATION_KEY,
    BodyDescription,
    answer,
    get,
    post,
)
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.rate_limits import address_key, refuse_if_limited
from fill_ledger.api.http.request_context import context_of
from fill_ledger.api.parts import Parts, parts_of
from fill_ledger.api.question.eligibility_answer import answer_of
from fill_ledger.api.question.eligibility_request import Question, read_question
from fill_ledger.api.question.eligibility_types import (
    ANSWER_EXAMPLE,
    BODY_EXAMPLE,
    EligibilityAnswer,
    EligibilityBody,
    EligibilityQuery,
)
from fill_ledger.api.question.judged_question import judged_question, policy_at, which_cylinder
from fill_ledger.ledger.ledger_token import LedgerPosition
from fill_ledger.trade.identifiers import COUNTY_ID
from fill_ledger.trade.judgement import judge
from fill_ledger.views.questions import Asked, Gathered, KeyRow

BODY_LIMIT_BYTES = 8 * 1024
LONGEST_WAIT_FOR_LEDGER_S = 0.25
"""A process that lags catches up within this, or the station had better ask again than stand waiting."""
WAIT_BETWEEN_READS_S = 0.02
RETRY_BEHIND_S = 1
REMEMBERED_ADDRESSES = 1_024
"""Stations keep their addresses; reading one anew costs as much as several rules."""

_ANSWER = answer(EligibilityAnswer, "The question was answered: permit or deny.", example=ANSWER_EXAMPLE)
_PROBLEMS = (problem_types.LEDGER_BEHIND, problem_types.NOT_FOUND)


@get(
    "/v1/eligibility",
    right=rights.ELIGIBILITY_ASK,
    tag="eligibility",
    summary="Ask whether a cylinder may be filled",
    answers=_ANSWER,
    problems=_PROBLEMS,
    admits_itself=True,
)
async def ask_eligibility(request: AnyRequest, query: EligibilityQuery) -> EligibilityAnswer:
    """Say whether a cylinder may be filled here and now, to what pressure, and every reason why not.

    Name the cylinder by exactly one of `tag`, `cylinder_id`, `inventory_number` and `serial`. A controller's key names
    the station; every other key passes `station_id`. A cylinder that is not known, or not plain, is answered with a
    denial: the question was answered. With `gas_temperature_f` a permit tells in
    `stop_at_psi` at which gauge reading to stop, so that the cylinder settles to `fill_limit_psi` at 70 F.
    """
    return await _answer(request, query)


@post(
    "/v1/eligibility",
    right=rights.ELIGIBILITY_ASK,
    tag="eligibility",
    summary="Ask, also about a cylinder that nobody has registered",
    answers=_ANSWER,
    problems=(*_PROBLEMS, problem_types.INVALID_BODY, problem_types.MALFORMED_JSON),
    admits_itself=True,
    bodies=(
        BodyDescription(
            media_type="application/json",
            description="The question.",
            content_type=EligibilityBody,
            example=BODY_EXAMPLE,
        ),
    ),
    body_limit_bytes=BODY_LIMIT_BYTES,
)
async def ask_eligibility_with_body(request: AnyRequest) -> EligibilityAnswer:
    """Take the same question as a body, and `cylinder_as_marked`: what is stamped on a cylinder nobody registered.

    The marks count only where no registered cylinder answers to the subject or, without one, to the stamped serial.
    Nothing is recorded.
    """
    try:
        body = await decode_body(request, EligibilityBody, limit_bytes=BODY_LIMIT_BYTES)
    except Problem:
        await _admit_by_doorkeeper(request)
        raise
    return await _answer(request, body)


async def _answer(request: AnyRequest, asked: EligibilityQuery) -> EligibilityAnswer:
    parts = parts_of(request)
    digest = _presented_digest(request)
    try:
        question = read_question(asked, parts.member_sessions)
    except Problem:
        # Whoever presents no good key is told that first, and is counted.
        await _admit_by_doorkeeper(request)
        raise
    wanted = Asked(
        key_digest=digest,
        station_id=asked.station_id,
        subject_kind=question.subject_kind,
        value=question.value,
        member_id=question.member_id,
    )
    gathered = await parts.questions.read(wanted)
    principal = _admit(request, parts, gathered)
    _check_station(question, principal, gathered)
    if question.min_ledger is not None and not _has_come_to(question.min_ledger, gathered):
        gathered = await _wait_for_ledger(parts, wanted, question.min_ledger)
    at = asked.at or gathered.asked_at
    policy = policy_at(gathered, at)
    resolved = await which_cylinder(parts, wanted, question, gathered, policy, at)
    judged = judged_question(question, gathered, policy, resolved, at)
    return answer_of(parts, principal, question, gathered, resolved, judged, judge(judged, explain=asked.explain))


_address_key = lru_cache(maxsize=REMEMBERED_ADDRESSES)(address_key)


def _address(request: AnyRequest) -> str:
    return _address_key(request.client.host if request.client else None)


def _presented_digest(request: AnyRequest) -> bytes:
    try:
        return presented_key_digest(request)
    except Problem:
        count_failure(parts_of(request), _address(request))
        raise


async def _admit_by_doorkeeper(request: AnyRequest) -> None:
    """Check the key by itself, for a request that will not come to a look-up."""
    stated = request.scope["route_handler"].opt[OPERATION_KEY]
    await request.app.state[DOORKEEPER_KEY].admit(request, stated)


def _admit(request: AnyRequest, parts: Parts, gathered: Gathered) -> Principal:
    """Return who asks, by what the look-up found of the key; counted as the doorkeeper counts.

    Raises:
        Problem: 401, 403 or 429.
    """
    try:
        principal = principal_of(None if gathered.key is None else _standing(gathered.key, gathered.checked_at))
    except Problem:
        count_failure(parts, _address(request))
        raise
    context = context_of(request.scope)
    context.principal_id = str(principal.principal_id)
    outcome = parts.principal_limiter.charge(context.principal_id)
    context.add_answer_headers(outcome.headers())
    refuse_if_limited(outcome)
    require_right(principal, rights.ELIGIBILITY_ASK)
    return principal


def _standing(key: KeyRow, checked_at: datetime) -> KeyStanding:
    return KeyStanding(
        key_id=key.key_id,
        principal_id=key.principal_id,
        role=key.role,
        department_ids=key.department_ids,
        station_id=key.station_id,
        scopes=key.scopes,
        ends_at=key.ends_at,
        revoked_at=key.revoked_at,
        deactivated_at=key.deactivated_at,
        checked_at=checked_at,
    )


def _check_station(question: Question, principal: Principal, gathered: Gathered) -> None:
    """Refuse what does not fit the station the question is asked for.

    Raises:
        Problem: 403 where a controller names another station; 404 where the key knows no such station; 400 or 422 for
            a station not named, and for a session or a token that belongs elsewhere.
    """
    asked, faults = question.asked, question.faults
    if principal.station_id is not None and asked.station_id not in (None, principal.station_id):
        raise Problem(problem_types.NOT_PERMITTED, "A controller asks for its own station only.")
    station_id = principal.station_id or asked.station_id
    if station_id is None:
        faults.add("station_id", "missing", "Name the station: this key is not a station's own.")
    elif gathered.department_id is None:
        raise Problem(problem_types.NOT_FOUND, "No station has this id.")
    else:
        session = question.session
        if session is not None and (session.station_id, session.department_id) != (station_id, gathered.department_id):
            faults.add("member_session", "elsewhere", "The member was identified at another station.")
        # What the rules go by stands in the county's ledger: its token may be asked for anywhere.
        ledgers = (gathered.department_id, COUNTY_ID)
        if question.min_ledger is not None and question.min_ledger.department_id not in ledgers:
            faults.add("min_ledger", "elsewhere", "The token is of another department's ledger than the station's.")
    faults.refuse_any()


def _has_come_to(token: LedgerPosition, gathered: Gathered) -> bool:
    position = gathered.county_position if token.department_id == COUNTY_ID else gathered.position
    return position >= token.position


async def _wait_for_ledger(parts: Parts, wanted: Asked, token: LedgerPosition) -> Gathered:
    """Read again until the ledger has come as far as the caller has seen it, for a short time.

    Raises:
        Problem: 503 ledger-behind.
    """
    try:
        async with asyncio.timeout(LONGEST_WAIT_FOR_LEDGER_S):
            while True:
                await asyncio.sleep(WAIT_BETWEEN_READS_S)
                gathered = await parts.questions.read(wanted)
                if _has_come_to(token, gathered):
                    return gathered
    except TimeoutError:
        raise Problem(
            problem_types.LEDGER_BEHIND,
            "The ledger here has not come as far as min_ledger.",
            headers={"Retry-After": str(RETRY_BEHIND_S)},
        ) from None


HANDLERS: list[HTTPRouteHandler] = [ask_eligibility, ask_eligibility_with_body]
