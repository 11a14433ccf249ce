"""What is found about the permit that a fill quotes, and about a fill that quotes none."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest

from fill_ledger.trade.events.envelope import QuotedPermit
from fill_ledger.trade.events.fills import Filled, FilledByHand, Override
from fill_ledger.trade.rules.finding_kinds import FINDING_KINDS, severity_of
from fill_ledger.trade.rules.permits import PermitStanding, codes_of_permit, compared, differences_text

STATION_ID, CYLINDER_ID, MEMBER_ID, OTHER_ID = (uuid.UUID(int=number) for number in (1, 2, 3, 4))
UNTIL = datetime(2026, 6, 15, 14, tzinfo=UTC)
SECOND = timedelta(seconds=1)
PERMIT = QuotedPermit(
    station_id=STATION_ID,
    cylinder_id=CYLINDER_ID,
    fill_limit_psi=4500,
    until=UNTIL,
    nonce="00" * 8,
    member_id=MEMBER_ID,
    mode="automatic",
)
FILL = Filled(
    cylinder_id=CYLINDER_ID, member_id=MEMBER_ID, mode="automatic", duration_s=300, permit_reference="a reference"
)


def codes(body: Filled, ended_at: datetime = UNTIL, *, is_from_controller: bool = True, **standing: Any) -> list[str]:
    """Return what is found of a fill that quotes PERMIT unless told otherwise."""
    known = PermitStanding(**{"permit": PERMIT, **standing})
    return list(codes_of_permit(body, ended_at, known, is_from_controller=is_from_controller))


def fill(**given: Any) -> Filled:
    """Return FILL with some parts given."""
    return msgspec.structs.replace(FILL, **given)


@pytest.mark.parametrize(
    ("late", "duration_s", "is_expired"),
    [
        (timedelta(0), 300, False),
        (timedelta(seconds=299), 300, False),  # began a second before it ran out
        (timedelta(seconds=300), 300, True),  # the end is exclusive: a fill that begins then begins too late
        (timedelta(0), 0, True),
        (-SECOND, 0, False),
        (timedelta(days=1) - SECOND, None, False),  # a report may say that a fill took up to a day
        (timedelta(days=1), None, True),
    ],
)
def test_a_permit_has_run_out_for_a_fill_that_begins_at_its_end_or_later(
    late: timedelta, duration_s: int | None, is_expired: bool
) -> None:
    body, ended_at = fill(duration_s=duration_s), UNTIL + late
    assert codes(body, ended_at) == (["permit-expired"] if is_expired else [])
    uncertain = msgspec.structs.replace(PERMIT, is_fill_time_certain=False)
    assert codes(body, ended_at, permit=uncertain) == []


@pytest.mark.parametrize(
    ("permit", "body", "station_id", "cylinder_id", "differs"),
    [
        ({}, {}, STATION_ID, CYLINDER_ID, ()),
        ({}, {}, OTHER_ID, OTHER_ID, ("cylinder", "station")),
        ({}, {"member_id": OTHER_ID, "mode": "fast"}, STATION_ID, CYLINDER_ID, ("member", "mode")),
        # What either side does not tell is no difference.
        ({"member_id": None, "mode": None}, {}, STATION_ID, CYLINDER_ID, ()),
        ({}, {"member_id": None, "mode": None}, None, None, ()),
    ],
)
def test_what_differs_is_what_both_tell_and_tell_otherwise(
    permit: dict[str, Any],
    body: dict[str, Any],
    station_id: uuid.UUID | None,
    cylinder_id: uuid.UUID | None,
    differs: tuple[str, ...],
) -> None:
    given = msgspec.structs.replace(PERMIT, **permit)
    known = compared(given, fill(**body), station_id=station_id, cylinder_id=cylinder_id)
    assert known == msgspec.structs.replace(given, differs=differs)
    assert codes(FILL, permit=known) == (["permit-for-another-fill"] if differs else [])


def test_everything_wrong_is_told_at_once() -> None:
    permit = msgspec.structs.replace(PERMIT, differs=("member",))
    found = codes(FILL, UNTIL + timedelta(hours=1), permit=permit, is_used_before=True)
    assert found == ["permit-for-another-fill", "permit-expired", "permit-used-twice"]
    assert codes(FILL, permit=None, is_used_before=True) == ["permit-reference-not-genuine"]


@pytest.mark.parametrize(
    ("body", "is_from_controller", "found"),
    [
        (fill(permit_reference=None), True, ["fill-not-asked"]),
        (fill(permit_reference=None, mode=None), True, ["fill-not-asked"]),
        (fill(permit_reference=None, mode="fast"), True, ["fill-not-asked"]),
        (fill(permit_reference=None), False, []),
        (fill(permit_reference=None, mode="manual"), True, []),
        (fill(permit_reference=None, roster_position=0), True, []),
        (fill(permit_reference=None, override=Override(reason_code="working fire")), True, []),
        (FilledByHand(cylinder_id=CYLINDER_ID), True, []),
        # A reference that was quoted is checked whoever sent it, and however it was filled.
        (FilledByHand(cylinder_id=CYLINDER_ID, permit_reference=""), False, ["permit-reference-not-genuine"]),
    ],
)
def test_a_station_that_could_have_asked_and_did_not_is_found(
    body: Filled, is_from_controller: bool, found: list[str]
) -> None:
    assert codes(body, is_from_controller=is_from_controller, permit=None) == found


def test_the_words_name_every_part_that_differs() -> None:
    def told(*differs: Any) -> str:
        return differences_text(msgspec.structs.replace(PERMIT, differs=differs)).partition(": ")[2]

    assert told("station") == "the station differs."
    assert told("member", "mode") == "the member and the mode of filling differ."
    assert told("cylinder", "station", "mode") == "the cylinder, the station and the mode of filling differ."


def test_no_finding_about_a_permit_is_grave() -> None:
    """Whether the fill itself was dangerous is said by the reasons and limits, which are judged in any case."""
    found = {kind.code for kind in FINDING_KINDS if kind.code.startswith("permit-") or kind.code == "fill-not-asked"}
    assert len(found) == 5
    assert {severity_of(code) for code in found} == {"notable"}
