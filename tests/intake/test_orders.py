"""The same accepted facts give the same state, in whatever order and in whatever batches they arrive."""

import asyncio
import uuid
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

import asyncpg
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fill_ledger.database import Database
from fill_ledger.intake import attempt, reading
from fill_ledger.intake.claims import Claim
from fill_ledger.intake.neighbours import NONE_FOUND, Neighbours
from fill_ledger.trade.events import air, cylinders, fills, findings, members, stations
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.identifiers import derived_id, finding_id
from fill_ledger.views.check import check_views
from fill_ledger.views.digests import state_digest, state_lines
from tests.support.ledgers import Ledger, claim_of, open_ledger, registration

EXAMPLES = 25
TAG_TEXTS = ("iso15693:E004010000000D01", "iso15693:E004010000000D02")
CYLINDERS = tuple(uuid.UUID(int=0xC0 + number) for number in range(3))
MEMBER, STATION, SOURCE, HOLD = (uuid.UUID(int=number) for number in (0xA1, 0xA2, 0xA3, 0xA4))
START = datetime(2024, 3, 1, 12, tzinfo=UTC)

cylinder_ids = st.sampled_from(CYLINDERS)
tags = st.sampled_from(TAG_TEXTS)
alarms = st.sampled_from([uuid.UUID(int=0xA5), uuid.UUID(int=0xA6)])
days = st.sampled_from(["2025-01-02", "2025-01-03"])
outcomes = st.sampled_from(["pass", "rejected", "condemned"])
bodies: st.SearchStrategy[Body] = st.one_of(
    # What moves fills from one cylinder to another is drawn most often.
    st.builds(cylinders.TagPaired, cylinder_id=cylinder_ids, tag=tags),
    st.builds(cylinders.TagUnpaired, cylinder_id=cylinder_ids, tag=tags),
    st.builds(fills.Filled, tag=tags, end_psi=st.integers(0, 5000)),
    st.builds(fills.FilledByHand, tag=tags, end_psi=st.integers(0, 5000)),
    st.builds(fills.Filled, cylinder_id=cylinder_ids, tag=st.none() | tags, end_psi=st.integers(0, 5000)),
    st.builds(fills.FillStarted, tag=tags),
    st.builds(fills.FillDenied, tag=tags, code=st.just("on-hold")),
    st.builds(fills.PressureRead, cylinder_id=st.none() | cylinder_ids, tag=tags, pressure_psi=st.just(1000)),
    st.builds(
        cylinders.CylinderRequalified,
        cylinder_id=cylinder_ids,
        stamp=st.builds(
            cylinders.RequalificationStamp, month=st.sampled_from(["2024-03", "2024-04"]), outcome=outcomes
        ),
    ),
    st.builds(
        cylinders.CylinderInspected,
        cylinder_id=cylinder_ids,
        inspection_kind=st.just("monthly"),
        outcome=st.sampled_from(["pass", "fail"]),
        note=st.none() | st.just("a scratch"),
    ),
    st.builds(
        cylinders.CylinderHeld,
        cylinder_id=cylinder_ids,
        hold_id=st.just(HOLD),
        hold_kind=st.just("damage"),
        reason=st.just("a dent"),
    ),
    st.builds(
        cylinders.CylinderHoldReleased, cylinder_id=cylinder_ids, hold_id=st.just(HOLD), reason=st.just("looked at")
    ),
    st.builds(cylinders.CylinderCondemned, cylinder_id=cylinder_ids, reason=st.just("cracked")),
    st.builds(
        cylinders.CylinderLifeExtended,
        cylinder_id=cylinder_ids,
        extension=st.builds(
            cylinders.LifeExtension, permit=st.just("DOT-SP 99999"), through=st.sampled_from(["2030-03", "2035-03"])
        ),
    ),
    st.builds(registration, cylinder_ids),
    st.builds(members.MemberEnrolled, member_id=st.just(MEMBER), personal=st.just('{"name":"Avery Example"}')),
    st.builds(members.MemberAuthorised, member_id=st.just(MEMBER), kinds=st.sampled_from([(), ("scba",)])),
    st.builds(members.MemberDeactivated, member_id=st.just(MEMBER)),
    st.builds(members.MemberReactivated, member_id=st.just(MEMBER)),
    st.builds(members.MemberTrained, member_id=st.just(MEMBER), trained_on=days),
    st.builds(stations.StationClosed, station_id=st.just(STATION), reason=st.just("flood")),
    st.builds(stations.StationOpened, station_id=st.just(STATION)),
    st.builds(
        stations.AlarmRaised,
        station_id=st.just(STATION),
        alarm_id=alarms,
        alarm_kind=st.just("carbon monoxide"),
        air_source_id=st.none() | st.just(SOURCE),
    ),
    st.builds(
        stations.AlarmEnded, station_id=st.just(STATION), alarm_id=alarms, reason=st.none() | st.just("intake moved")
    ),
    st.builds(air.CompressorHoursRead, air_source_id=st.just(SOURCE), run_time_tenths_h=st.integers(0, 99)),
    st.builds(air.FilterChanged, air_source_id=st.just(SOURCE)),
    st.builds(
        air.AirSourceSampled,
        air_source_id=st.just(SOURCE),
        sample_id=st.uuids(version=4),
        taken_on=days,
        verdict=st.sampled_from(["pass", "fail"]),
        standard=st.just("NFPA 1989"),
    ),
    st.builds(air.CoMonitorCalibrated, air_source_id=st.just(SOURCE), calibrated_on=days, due_on=st.none() | days),
)


def _review(code: str, cause: findings.ReviewCause, note: str | None) -> Callable[[uuid.UUID], Body]:
    return lambda event_id: findings.FindingReviewed(
        finding_id=finding_id(event_id, code), about_event_id=event_id, cause=cause, note=note
    )


def _reopening(code: str) -> Callable[[uuid.UUID], Body]:
    return lambda event_id: findings.FindingReopened(
        finding_id=finding_id(event_id, code), about_event_id=event_id, reason="once more"
    )


# Nearly every fill drawn has one of these findings; what is said of one that is not there must do no harm.
codes = st.sampled_from(["member-unknown", "cylinder-unknown", "look-over-not-done"])
answers: st.SearchStrategy[Callable[[uuid.UUID], Body]] = st.one_of(
    st.builds(_review, codes, st.sampled_from(["training", "equipment"]), st.none() | st.just("shown how")),
    st.builds(_reopening, codes),
)


@st.composite
def facts(draw: st.DrawFn) -> list[Claim]:
    """Draw facts that may share a moment, what persons make of the fills among them, and retractions of some."""
    drawn = draw(st.lists(st.tuples(bodies, st.integers(0, 12)), min_size=2, max_size=14))
    # One fill at least, so that there is something to review.
    drawn.append((draw(st.builds(fills.Filled, tag=tags, end_psi=st.integers(0, 5000))), draw(st.integers(0, 12))))
    claims = [
        claim_of(body, derived_id("test fact", place), occurred_at=START + timedelta(days=day))
        for place, (body, day) in enumerate(drawn)
    ]
    filled = [claim for claim in claims if isinstance(claim.body, fills.Filled)]
    made_of_them = draw(
        st.lists(st.tuples(st.sampled_from(filled), answers, st.integers(0, 12)), min_size=1, max_size=6)
    )
    claims += [
        # Some share a moment, some are dated before their fact.
        claim_of(answer(claim.event_id), derived_id("test answer", place), occurred_at=START + timedelta(days=day))
        for place, (claim, answer, day) in enumerate(made_of_them)
    ]
    taken_back = draw(st.lists(st.sampled_from(claims), unique_by=lambda claim: claim.event_id, max_size=4))
    return claims + [
        claim_of(
            EventRetracted(retracted_event_id=claim.event_id, reason="typed twice"),
            derived_id("retraction", claim.event_id),
            occurred_at=START + timedelta(days=20),
        )
        for claim in taken_back
    ]


@st.composite
def arrivals(draw: st.DrawFn, claims: Sequence[Claim]) -> list[list[Claim]]:
    """Draw an order of arrival, cut into batches."""
    ordered = _after_their_facts(draw(st.permutations(claims)))
    cuts = sorted(draw(st.sets(st.integers(1, len(ordered)))) | {len(ordered)})
    return [list(ordered[start:end]) for start, end in zip([0, *cuts], cuts, strict=False) if start < end]


def _after_their_facts(claims: Sequence[Claim]) -> list[Claim]:
    """Let what is made of a finding wait for its fact: before that, nobody has the finding, and it is refused."""
    ordered: list[Claim] = []
    waiting = list(claims)
    while waiting:
        here = {claim.event_id for claim in ordered}
        claim = next(
            known
            for known in waiting
            if not isinstance(known.body, findings.FindingBody) or known.body.about_event_id in here
        )
        waiting.remove(claim)
        ordered.append(claim)
    return ordered


async def _arrive(ledger: Ledger, batches: Sequence[Sequence[Claim]]) -> None:
    for batch in batches:
        recorded = await ledger.take(*batch)
        assert {outcome.outcome for outcome in recorded.outcomes} == {"created"}


async def _digest(ledger: Ledger) -> tuple[bytes, list[bytes]]:
    async with ledger.database.lookups.acquire() as connection:
        lines = [line async for line in state_lines(connection, ledger.department_id)]
        return await state_digest(connection, ledger.department_id), lines


@pytest.fixture
def everything_accepted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every office entry in: whether one is accepted may depend on the order, what is accepted must not."""
    monkeypatch.setattr(attempt, "refusals", lambda body, known, moment: [])

    async def nobody(*_arguments: object) -> Neighbours:
        return NONE_FOUND

    # The ledgers compared have the same cylinders, and must not take each other's for a neighbour's.
    monkeypatch.setattr(reading, "find_neighbours", nobody)


async def _any_order(database: Database, claims: Sequence[Claim], batches: Sequence[Sequence[Claim]]) -> None:
    async with open_ledger(database) as first, open_ledger(database) as second:
        # One by one in the order in which things happened, retractions at the end: no refolding but for those.
        in_order = _after_their_facts(sorted(claims, key=lambda claim: (claim.occurred_at or START, claim.event_id)))
        await _arrive(first, [[claim] for claim in in_order])
        await _arrive(second, batches)
        (digest, lines), (other_digest, other_lines) = await _digest(first), await _digest(second)
        assert lines == other_lines
        assert digest == other_digest


async def test_any_order_of_arrival_gives_the_same_state(
    database: Database, database_url: str, everything_accepted: None
) -> None:
    """And at the end a replay of all those ledgers in their own orders finds every view as it stands."""
    loop = asyncio.get_running_loop()

    @settings(
        max_examples=EXAMPLES,
        # A failure is shown as drawn: making it small takes minutes on a database.
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
        deadline=None,
    )
    @given(data=st.data())
    def in_any_order(data: st.DataObject) -> None:
        claims = data.draw(facts())
        batches = data.draw(arrivals(claims))
        asyncio.run_coroutine_threadsafe(_any_order(database, claims, batches), loop).result()

    await asyncio.to_thread(in_any_order)
    connection = await asyncpg.connect(database_url)
    try:
        standings = await connection.fetch("SELECT DISTINCT standing FROM views.finding")
    finally:
        await connection.close()
    # Else what is made of findings was not held against the replay at all.
    assert {"open", "reviewed"} <= {row["standing"] for row in standings}
    report = await check_views(database_url)
    assert (report.verdict, report.faults) == ("sound", [])
