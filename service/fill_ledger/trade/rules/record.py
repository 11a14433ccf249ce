"""Can the record be true? Nonsense is named, never worked around.

Observations are kept whatever they say, so a state may hold a test from before the cylinder was made, a month that is
no month, or a service pressure of 45,000 psi.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta

from fill_ledger.trade.mark_types import SpecificationMark
from fill_ledger.trade.pressure import USUAL_BAR_STAMP_MAX
from fill_ledger.trade.rules.calendar import day_text, month_starts_at
from fill_ledger.trade.rules.case import Case
from fill_ledger.trade.rules.figure import NumberFigure
from fill_ledger.trade.rules.reasons import Reason, ReasonKind, plain
from fill_ledger.trade.rules.rule import Facts, Rule
from fill_ledger.trade.states.cylinders import CylinderState

# A report may come from a calendar that is a day ahead of the station's.
CALENDAR_TOLERANCE = timedelta(days=1)
# A stamp in bar and one in psi on the same cylinder are each rounded; further apart they contradict each other.
PRESSURES_AGREE_PERCENT = NumberFigure(
    name="pressures_agree_percent",
    value=1,
    lowest=0,
    highest=5,
    meaning="A stamp in bar and one in psi on the same cylinder agree within this share (common practice, no source).",
)
TESTS_TOLD = 8
_INFERENCE = "inference: no cylinder can have such a record"

PRESSURE_WRONG = ReasonKind(
    code="service-pressure-wrong",
    effect="deny",
    title="The service pressure on record cannot be one",
    source=_INFERENCE,
    clears_by="correction of the record from the stamp",
)
ABOVE_TEST_PRESSURE = ReasonKind(
    code="service-pressure-above-test",
    effect="deny",
    title="The working pressure is more than two thirds of the test pressure in the mark",
    source="49 CFR 173.302b(b) (2015 edition)",
    clears_by="correction of the record from the stamp",
)
ABOVE_DESIGN = ReasonKind(
    code="service-pressure-above-design",
    effect="advice",
    title="The service pressure is higher than cylinders of this permit are designed for",
    source="a comparison sheet of design guidelines (secondary); that it holds for the permit is inference",
    clears_by="comparing pressure and permit with the label",
)
MADE_WRONG = ReasonKind(
    code="manufacture-date-wrong",
    effect="deny",
    title="The month of manufacture on record cannot be read or lies ahead",
    source=_INFERENCE,
    clears_by="correction of the record from the stamp",
)
TEST_WRONG = ReasonKind(
    code="requalification-date-wrong",
    effect="deny",
    title="A requalification on record is dated before manufacture, after its own report, or not at all",
    source=_INFERENCE,
    clears_by="retraction of the mistaken entry and a right one",
)
PRESSURE_DISAGREES = ReasonKind(
    code="service-pressure-disagrees",
    effect="advice",
    title="The specification mark and the record give different service pressures; the lower one holds",
    source="inference; 49 CFR 178.35(f)(1) puts the service pressure after the specification",
    clears_by="correction of the record from the stamp",
)
PRESSURE_DOUBTFUL = ReasonKind(
    code="service-pressure-doubtful",
    effect="advice",
    title="A service pressure in psi looks like one in bar",
    source="common practice, no source",
    clears_by="correction of the record from the stamp",
)


def _reasons(case: Case) -> tuple[Reason, ...]:
    details = case.details
    if details is None:
        return ()
    found: list[Reason] = []
    if case.pressure_problem is not None:
        found.append(
            PRESSURE_WRONG.reason(
                f"{case.pressure_problem}. Read the stamp and correct the record.",
                f"Do not fill. Service pressure {plain(details.service_pressure.value, 12)} "
                f"{details.service_pressure.unit} cannot be right.",
            )
        )
    elif _looks_like_bar(case):
        found.append(
            PRESSURE_DOUBTFUL.reason(
                f"{case.service_pressure_psi} psi is low for breathing air. If the stamp says bar, correct the record.",
                f"{case.service_pressure_psi} psi is low: is the stamp in bar?",
            )
        )
    if (above := _above_test_pressure(case)) is not None:
        found.append(above)
    if (above_design := _above_design(case)) is not None:
        found.append(above_design)
    made = details.manufactured
    made_is_wrong = made is not None and _made_is_wrong(case, made)
    if made is not None and made_is_wrong:
        found.append(
            MADE_WRONG.reason(
                f"The record says it was made in {plain(made)}, which is no month or lies ahead. Correct it.",
                f"Do not fill. Made {plain(made, 10)} cannot be right: correct it.",
            )
        )
    found.extend(_test_dates(case, None if made_is_wrong else made))
    if (disagreement := _disagreement(case)) is not None:
        found.append(disagreement)
    return tuple(found)


def _looks_like_bar(case: Case) -> bool:
    if case.details is None or case.service_pressure_psi is None:  # pragma: no mutate - for types: it has been read
        return False  # pragma: no mutate - as above
    return case.details.service_pressure.unit == "psi" and case.service_pressure_psi <= USUAL_BAR_STAMP_MAX


def _above_test_pressure(case: Case) -> Reason | None:
    """Compare with the test pressure, which only the marks of UN receptacles carry."""
    service_psi, mark = case.service_pressure_psi, case.mark
    if service_psi is None or not isinstance(mark, SpecificationMark) or mark.test_pressure is None:
        return None
    # Test pressures are stamped in whole bar, so two thirds of one may fall just below the working pressure.
    if service_psi * 300 <= mark.test_pressure.psi * (200 + 2 * case.number(PRESSURES_AGREE_PERCENT)):
        return None
    return ABOVE_TEST_PRESSURE.reason(
        f"{service_psi} psi is more than two thirds of the test pressure in the mark, {mark.test_pressure.text}. Read "
        "both from the stamp and correct the record.",
        f"Do not fill. {service_psi} psi does not fit test pressure {mark.test_pressure.text}.",
    )


def _above_design(case: Case) -> Reason | None:
    if case.entry is None or case.entry.service_pressure_max_psi is None or case.service_pressure_psi is None:
        return None
    if case.service_pressure_psi <= case.entry.service_pressure_max_psi:
        return None
    return ABOVE_DESIGN.reason(
        f"{case.entry.key} is for service pressures up to {case.entry.service_pressure_max_psi} psi, and the record "
        f"says {case.service_pressure_psi}. Compare both with its label before you fill.",
        f"{case.service_pressure_psi} psi is high for {case.entry.key}: read the label.",
    )


def _made_is_wrong(case: Case, made: str) -> bool:
    made_at = month_starts_at(made, case.zone)
    return made_at is None or made_at > case.at


def _test_dates(case: Case, made: str | None) -> Iterable[Reason]:
    cylinder = case.cylinder
    if cylinder is None:
        return
    for known in cylinder.requalifications:
        month = known.stamp.month
        starts_at = month_starts_at(month, case.zone)
        if starts_at is None:
            fault = "is no month"
        elif made is not None and month < made:
            fault = f"lies before manufacture in {made}"
        elif starts_at - CALENDAR_TOLERANCE > (case.at if case.provisional else known.reported_at):
            fault = "lies after the day it was reported"
        else:
            continue
        yield TEST_WRONG.reason(
            f"The requalification dated {plain(month)} {fault}. Read the stamp, retract the entry and enter it right.",
            f"Do not fill. Test {plain(month, 10)} {fault}.",
        )
        return


def _disagreement(case: Case) -> Reason | None:
    recorded, marked = case.recorded_psi, case.marked_psi
    if recorded is None or marked is None or recorded == marked:
        return None
    if abs(recorded - marked) * 100 <= case.number(PRESSURES_AGREE_PERCENT) * max(recorded, marked):
        return None
    return PRESSURE_DISAGREES.reason(
        f"The mark says {marked} psi and the record {recorded} psi. The lower holds until the record is corrected.",
        f"Mark says {marked} psi, record {recorded} psi: the lower holds.",
    )


def _instants(case: Case) -> Iterable[datetime]:
    if case.details is not None and case.details.manufactured is not None:
        made_at = month_starts_at(case.details.manufactured, case.zone)
        if made_at is not None:
            yield made_at
    if case.provisional and case.cylinder is not None:
        # Marks are reported at the moment of the question, whichever that is.
        for known in case.cylinder.requalifications:
            starts_at = month_starts_at(known.stamp.month, case.zone)
            if starts_at is not None:
                yield starts_at - CALENDAR_TOLERANCE


def _facts(case: Case) -> Facts:
    if case.details is None:
        return {}
    return {
        "service_pressure": f"{case.details.service_pressure.value} {case.details.service_pressure.unit}",
        "service_pressure_psi": case.service_pressure_psi,
        "service_pressure_in_mark_psi": case.marked_psi,
        "test_pressure_in_mark_psi": _test_pressure_psi(case),
        "service_pressure_max_psi": None if case.entry is None else case.entry.service_pressure_max_psi,
        "manufactured": case.details.manufactured,
        "tests": None if case.cylinder is None else _tests(case.cylinder, case),
    }


def _test_pressure_psi(case: Case) -> int | None:
    mark = case.mark
    if not isinstance(mark, SpecificationMark) or mark.test_pressure is None:
        return None
    return mark.test_pressure.psi


def _tests(cylinder: CylinderState, case: Case) -> str:
    """Return the newest months of tests on record, each with the day on which it was reported."""
    newest = cylinder.requalifications[-TESTS_TOLD:]
    return ", ".join(
        f"{plain(known.stamp.month)} reported {day_text(known.reported_at, case.zone)}" for known in newest
    )


RULE = Rule(
    name="record",
    concerns="cylinder",
    kinds=(
        PRESSURE_WRONG,
        ABOVE_TEST_PRESSURE,
        ABOVE_DESIGN,
        MADE_WRONG,
        TEST_WRONG,
        PRESSURE_DISAGREES,
        PRESSURE_DOUBTFUL,
    ),
    reasons=_reasons,
    instants=_instants,
    facts=_facts,
    figures=(PRESSURES_AGREE_PERCENT,),
)
