"""All reasons come in the order in which a person should act on them.

The order is inference and common practice, no source: first what nobody may fill, whoever's it is; then whose it is,
because what follows is the owner's to cure; then what is wrong with the cylinder, from what ends it to what a test or
an inspection cures; then the place and its air, for which the cylinder can be carried elsewhere; then who is filling,
for there another can step in; last what bounds the pressure. The place comes before the person, because nobody who is
fetched could fill there.
"""

import uuid
from datetime import UTC, datetime
from typing import Any

from fill_ledger.trade.events.cylinders import RequalificationStamp
from fill_ledger.trade.judgement import judge
from fill_ledger.trade.rules import RULES
from fill_ledger.trade.states.alarms import Alarm
from fill_ledger.trade.states.cylinders import CylinderState, Requalification
from tests.trade.rules.questions import (
    EVENT_ID,
    NEIGHBOUR_ID,
    POSITION_ID,
    authorisation,
    cylinder,
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
)

# What a person does about each rule's reasons, step by step.
STEPS: tuple[tuple[str, ...], ...] = (
    ("which-cylinder",),
    ("standing",),  # condemned, retired, rejected, on hold: whoever's it is
    ("ownership",),
    ("record",),  # nothing that follows can be told from a record that cannot be true
    ("specification",),
    ("service-life",),
    ("requalification",),
    ("sustained-load-cracking",),
    ("inspections",),
    ("moment",),
    ("station", "offered"),
    ("alarms", "air", "air-standard", "air-upkeep"),
    ("member",),
    ("fill-limit", "gas-temperature"),
    ("handling",),
)
YESTERDAY = datetime(2026, 6, 14, 8, tzinfo=UTC)
NO_ID = uuid.UUID(int=999)


def everything_else_wrong() -> dict[str, Any]:
    """Return what is wrong with everything but the cylinder."""
    broken = position(0)
    broken.closures = [period(YESTERDAY)]
    broken.alarms = [Alarm(alarm_id=EVENT_ID, alarm_kind="carbon monoxide", raised_at=YESTERDAY)]
    return {
        "owner_department_id": NEIGHBOUR_ID,
        "time_zone": "Nowhere/At_All",
        "policy": policy(
            scuba_fills_allowed=False,
            fast_fills_allowed=False,
            scuba_visual_required=True,
            filter_life_days=30,
            co_calibration_interval_days=30,
            training_interval_days=365,
            air_standard="No such standard",
        ),
        "mode": "fast",
        "station": broken,
        "fill_position_id": POSITION_ID,
        "air_sources": (source(sample("2026-06-02", "fail"), outages=[period(YESTERDAY)]),),
        "member": member(authorisation("storage", through="2026-06-13", station_ids=(NO_ID,))),
    }


PLACE_AND_PERSON = [
    "time-zone-unknown",
    "station-closed",
    "scuba-not-filled-here",
    "fast-fill-not-allowed",
    "air-alarm-open",
    "air-source-out-of-service",
    "air-sample-failed",
    "air-standard-unknown",
    "filter-record-missing",
    "co-calibration-due",
    "authorisation-ended",
    "member-not-authorised",
    "member-not-authorised-here",
    "training-due",
    "fill-position-rating-wrong",
]


def asked(known: CylinderState) -> list[str]:
    """Return the codes that deny a cylinder where everything else is wrong too."""
    judged = judge(question(cylinder=known, **everything_else_wrong()))
    assert judged.code == judged.reasons[0].code
    assert judged.display_text == judged.reasons[0].display_text
    return [reason.code for reason in judged.reasons]


def test_every_rule_has_its_step_in_this_order() -> None:
    assert [rule.name for rule in RULES] == [name for step in STEPS for name in step]


def test_a_cylinder_that_may_never_be_filled_and_everything_else_wrong_too() -> None:
    known = cylinder(
        stamp("2024-09"),
        _late(),
        specification="DOT-39",
        pressure="45000",
        use="scuba",
        condemned_at=YESTERDAY,
        retired_at=YESTERDAY,
        transferred_at=YESTERDAY,
        holds=[hold()],
        inspections=[inspection("monthly", "fail", YESTERDAY)],
    )
    assert asked(known) == [
        "condemned",
        "retired",
        "transferred",
        "on-hold",
        "not-shared",
        "service-pressure-wrong",
        "requalification-date-wrong",
        "specification-not-fillable",
        "inspection-failed",
        "visual-inspection-overdue",
        *PLACE_AND_PERSON,
    ]


def test_a_cylinder_that_could_be_put_right_and_everything_else_wrong_too() -> None:
    """Of alloy 6351, overdue, never seen by eddy current, and its month of manufacture not yet come."""
    known = cylinder(
        stamp("2015-05"),
        specification="DOT-3AL2216",
        details_alloy="6351-T6",
        manufactured="2026-09",
        use="scuba",
        holds=[hold()],
        inspections=[inspection("monthly", "fail", YESTERDAY)],
    )
    assert asked(known) == [
        "on-hold",
        "not-shared",
        "manufacture-date-wrong",
        "requalification-due",
        "eddy-current-mark-missing",
        "inspection-failed",
        "visual-inspection-overdue",
        *PLACE_AND_PERSON,
    ]


def test_a_cylinder_at_the_end_of_its_life_and_everything_else_wrong_too() -> None:
    known = cylinder(
        stamp("2019-05"),
        specification="DOT-3AL2216",
        details_alloy="6061-T6",
        details_marked_life_ends="2024-05",
        use="scuba",
    )
    codes = asked(known)
    assert codes[:3] == ["not-shared", "service-life-over", "visual-inspection-overdue"]
    assert codes[3:] == PLACE_AND_PERSON


def test_a_cylinder_nobody_knows_is_the_first_thing_to_find_out() -> None:
    judged = judge(question(**{**everything_else_wrong(), "cylinder": None, "subject_problem": "unknown"}))
    codes = [reason.code for reason in judged.reasons]
    of_the_cylinder = {"scuba-not-filled-here", "member-not-authorised"}
    assert codes == ["cylinder-unknown", *(code for code in PLACE_AND_PERSON if code not in of_the_cylinder)]


def _late() -> Requalification:
    """A test stamped for a month after the day on which it was reported."""
    return Requalification(
        event_id=EVENT_ID,
        reported_at=datetime(2025, 1, 15, tzinfo=UTC),
        stamp=RequalificationStamp(month="2025-09", outcome="pass"),
    )
