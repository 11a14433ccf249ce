"""The air's source and the member, beyond what one wrong thing shows."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fill_ledger.trade.events.stations import PolicySet
from fill_ledger.trade.judgement import Judgement, judge
from fill_ledger.trade.states.members import Authorisation
from fill_ledger.trade.states.stations import AirSourceState, Sample
from tests.trade.rules.questions import (
    AT,
    EVENT_ID,
    OTHER_SOURCE_ID,
    SOURCE_ID,
    STATION_ID,
    WITHIN_NFPA,
    answer,
    authorisation,
    codes,
    member,
    period,
    policy,
    question,
    sample,
    source,
)

HOUR = timedelta(hours=1)


def test_the_latest_sample_decides() -> None:
    """NFPA 1989 as summarised by a laboratory (secondary): out of use until a retest passes."""
    failed = source(sample("2026-06-01"), sample("2026-06-10", "fail"))
    assert answer(air_sources=(failed,)).code == "air-sample-failed"
    retested = source(sample("2026-06-10", "fail"), sample("2026-06-12"))
    assert answer(air_sources=(retested,)).code == "ok"


def test_two_samples_of_one_day_count_as_failed_if_one_did() -> None:
    """Inference: a sample has a day and no hour, so the pass may have been the earlier one."""
    for pair in (
        (sample("2026-06-10", "fail"), sample("2026-06-10")),
        (sample("2026-06-10"), sample("2026-06-10", "fail")),
    ):
        assert answer(air_sources=(source(*pair),)).code == "air-sample-failed"


def test_a_sample_not_yet_taken_counts_for_nothing() -> None:
    tomorrow = (AT + timedelta(days=1)).date().isoformat()
    assert answer(air_sources=(source(sample(tomorrow, "fail")),)).code == "air-sample-due"
    assert answer(air_sources=(source(sample("2026-06-01"), sample(tomorrow, "fail")),)).code == "ok"


def test_a_passed_sample_does_not_return_a_source_to_service() -> None:
    out = source(sample("2026-06-12"), outages=[period(AT - 24 * HOUR)])
    assert answer(air_sources=(out,)).code == "air-source-out-of-service"
    back = source(outages=[period(AT - 24 * HOUR, AT)])
    assert answer(air_sources=(back,)).code == "ok"


def test_a_planned_end_of_an_outage_is_said_when_asked_about_the_past() -> None:
    back_at = AT + 5 * HOUR
    judged = answer(air_sources=(source(outages=[period(AT - HOUR, back_at)]),))
    assert judged.reasons[0].clears_at == back_at
    assert judged.valid_until == back_at


def test_a_storage_bank_needs_a_sample_of_its_own() -> None:
    bank = source(source_id=OTHER_SOURCE_ID, label="Bank A", air_source_kind="storage_bank", samples=[])
    judged = answer(air_sources=(source(), bank), air_source_id=OTHER_SOURCE_ID)
    assert judged.code == "air-sample-due"
    assert "sample of its own" in judged.reasons[0].text
    assert answer(air_sources=(source(), bank), air_source_id=SOURCE_ID).code == "ok"


BY_COMPRESSOR = policy(bank_needs_own_sample=False)


def bank(*samples: Sample, **fields: Any) -> AirSourceState:
    given: dict[str, Any] = {"label": "Bank A", "air_source_kind": "storage_bank", "samples": list(samples)} | fields
    return source(source_id=OTHER_SOURCE_ID, **given)


def from_bank(*sources: AirSourceState, terms: PolicySet = BY_COMPRESSOR, **fields: Any) -> Judgement:
    return answer(air_sources=sources, air_source_id=OTHER_SOURCE_ID, policy=terms, **fields)


@pytest.mark.parametrize(
    ("of_bank", "of_compressor", "code"),
    [
        ([], [sample("2026-06-01")], "ok"),
        ([], [sample("2026-06-01", "fail")], "air-sample-failed"),
        ([], [sample("2026-01-02")], "air-sample-due"),
        ([sample("2026-01-02")], [sample("2026-06-01")], "ok"),
        ([sample("2026-01-02")], [sample("2026-01-02")], "air-sample-due"),
        # Its own sample comes first: a failed one denies however old, a current one speaks for what is stored.
        ([sample("2026-01-02", "fail")], [sample("2026-06-01")], "air-sample-failed"),
        ([sample("2026-06-02")], [sample("2026-06-01", "fail")], "ok"),
        ([sample("2026-06-02")], [sample("2026-01-02")], "ok"),
        # What is taken tomorrow says nothing today.
        ([], [sample("2026-06-01"), sample("2026-06-16", "fail")], "ok"),
    ],
)
def test_policy_lets_a_bank_go_by_its_compressor(of_bank: list[Sample], of_compressor: list[Sample], code: str) -> None:
    """Sampled between purification and storage: common practice, no source."""
    assert from_bank(source(*of_compressor), bank(*of_bank)).code == code


def test_it_is_said_by_whose_sample_a_bank_went() -> None:
    failed = from_bank(source(sample("2026-06-02", "fail")), bank()).reasons[0]
    assert failed.text.startswith("Bank A goes by Compressor 1, whose air sample of 2026-06-02 failed.")
    assert failed.display_text == "Do not fill. Air sample of Compressor 1 failed 2026-06-02."
    due = from_bank(source(sample("2026-01-02")), bank()).reasons[0]
    assert due.text == (
        "The last air sample of Compressor 1, by which Bank A is judged, was taken 2026-01-02; policy asks for one "
        "every 92 days."
    )
    assert due.display_text == "Do not fill. Air sample of Compressor 1 due: last 2026-01-02."
    never = from_bank(source(samples=[]), bank()).reasons[0]
    assert never.text.startswith("No air sample of Compressor 1, by which Bank A is judged, is on record;")
    assert never.display_text == "Do not fill. Compressor 1 has no air sample."
    alone = from_bank(bank()).reasons[0]
    assert alone.text.endswith("It has no compressor on record to go by.")
    asked = question(air_sources=(source(), bank()), air_source_id=OTHER_SOURCE_ID, policy=BY_COMPRESSOR)
    facts = {told.rule: told.facts for told in judge(asked, explain=True).explanation or ()}["air"]
    assert facts["bank_needs_own_sample"] is False
    assert (facts["source_1_goes_by_1"], facts["source_1_goes_by_1_sample"]) == ("Compressor 1", "2026-06-01")


def test_long_labels_leave_room_for_what_is_wrong() -> None:
    long_bank = bank(label="The storage bank of the north depot")
    for samples in ([sample("2026-06-02", "fail")], [sample("2026-01-02")], []):
        made = source(label="The compressor of the north depot", samples=samples)
        reason = from_bank(made, long_bank).reasons[0]
        assert not reason.text.endswith("...")
        assert not reason.display_text.endswith("...")


def test_only_registered_compressors_of_the_banks_own_station_count() -> None:
    for fields in (
        {"station_id": EVENT_ID},
        {"air_source_kind": "purchased"},
        {"air_source_kind": "storage_bank"},
        {"registered_at": None},
    ):
        assert from_bank(source(**fields), bank()).code == "air-sample-due"
    # The term is about banks: purchased air and compressors need samples of their own.
    assert from_bank(source(), bank(air_source_kind="purchased")).code == "air-sample-due"
    assert from_bank(source(), bank(air_source_kind="compressor")).code == "air-sample-due"


def test_a_bank_goes_by_every_compressor_in_service_and_by_any_that_failed() -> None:
    one = source()
    out: dict[str, Any] = {"source_id": EVENT_ID, "label": "Compressor 2", "outages": [period(AT - HOUR)]}
    assert from_bank(one, source(sample("2026-01-02"), source_id=EVENT_ID), bank()).code == "air-sample-due"
    assert from_bank(one, source(sample("2026-01-02"), **out), bank()).code == "ok"
    assert from_bank(one, source(sample("2026-06-02", "fail"), **out), bank()).code == "air-sample-failed"
    assert from_bank(source(sample("2026-01-02"), **out), bank()).code == "air-sample-due"
    assert from_bank(source(sample("2026-06-02"), **out), bank()).code == "ok"


def test_a_bank_is_judged_by_compressors_that_the_fill_does_not_name() -> None:
    beside: dict[str, Any] = {"every_air_source": True, "station_air_sources": (source(),)}
    assert from_bank(bank(), **beside).code == "ok"
    assert from_bank(bank(), terms=policy(), **beside).code == "air-sample-due"
    until = from_bank(bank(), **beside, at=AT)
    # Sampled 1 June, every 92 days: through 1 September, and New York is four hours behind UTC.
    assert until.valid_until == datetime(2026, 9, 2, 4, tzinfo=UTC)


def test_a_bank_goes_by_its_compressors_figures_too() -> None:
    """NFPA 1989-2019, from memory: carbon monoxide at most 5 ppm."""
    terms = policy(bank_needs_own_sample=False, air_standard="NFPA 1989-2019")
    bad, good = (source(sample("2026-06-01", results=WITHIN_NFPA | {"carbon_monoxide": found})) for found in ("9", "4"))
    over = from_bank(bad, bank(), terms=terms)
    assert (over.code, "Compressor 1" in over.reasons[0].text) == ("air-sample-over-limit", True)
    assert from_bank(good, bank(), terms=terms).code == "ok"
    own = bank(sample("2026-06-01", results=WITHIN_NFPA))
    assert from_bank(bad, own, terms=terms).code == "ok"
    stale = bank(sample("2026-01-02", results=WITHIN_NFPA | {"carbon_monoxide": "9"}))
    assert from_bank(good, stale, terms=terms).code == "air-sample-over-limit"


def test_a_fill_that_drew_from_several_sources_is_judged_by_all() -> None:
    bad = source(sample("2026-06-02", "fail"), source_id=OTHER_SOURCE_ID)
    assert codes(answer(air_sources=(source(), bad), every_air_source=True))[0] == "air-sample-failed"
    assert answer(air_sources=(source(), bad)).code == "air-source-needed"
    good = source(source_id=OTHER_SOURCE_ID)
    assert answer(air_sources=(source(), good), every_air_source=True).code == "ok"


def test_a_source_nobody_registered_is_unknown() -> None:
    assert answer(air_sources=(source(registered_at=None),)).code == "air-source-unknown"
    assert answer(air_source_id=OTHER_SOURCE_ID).code == "air-source-unknown"


def test_the_sample_interval_is_the_policys() -> None:
    """29 CFR 1910.134(i) sets none (OSHA letter, 25 April 1994). The last day counts, by inference: 14 June + 1 day."""
    fresh = (source(sample("2026-06-14")),)
    assert answer(air_sources=fresh, policy=policy(air_sample_interval_days=1)).code == "ok"
    later = answer(air_sources=fresh, policy=policy(air_sample_interval_days=1), at=AT + timedelta(days=1))
    assert later.code == "air-sample-due"


@pytest.mark.parametrize(
    ("authorisations", "code"),
    [
        ([], "member-not-authorised"),
        ([authorisation()], "member-not-authorised"),
        ([authorisation("scba", starts_at=AT + HOUR)], "member-not-authorised"),
        ([authorisation("scba", starts_at=AT)], "ok"),
        ([authorisation("scba", ends_at=AT)], "member-not-authorised"),
        ([authorisation("scba", through="2026-06-15")], "ok"),
        ([authorisation("scba", through="2026-06-14")], "authorisation-ended"),
        ([authorisation("scba", through="2026-06-31")], "ok"),
        ([authorisation("scba", station_ids=(STATION_ID,))], "ok"),
        ([authorisation("scba", station_ids=())], "member-not-authorised-here"),
        ([authorisation("scba", "scuba")], "ok"),
        ([authorisation("storage")], "member-not-authorised"),
    ],
)
def test_authorisations(authorisations: list[Authorisation], code: str) -> None:
    one = member()
    one.authorisations = authorisations
    assert answer(member=one).code == code


def test_a_member_who_left_may_fill_again_once_back() -> None:
    assert answer(member=member(absences=[period(AT - HOUR)])).code == "member-deactivated"
    assert answer(member=member(absences=[period(AT - HOUR, AT)])).code == "ok"
    assert answer(member=member(absences=[period(AT + HOUR)])).code == "ok"


def test_a_member_is_asked_for_as_policy_says() -> None:
    without = policy(member_required=False)
    assert answer(member=None, member_asked=False, policy=without).code == "ok"
    assert answer(member=None, member_asked=False).code == "member-unknown"
    # Somebody who claims to be a member and is not known is turned away even where nobody is asked.
    assert answer(member=None, member_asked=True, policy=without).code == "member-unknown"
    assert answer(member=member(absences=[period()]), policy=without).code == "member-deactivated"


def test_enrolment_counts_from_its_moment() -> None:
    assert answer(member=member(enrolled_at=AT)).code == "ok"
    assert answer(member=member(enrolled_at=AT + HOUR)).code == "member-not-enrolled"


def test_a_member_cannot_fill_what_is_not_known_to_be_of_his_kind() -> None:
    judged = answer(cylinder=None, subject_problem="unknown", member=member(authorisation("storage")))
    assert codes(judged) == ["cylinder-unknown"]


def test_a_station_restriction_without_a_station_denies() -> None:
    judged = answer(station=None, member=member(authorisation("scba", station_ids=(uuid.uuid4(),))))
    assert codes(judged) == ["station-unknown", "member-not-authorised-here"]


def test_the_last_day_of_an_authorisation_is_local() -> None:
    """23:30 on 15 June in New York is 03:30 on 16 June in UTC."""
    at = datetime(2026, 6, 16, 3, 30, tzinfo=UTC)
    one = member(authorisation("scba", through="2026-06-15"))
    assert answer(member=one, at=at).code == "ok"
    assert answer(member=one, at=at, time_zone="UTC").code == "authorisation-ended"
