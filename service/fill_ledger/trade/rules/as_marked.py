"""A cylinder nobody registered, judged by what is stamped on it: keyed in by the operator, read by two persons.

Sources: the need for the owner's consent is 49 CFR 173.301(e); reading the marks by eye and checking them twice is a
city department's manual (secondary); everything else here is inference.
"""

from fill_ledger.trade.events.cylinders import CylinderDetails, RequalificationStamp, ServicePressure
from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.identifiers import derived_id
from fill_ledger.trade.marks import SpecificationMark
from fill_ledger.trade.months import MonthError, parse_month
from fill_ledger.trade.rulebook import read_mark, specification_key
from fill_ledger.trade.rules.question import Question
from fill_ledger.trade.states.cylinders import CylinderState, Requalification


def missing_marks(marks: AsMarked) -> tuple[str, ...]:
    """Name the marks that must still be keyed in, or keyed in again because they cannot be read."""
    missing = []
    if not marks.serial or not marks.serial.strip():
        missing.append("serial number")
    if not marks.specification or not marks.specification.strip():
        missing.append("specification")
    if service_pressure_keyed(marks) is None:
        missing.append("service pressure with unit")
    if marks.manufactured is None and marks.last_requalified is None:
        missing.append("month of manufacture or of the last test")
    if marks.manufactured is not None and not _is_month(marks.manufactured):
        missing.append("month of manufacture as YYYY-MM")
    if marks.last_requalified is not None and not _is_month(marks.last_requalified):
        missing.append("month of the last test as YYYY-MM")
    if marks.marked_life_ends is not None and not _is_month(marks.marked_life_ends):
        missing.append("month in which its marked life ends as YYYY-MM")
    return tuple(missing)


def service_pressure_keyed(marks: AsMarked) -> ServicePressure | None:
    """Return the service pressure as keyed in, else as it stands in the specification mark, else None."""
    if marks.service_pressure_value is not None and marks.service_pressure_unit is not None:
        return ServicePressure(value=marks.service_pressure_value, unit=marks.service_pressure_unit)
    if marks.specification is None or marks.service_pressure_value is not None:
        return None
    mark = read_mark(marks.specification)
    if isinstance(mark, SpecificationMark) and mark.service_pressure is not None:
        return ServicePressure(value=str(mark.service_pressure.psi), unit="psi")
    return None


def is_same_specification(one: str, other: str) -> bool | None:
    """Tell whether two texts are one specification mark; None where it cannot be told."""
    first, second = read_mark(one), read_mark(other)
    if not isinstance(first, SpecificationMark) or not isinstance(second, SpecificationMark):
        return True if one.casefold() == other.casefold() else None
    if first.canonical == second.canonical:
        return True
    keys = specification_key(first, None), specification_key(second, None)
    return False if None not in keys and keys[0] != keys[1] else None


def provisional_cylinder(question: Question) -> CylinderState | None:
    """Return a state that says what the marks say, or None while marks are missing.

    The last test is taken as passed and without marks: neither a star nor a plus can be claimed this way. Where nobody
    says the use it is taken as SCBA, the trade's ordinary case.
    """
    marks = question.as_marked
    if marks is None or missing_marks(marks):
        return None
    pressure = service_pressure_keyed(marks)
    # For types: nothing of these is missing any more.
    if pressure is None or marks.serial is None or marks.specification is None:  # pragma: no mutate - as above
        return None
    cylinder_id = derived_id("as-marked", marks.serial, marks.specification)
    state = CylinderState(department_id=question.department_id, subject_id=cylinder_id)
    state.details = CylinderDetails(
        serial=marks.serial,
        specification=marks.specification,
        service_pressure=pressure,
        use=marks.use or "scba",
        manufactured=marks.manufactured,
        marked_life_ends=marks.marked_life_ends,
    )
    if marks.last_requalified is not None:
        state.requalifications = [
            Requalification(
                event_id=cylinder_id,
                reported_at=question.at,
                stamp=RequalificationStamp(month=marks.last_requalified, outcome="pass"),
            )
        ]
    return state


def _is_month(text: str) -> bool:
    try:
        parse_month(text)
    except MonthError:
        return False
    return True
