"""A review and whatever else happens to its finding at the same moment: whichever is first, the row ends the same."""

import functools
import uuid

import asyncpg
import pytest

from fill_ledger.database import Database
from fill_ledger.intake.claims import Claim
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import TagPaired
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.findings import FindingReopened, FindingReviewed
from fill_ledger.trade.identifiers import finding_id, finding_subject
from fill_ledger.views.check import check_views
from tests.support.ledgers import Ledger, claim_of, days_ago, interfere, open_ledger, registration

TAG = "iso15693:E004010000000C71"
CODE = "member-unknown"


def review_of(fill: Claim, cause: str = "training") -> Claim:
    body = FindingReviewed(
        finding_id=finding_id(fill.event_id, CODE),
        about_event_id=fill.event_id,
        cause=cause,  # type: ignore[arg-type]  # one of the causes
    )
    return claim_of(body)


async def row_of(ledger: Ledger, fill: Claim) -> tuple[object, ...]:
    (row,) = await ledger.fetch(
        "SELECT standing, cause, reviewed_at IS NOT NULL, cylinder_id FROM views.finding WHERE finding_id = $1",
        finding_id(fill.event_id, CODE),
    )
    return tuple(row)


async def crossing(
    database: Database, monkeypatch: pytest.MonkeyPatch, fill: Claim, first: Claim, second: Claim
) -> tuple[int, tuple[object, ...]]:
    """Let the second be read for before the first is written; return how often it was tried, and the finding's row."""
    async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
        await ledger.record(registration(uuid.UUID(int=7)), occurred_at=days_ago(20))
        await ledger.take(fill)
        with monkeypatch.context() as patched:
            tried = interfere(patched, functools.partial(winner.take, first))
            recorded = await ledger.take(second)
        assert [outcome.outcome for outcome in recorded.outcomes] == ["created"]
        return len(tried), await row_of(ledger, fill)


@pytest.mark.parametrize("review_is_first", [True, False])
async def test_a_review_and_a_retraction_that_cross_leave_the_finding_cleared(
    database: Database, monkeypatch: pytest.MonkeyPatch, database_url: str, review_is_first: bool
) -> None:
    fill = claim_of(Filled(end_psi=2000), occurred_at=days_ago(1))
    retraction = claim_of(EventRetracted(retracted_event_id=fill.event_id, reason="typed twice"))
    both = (review_of(fill), retraction) if review_is_first else (retraction, review_of(fill))
    tries, row = await crossing(database, monkeypatch, fill, *both)
    assert (tries, row) == (2, ("cleared", "training", True, None))
    assert (await check_views(database_url)).verdict == "sound"


@pytest.mark.parametrize("review_is_first", [True, False])
async def test_a_review_and_a_pairing_that_cross_both_stand_in_the_row(
    database: Database, monkeypatch: pytest.MonkeyPatch, database_url: str, review_is_first: bool
) -> None:
    fill = claim_of(Filled(tag=TAG, end_psi=2000), occurred_at=days_ago(1))
    pairing = claim_of(TagPaired(cylinder_id=uuid.UUID(int=7), tag=TAG), occurred_at=days_ago(10))
    both = (review_of(fill), pairing) if review_is_first else (pairing, review_of(fill))
    tries, row = await crossing(database, monkeypatch, fill, *both)
    assert (tries, row) == (2, ("reviewed", "training", True, uuid.UUID(int=7)))
    assert (await check_views(database_url)).verdict == "sound"


async def test_of_two_reviews_that_cross_one_is_refused(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    async with open_ledger(database) as ledger, open_ledger(database, ledger.department_id) as winner:
        fill = claim_of(Filled(end_psi=2000), occurred_at=days_ago(1))
        await ledger.take(fill)
        interfere(monkeypatch, functools.partial(winner.take, review_of(fill)))
        recorded = await ledger.take(review_of(fill, "equipment"))
        assert [refusal.code for refusal in recorded.outcomes[0].refusals] == ["finding-reviewed"]
        assert await row_of(ledger, fill) == ("reviewed", "training", True, None)


async def test_fact_review_and_reopening_of_one_unit_fold_as_one_by_one(database: Database, database_url: str) -> None:
    fill = claim_of(Filled(end_psi=2000), occurred_at=days_ago(1))
    identifier = finding_id(fill.event_id, CODE)
    reopening = claim_of(FindingReopened(finding_id=identifier, about_event_id=fill.event_id, reason="once more"))
    async with open_ledger(database) as ledger:
        recorded = await ledger.take(fill, review_of(fill), reopening, review_of(fill, "equipment"))
        assert {outcome.outcome for outcome in recorded.outcomes} == {"created"}
        assert await row_of(ledger, fill) == ("reviewed", "equipment", True, None)
        state = await ledger.state(finding_subject(identifier))
        assert [(review.cause, review.reopened_at is None) for review in state.reviews] == [
            ("training", False),
            ("equipment", True),
        ]
    assert (await check_views(database_url)).verdict == "sound"


async def test_a_finding_of_another_event_or_code_is_refused_by_the_ledger_itself(database: Database) -> None:
    async with open_ledger(database) as ledger:
        fill = claim_of(Filled(end_psi=2000), occurred_at=days_ago(1))
        other = claim_of(Filled(end_psi=2100), occurred_at=days_ago(1))
        await ledger.take(fill, other)
        for identifier, about in (
            (finding_id(fill.event_id, CODE), other.event_id),
            (finding_id(fill.event_id, "on-hold"), fill.event_id),
            (finding_id(fill.event_id, CODE), uuid.uuid4()),
        ):
            body = FindingReviewed(finding_id=identifier, about_event_id=about, cause="training")
            recorded = await ledger.record(body)
            assert [refusal.code for refusal in recorded.outcomes[0].refusals] == ["finding-unknown"]


async def test_the_checker_notices_a_review_that_nobody_made(
    database: Database, database_url: str, owner_connection: asyncpg.Connection
) -> None:
    async with open_ledger(database) as ledger:
        await ledger.take(claim_of(Filled(end_psi=2000), occurred_at=days_ago(1)))
    await owner_connection.execute("UPDATE views.finding SET standing = 'reviewed' WHERE code = $1", CODE)
    report = await check_views(database_url)
    assert (report.verdict, report.counts) == ("mismatch", {"finding": 1})
