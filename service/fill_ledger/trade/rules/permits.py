"""The permit that a fill quotes, held against the fill; and the fill that quotes none.

Nothing here refuses a fill, and nothing is found where the two only say less than each other: a permit asked for
without a member fits whoever filled, a fill that does not tell its mode fits every permit, and a cylinder that nobody
knows yet is no other cylinder.
"""

import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta

import msgspec

from fill_ledger.trade.events.envelope import PermitPart, QuotedPermit
from fill_ledger.trade.events.fills import Filled, FilledByHand
from fill_ledger.trade.rules import finding_kinds as kinds

# As long as the report of a fill may say that it took: so early a fill may have begun that does not say how long.
LONGEST_FILL = timedelta(days=1)

_PART_WORDS: dict[PermitPart, str] = {
    "cylinder": "the cylinder",
    "station": "the station",
    "member": "the member",
    "mode": "the mode of filling",
}


class PermitStanding(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of the permit of a fill: `permit` is None where it quotes none, or one that is not genuine.

    is_used_before: another fill, not taken back, quoted it first.
    """

    permit: QuotedPermit | None = None
    is_used_before: bool = False


def compared(
    permit: QuotedPermit, body: Filled, *, station_id: uuid.UUID | None, cylinder_id: uuid.UUID | None
) -> QuotedPermit:
    """Return the permit with what was otherwise at the fill; what either does not tell is not otherwise.

    `station_id` is the station that reported the fill, `cylinder_id` the cylinder as far as it is known.
    """
    pairs: tuple[tuple[PermitPart, object, object], ...] = (
        ("cylinder", permit.cylinder_id, cylinder_id),
        ("station", permit.station_id, station_id),
        ("member", permit.member_id, body.member_id),
        ("mode", permit.mode, body.mode),
    )
    differs = tuple(part for part, given, found in pairs if None not in (given, found) and given != found)
    return msgspec.structs.replace(permit, differs=differs)


def codes_of_permit(
    body: Filled, ended_at: datetime, standing: PermitStanding, *, is_from_controller: bool
) -> Iterator[str]:
    """Yield a code for each thing that is wrong with the permit of a fill, which ended at `ended_at`.

    `standing.permit` has been compared with the fill. No tolerance is needed on the time: a permit's end and the
    moment of a fill are both told by the ledger's clock, the latter corrected by what the device's clock said when it
    sent the fact. Where nothing told how far off that clock was, the time proves nothing.
    """
    permit = standing.permit
    if body.permit_reference is None:
        if is_from_controller and _should_have_asked(body):
            yield kinds.FILL_NOT_ASKED.code
        return
    if permit is None:
        yield kinds.PERMIT_NOT_GENUINE.code
        return
    if permit.differs:
        yield kinds.PERMIT_FOR_ANOTHER_FILL.code
    if permit.is_fill_time_certain and _began_too_late(body, ended_at, permit):
        yield kinds.PERMIT_EXPIRED.code
    if standing.is_used_before:
        yield kinds.PERMIT_USED_TWICE.code


def differences_text(permit: QuotedPermit) -> str:
    """Say in a sentence which parts of the permit were otherwise at the fill."""
    words = [_PART_WORDS[part] for part in permit.differs]
    listed = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
    return f"{kinds.PERMIT_FOR_ANOTHER_FILL.title}: {listed} {'differs' if len(words) == 1 else 'differ'}."


def _should_have_asked(body: Filled) -> bool:
    """Tell whether the fill went through a controller that can ask: not by hand, not offline, not against an answer."""
    if isinstance(body, FilledByHand) or body.mode == "manual":
        return False
    return body.roster_position is None and body.override is None


def _began_too_late(body: Filled, ended_at: datetime, permit: QuotedPermit) -> bool:
    duration = LONGEST_FILL if body.duration_s is None else timedelta(seconds=body.duration_s)
    return ended_at - permit.until >= duration
