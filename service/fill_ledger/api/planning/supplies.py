"""The stored air a plan or forecast may use: bottles by numbers, and those in place at the station's air sources."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

import msgspec

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.planning.planning_types import (
    MAXIMUM_BOTTLES,
    AdviceView,
    BottleState,
    GivenBottle,
    LeftOut,
    age_s,
)
from fill_ledger.api.question.eligibility_request import Faults
from fill_ledger.trade.gas.air_table import OutsideTable, reading_fault
from fill_ledger.trade.gas.contents import MILLILITRES_PER_LITRE
from fill_ledger.trade.gas.storage import Bottle
from fill_ledger.trade.judgement import RULES, Question, judge
from fill_ledger.trade.rules.air import OUT_OF_SERVICE, SAMPLE_FAILED
from fill_ledger.trade.rules.air_limits import OVER_LIMIT
from fill_ledger.trade.states.stations import AirSourceState
from fill_ledger.trade.states.stations import Bottle as KnownBottle

OLD_READING = timedelta(hours=24)
"""A bank is used between two readings of a day (common practice, no source): then its gauges say something else."""

_PLACE_CODES = frozenset(
    kind.code for rule in RULES if rule.concerns in ("air", "station") for kind in rule.kinds if kind.effect == "deny"
)
# What says that the air itself is bad, or that a person shut it off. The rest is due, missing or an alarm: it is told,
# and whoever has no power and no other air must know how much there is.
_BAD_AIR_CODES = frozenset({OUT_OF_SERVICE.code, SAMPLE_FAILED.code, OVER_LIMIT.code})
_RECORD = "department record"


class TakenBottle(msgspec.Struct, frozen=True, kw_only=True):
    """A bottle as it is reckoned with, and where its pressure comes from."""

    bottle: Bottle
    bottle_id: uuid.UUID | None = None
    air_source_id: uuid.UUID | None = None
    read_at: datetime | None = None


class TakenSupply(msgspec.Struct, frozen=True, kw_only=True):
    """The bottles that are reckoned with, the sources that may be used, and what is to be said of the rest."""

    bottles: tuple[TakenBottle, ...]
    sources: tuple[AirSourceState, ...]
    left_out: tuple[LeftOut, ...]
    advice: tuple[AdviceView, ...]

    def states(self, after: Iterable[Bottle], at: datetime) -> list[BottleState]:
        """Return each bottle before and after, in the order they were given."""
        after_psi = {bottle.label: bottle.pressure_psi for bottle in after}
        return [
            BottleState(
                label=taken.bottle.label,
                bottle_id=taken.bottle_id,
                air_source_id=taken.air_source_id,
                water_volume_ml=taken.bottle.water_volume_ml,
                before_psi=taken.bottle.pressure_psi,
                after_psi=after_psi[taken.bottle.label],
                read_at=taken.read_at,
                reading_age_s=None if taken.read_at is None else age_s(taken.read_at, at),
            )
            for taken in self.bottles
        ]


def volume_ml(given_ml: int | None, given_l: float | None, faults: Faults) -> int | None:
    """Return a water volume in millilitres, given in either unit; notes where it was given in both."""
    if given_ml is not None and given_l is not None:
        faults.add(
            "water_volume_l", "one-unit", "Give the water volume in one unit: water_volume_ml or water_volume_l."
        )
    if given_ml is not None:
        return given_ml
    return None if given_l is None else round(given_l * MILLILITRES_PER_LITRE)


def check_given_bottles(bottles: Sequence[GivenBottle], faults: Faults, pointer: str) -> None:
    """Note what is wrong with bottles as they were given, before anything is read. `pointer`: that of the array."""
    labels: set[str] = set()
    for place, given in enumerate(bottles):
        here = faults.within(f"{pointer}/{place}")
        volume = volume_ml(given.water_volume_ml, given.water_volume_l, here)
        if given.bottle_id is None and volume is None:
            here.add(
                "water_volume_ml", "missing", "Give the bottle's water volume, or its bottle_id if it is on record."
            )
        if given.bottle_id is not None and volume is not None:
            here.add(
                "water_volume_ml", "on-record", "The volume of a bottle with a bottle_id is on record: leave it out."
            )
        if given.label is not None:
            if given.label in labels:
                here.add("label", "used-twice", "Each bottle needs a label of its own.")
            labels.add(given.label)


def take_supply(
    bottles: Sequence[GivenBottle],
    sources: Sequence[AirSourceState],
    asked: Question | None,
    pointer: str,
    at: datetime,
) -> TakenSupply:
    """Return what there is to fill from at a moment. `asked`: a question at the station, to judge its sources by.

    Raises:
        Problem: 422 where a bottle is not in place in any of the sources, is given twice, or there are too many.
    """
    usable, left_out, advice = _judged_sources(sources, asked)
    in_place = {
        bottle.bottle_id: (source, bottle) for source in sources for bottle in source.bottles if bottle.covers(at)
    }
    _check_bottles(bottles, in_place, pointer)
    labels: set[str] = {given.label for given in bottles if given.label is not None}
    usable_ids = {source.subject_id for source in usable}
    taken: list[TakenBottle] = []
    given_ids = {given.bottle_id for given in bottles if given.bottle_id is not None}
    for number, given in enumerate(bottles, start=1):
        known = None if given.bottle_id is None else in_place[given.bottle_id]
        if known is None or known[0].subject_id in usable_ids:
            taken.append(_given_bottle(given, number, known, labels))
    for source in usable:
        there = [bottle for bottle in source.bottles if bottle.covers(at)]
        if not there and source.air_source_kind != "compressor":
            left_out.append(_without_bottles(source))
        there = [bottle for bottle in there if bottle.bottle_id not in given_ids]
        on_record, unread = _recorded_bottles(source, there, labels)
        taken += on_record
        left_out += unread
        advice += _about_readings(source, on_record, at)
    if len(taken) > MAXIMUM_BOTTLES:
        detail = f"These are {len(taken)} bottles; at most {MAXIMUM_BOTTLES} are reckoned with. Name fewer air sources."
        fault = Fault(code="too-many-bottles", detail=detail, pointer=pointer)
        raise Problem(problem_types.NOT_PROCESSABLE, detail, errors=[fault])
    return TakenSupply(bottles=tuple(taken), sources=usable, left_out=tuple(left_out), advice=tuple(advice))


def _judged_sources(
    sources: Sequence[AirSourceState], asked: Question | None
) -> tuple[tuple[AirSourceState, ...], list[LeftOut], list[AdviceView]]:
    """Ask the judgement what it says of each source: bad air is left out, what is merely due is told."""
    usable: list[AirSourceState] = []
    left_out: list[LeftOut] = []
    advice: dict[tuple[str, str], AdviceView] = {}
    for source in sources:
        reasons = [] if asked is None else judge(_about_source(asked, source), look_ahead=False).reasons
        reasons = [reason for reason in reasons if reason.code in _PLACE_CODES]
        bad = [reason for reason in reasons if reason.code in _BAD_AIR_CODES]
        left_out += [
            LeftOut(what="air_source", label=source.label or "", code=reason.code, text=reason.text) for reason in bad
        ]
        for reason in reasons:
            if reason.code not in _BAD_AIR_CODES:
                advice[reason.code, reason.text] = AdviceView(code=reason.code, text=reason.text, source=reason.source)
        if not bad:
            usable.append(source)
    return tuple(usable), left_out, list(advice.values())


def _about_source(asked: Question, source: AirSourceState) -> Question:
    return msgspec.structs.replace(
        asked, air_sources=(source,), station_air_sources=asked.air_sources, every_air_source=True
    )


def _check_bottles(
    bottles: Sequence[GivenBottle], in_place: Mapping[uuid.UUID, tuple[AirSourceState, KnownBottle]], pointer: str
) -> None:
    faults: list[Fault] = []
    seen: set[uuid.UUID] = set()
    for place, given in enumerate(bottles):
        if given.bottle_id is None:
            continue
        here = f"{pointer}/{place}/bottle_id"
        if given.bottle_id not in in_place:
            detail = "No bottle with this id is in place in the air sources named."
            faults.append(Fault(code="bottle-unknown", detail=detail, pointer=here))
        elif given.bottle_id in seen:
            faults.append(Fault(code="used-twice", detail="This bottle is given twice.", pointer=here))
        seen.add(given.bottle_id)
    if faults:
        raise Problem(problem_types.NOT_PROCESSABLE, faults[0].detail, errors=faults)


def _given_bottle(
    given: GivenBottle, number: int, known: tuple[AirSourceState, KnownBottle] | None, labels: set[str]
) -> TakenBottle:
    if known is None:
        volume = given.water_volume_ml or round((given.water_volume_l or 0) * MILLILITRES_PER_LITRE)
        label = given.label or free_label((f"Bottle {number}",), labels)
        return TakenBottle(bottle=Bottle(label=label, water_volume_ml=volume, pressure_psi=given.pressure_psi))
    source, bottle = known
    return TakenBottle(
        bottle=Bottle(
            label=given.label or free_label(_names(source, bottle), labels),
            water_volume_ml=bottle.water_volume_ml,
            pressure_psi=given.pressure_psi,
        ),
        bottle_id=bottle.bottle_id,
        air_source_id=source.subject_id,
    )


def _recorded_bottles(
    source: AirSourceState, there: Sequence[KnownBottle], labels: set[str]
) -> tuple[list[TakenBottle], list[LeftOut]]:
    """Return the bottles of a source with their newest readings, and those that have none to reckon with."""
    readings = {reading.bottle_id: reading for reading in source.bottle_readings}
    taken: list[TakenBottle] = []
    left_out: list[LeftOut] = []
    for bottle in there:
        label = free_label(_names(source, bottle), labels)
        reading = readings.get(bottle.bottle_id)
        # A reading from before the bottle was put here tells of another time.
        if reading is None or not bottle.covers(reading.read_at):
            text = f"{label} has never been read since it is in place: read its gauge, and give or report it."
            left_out.append(LeftOut(what="bottle", label=label, code="bottle-never-read", text=text))
        elif (outside := reading_fault(reading.pressure_psi)) is not None:
            left_out.append(_outside_the_table(label, outside))
        else:
            taken.append(
                TakenBottle(
                    bottle=Bottle(
                        label=label, water_volume_ml=bottle.water_volume_ml, pressure_psi=reading.pressure_psi
                    ),
                    bottle_id=bottle.bottle_id,
                    air_source_id=source.subject_id,
                    read_at=reading.read_at,
                )
            )
    return taken, left_out


def _without_bottles(source: AirSourceState) -> LeftOut:
    text = "No bottle of this source is on record as being in place: give bottles by numbers."
    return LeftOut(what="air_source", label=source.label or "", code="no-bottles", text=text)


def _outside_the_table(label: str, outside: OutsideTable) -> LeftOut:
    return LeftOut(
        what="bottle",
        label=label,
        code="reading-outside-table",
        text=f"{label} was read at {outside.given} psi, outside the table of real air, {outside.least} to "
        f"{outside.greatest} psi: read its gauge again.",
    )


def _about_readings(source: AirSourceState, bottles: Sequence[TakenBottle], at: datetime) -> list[AdviceView]:
    """Say where readings on record need not hold any more."""
    found: list[AdviceView] = []
    read = [(taken.bottle.label, taken.read_at) for taken in bottles if taken.read_at is not None]
    charged_at = source.last_charged_at
    before_charge = [label for label, read_at in read if charged_at is not None and read_at < charged_at]
    old = [label for label, read_at in read if at - read_at > OLD_READING]
    if before_charge and charged_at is not None:
        text = f"Charged at {charged_at.isoformat(timespec='minutes')}, after the last reading of: "
        found.append(_note("reading-before-charge", text, before_charge, _RECORD))
    if old:
        text = f"Last read more than {OLD_READING // timedelta(hours=1)} hours ago; read the gauge again: "
        found.append(_note("reading-old", text, old, "common practice, no source"))
    return found


def _note(code: str, text: str, labels: Sequence[str], source: str) -> AdviceView:
    named = ", ".join(labels)
    longest = 1_900 - len(text)
    return AdviceView(
        code=code, text=text + (named if len(named) <= longest else named[:longest] + " ..."), source=source
    )


def _names(source: AirSourceState, bottle: KnownBottle) -> tuple[str, str]:
    return bottle.label, f"{source.label or 'Air source'}: {bottle.label}"


def free_label(wanted: Sequence[str], labels: set[str]) -> str:
    """Return the first wanted label that is not in use, else the last with a number; and put it to use."""
    number = 1
    candidates = iter(wanted)
    label = next(candidates)
    while label in labels:
        following = next(candidates, None)
        if following is None:
            number += 1
            following = f"{wanted[-1]} ({number})"
        label = following
    labels.add(label)
    return label
