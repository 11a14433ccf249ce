"""A cylinder nobody registered: what must be keyed in, and what is made of it.

Which marks are needed is inference; 49 CFR 173.301(a)(1) asks that marks be complete.
"""

from typing import Any

import pytest

from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.identifiers import derived_id
from fill_ledger.trade.rules.as_marked import is_same_specification, missing_marks, provisional_cylinder
from tests.trade.rules.questions import AT, DEPARTMENT_ID, question

WHOLE: dict[str, Any] = {
    "serial": "XY9",
    "specification": "DOT-SP10915-4500",
    "service_pressure_value": "4500",
    "service_pressure_unit": "psi",
    "manufactured": "2019-03",
    "last_requalified": "2024-03",
}
PRESSURE_IN_THE_MARK: dict[str, Any] = {"service_pressure_value": None, "service_pressure_unit": None}


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        ({}, ()),
        (PRESSURE_IN_THE_MARK, ()),
        (PRESSURE_IN_THE_MARK | {"specification": "DOT-3AA"}, ("service pressure with unit",)),
        (PRESSURE_IN_THE_MARK | {"specification": "blue one"}, ("service pressure with unit",)),
        ({"service_pressure_unit": None}, ("service pressure with unit",)),
        ({"serial": None}, ("serial number",)),
        ({"serial": " "}, ("serial number",)),
        ({"specification": " "}, ("specification",)),
        ({"manufactured": None, "last_requalified": None}, ("month of manufacture or of the last test",)),
        ({"manufactured": "2019"}, ("month of manufacture as YYYY-MM",)),
        ({"last_requalified": "5/2024"}, ("month of the last test as YYYY-MM",)),
        ({"marked_life_ends": "2034"}, ("month in which its marked life ends as YYYY-MM",)),
        (
            {"serial": "", "manufactured": "2019", "last_requalified": "2024-13"},
            ("serial number", "month of manufacture as YYYY-MM", "month of the last test as YYYY-MM"),
        ),
    ],
)
def test_what_must_still_be_keyed_in(changes: dict[str, Any], missing: tuple[str, ...]) -> None:
    marks = AsMarked(**(WHOLE | changes))
    assert missing_marks(marks) == missing
    assert (provisional_cylinder(question(as_marked=marks)) is None) == bool(missing)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("DOT-3AA2216", "dot-3aa2216", True),
        ("DOT-E10915-4500", "DOT-SP10915-4500", None),  # one permit under two names
        ("DOT-3AA2216", "DOT-3AA2015", None),  # one specification, stamped with two pressures: it cannot be told
        ("DOT-3AA2216", "DOT-3AL2216", False),
        ("UN ISO 99999", "DOT-3AA2216", None),  # nothing says what the first is made of
        ("DOT-3AA2216", "UN ISO 99999", None),
        ("blue one", "Blue One", True),
        ("blue one", "red one", None),
        ("blue one", "DOT-3AA2216", None),
        ("DOT-3AA2216", "blue one", None),
    ],
)
def test_whether_two_texts_are_one_specification(one: str, other: str, same: bool | None) -> None:
    assert is_same_specification(one, other) is same


def test_the_same_marks_are_the_same_cylinder() -> None:
    state = provisional_cylinder(question(cylinder=None, as_marked=AsMarked(**WHOLE)))
    assert state is not None
    assert (state.department_id, state.subject_id) == (
        DEPARTMENT_ID,
        derived_id("as-marked", "XY9", "DOT-SP10915-4500"),
    )
    (test,) = state.requalifications
    assert (test.event_id, test.reported_at, test.stamp.month) == (state.subject_id, AT, "2024-03")
    assert provisional_cylinder(question(as_marked=None)) is None
