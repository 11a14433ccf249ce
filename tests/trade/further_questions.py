"""Questions whose codes have one already: other words of the same reason, and the facts of every rule."""

from datetime import UTC, datetime
from typing import Any

import msgspec

from fill_ledger.trade.events.air import Analyte
from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.events.rulebook import AirStandard
from fill_ledger.trade.judgement import Question
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.rulebook.air_standards import AIR_STANDARDS
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.states.cylinders import CylinderState, LastFill
from tests.trade.rules.questions import (
    OTHER_SOURCE_ID,
    POSITION_ID,
    WITHIN_NFPA,
    alarm,
    authorisation,
    book,
    cylinder,
    extended,
    hold,
    inspection,
    member,
    period,
    policy,
    position,
    question,
    sample,
    source,
    stamp,
    station,
    training,
)

COMPOSITE: dict[str, Any] = {"specification": "DOT-SP10915-4500", "pressure": "4500"}
STARRED = stamp("2024-09", "pass", "star")


def _filled(filled_at: datetime, *, tested: str = "2021-05") -> CylinderState:
    known = cylinder(stamp(tested))
    known.last_fill = LastFill(event_id=known.subject_id, filled_at=filled_at, end_psi=2216)
    return known


def _held(clears_by: str) -> CylinderState:
    one = hold("damage", ends_at=datetime(2026, 7, 1, 16, tzinfo=UTC))
    one.clears_by = clears_by
    return cylinder(holds=[one])


def _reported_early() -> CylinderState:
    known = stamp("2026-08")
    known.reported_at = datetime(2026, 6, 1, tzinfo=UTC)
    return cylinder(stamp("2024-09"), known)


def _some_of(*analytes: Analyte) -> dict[Analyte, str]:
    return {analyte: found for analyte, found in WITHIN_NFPA.items() if analyte in analytes}


WITHOUT_ODOUR = _some_of(*(analyte for analyte in WITHIN_NFPA if analyte != "odour"))
LATE_EVENING = datetime(2026, 6, 15, 2, tzinfo=UTC)  # the 14th in New York
LONG_KEY = "An air standard of the county, long name"  # 40 characters, as many as are shown
LONG_AIR = msgspec.structs.replace(AIR_STANDARDS[2], key=LONG_KEY)
ENDED_AIR = msgspec.structs.replace(LONG_AIR, effective_until="2026-06-15")


def _air(results: dict[Analyte, str], **fields: Any) -> Question:
    return question(
        **({"policy": policy(air_standard="NFPA 1989-2019")} | fields),
        air_sources=(source(sample("2026-06-01", results=results)),),
    )


def _by(standard: AirStandard) -> dict[str, Any]:
    return {"policy": policy(air_standard=LONG_KEY), "rulebook": Rulebook(SPECIFICATIONS, (standard,))}


FURTHER_QUESTIONS: dict[str, Question] = {
    "air-alarm-open: two, of which one says little": question(
        station=station(
            alarms=[
                msgspec.structs.replace(alarm(), reading="more than the sensor can tell"),
                msgspec.structs.replace(alarm(), alarm_kind=None, reading=None),
            ]
        )
    ),
    "air-sample-failed: one of two of a day": question(
        air_sources=(source(sample("2026-06-02", results=WITHOUT_ODOUR), sample("2026-06-02", "fail")),),
        policy=policy(air_standard="NFPA 1989-2019"),
    ),
    "air-sample-incomplete: one": _air(WITHOUT_ODOUR, **_by(LONG_AIR)),
    "air-sample-incomplete: two samples of a day": question(
        air_sources=(source(sample("2026-06-01", results=WITHOUT_ODOUR), sample("2026-06-01", results=WITHOUT_ODOUR)),),
        policy=policy(air_standard="NFPA 1989-2019"),
    ),
    "air-sample-over-limit: by a standard of the county": _air(WITHIN_NFPA | {"carbon_monoxide": "9"}, **_by(LONG_AIR)),
    "air-sample-incomplete: four": _air(_some_of("oxygen", "nitrogen", "carbon_monoxide", "oil", "odour")),
    "air-sample-incomplete: five": _air(_some_of("oxygen", "nitrogen", "carbon_monoxide", "oil")),
    "member-unknown: one was named": question(member=None),
    "member-not-authorised: for anything": question(
        member=member(authorisation("scba", ends_at=LATE_EVENING)), policy=policy(training_interval_days=365)
    ),
    "member-deactivated: for a time": question(
        member=member(absences=[period(LATE_EVENING, datetime(2026, 7, 1, 16, tzinfo=UTC))])
    ),
    "training-due: the last one": question(
        member=member(trainings=[training("2025-06-14")]), policy=policy(training_interval_days=365)
    ),
    "service-pressure-wrong: many figures": question(
        cylinder=cylinder(specification="DOT-3AA", pressure="2216.12345678")
    ),
    "manufacture-date-wrong: much else": question(cylinder=cylinder(manufactured="June of 2024")),
    "fill-rate: fast": question(mode="fast"),
    "inspection-failed: inside": question(
        cylinder=cylinder(inspections=[inspection("visual_internal", "fail", LATE_EVENING)])
    ),
    "visual-inspection-due: the last one": question(
        cylinder=cylinder(
            use="scuba", inspections=[inspection("visual_internal", "pass", datetime(2025, 6, 1, 2, tzinfo=UTC))]
        )
    ),
    "air-standard-unknown: no more in effect": question(**_by(ENDED_AIR)),
    "service-pressure-wrong: noughts": question(cylinder=cylinder(specification="DOT-3AA", pressure="000")),
    "air-source-needed: one has no label, one a long one": question(
        air_sources=(source(label=None), source(source_id=OTHER_SOURCE_ID, label="Purchased air of the north depot"))
    ),
    "air-sample-due: none, of a storage bank without a label": question(
        air_sources=(source(air_source_kind="storage_bank", label=None, samples=[]),)
    ),
    "everything: a plain permit": question(),
    "on-hold: with its own way to clear it": question(cylinder=_held("a technician's inspection")),
    "requalification-date-wrong: no month": question(cylinder=cylinder(stamp("2024-09"), stamp("2024-13"))),
    "requalification-date-wrong: after its report": question(cylinder=_reported_early()),
    "specification-unknown: a UN mark without material": question(
        cylinder=cylinder(specification="UN ISO 99999", pressure="200", unit="bar")
    ),
    "specification-not-fillable: a reason behind a colon": question(cylinder=cylinder(specification="DOT-3B500")),
    "specification-not-fillable: not yet in effect": question(
        cylinder=cylinder(specification="DOT-SP99998", pressure="3000"),
        rulebook=book(key="SP99998", effective_from="2026-07-01"),
    ),
    "specification-not-fillable: no more in effect": question(
        cylinder=cylinder(specification="DOT-SP99998", pressure="3000"),
        rulebook=book(key="SP99998", effective_until="2026-06-01"),
    ),
    "specification-wrong-use: not sure": question(cylinder=cylinder(**COMPOSITE, manufactured="2019-01", use="scuba")),
    "permit-data-unverified: no life": question(
        cylinder=cylinder(specification="TC-3AAM155", pressure="155", unit="bar")
    ),
    "service-life-over: marked": question(cylinder=cylinder(details_marked_life_ends="2026-05")),
    "service-life-over: extended": question(
        cylinder=cylinder(**COMPOSITE, manufactured="2010-05", life_extensions=[extended("2026-05")]),
        policy=policy(life_extensions_accepted=True),
    ),
    "service-life-over: by years that are not verified": question(
        cylinder=cylinder(specification="DOT-SP14232-4500", pressure="4500", manufactured="2011-05")
    ),
    "life-extension-not-counted: by a permit that is refused": question(
        cylinder=cylinder(
            **COMPOSITE, manufactured="2011-05", life_extensions=[extended("2031-05", permit="DOT-SP 16320")]
        ),
        policy=policy(life_extensions_accepted=True),
    ),
    "keep-people-away: alloy not on record": question(
        cylinder=cylinder(specification="DOT-3AL2216", manufactured="1985-01")
    ),
    "alloy-not-recorded: of unknown age": question(cylinder=cylinder(specification="DOT-3AL2216", manufactured=None)),
    "requalification-due: never tested": question(
        cylinder=msgspec.structs.replace(cylinder(manufactured="2021-05"), requalifications=[])
    ),
    "requalification-due: UN, strict": question(
        cylinder=cylinder(stamp("2016-06"), specification="UN ISO 9809-1", pressure="200", unit="bar"),
        policy=policy(requalification_due="strict"),
    ),
    "requalification-due: filled in time": question(cylinder=_filled(datetime(2026, 5, 31, 12, tzinfo=UTC))),
    "requalification-due: filled too late": question(cylinder=_filled(datetime(2026, 6, 1, 4, tzinfo=UTC))),
    "star-not-counted: not on this specification": question(
        cylinder=cylinder(STARRED, specification="DOT-3AL2216", details_alloy="6061-T6")
    ),
    "star-not-counted: storage": question(cylinder=cylinder(STARRED, use="storage")),
    "star-not-counted: too large": question(cylinder=cylinder(STARRED, details_water_volume_ml=56_700)),
    "star-not-counted: too old": question(cylinder=cylinder(STARRED, manufactured="1945-12")),
    "limit-lowered: hose": question(station=position(3000, 2000), fill_position_id=POSITION_ID),
    "cold-gas-lower-stop: the other figure lies beyond the table": question(
        cylinder=cylinder(specification="DOT-3AA7500", pressure="7500", use="storage"), gas_temperature_f=0
    ),
    "read-marks-twice: another use": question(
        cylinder=None,
        as_marked=AsMarked(serial="XY9", specification="DOT-3AL3000", last_requalified="2024-03", use="scuba"),
    ),
    "read-marks-twice: the pressure in the mark": question(
        cylinder=None,
        as_marked=AsMarked(serial="XY9", specification="DOT-SP10915-4500", manufactured="2022-03"),
    ),
}
