"""Asked again with what was known then, a decision is what it was, whatever came before and after it."""

import asyncio
from collections.abc import Sequence
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fill_ledger.database import Database
from fill_ledger.intake import attempt, hindsight, reading
from fill_ledger.intake.asking_again import AskedAgain, ask_again, compare
from fill_ledger.intake.claims import Claim
from fill_ledger.intake.neighbours import NONE_FOUND, Neighbours
from fill_ledger.ledger.read import events_after, seeing
from fill_ledger.trade.events.envelope import Judged
from fill_ledger.trade.events.fills import Filled, FillSource
from fill_ledger.trade.identifiers import derived_id
from fill_ledger.trade.rulebook import SHIPPED
from tests.intake import test_orders as drawn
from tests.support.ledgers import claim_of, open_ledger

EXAMPLES = 15
FILLS = st.lists(
    st.builds(
        Filled,
        cylinder_id=st.none() | drawn.cylinder_ids,
        tag=drawn.tags,
        member_id=st.just(drawn.MEMBER),
        sources=st.just((FillSource(air_source_id=drawn.SOURCE),)),
        station_id=st.just(drawn.STATION),
        end_psi=st.integers(0, 5000),
    ),
    min_size=3,
    max_size=5,
)


@pytest.fixture
def everything_accepted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every office entry in, and let no ledger take another's cylinder for a neighbour's."""
    monkeypatch.setattr(attempt, "refusals", lambda body, known, moment: [])

    async def nobody(*_arguments: object) -> Neighbours:
        return NONE_FOUND

    monkeypatch.setattr(reading, "find_neighbours", nobody)
    monkeypatch.setattr(hindsight, "find_neighbours", nobody)


async def _check(database: Database, batches: Sequence[Sequence[Claim]]) -> int:
    async with open_ledger(database) as ledger, database.lookups.acquire() as connection:
        for batch in batches:
            await ledger.take(*batch)
        async with seeing(connection, (ledger.department_id,)):
            recorded = await events_after(connection, ledger.department_id, 0)
        judged = 0
        for known in recorded:
            asked = await ask_again(connection, known, SHIPPED, ledger.vault.permit_references)
            if isinstance(known.event.body, Filled) and known.event.judgement is not None:
                assert asked is not None
                assert asked.same_facts == known.event.judgement == asked.recorded
                assert asked.comparison in ("same", "changed-by-facts")
                judged += 1
            else:
                assert asked is None
        return judged


async def test_the_facts_of_then_give_the_answer_of_then(database: Database, everything_accepted: None) -> None:
    """Any histories in any batches: late facts, pairings, retractions before and after the fills they bear on."""
    loop = asyncio.get_running_loop()
    judged: list[int] = []

    @settings(
        max_examples=EXAMPLES,
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
        deadline=None,
    )
    @given(data=st.data())
    def after_any_history(data: st.DataObject) -> None:
        history = data.draw(drawn.facts())
        for place, body in enumerate(data.draw(FILLS)):
            day = timedelta(days=data.draw(st.integers(0, 12)))
            history.append(claim_of(body, derived_id("test fill", place), occurred_at=drawn.START + day))
        batches = data.draw(drawn.arrivals(history))
        judged.append(asyncio.run_coroutine_threadsafe(_check(database, batches), loop).result())

    await asyncio.to_thread(after_any_history)
    assert sum(judged) > EXAMPLES


def _judged(*reasons: str, limit_psi: int | None = None, version: str = "one") -> Judged:
    return Judged(
        decision="deny" if limit_psi is None else "permit",
        code=reasons[0] if reasons else "ok",
        rules_version=version,
        reasons=reasons,
        fill_limit_psi=limit_psi,
    )


def test_answers_are_told_apart_by_what_they_say_not_by_order_or_version() -> None:
    one, turned = _judged("on-hold", "condemned"), _judged("condemned", "on-hold", version="two")
    assert compare(one, turned, one).comparison == "same"
    assert compare(one, one, _judged("on-hold")).comparison == "changed-by-facts"
    assert compare(_judged(limit_psi=2216), _judged(limit_psi=2215), _judged(limit_psi=2215)) == AskedAgain(
        recorded=_judged(limit_psi=2216),
        same_facts=_judged(limit_psi=2215),
        todays_facts=_judged(limit_psi=2215),
        comparison="changed-by-rules",
        by_rules={"fill-limit": compare(one, one, one).by_facts},
        by_facts=compare(one, one, one).by_facts,
    )
    both = compare(_judged("a-code-of-old"), _judged("over-fill-limit", limit_psi=2216), _judged(limit_psi=2216))
    assert both.comparison == "changed-by-both"
    assert {rule: (changed.came, changed.went) for rule, changed in both.by_rules.items()} == {
        "after-the-fact": (("over-fill-limit",), ()),
        "earlier-rules": ((), ("a-code-of-old",)),
    }
    assert both.by_facts.went == ("over-fill-limit",)
