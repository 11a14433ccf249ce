"""How members are shown: what a list says of one, and everything on record of one. No secret is in either."""

import datetime
import uuid
from typing import Annotated, Any

from msgspec import Meta, Struct

from fill_ledger.api.http.value_types import Moment
from fill_ledger.api.people.member_names import Names
from fill_ledger.trade.events.envelope import Day
from fill_ledger.trade.events.members import CourseCode, CredentialKind, FillKind
from fill_ledger.trade.states.members import KEPT_TRAININGS, MemberState
from fill_ledger.views.members import member_rows

MAXIMUM_PERIODS = 10_000
MAXIMUM_STATIONS = 500

Standing = Annotated[
    str,
    Meta(
        max_length=16,
        pattern=r"^(active|inactive|unenrolled)\Z",
        description="active; inactive: deactivated; unenrolled: a device named a member whom nobody has enrolled",
    ),
]
ShownName = Annotated[
    str, Meta(max_length=200, description="null without the right members:read-names, or once it was erased")
]
ShownBadge = Annotated[
    str, Meta(max_length=32, description="null without the right members:read-names, or once it was erased")
]
Kinds = Annotated[tuple[FillKind, ...], Meta(max_length=3, description="what the member may fill")]


class MemberSummary(Struct, frozen=True, kw_only=True):
    """One member as a list shows it."""

    member_id: uuid.UUID
    department_id: uuid.UUID
    name: ShownName | None
    badge_number: ShownBadge | None
    erased: bool
    standing: Standing
    enrolled_at: Moment | None
    authorised_kinds: Kinds
    authorised_through: Day | None


class AbsenceView(Struct, frozen=True, kw_only=True):
    """A time for which the member was deactivated; `ends_at` null: still."""

    starts_at: Moment
    ends_at: Moment | None


class AuthorisationView(Struct, frozen=True, kw_only=True):
    """What the member might fill while it held. `through` is the last day; `station_ids` null: at every station."""

    starts_at: Moment
    ends_at: Moment | None
    kinds: Kinds
    through: Day | None
    station_ids: Annotated[tuple[uuid.UUID, ...], Meta(max_length=MAXIMUM_STATIONS)] | None


class CredentialView(Struct, frozen=True, kw_only=True):
    """A card or passcode and when it identified the member; never what is on it."""

    credential_id: uuid.UUID
    credential_kind: CredentialKind
    starts_at: Moment
    ends_at: Moment | None


class TrainingView(Struct, frozen=True, kw_only=True):
    """One training. `event_id` is what to retract where it was entered by mistake."""

    event_id: uuid.UUID
    trained_on: Day
    course_code: CourseCode | None


class MemberView(MemberSummary, frozen=True, kw_only=True):
    """Everything on record of one member, oldest first."""

    absences: Annotated[list[AbsenceView], Meta(max_length=MAXIMUM_PERIODS)]
    authorisations: Annotated[list[AuthorisationView], Meta(max_length=MAXIMUM_PERIODS)]
    credentials: Annotated[list[CredentialView], Meta(max_length=MAXIMUM_PERIODS)]
    trainings: Annotated[
        list[TrainingView], Meta(max_length=KEPT_TRAININGS, description="the newest ones, by their days")
    ]


_SINCE = datetime.datetime(2026, 3, 2, 14, 0, tzinfo=datetime.UTC)
_COMMON: dict[str, Any] = {
    "member_id": uuid.UUID("3a0b5d8e-54a1-4a26-8f7d-0f2f6f6d9a01"),
    "department_id": uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
    "name": "Avery Example",
    "badge_number": "101",
    "erased": False,
    "standing": "active",
    "enrolled_at": _SINCE,
    "authorised_kinds": ("scba", "storage"),
    "authorised_through": "2027-03-01",
}
SUMMARY_EXAMPLE = MemberSummary(**_COMMON)
VIEW_EXAMPLE = MemberView(
    **_COMMON,
    absences=[],
    authorisations=[
        AuthorisationView(
            starts_at=_SINCE, ends_at=None, kinds=("scba", "storage"), through="2027-03-01", station_ids=None
        )
    ],
    credentials=[
        CredentialView(
            credential_id=uuid.UUID("9c5d3f0e-0d3f-4b2e-8f3c-6a1b2c3d4e5f"),
            credential_kind="card",
            starts_at=_SINCE,
            ends_at=None,
        )
    ],
    trainings=[
        TrainingView(
            event_id=uuid.UUID("1d5d3f0e-0d3f-4b2e-8f3c-6a1b2c3d4e60"),
            trained_on="2026-03-02",
            course_code="AIR-FILL-1",
        )
    ],
)


def _common(state: MemberState, names: Names) -> dict[str, Any]:
    row = member_rows(state)[0]
    return {
        "member_id": row.member_id,
        "department_id": row.department_id,
        "name": names.name,
        "badge_number": names.badge_number,
        "erased": names.erased,
        "standing": row.standing,
        "enrolled_at": row.enrolled_at,
        "authorised_kinds": row.authorised_kinds,
        "authorised_through": row.authorised_through,
    }


def summary_of(state: MemberState, names: Names) -> MemberSummary:
    """Return what a list says of a member."""
    return MemberSummary(**_common(state, names))


def view_of(state: MemberState, names: Names) -> MemberView:
    """Return everything on record of a member."""
    return MemberView(
        **_common(state, names),
        absences=[AbsenceView(starts_at=absence.starts_at, ends_at=absence.ends_at) for absence in state.absences],
        authorisations=[
            AuthorisationView(
                starts_at=known.starts_at,
                ends_at=known.ends_at,
                kinds=known.kinds,  # type: ignore[arg-type]  # the state keeps what the event's type has checked
                through=known.through,
                station_ids=known.station_ids,
            )
            for known in state.authorisations
        ],
        credentials=[
            CredentialView(
                credential_id=known.credential_id,
                credential_kind=known.credential_kind,  # type: ignore[arg-type]  # as above
                starts_at=known.starts_at,
                ends_at=known.ends_at,
            )
            for known in state.credentials
        ],
        trainings=[
            TrainingView(event_id=known.event_id, trained_on=known.trained_on, course_code=known.course_code)
            for known in state.trainings
        ],
    )
