"""Where several sources or standards are asked about, what is wrong with one hides nothing of another."""

from datetime import UTC, datetime

from tests.trade.rules.questions import (
    OTHER_SOURCE_ID,
    WITHIN_NFPA,
    answer,
    codes,
    cylinder,
    inspection,
    policy,
    sample,
    source,
)


def test_a_source_that_is_not_registered_does_not_hide_another() -> None:
    unknown = source(registered_at=None)
    failed = source(sample("2026-06-02", "fail"), source_id=OTHER_SOURCE_ID)
    for sources in ((unknown, failed), (failed, unknown)):
        judged = answer(air_sources=sources, every_air_source=True)
        assert sorted(codes(judged)) == ["air-sample-failed", "air-source-unknown"]


def test_a_standard_that_is_not_on_file_does_not_hide_another() -> None:
    """CGA Grade E, summaries (secondary): oxygen at most 22 %."""
    diving = cylinder(
        use="scuba", inspections=[inspection("visual_internal", "pass", datetime(2026, 6, 1, tzinfo=UTC))]
    )
    sources = (source(sample("2026-06-01", results=WITHIN_NFPA | {"oxygen": "22.5"})),)
    for air_standard, scuba_air_standard in (("none such", "CGA Grade E"), ("CGA Grade E", "none such")):
        judged = answer(
            cylinder=diving,
            air_sources=sources,
            policy=policy(air_standard=air_standard, scuba_air_standard=scuba_air_standard),
        )
        assert sorted(codes(judged)) == ["air-sample-over-limit", "air-standard-unknown"]
