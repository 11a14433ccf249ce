"""What comes due about an air source and a member: by use, by the stations named, whatever else the question holds."""

import uuid
from datetime import UTC, datetime

from fill_ledger.trade.due import air_source_outlooks, member_outlooks
from tests.trade.rules.questions import (
    AT,
    NEIGHBOUR_ID,
    OTHER_SOURCE_ID,
    WITHIN_NFPA,
    authorisation,
    member,
    policy,
    question,
    sample,
    source,
)

UNTIL = datetime(2026, 12, 1, tzinfo=UTC)
LATER = datetime(2026, 6, 20, 9, 30, tzinfo=UTC)
FIRST, SECOND = uuid.UUID(int=11), uuid.UUID(int=12)


def test_an_air_source_is_asked_for_each_use_by_the_standard_of_that_use() -> None:
    """CGA Grade E, summaries (secondary): oxygen at most 22 %; NFPA 1989-2019, from memory: 23.5 %."""
    asked = question(policy=policy(air_standard="NFPA 1989-2019", scuba_air_standard="CGA Grade E"))
    air = source(sample("2026-06-01", results=WITHIN_NFPA | {"oxygen": "22.5"}))
    outlooks = {one.uses: one.outlook.decision for one in air_source_outlooks(asked, air, UNTIL)}
    assert outlooks == {("scba", "storage"): "permit", ("scuba",): "deny"}


def test_an_air_source_is_asked_alone_whichever_the_question_names() -> None:
    """The question is about a moment and a policy; another source that it names has no part in the answer."""
    asked = question(air_sources=(source(source_id=OTHER_SOURCE_ID),), air_source_id=OTHER_SOURCE_ID)
    failed = source(sample("2026-06-02", "fail"))
    (outlook,) = air_source_outlooks(asked, failed, UNTIL)
    assert [reason.code for reason in outlook.outlook.denials] == ["air-sample-failed"]
    (good,) = air_source_outlooks(asked, source(), UNTIL)
    # Sampled 1 June, every 92 days: through 1 September, and New York is four hours behind UTC.
    assert good.outlook.stopping is not None
    assert good.outlook.stopping.at == datetime(2026, 9, 2, 4, tzinfo=UTC)


def test_a_bank_that_goes_by_its_compressor_is_due_with_it() -> None:
    bank = source(source_id=OTHER_SOURCE_ID, label="Bank A", air_source_kind="storage_bank", samples=[])
    asked = question(policy=policy(bank_needs_own_sample=False), air_sources=(), station_air_sources=(source(),))
    (good,) = air_source_outlooks(asked, bank, UNTIL)
    assert good.outlook.stopping is not None
    assert good.outlook.stopping.at == datetime(2026, 9, 2, 4, tzinfo=UTC)
    (own,) = air_source_outlooks(question(station_air_sources=(source(),)), bank, UNTIL)
    assert [reason.code for reason in own.outlook.denials] == ["air-sample-due"]


def test_an_authorisation_that_ends_at_the_moment_is_over() -> None:
    """Half open: it holds no more at the instant at which it ends."""
    known = member(authorisation("scuba", ends_at=AT), authorisation("scba", starts_at=AT))
    assert [one.uses for one in member_outlooks(question(), known, UNTIL, {})] == [("scba",)]
    still = member(authorisation("scuba", ends_at=LATER), authorisation("scba", starts_at=LATER))
    assert [one.uses for one in member_outlooks(question(), still, UNTIL, {})] == [("scba",), ("scuba",)]


def test_stations_that_different_authorisations_name_are_told_apart() -> None:
    """The second takes the place of the first at `LATER`, so each station has its own days."""
    known = member(
        authorisation("scba", station_ids=(FIRST,), ends_at=LATER),
        authorisation("scba", station_ids=(SECOND,), starts_at=LATER),
    )
    outlooks = {one.station_ids: one.outlook for one in member_outlooks(question(), known, UNTIL, {})}
    assert set(outlooks) == {(FIRST,), (SECOND,)}
    assert outlooks[(FIRST,)].decision == "permit"
    stopping = outlooks[(FIRST,)].stopping
    assert stopping is not None
    assert (stopping.at, stopping.denials[0].code) == (LATER, "member-not-authorised-here")
    assert [reason.code for reason in outlooks[(SECOND,)].denials] == ["member-not-authorised-here"]
    assert outlooks[(SECOND,)].stops == ()


def test_an_authorisation_ends_by_the_calendar_of_each_station_it_names() -> None:
    """Its last day is 30 June: midnight comes to New York at 04:00 UTC and to Los Angeles at 07:00 (IANA database)."""
    known = member(authorisation("scba", station_ids=(FIRST, SECOND), through="2026-06-30"))
    zones = {SECOND: "America/Los_Angeles", NEIGHBOUR_ID: "Asia/Tokyo"}
    outlooks = {one.station_ids: one.outlook for one in member_outlooks(question(), known, UNTIL, zones)}
    ends = {stations: outlook.stopping and outlook.stopping.at for stations, outlook in outlooks.items()}
    assert ends == {
        (FIRST,): datetime(2026, 7, 1, 4, tzinfo=UTC),
        (SECOND,): datetime(2026, 7, 1, 7, tzinfo=UTC),
    }
