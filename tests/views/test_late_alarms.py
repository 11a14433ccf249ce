"""A station that was cut off sends what it kept, the newest first: folded anew once for many facts, and none missed."""

import uuid
from typing import Any

import pytest

from fill_ledger.database import Database
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.stations import AlarmEnded, AlarmRaised
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.views.check import check_views
from fill_ledger.views.folding import Folding
from tests.support.ledgers import claim_of, days_ago, open_ledger

STATION_ID = uuid.UUID(int=0xA7)
STATION = Subject(SubjectKind.STATION, STATION_ID)
MANY = 60


@pytest.fixture
def folded_anew(monkeypatch: pytest.MonkeyPatch) -> list[Subject]:
    """The subjects that are folded anew, one after the other."""
    found: list[Subject] = []
    refold = Folding._refold

    async def noted(self: Folding, subject: Subject) -> None:
        found.append(subject)
        await refold(self, subject)

    monkeypatch.setattr(Folding, "_refold", noted)
    return found


def alarms(number: int, **given: Any) -> AlarmRaised:
    return AlarmRaised(station_id=STATION_ID, alarm_id=uuid.UUID(int=number), alarm_kind="carbon monoxide", **given)


async def test_many_late_alarms_are_folded_at_once(
    database: Database, database_url: str, folded_anew: list[Subject]
) -> None:
    async with open_ledger(database) as ledger:
        claims = [claim_of(alarms(number), occurred_at=days_ago(1 + number)) for number in range(MANY)]
        await ledger.take(*claims)
        assert folded_anew == [STATION]
        kept = (await ledger.state(STATION)).alarms
        assert [alarm.alarm_id.int for alarm in kept] == list(reversed(range(MANY)))
        assert (await check_views(database_url)).verdict == "sound"


async def test_a_fill_among_late_alarms_is_judged_by_those_before_it(
    database: Database, database_url: str, folded_anew: list[Subject]
) -> None:
    async with open_ledger(database) as ledger:
        ended = AlarmEnded(station_id=STATION_ID, alarm_id=uuid.UUID(int=1))
        fill = Filled(station_id=STATION_ID, end_psi=2000)
        first = claim_of(fill, occurred_at=days_ago(3))
        second = claim_of(fill, occurred_at=days_ago(3))
        await ledger.take(
            claim_of(ended, occurred_at=days_ago(1)),
            claim_of(alarms(1), occurred_at=days_ago(2)),
            first,
            claim_of(alarms(2), occurred_at=days_ago(4)),
            second,
        )
        assert folded_anew == [STATION, STATION]
        rows = await ledger.fetch("SELECT event_id FROM views.finding WHERE code = 'air-alarm-open'")
        assert [row["event_id"] for row in rows] == [second.event_id]
        assert (await check_views(database_url)).verdict == "sound"
