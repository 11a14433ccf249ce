"""What the invented people and devices tell the ledger, in the order in which it reaches the ledger."""

import uuid
from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta

import msgspec

from demo_seed.world import WINDOW_DAYS, Cylinder, Department, Member, Station, World
from fill_ledger.api.question.eligibility_answer import PERMIT_LIFETIME
from fill_ledger.intake.claims import Claim
from fill_ledger.ledger.handles import NONCE_BYTES, PermitReference, PermitReferences
from fill_ledger.trade.events.envelope import Body, Clock

MICROSECOND = timedelta(microseconds=1)


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """One claim, for one department, and when it reaches the ledger."""

    arrives_at: datetime
    department_id: uuid.UUID
    claim: Claim


class Window(msgspec.Struct, frozen=True, kw_only=True):
    """What reaches the ledgers in some weeks: for each department its claims, in order of arrival."""

    claims: dict[uuid.UUID, tuple[Claim, ...]]


class Journal:
    """Collects claims. Ids and times are made so that the same world always gives the same claims.

    `references` signs the permits that fills quote, as the service does that will take them.
    """

    def __init__(self, world: World, references: PermitReferences) -> None:
        self._world = world
        self._references = references
        self._entries: list[Entry] = []
        self._noted: Counter[uuid.UUID] = Counter()

    def __len__(self) -> int:
        return len(self._entries)

    def permit(
        self, station: Station, attempt_id: uuid.UUID, asked_at: datetime, cylinder: Cylinder, member: Member
    ) -> str:
        """Return the reference of the permit that the service gave for an attempt when it was asked."""
        permit = PermitReference(
            station_id=station.station_id,
            cylinder_id=cylinder.cylinder_id,
            member_id=member.member_id,
            fill_limit_psi=cylinder.limit_psi(),
            mode="automatic",
            until=asked_at + PERMIT_LIFETIME,
            nonce=self._world.identify("permit", attempt_id).bytes[:NONCE_BYTES],
        )
        return self._references.issue(permit)

    def roster_position(self, department: Department) -> int:
        """Return how far a roster of the department reaches that a station took along before it lost its network."""
        return self._noted[department.department_id]

    def office(self, department: Department, at: datetime, body: Body, *, by: uuid.UUID | None = None) -> uuid.UUID:
        """Note an entry that the department's officer (or another) makes at a moment."""
        event_id, moment = self._next(at)
        claim = Claim(event_id=event_id, body=body, recorded_by=by or department.officer_id, occurred_at=moment)
        self._note(Entry(arrives_at=moment, department_id=department.department_id, claim=claim))
        return event_id

    def device(self, station: Station, at: datetime, body: Body) -> uuid.UUID:
        """Note a fact that a station's controller reports; on a day without network it arrives the day after."""
        event_id, moment = self._next(at)
        station.facts_sent += 1
        claim = Claim(
            event_id=event_id,
            body=body,
            recorded_by=station.controller_id,
            occurred_at=moment,
            station_id=station.station_id,
            stream_id=station.stream_id,
            stream_number=station.facts_sent,
            clock=Clock(
                boot_id=station.boot_id,
                uptime_ms=int((at - station.booted_at).total_seconds() * 1000),
                synced=True,
            ),
        )
        arrives_at = moment
        if self._world.day in station.offline_days:
            arrives_at = moment + timedelta(days=1)
        department_id = station.department.department_id
        self._note(Entry(arrives_at=arrives_at, department_id=department_id, claim=claim))
        return event_id

    def windows(self) -> Iterator[Window]:
        """Yield everything noted, in order."""
        ordered = sorted(self._entries, key=lambda entry: entry.arrives_at)
        begin = self._world.at(0, self._world.plan.first_day)
        claims: dict[uuid.UUID, list[Claim]] = {}
        number = 0
        for entry in ordered:
            # The first day is a window of its own: everybody's inventory is on record before anybody fills.
            days = (entry.arrives_at - begin).days
            its_number = 0 if days == 0 else 1 + days // WINDOW_DAYS
            if its_number != number and claims:
                yield _window(claims)
                claims = {}
            number = its_number
            claims.setdefault(entry.department_id, []).append(entry.claim)
        if claims:
            yield _window(claims)

    def _note(self, entry: Entry) -> None:
        self._entries.append(entry)
        self._noted[entry.department_id] += 1

    def _next(self, at: datetime) -> tuple[uuid.UUID, datetime]:
        """Return the next event id, and the moment told apart from others of the same second by microseconds."""
        number = len(self._entries) + 1
        return self._world.identify("event", number), at + MICROSECOND * (number % 1_000_000)


def _window(claims: dict[uuid.UUID, list[Claim]]) -> Window:
    return Window(claims={department_id: tuple(of_department) for department_id, of_department in claims.items()})
