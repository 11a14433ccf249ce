"""What an attempt must know before it can judge: one reading for all its claims, without a lock."""

import uuid
from collections.abc import Iterable, Sequence

import msgspec

from fill_ledger.intake.claims import Claim, Unreadable
from fill_ledger.intake.judging import subjects_to_judge
from fill_ledger.intake.marked_cylinders import serial_keyed
from fill_ledger.intake.neighbours import Neighbours, find_neighbours
from fill_ledger.intake.permits import QuotedPermits, quoted_permits
from fill_ledger.intake.vault import Vault, raw_digest
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.ledger.read import Connection, Snapshot, read_for_append
from fill_ledger.ledger.sealing import SealedKey
from fill_ledger.trade.entries import consulted
from fill_ledger.trade.events.corrections import EventRetracted
from fill_ledger.trade.events.cylinders import CylinderRegistered, CylinderTransferredIn, TagPaired, TagUnpaired
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.members import MemberBody
from fill_ledger.trade.identifiers import (
    COUNTY_ID,
    Subject,
    SubjectKind,
    derived_id,
    inventory_number_subject,
    tag_subject,
)
from fill_ledger.trade.rulebook import Rulebook
from fill_ledger.trade.states.county import DepartmentState, NumberingState
from fill_ledger.trade.states.cylinders import CylinderState
from fill_ledger.views.folding import Folding, decode_state
from fill_ledger.views.rulebooks import Rulebooks
from fill_ledger.views.source import DatabaseSource


class Reading(msgspec.Struct, kw_only=True):
    """What was read for one attempt, and the folding that its claims go into."""

    snapshot: Snapshot
    source: DatabaseSource
    folding: Folding
    member_keys: dict[uuid.UUID, SealedKey]
    neighbours: Neighbours
    department_time_zone: str | None
    rulebook: Rulebook
    permits: QuotedPermits


async def read_for(
    connection: Connection,
    department_id: uuid.UUID,
    vault: Vault,
    rulebooks: Rulebooks,
    claims: Sequence[Claim | Unreadable],
) -> Reading:
    """Read states, known events, members' keys and neighbours' cylinders for some claims."""
    readable = [claim for claim in claims if isinstance(claim, Claim)]
    event_ids = {event_id for claim in claims for event_id in _claimed_ids(claim)}
    subjects = {
        subject
        for claim in readable
        for subject in _subjects_of(claim, department_id)
        if subject.kind is not SubjectKind.EVENT
    }
    ordered = sorted(subjects)
    by_reference = quoted_permits(vault.permit_references, _references(readable))
    nonces = sorted({permit.nonce for permit in by_reference.values() if permit is not None})
    snapshot = await read_for_append(connection, department_id, sorted(event_ids), ordered, nonces)
    source = DatabaseSource(connection, department_id)
    folding = Folding(department_id, source)
    folding.hold(ordered, snapshot.states)
    folding.note_retracted(
        {
            event_id: snapshot.events[event_id].ledger_position if event_id in snapshot.events else 0
            for event_id in snapshot.retracted
        }
    )
    await _read_ahead(readable, source, folding)
    members = {claim.body.member_id for claim in readable if isinstance(claim.body, MemberBody) and claim.body.sealed}
    return Reading(
        snapshot=snapshot,
        source=source,
        folding=folding,
        member_keys=await vault.member_keys(connection, department_id, sorted(members)),
        neighbours=await _neighbours(connection, department_id, folding, readable),
        department_time_zone=await _department_time_zone(connection, department_id, folding, readable),
        rulebook=await rulebooks.at(connection, snapshot.rulebook_position),
        permits=QuotedPermits(by_reference=by_reference, used_by=snapshot.permit_users),
    )


async def _read_ahead(claims: Sequence[Claim], source: DatabaseSource, folding: Folding) -> None:
    """Read at once what the folding would otherwise ask for claim by claim: an inventory file has hundreds of them."""
    await source.read_ahead(
        sorted({tag_subject(claim.body.tag) for claim in claims if isinstance(claim.body, TagPaired | TagUnpaired)})
    )
    unnumbered = sum(
        isinstance(claim.body, CylinderTransferredIn)
        or (isinstance(claim.body, CylinderRegistered) and claim.body.inventory_number is None)
        for claim in claims
    )
    if unnumbered:
        numbering: NumberingState = folding.state(Subject(SubjectKind.NUMBERING, folding.department_id))
        first = numbering.next_number
        await folding.ensure(inventory_number_subject(str(first + place)) for place in range(unnumbered))


def _references(claims: Sequence[Claim]) -> Iterable[str]:
    for claim in claims:
        if isinstance(claim.body, Filled) and claim.body.permit_reference is not None:
            yield claim.body.permit_reference


def conflict_id(claim: Claim) -> uuid.UUID:
    """Return the id under which a claim is kept whose own id another fact has; the same content gives the same id."""
    return derived_id("conflict", claim.event_id, claim.body.event_type, raw_digest(canonical_body(claim.body)))


def quarantine_id(unreadable: Unreadable) -> uuid.UUID:
    """Return the id under which unreadable bytes are kept; the same bytes give the same id."""
    return derived_id("quarantined", raw_digest(unreadable.raw))


def _claimed_ids(claim: Claim | Unreadable) -> Iterable[uuid.UUID]:
    if isinstance(claim, Unreadable):
        yield quarantine_id(claim)
        return
    yield claim.event_id
    if not claim.is_office_entry:
        yield conflict_id(claim)
    if isinstance(claim.body, EventRetracted):
        # Whether it was taken back before: a second retraction changes nothing, here as in a replay.
        yield claim.body.retracted_event_id


def _subjects_of(claim: Claim, department_id: uuid.UUID) -> Iterable[Subject]:
    body = claim.body
    yield from body.folds_into()
    if claim.is_office_entry:
        yield from consulted(body)
    if isinstance(body, Filled):
        yield from subjects_to_judge(body, department_id, claim.station_id or body.station_id)
    if isinstance(body, CylinderRegistered | CylinderTransferredIn):
        yield Subject(SubjectKind.NUMBERING, department_id)
        if isinstance(body, CylinderRegistered) and body.inventory_number is not None:
            yield inventory_number_subject(body.inventory_number)


async def _neighbours(
    connection: Connection, department_id: uuid.UUID, folding: Folding, claims: Sequence[Claim]
) -> Neighbours:
    """Look elsewhere for cylinders and tags that this department does not have, or gave away; anywhere by serial."""
    bodies = [claim.body for claim in claims if isinstance(claim.body, Filled)]
    # A neighbour's cylinder that was filled here before has a state here too, so a state alone does not make it ours.
    cylinder_ids = {
        body.cylinder_id
        for body in bodies
        if body.cylinder_id is not None
        and not _is_kept_here(folding.state(Subject(SubjectKind.CYLINDER, body.cylinder_id)))
    }
    tags = {body.tag for body in bodies if body.cylinder_id is None and body.tag is not None}
    serials = {serial for body in bodies if (serial := serial_keyed(body)) is not None}
    return await find_neighbours(connection, department_id, sorted(cylinder_ids), sorted(tags), sorted(serials))


async def _department_time_zone(
    connection: Connection, department_id: uuid.UUID, folding: Folding, claims: Sequence[Claim]
) -> str | None:
    """Return the department's time zone where a fill's station has none of its own, else None: nobody will ask."""
    stations = {claim.station_id or claim.body.station_id for claim in claims if isinstance(claim.body, Filled)}
    if all(
        station_id is not None and folding.state(Subject(SubjectKind.STATION, station_id)).time_zone is not None
        for station_id in stations
    ):
        return None
    return await department_time_zone(connection, department_id)


async def department_time_zone(connection: Connection, department_id: uuid.UUID) -> str | None:
    """Return the time zone that the county has on record for a department, or None."""
    stored = await connection.fetchval(
        "SELECT state FROM lookup.states($1, $2, $3)", [COUNTY_ID], [SubjectKind.DEPARTMENT.value], [department_id]
    )
    if stored is None:
        return None
    department: DepartmentState = decode_state(SubjectKind.DEPARTMENT, stored)
    return department.time_zone


def _is_kept_here(state: CylinderState) -> bool:
    return state.registered_at is not None and state.transferred_at is None
