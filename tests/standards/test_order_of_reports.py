"""The order in which requalifications are reported does not matter: their stamps decide.

Source: 49 CFR 180.213(d) (2015 edition): a stamp is a month and a year, so two results of one month have no order; that
the worse one then stands is inference. The office may enter an old stamp after a new one.
"""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import permutations

import pytest

from fill_ledger.trade.events.cylinders import (
    CylinderDetails,
    CylinderRegistered,
    CylinderRequalified,
    RequalificationStamp,
    ServicePressure,
)
from fill_ledger.trade.events.envelope import Body, Event
from fill_ledger.trade.states.cylinders import CylinderState, cylinder_fold
from tests.trade.rules.questions import DEPARTMENT_ID, EVENT_ID, answer, codes

CYLINDER_ID = uuid.UUID(int=77)
REGISTERED_AT = datetime(2026, 5, 4, 9, tzinfo=UTC)


def stamp(month: str, outcome: str, *marks: str) -> RequalificationStamp:
    assert outcome in ("pass", "rejected", "condemned")
    return RequalificationStamp(month=month, outcome=outcome, marks=marks or None)  # type: ignore[arg-type]


def event(number: int, body: Body) -> Event:
    """One entry a minute, from the registration on."""
    at = REGISTERED_AT + timedelta(minutes=number)
    return Event(
        department_id=DEPARTMENT_ID,
        event_id=uuid.UUID(int=1_000 + number),
        occurred_at=at,
        effective_at=at,
        recorded_by=EVENT_ID,
        body=body,
    )


def folded(stamps: Sequence[RequalificationStamp], *, at_registration: int = 0) -> CylinderState:
    """Fold a registration, with some of the stamps in it, and the others one by one after it."""
    registered = CylinderRegistered(
        cylinder_id=CYLINDER_ID,
        details=CylinderDetails(
            serial="AB1234",
            specification="DOT-3AA2015",
            service_pressure=ServicePressure(value="2015", unit="psi"),
            use="scba",
            manufactured="2001-04",
        ),
        requalifications=tuple(stamps[:at_registration]) or None,
    )
    state = cylinder_fold.empty(DEPARTMENT_ID, CYLINDER_ID)
    bodies = [
        registered,
        *(CylinderRequalified(cylinder_id=CYLINDER_ID, stamp=one) for one in stamps[at_registration:]),
    ]
    for number, body in enumerate(bodies):
        cylinder_fold.apply(state, event(number, body))
    return state


# Stamps, the code, the limit, and what else must be said. Worked by hand for June 15, 2026.
HISTORIES = [
    ([stamp("2016-05", "pass", "+"), stamp("2021-09", "pass", "+")], "ok", 2_216, ()),
    ([stamp("2016-05", "pass", "+"), stamp("2021-09", "pass")], "ok", 2_015, ("plus-void",)),
    ([stamp("2016-05", "pass"), stamp("2021-09", "pass", "+"), stamp("2026-04", "pass")], "ok", 2_015, ("plus-void",)),
    ([stamp("2016-05", "pass"), stamp("2021-05", "pass")], "requalification-due", None, ()),
    ([stamp("2011-05", "pass"), stamp("2016-07", "pass", "star")], "ok", 2_015, ("hammer-test",)),
    ([stamp("2021-09", "pass"), stamp("2026-04", "rejected")], "requalification-rejected", None, ()),
    ([stamp("2026-04", "rejected"), stamp("2026-05", "pass", "+")], "ok", 2_216, ()),
    ([stamp("2026-04", "pass", "+"), stamp("2026-04", "rejected")], "requalification-rejected", None, ()),
    ([stamp("2026-04", "pass", "+"), stamp("2026-04", "pass")], "ok", 2_015, ("plus-void",)),
    ([stamp("2026-04", "pass", "+"), stamp("2026-04", "pass", "star", "+")], "ok", 2_216, ()),
    ([stamp("2021-03", "pass"), stamp("2026-04", "pass", "E")], "requalification-due", None, ("external-visual-only",)),
    ([stamp("2025-11", "rejected"), stamp("2026-04", "pass", "E")], "requalification-rejected", None, ()),
    ([stamp("2024-11", "condemned"), stamp("2025-04", "pass"), stamp("2026-04", "pass")], "condemned", None, ()),
    ([stamp("2026-04", "pass"), stamp("2026-04", "rejected"), stamp("2026-04", "condemned")], "condemned", None, ()),
]


@pytest.mark.parametrize(("stamps", "code", "limit_psi", "said"), HISTORIES)
def test_however_they_come_in(
    stamps: list[RequalificationStamp], code: str, limit_psi: int | None, said: tuple[str, ...]
) -> None:
    for order in permutations(stamps):
        for at_registration in range(len(order) + 1):
            judged = answer(cylinder=folded(order, at_registration=at_registration))
            assert (judged.code, judged.fill_limit_psi) == (code, limit_psi), order
            assert set(said) <= set(codes(judged)), order


def test_a_month_without_a_zero_would_not_sort() -> None:
    """Months compare as text only because they are written with two digits: 2016-10 lies after 2016-09."""
    for order in permutations([stamp("2016-09", "pass"), stamp("2016-10", "pass", "star")]):
        judged = answer(cylinder=folded(order))
        assert judged.code == "ok"
        assert "hammer-test" in codes(judged)
