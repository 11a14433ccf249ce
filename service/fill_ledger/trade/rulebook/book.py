"""The rulebook ready for the judgement: every entry by its key, the one that goes before the others last."""

import hashlib
from collections.abc import Iterable, Sequence
from datetime import date

import msgspec

from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.events.rulebook import (
    AirStandard,
    RuleAmended,
    RulebookInstalled,
    SpecificationEntry,
)
from fill_ledger.trade.rulebook.air_standards import AIR_STANDARDS
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.states.rulebook import RulebookState

NOT_INSTALLED = "not installed"


class DatedEntry(msgspec.Struct, frozen=True):
    """An entry with the days from which and until which (exclusive) it holds, in the station's calendar."""

    entry: SpecificationEntry
    effective_from: date | None
    effective_until: date | None


class DatedStandard(msgspec.Struct, frozen=True):
    """A standard of air with the days from which and until which (exclusive) it holds."""

    standard: AirStandard
    effective_from: date | None
    effective_until: date | None


class Amendment(msgspec.Struct, frozen=True):
    """Other figures and sources during a time."""

    figures: dict[str, int | str]
    sources: dict[str, str]
    effective_from: date | None
    effective_until: date | None


class Rulebook:
    """What the rules go by. Never changes once made; a change of the county ledger makes another one.

    digest: of all the data in it, hex; equal digests judge alike. amendments: oldest first, so that the last one in
    effect holds; amendment_days: on which one begins or ends. state: what it was made from, which tells who entered
    what and when.
    """

    __slots__ = ("_air_standards", "_specifications", "amendment_days", "amendments", "digest", "state")

    def __init__(
        self,
        specifications: Sequence[SpecificationEntry],
        air_standards: Sequence[AirStandard],
        amendments: Sequence[RuleAmended] = (),
        *,
        state: RulebookState | None = None,
    ) -> None:
        self.state = state
        self._specifications: dict[str | None, tuple[DatedEntry, ...]] = {}
        for entry in specifications:
            dated = DatedEntry(entry, _day(entry.effective_from), _day(entry.effective_until))
            self._specifications[entry.key] = (*self._specifications.get(entry.key, ()), dated)
        self._air_standards: dict[str, tuple[DatedStandard, ...]] = {}
        for standard in air_standards:
            dated_standard = DatedStandard(standard, _day(standard.effective_from), _day(standard.effective_until))
            self._air_standards[standard.key] = (*self._air_standards.get(standard.key, ()), dated_standard)
        self.amendments = tuple(_amendment(amended) for amended in amendments)
        self.amendment_days: tuple[date | None, ...] = tuple(
            day for amendment in self.amendments for day in (amendment.effective_from, amendment.effective_until)
        )
        self.digest = _digest((*specifications, *air_standards, *amendments))

    def specifications(self, key: str | None) -> tuple[DatedEntry, ...]:
        """Return all entries of a specification, in whatever time they hold; the last one in effect holds.

        None is the key of what a mark does not tell, and nothing stands under it.
        """
        return self._specifications.get(key, ())

    def air_standards(self, key: str) -> tuple[DatedStandard, ...]:
        """Return all entries of a standard of air, in whatever time they hold; the last one in effect holds."""
        return self._air_standards.get(key, ())

    def every_specification(self) -> Iterable[SpecificationEntry]:
        """Yield every entry of every specification, by key, the one that goes before the others last."""
        for entries in self._specifications.values():
            yield from (dated.entry for dated in entries)

    def every_air_standard(self) -> Iterable[AirStandard]:
        """Yield every entry of every standard of air, by key, the one that goes before the others last."""
        for entries in self._air_standards.values():
            yield from (dated.standard for dated in entries)


def shipped_rulebook(release: str) -> RulebookInstalled:
    """Return what this release brings, as the event that installs it."""
    return RulebookInstalled(release=release, specifications=SPECIFICATIONS, air_standards=AIR_STANDARDS)


def released_entries(state: RulebookState | None) -> RulebookInstalled:
    """Return what a release brought: what is installed, else what this one brings."""
    installed = None if state is None else state.installed
    return installed or shipped_rulebook(NOT_INSTALLED)


def rulebook_of(state: RulebookState) -> Rulebook:
    """Return the rulebook that a state of the county ledger stands for.

    What the county entered goes before what was installed; among its own entries the newest goes first.
    """
    released = released_entries(state)
    return Rulebook(
        (*released.specifications, *(known.entry for known in state.specifications)),
        (*released.air_standards, *(known.entry for known in state.air_standards)),
        tuple(known.entry for known in state.amendments),
        state=state,
    )


def holds_on(day: date, effective_from: str | None, effective_until: str | None) -> bool:
    """Tell whether what holds from one day until another (exclusive) holds on a day of the same calendar."""
    begins, ends = _day(effective_from), _day(effective_until)
    return (begins is None or begins <= day) and (ends is None or day < ends)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _amendment(amended: RuleAmended) -> Amendment:
    return Amendment(
        figures={figure.figure: figure.value for figure in amended.figures},
        sources={source.code: source.source for source in amended.sources},
        effective_from=_day(amended.effective_from),
        effective_until=_day(amended.effective_until),
    )


def _digest(entries: Sequence[Body]) -> str:
    return hashlib.sha256(msgspec.json.encode(entries)).hexdigest()


SHIPPED = Rulebook(SPECIFICATIONS, AIR_STANDARDS)
