"""Which cylinder is meant: one, none, or several, among those that answer to what was given."""

import uuid
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

import msgspec

from fill_ledger.trade.rules.as_marked import is_same_specification
from fill_ledger.trade.rules.question import SubjectProblem
from fill_ledger.views.cylinders import ENTRY_INVENTORY_NUMBER, ENTRY_SERIAL
from fill_ledger.views.questions import Match


class Resolved(msgspec.Struct, frozen=True, kw_only=True):
    """The one cylinder that is meant, or what is wrong and what there is to choose from."""

    match: Match | None = None
    problem: SubjectProblem | None = None
    choices: tuple[Match, ...] = ()


UNKNOWN = Resolved(problem="unknown")


def resolve(
    subject_kind: str | None,
    matches: Iterable[Match],
    *,
    department_id: uuid.UUID,
    partner_ids: Iterable[uuid.UUID],
    at: datetime,
) -> Resolved:
    """Return which cylinder is meant at a moment.

    The station's own department comes first, then its mutual-aid partners, then anybody else. An inventory number is
    each department's own, so elsewhere than among partners it means nothing. A serial is stamped by makers who know
    nothing of each other: where two cylinders have it, the station's own is no better guess than a neighbour's. A
    cylinder given away to another department is meant only where no department has it.
    """
    found = [match for match in matches if match.cylinder is not None]
    if not found:
        return UNKNOWN
    partners = frozenset(partner_ids)

    def is_own(match: Match) -> bool:
        return match.department_id == department_id

    def is_partners(match: Match) -> bool:
        return match.department_id in partners

    def is_anybodys(match: Match) -> bool:
        return True

    present = [match for match in found if not _was_given_away(match, at)]
    gone = [match for match in found if _was_given_away(match, at)]
    order: Sequence[tuple[list[Match], Callable[[Match], bool]]]
    if subject_kind == ENTRY_SERIAL:
        order = ((present, is_anybodys), (gone, is_own), (gone, is_anybodys))
    elif subject_kind == ENTRY_INVENTORY_NUMBER:
        # A number once given here may still be painted on what was given away: then a partner's number is no answer.
        still = {match.cylinder_id for match in present}
        painted = [match for match in gone if is_own(match) and match.cylinder_id not in still]
        order = ((present, is_own), ([*painted, *filter(is_partners, present)], is_anybodys), (gone, is_own))
    else:
        order = ((present, is_own), (present, is_partners), (present, is_anybodys), (gone, is_own), (gone, is_anybodys))
    for candidates, is_meant in order:
        meant = [match for match in candidates if is_meant(match)]
        if meant:
            return _one_of(meant)
    return UNKNOWN


def resolve_marks(matches: Iterable[Match], specification: str | None, at: datetime) -> Resolved:
    """Return the registered cylinder that keyed-in marks belong to, among those with the same stamped serial.

    Marks must not be a way round the record: a registered cylinder is judged by it, holds and all. Where it cannot be
    told whether the marks are its own, the answer is ambiguous, never a guess.
    """
    possible: list[Match] = []
    are_same: list[bool | None] = []
    for match in matches:
        details = None if match.cylinder is None or _was_given_away(match, at) else match.cylinder.details
        if details is None:
            continue
        is_same = None if specification is None else is_same_specification(details.specification, specification)
        if is_same is not False:
            possible.append(match)
            are_same.append(is_same)
    if not possible:
        return UNKNOWN
    if are_same == [True]:
        return Resolved(match=possible[0])
    return Resolved(problem="ambiguous", choices=tuple(possible))


def _one_of(meant: list[Match]) -> Resolved:
    if len(meant) == 1:
        return Resolved(match=meant[0])
    return Resolved(problem="ambiguous", choices=tuple(meant))


def _was_given_away(match: Match, at: datetime) -> bool:
    cylinder = match.cylinder
    return cylinder is not None and cylinder.transferred_at is not None and cylinder.transferred_at <= at
