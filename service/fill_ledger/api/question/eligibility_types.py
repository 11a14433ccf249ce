"""What the question takes and what it answers."""

import uuid
from datetime import UTC, datetime
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from fill_ledger.api.http.value_types import Code, GaugePsi, LedgerToken, Moment, StrictStruct
from fill_ledger.ledger.handles import MAXIMUM_HANDLE_LENGTH
from fill_ledger.trade.events.envelope import Use
from fill_ledger.trade.events.fills import AsMarked, FillMode
from fill_ledger.trade.rules.reasons import MAXIMUM_DISPLAY_TEXT, MAXIMUM_TEXT
from fill_ledger.trade.tags import TAG_TEXT_MAX_LENGTH

MAXIMUM_CHOICES = 20
MAXIMUM_REASONS = 100

Text = Annotated[str, Meta(max_length=MAXIMUM_TEXT)]
Source = Annotated[str, Meta(max_length=300, description="Regulation paragraph, standard, policy or common practice.")]
ShortAnswer = Annotated[str, Meta(max_length=300)]
RulesVersion = Annotated[str, Meta(max_length=64, description="Changes whenever a rule or one of its figures does.")]
FactText = Annotated[str, Meta(max_length=500)]
FactNumber = Annotated[int, Meta(ge=-(2**53) + 1, le=2**53 - 1, extra_json_schema={"format": "int64"})]


CylinderId = Annotated[uuid.UUID, Meta(description="The cylinder by its id.")]
Tag = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=TAG_TEXT_MAX_LENGTH,
        description="The cylinder by a tag on it, as the reader shows it or with its kind before a colon.",
        examples=["iso15693:E004010012345678"],
    ),
]
PaintedNumber = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=24,
        pattern=r"^[A-Za-z0-9][A-Za-z0-9./-]{0,23}\Z",
        description="The cylinder by its inventory number in the station's department, else in that of a "
        "mutual-aid partner.",
    ),
]
Serial = Annotated[str, Meta(min_length=1, max_length=64, description="The cylinder by its stamped serial number.")]
MemberId = Annotated[uuid.UUID, Meta(description="Who is filling.")]
SessionHandle = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=MAXIMUM_HANDLE_LENGTH,
        description="The handle of an identified member, instead of member_id.",
    ),
]
FillPositionId = Annotated[uuid.UUID, Meta(description="The connection at the station.")]
AirSourceId = Annotated[uuid.UUID, Meta(description="The air source; needed only where the station has several.")]
Mode = Annotated[FillMode, Meta(description="How it will be filled.")]
GasTemperatureF = Annotated[
    int,
    Meta(
        ge=-60,
        le=250,
        extra_json_schema={"format": "int32"},
        description="Gas temperature in whole degrees Fahrenheit.",
    ),
]
OtherMoment = Annotated[
    datetime,
    Meta(tz=True, description="Ask about another moment than now. Such an answer carries no permit_reference."),
]
LedgerSeen = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=200,
        pattern=r"^[A-Za-z0-9._~-]+\Z",
        description="A token from a write: answer from at least this much of the ledger.",
    ),
]
Explain = Annotated[bool, Meta(description="Also tell every rule asked and the facts it saw.")]
StationId = Annotated[
    uuid.UUID, Meta(description="Required unless the key is a controller's, which asks for its own station.")
]


class EligibilityQuery(StrictStruct, frozen=True, kw_only=True):
    """The question: one cylinder, and optionally who fills it, where exactly, how, and when."""

    tag: Tag | None = None
    cylinder_id: CylinderId | None = None
    inventory_number: PaintedNumber | None = None
    serial: Serial | None = None
    member_id: MemberId | None = None
    member_session: SessionHandle | None = None
    fill_position_id: FillPositionId | None = None
    air_source_id: AirSourceId | None = None
    mode: Mode | None = None
    gas_temperature_f: GasTemperatureF | None = None
    at: OtherMoment | None = None
    min_ledger: LedgerSeen | None = None
    explain: Explain = False
    station_id: StationId | None = None


class EligibilityBody(EligibilityQuery, frozen=True, kw_only=True):
    """The question as a body, which may also tell what is stamped on a cylinder that nobody has registered."""

    cylinder_as_marked: AsMarked | None = None


class ReasonView(Struct, frozen=True, kw_only=True):
    """One reason why the cylinder must not be filled."""

    code: Code
    effect: Literal["deny"]
    text: Text
    source: Source
    clears_by: Annotated[str, Meta(max_length=200, description="What a person does about it.")] | None
    clears_at: Annotated[datetime, Meta(tz=True, description="When it ends by itself; null if never.")] | None


class NoteView(Struct, frozen=True, kw_only=True):
    """Something to do as well (an obligation), or good to know (an advice)."""

    code: Code
    text: Text
    source: Source


class CylinderBrief(Struct, frozen=True, kw_only=True):
    """The cylinder the answer is about: what bears on the decision, and nothing else."""

    cylinder_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    serial: Annotated[str, Meta(max_length=64)]
    department_id: uuid.UUID
    specification: Annotated[str, Meta(max_length=120)]
    service_pressure_psi: GaugePsi | None
    use: Use


class Choice(Struct, frozen=True, kw_only=True):
    """One of several cylinders that answer to what was given."""

    cylinder_id: uuid.UUID
    inventory_number: Annotated[str, Meta(max_length=24)] | None
    department_id: uuid.UUID
    specification: Annotated[str, Meta(max_length=120)]


class ExplainedRule(Struct, frozen=True, kw_only=True):
    """What one rule said and the facts it saw."""

    rule: Code
    outcome: Literal["denies", "obliges", "advises", "nothing to say", "not in effect"]
    codes: Annotated[tuple[Code, ...], Meta(max_length=MAXIMUM_REASONS)]
    facts: Annotated[
        dict[Annotated[str, Meta(max_length=64)], FactText | FactNumber | bool | None], Meta(max_length=64)
    ]
    figures: Annotated[
        dict[Annotated[str, Meta(max_length=64)], FactText | FactNumber],
        Meta(max_length=64, description="Its numbers and months as they hold at the moment asked about."),
    ]


class EligibilityAnswer(Struct, frozen=True, kw_only=True):
    """The answer. It informs; a trained person decides, and the cylinder's own marks prevail.

    `fill_limit_psi` is the settled pressure at 70 F. `stop_at_psi` is the gauge reading to stop at so that it settles
    to that, at the gas temperature asked about; null without one, on a denial and outside the table of air, -20 to
    150 F. It is never above the regulator's setting or the hose's rating. `valid_until` is the first instant at which
    this answer changes by itself. `permit_reference` is quoted with the fill; it holds for a short time and comes only
    with a permit for now. `choices` comes only where several cylinders answer to what was given, `explanation` only
    where it was asked for.
    """

    decision: Literal["permit", "deny"]
    code: Annotated[Code, Meta(description="The first reason to act on; ok on a permit.")]
    display_text: Annotated[str, Meta(max_length=MAXIMUM_DISPLAY_TEXT, description="For a small display, ASCII.")]
    fill_limit_psi: GaugePsi | None
    stop_at_psi: GaugePsi | None
    reasons: Annotated[tuple[ReasonView, ...], Meta(max_length=MAXIMUM_REASONS)]
    obligations: Annotated[tuple[NoteView, ...], Meta(max_length=MAXIMUM_REASONS)]
    advice: Annotated[tuple[NoteView, ...], Meta(max_length=MAXIMUM_REASONS)]
    cylinder: CylinderBrief | None
    valid_until: Moment | None
    permit_reference: Annotated[str, Meta(max_length=MAXIMUM_HANDLE_LENGTH)] | None
    served_at: Moment
    ledger: LedgerToken
    rules_version: RulesVersion
    choices: Annotated[tuple[Choice, ...], Meta(max_length=MAXIMUM_CHOICES)] | UnsetType = UNSET
    explanation: Annotated[tuple[ExplainedRule, ...], Meta(max_length=MAXIMUM_REASONS)] | UnsetType = UNSET


BODY_EXAMPLE = EligibilityBody(
    member_id=uuid.UUID("7d0f5a5e-9a0b-4a0d-8f7d-3e1c2b4a5f60"),
    cylinder_as_marked=AsMarked(
        serial="K 48213",
        specification="DOT-3AL2216",
        service_pressure_value="2216",
        service_pressure_unit="psi",
        manufactured="2019-05",
        last_requalified="2024-06",
    ),
)

ANSWER_EXAMPLE = EligibilityAnswer(
    decision="deny",
    code="requalification-due",
    display_text="Do not fill. Hydro test due since 2026-04.",
    fill_limit_psi=None,
    stop_at_psi=None,
    reasons=(
        ReasonView(
            code="requalification-due",
            effect="deny",
            text="The requalification fell due in 2026-04.",
            source="49 CFR 180.205(c)",
            clears_by="requalification",
            clears_at=None,
        ),
    ),
    obligations=(),
    advice=(),
    cylinder=CylinderBrief(
        cylinder_id=uuid.UUID("2f7e6d1c-5b4a-4c3d-8e2f-1a0b9c8d7e6f"),
        inventory_number="0412",
        serial="K 48213",
        department_id=uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10"),
        specification="DOT-3AL2216",
        service_pressure_psi=2216,
        use="scba",
    ),
    valid_until=None,
    permit_reference=None,
    served_at=datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC),
    ledger="AWoflw8OPVxMVppZCw1vWnwx6zM",
    rules_version="9f86d081884c",
)
