"""A question made ready for the rules: marks read, dates turned into instants, the latest requalification found.

A case can be moved to another moment, because the judgement asks itself when its own answer will change. What depends
on the moment is worked out in `move_to`; the rest once.
"""

from datetime import UTC, date, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from fill_ledger.trade.events.cylinders import CylinderDetails, RequalificationStamp
from fill_ledger.trade.events.rulebook import SpecificationEntry
from fill_ledger.trade.marks import SpecificationFault, SpecificationMark
from fill_ledger.trade.pressure import PressureError, PressureUnit, StampedPressure, service_pressure_fault
from fill_ledger.trade.rulebook import DatedEntry, permit_key, read_mark, specification_key
from fill_ledger.trade.rules.as_marked import provisional_cylinder
from fill_ledger.trade.rules.calendar import (
    UTC_ZONE,
    day_starts_at,
    month_ends_at,
    month_starts_at,
    months_later,
    years_later,
    zone_of,
)
from fill_ledger.trade.rules.figure import MonthFigure, NumberFigure
from fill_ledger.trade.rules.question import Question
from fill_ledger.trade.states.cylinders import CylinderState, LifeExtended, Requalification
from fill_ledger.trade.states.stations import AirSourceState

REMEMBERED_PRESSURES = 4_096
ALLOY_6351 = "6351"
EXTERNAL_VISUAL_MARK = "E"
_UNITS = {
    "psi": PressureUnit.PSI,
    "bar": PressureUnit.BAR,
    "kpa": PressureUnit.KILOPASCAL,
    "mpa": PressureUnit.MEGAPASCAL,
}
_MARK_SPELLINGS = {"*": "star", "★": "star", "plus": "+"}  # a five-pointed star as people key it in


@lru_cache(maxsize=REMEMBERED_PRESSURES)
def stamped_service_pressure(value: str, unit: str) -> int | str:
    """Return a stamped service pressure in whole gauge psi, rounded down, or a sentence that says why it cannot be one.

    Bounds: see `fill_ledger.trade.pressure`.
    """
    try:
        pressure = StampedPressure(value=value.lstrip("0") or "0", unit=_UNITS[unit])
    except (PressureError, KeyError):
        return f"{value} {unit} cannot be read as a pressure"
    fault = service_pressure_fault(pressure)
    return pressure.psi if fault is None else fault.detail


@lru_cache(maxsize=REMEMBERED_PRESSURES)
def marked_service_pressure(mark: SpecificationMark) -> int | None:
    """Return the service pressure that stands in a specification mark in whole gauge psi, rounded down, or None."""
    return None if mark.service_pressure is None else mark.service_pressure.psi


def has_mark(stamp: RequalificationStamp, mark: str) -> bool:
    """Tell whether a stamp carries a suffix mark such as "+", "star" or "VE" (49 CFR 180.213(f))."""
    if not stamp.marks:
        return False
    wanted = mark.casefold()
    return any(_MARK_SPELLINGS.get(known, known) == wanted for known in (m.strip().casefold() for m in stamp.marks))


def is_external_visual_only(stamp: RequalificationStamp) -> bool:
    """Tell whether a passed stamp says that the cylinder was only looked at from outside.

    49 CFR 180.213(f)(5): the sign E. 180.209(g) allows it in place of a test for cylinders of listed gases, and air is
    not among them (from memory), so it neither begins a period nor undoes a rejection.
    """
    return stamp.outcome == "pass" and has_mark(stamp, EXTERNAL_VISUAL_MARK)


class Case:
    """One question and what follows from it. Rules read it and never change it.

    cylinder and details: None where there is no cylinder to judge. mark: the specification mark, or what is wrong with
    it. entries: all data of that specification; `entry` is what holds at the moment. recorded_psi and marked_psi: the
    service pressure on record and in the mark, in whole gauge psi; service_pressure_psi: the lower of the two, None
    where the record cannot be read, and then pressure_problem says why. manufactured: None where not on record or no
    month. life_ends: the month in which the service life ends, extended where policy accepts that, None for never.
    life_stops_at: when filling stops because of it, in UTC. extension: the furthest extension of it on record by a
    permit that is not refused. sources: the air sources the fill draws from. latest: the newest requalification whose
    month has begun; it is the worse one where a month has two. last_pass: the newest that passed.
    passes_of_month: all that passed in the month of last_pass, in no order, for a stamp has no day.
    """

    __slots__ = (
        "alloy_6351",
        "at",
        "cylinder",
        "details",
        "entries",
        "entry",
        "extension",
        "key",
        "last_pass",
        "latest",
        "life_ends",
        "life_stops_at",
        "manufactured",
        "mark",
        "marked_psi",
        "passes_of_month",
        "pressure_problem",
        "provisional",
        "question",
        "recorded_psi",
        "service_pressure_psi",
        "sources",
        "zone",
        "zone_known",
    )

    def __init__(self, question: Question) -> None:
        self.question = question
        zone = zone_of(question.time_zone)
        self.zone_known = zone is not None
        self.zone: ZoneInfo = zone or UTC_ZONE
        self.cylinder: CylinderState | None = question.cylinder
        self.provisional = False
        if question.cylinder is None and question.as_marked is not None and question.subject_problem != "ambiguous":
            self.cylinder = provisional_cylinder(question)
            self.provisional = True
        self.details: CylinderDetails | None = None if self.cylinder is None else self.cylinder.details
        self.mark: SpecificationMark | SpecificationFault | None = (
            None if self.details is None else read_mark(self.details.specification)
        )
        self.key: str | None = None
        self.entries: tuple[DatedEntry, ...] = ()
        self.recorded_psi: int | None = None
        self.marked_psi: int | None = None
        self.service_pressure_psi: int | None = None
        self.pressure_problem: str | None = None
        self.alloy_6351 = False
        self.manufactured: str | None = None
        if self.details is not None:
            self._read_details(self.details)
        self.sources: tuple[AirSourceState, ...] = self._sources()
        # What depends on the moment.
        self.at: datetime
        self.entry: SpecificationEntry | None
        self.extension: LifeExtended | None
        self.life_ends: str | None
        self.life_stops_at: datetime | None
        self.latest: Requalification | None
        self.last_pass: Requalification | None
        self.passes_of_month: tuple[Requalification, ...]
        self.move_to(question.at.astimezone(UTC))

    def move_to(self, at: datetime) -> None:
        """Look at the same facts from another moment, an aware instant in UTC."""
        self.at = at
        self.entry = None
        for dated in self.entries:
            if self.is_in_effect(dated.effective_from, dated.effective_until):
                self.entry = dated.entry
        self.extension = self._furthest_extension()
        self.life_ends = own_life_ends = self.own_life_ends()
        if own_life_ends is not None and self.extension is not None and self.question.policy.life_extensions_accepted:
            self.life_ends = max(own_life_ends, self.extension.extension.through)
        self.life_stops_at = None if self.life_ends is None else self.stops_at(self.life_ends, 0)
        self.latest = self.last_pass = None
        self.passes_of_month = ()
        if self.cylinder is None:
            return
        for known in reversed(self.cylinder.requalifications):
            starts_at = month_starts_at(known.stamp.month, self.zone)
            if starts_at is None or starts_at > at or is_external_visual_only(known.stamp):
                continue
            if self.last_pass is not None and known.stamp.month != self.last_pass.stamp.month:
                return
            if self.latest is None:
                self.latest = known
            if known.stamp.outcome == "pass":
                self.last_pass = self.last_pass or known
                self.passes_of_month += (known,)

    def own_life_ends(self) -> str | None:
        """Return the month in which the service life ends without any extension, or None where it does not.

        The specification counts it from manufacture. Where a life is marked on the cylinder, the earlier of the two
        ends it, or the marked one alone where the specification says that it prevails.
        """
        entry, details = self.entry, self.details
        if entry is None or details is None:
            return None
        marked, counted = details.marked_life_ends, None
        if entry.life_years is not None and self.manufactured is not None:
            counted = years_later(self.manufactured, entry.life_years)
        if marked is None or counted is None:
            return counted if marked is None else marked
        return marked if entry.marked_life_prevails else min(marked, counted)

    def refused_permit(self, permit: str) -> SpecificationEntry | None:
        """Return what is on file about a permit under which nothing is filled at the case's moment, or None.

        A life is not extended under a permit that has expired, or that is for other holders.
        """
        key = permit_key(permit)
        refused: SpecificationEntry | None = None
        for dated in self.question.rulebook.specifications(key):
            if self.is_in_effect(dated.effective_from, dated.effective_until):
                refused = None if dated.entry.uses else dated.entry
        return refused

    def _furthest_extension(self) -> LifeExtended | None:
        known = () if self.cylinder is None else self.cylinder.life_extensions
        return max(
            (
                extended
                for extended in known
                if extended.starts_at <= self.at and self.refused_permit(extended.extension.permit) is None
            ),
            key=lambda extended: extended.extension.through,
            default=None,
        )

    def stops_at(self, month: str, years: int, grace_months: int = 0) -> datetime | None:
        """Return when filling stops by a date that falls some years after a stamped month; None beyond the calendar.

        By policy the end of the month it falls in (lenient) or of the month before (strict); no text read settles it.
        """
        due_month = years_later(month, years)
        if due_month is not None:
            due_month = months_later(due_month, grace_months)
        if due_month is None:
            return None
        if self.question.policy.requalification_due == "strict":
            return month_starts_at(due_month, self.zone)
        return month_ends_at(due_month, self.zone)

    def _read_details(self, details: CylinderDetails) -> None:
        if details.manufactured is not None:
            self.manufactured = months_later(details.manufactured, 0)
        pressure = stamped_service_pressure(details.service_pressure.value, details.service_pressure.unit)
        if isinstance(pressure, str):
            self.pressure_problem = pressure
        else:
            self.recorded_psi = self.service_pressure_psi = pressure
        mark = self.mark
        if not isinstance(mark, SpecificationMark):
            return
        self.key = specification_key(mark, details.material)
        self.entries = self.question.rulebook.specifications(self.key)
        self.marked_psi = marked_service_pressure(mark)
        if self.service_pressure_psi is not None and self.marked_psi is not None:
            self.service_pressure_psi = min(self.service_pressure_psi, self.marked_psi)
        if details.alloy is not None:
            self.alloy_6351 = ALLOY_6351 in details.alloy
        else:
            # The forerunners of 3AL were overstamped, so their permit may be the second mark.
            marks = (mark, *(read_mark(other) for other in mark.other_marks))
            self.alloy_6351 = any(
                isinstance(read, SpecificationMark) and self._is_taken_as_6351(specification_key(read, None))
                for read in marks
            )

    def _sources(self) -> tuple[AirSourceState, ...]:
        """Return the air sources the fill draws from, where it is plain which; empty where it is not."""
        sources, wanted = self.question.air_sources, self.question.air_source_id
        if self.question.every_air_source:
            return sources
        if wanted is None:
            return sources if len(sources) == 1 else ()
        return tuple(source for source in sources if source.subject_id == wanted)

    def is_in_effect(self, effective_from: date | None, effective_until: date | None) -> bool:
        """Tell whether a dated entry of the rulebook holds at the case's moment, in the station's calendar."""
        if effective_from is not None and self.at < day_starts_at(effective_from, self.zone):
            return False
        return effective_until is None or self.at < day_starts_at(effective_until, self.zone)

    def number(self, figure: NumberFigure) -> int:
        """Return a figure of a rule as it holds at the case's moment."""
        amended = self._amended(figure.name)
        return amended if isinstance(amended, int) else figure.value

    def month(self, figure: MonthFigure) -> str:
        """Return a month of a rule as it holds at the case's moment."""
        amended = self._amended(figure.name)
        return amended if isinstance(amended, str) else figure.value

    def amended_source(self, code: str) -> str | None:
        """Return the source that the county gave a code instead of its own, or None."""
        for amendment in reversed(self.question.rulebook.amendments):
            if code in amendment.sources and self.is_in_effect(amendment.effective_from, amendment.effective_until):
                return amendment.sources[code]
        return None

    def _amended(self, name: str) -> int | str | None:
        for amendment in reversed(self.question.rulebook.amendments):
            if name in amendment.figures and self.is_in_effect(amendment.effective_from, amendment.effective_until):
                return amendment.figures[name]
        return None

    def _is_taken_as_6351(self, key: str | None) -> bool:
        return any(dated.entry.taken_as_6351 for dated in self.question.rulebook.specifications(key))
