"""States of cylinders and of the tags on them."""

import uuid
from datetime import datetime

import msgspec

from fill_ledger.trade.events import cylinders, fills
from fill_ledger.trade.events.envelope import Event
from fill_ledger.trade.identifiers import tag_subject
from fill_ledger.trade.states.base import Fold, Period, State, end_open_periods, period_at

KEPT_LIFE_EXTENSIONS = 20
# The worse result stands where two results are stamped for one month.
OUTCOME_RANK = {"pass": 0, "rejected": 1, "condemned": 2}


class Requalification(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One requalification, kept in the order of the stamped months."""

    event_id: uuid.UUID
    reported_at: datetime
    stamp: cylinders.RequalificationStamp


class Hold(Period, kw_only=True, omit_defaults=True):
    """A hold while it stands; `ends_at` is its release."""

    hold_id: uuid.UUID
    hold_kind: str
    clears_by: str | None = None


class Inspection(msgspec.Struct, kw_only=True):
    """The newest inspection of one kind."""

    inspection_kind: str
    outcome: str
    inspected_at: datetime
    event_id: uuid.UUID


class LifeExtended(msgspec.Struct, kw_only=True):
    """An extension of the service life, from the moment it was entered for."""

    event_id: uuid.UUID
    starts_at: datetime
    extension: cylinders.LifeExtension


class LastFill(msgspec.Struct, kw_only=True, omit_defaults=True):
    """The newest fill, wherever it happened."""

    event_id: uuid.UUID
    filled_at: datetime
    end_psi: int | None = None
    station_id: uuid.UUID | None = None


class CylinderState(State, kw_only=True, omit_defaults=True):
    """Everything about a cylinder that bears on whether it may be filled. Facts with dates, no flags."""

    assigned = ("inventory_number",)

    inventory_number: str | None = None
    details: cylinders.CylinderDetails | None = None
    registered_at: datetime | None = None
    requalifications: list[Requalification] = msgspec.field(default_factory=list)
    holds: list[Hold] = msgspec.field(default_factory=list)
    inspections: list[Inspection] = msgspec.field(default_factory=list)
    life_extensions: list[LifeExtended] = msgspec.field(default_factory=list)
    condemned_at: datetime | None = None
    retired_at: datetime | None = None
    transferred_at: datetime | None = None
    transferred_to: uuid.UUID | None = None
    fills_total: int = 0
    last_fill: LastFill | None = None

    def holds_at(self, moment: datetime) -> list[Hold]:
        """Return the holds that stand at a moment, oldest first."""
        return [hold for hold in self.holds if hold.covers(moment)]


class Pairing(Period, kw_only=True, omit_defaults=True):
    """A tag on a cylinder while it is there."""

    cylinder_id: uuid.UUID


class TagState(State, kw_only=True, omit_defaults=True):
    """A tag and the cylinders it has been on. A pairing with another cylinder moves the tag there."""

    tag: str | None = None
    pairings: list[Pairing] = msgspec.field(default_factory=list)

    def cylinder_at(self, moment: datetime) -> uuid.UUID | None:
        """Return the cylinder that wore the tag at a moment, or None."""
        pairing = period_at(self.pairings, moment)
        return None if pairing is None else pairing.cylinder_id


cylinder_fold = Fold(CylinderState)
tag_fold = Fold(TagState)


@cylinder_fold.on(cylinders.CylinderRegistered)
def _registered(state: CylinderState, body: cylinders.CylinderRegistered, event: Event) -> None:
    state.inventory_number = event.inventory_number
    state.details = body.details
    state.registered_at = event.effective_at
    for stamp in body.requalifications or ():
        _add_requalification(state, stamp, event)


@cylinder_fold.on(cylinders.CylinderTransferredIn)
def _transferred_in(state: CylinderState, body: cylinders.CylinderTransferredIn, event: Event) -> None:
    state.inventory_number = event.inventory_number
    state.details = body.details
    state.registered_at = event.effective_at
    state.transferred_at, state.transferred_to = None, None
    for stamp in body.requalifications or ():
        _add_requalification(state, stamp, event)
    for extension in body.life_extensions or ():
        _add_extension(state, extension, event)
    for hold_id in body.holds or ():
        state.holds.append(
            Hold(event_id=event.event_id, starts_at=event.effective_at, hold_id=hold_id, hold_kind="other")
        )
    if body.condemned:
        state.condemned_at = event.effective_at


@cylinder_fold.on(cylinders.CylinderDetailsCorrected)
def _details_corrected(state: CylinderState, body: cylinders.CylinderDetailsCorrected, event: Event) -> None:
    state.details = body.details


@cylinder_fold.on(cylinders.CylinderRequalified)
def _requalified(state: CylinderState, body: cylinders.CylinderRequalified, event: Event) -> None:
    _add_requalification(state, body.stamp, event)


def _add_requalification(state: CylinderState, stamp: cylinders.RequalificationStamp, event: Event) -> None:
    state.requalifications.append(Requalification(event_id=event.event_id, reported_at=event.effective_at, stamp=stamp))
    state.requalifications.sort(
        key=lambda known: (known.stamp.month, OUTCOME_RANK[known.stamp.outcome], known.reported_at, known.event_id)
    )


@cylinder_fold.on(cylinders.CylinderLifeExtended)
def _life_extended(state: CylinderState, body: cylinders.CylinderLifeExtended, event: Event) -> None:
    _add_extension(state, body.extension, event)


def _add_extension(state: CylinderState, extension: cylinders.LifeExtension, event: Event) -> None:
    state.life_extensions.append(
        LifeExtended(event_id=event.event_id, starts_at=event.effective_at, extension=extension)
    )
    del state.life_extensions[:-KEPT_LIFE_EXTENSIONS]


@cylinder_fold.on(cylinders.CylinderInspected)
def _inspected(state: CylinderState, body: cylinders.CylinderInspected, event: Event) -> None:
    state.inspections = [known for known in state.inspections if known.inspection_kind != body.inspection_kind]
    state.inspections.append(
        Inspection(
            inspection_kind=body.inspection_kind,
            outcome=body.outcome,
            inspected_at=event.effective_at,
            event_id=event.event_id,
        )
    )


@cylinder_fold.on(cylinders.CylinderHeld)
def _held(state: CylinderState, body: cylinders.CylinderHeld, event: Event) -> None:
    state.holds.append(
        Hold(
            event_id=event.event_id,
            starts_at=event.effective_at,
            hold_id=body.hold_id,
            hold_kind=body.hold_kind,
            clears_by=body.clears_by,
        )
    )


@cylinder_fold.on(cylinders.CylinderHoldReleased)
def _released(state: CylinderState, body: cylinders.CylinderHoldReleased, event: Event) -> None:
    end_open_periods([hold for hold in state.holds if hold.hold_id == body.hold_id], event.effective_at)


@cylinder_fold.on(cylinders.CylinderTransferredOut)
def _transferred_out(state: CylinderState, body: cylinders.CylinderTransferredOut, event: Event) -> None:
    state.transferred_at, state.transferred_to = event.effective_at, body.to_department_id


@cylinder_fold.on(cylinders.CylinderCondemned)
def _condemned(state: CylinderState, body: cylinders.CylinderCondemned, event: Event) -> None:
    if state.condemned_at is None:
        state.condemned_at = event.effective_at


@cylinder_fold.on(cylinders.CylinderRetired)
def _retired(state: CylinderState, body: cylinders.CylinderRetired, event: Event) -> None:
    if state.retired_at is None:
        state.retired_at = event.effective_at


def _note_fill(state: CylinderState, fill: LastFill) -> None:
    state.fills_total += 1
    known = state.last_fill
    if known is None or (known.filled_at, known.event_id) < (fill.filled_at, fill.event_id):
        state.last_fill = fill


@cylinder_fold.on(fills.Filled, fills.FilledByHand)
def _filled(state: CylinderState, body: fills.Filled, event: Event) -> None:
    _note_fill(
        state,
        LastFill(
            event_id=event.event_id,
            filled_at=event.effective_at,
            end_psi=body.end_psi,
            station_id=event.station_id or body.station_id,
        ),
    )


@cylinder_fold.on(fills.FilledElsewhere)
def _filled_elsewhere(state: CylinderState, body: fills.FilledElsewhere, event: Event) -> None:
    _note_fill(
        state,
        LastFill(
            event_id=event.event_id, filled_at=body.filled_at, end_psi=body.end_psi, station_id=body.at_station_id
        ),
    )


@tag_fold.on(cylinders.CylinderTransferredIn)
def _came_with_cylinder(state: TagState, body: cylinders.CylinderTransferredIn, event: Event) -> None:
    for tag in body.tags or ():
        if tag_subject(tag).subject_id == state.subject_id:
            _pair(state, tag, body.cylinder_id, event)


@tag_fold.on(cylinders.TagPaired)
def _paired(state: TagState, body: cylinders.TagPaired, event: Event) -> None:
    _pair(state, body.tag, body.cylinder_id, event)


def _pair(state: TagState, tag: str, cylinder_id: uuid.UUID, event: Event) -> None:
    state.tag = tag
    standing = period_at(state.pairings, event.effective_at)
    if standing is not None and standing.cylinder_id == cylinder_id:
        return
    end_open_periods(state.pairings, event.effective_at)
    state.pairings.append(Pairing(event_id=event.event_id, starts_at=event.effective_at, cylinder_id=cylinder_id))


@tag_fold.on(cylinders.TagUnpaired)
def _unpaired(state: TagState, body: cylinders.TagUnpaired, event: Event) -> None:
    state.tag = body.tag
    end_open_periods(
        [pairing for pairing in state.pairings if pairing.cylinder_id == body.cylinder_id], event.effective_at
    )
