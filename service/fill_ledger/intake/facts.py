"""Facts as they are sent: what a fact looks like on the wire, and how it is read into a claim or kept as unreadable.

Every observation type of the ledger has two structs made from its body class here, so that the wire, the OpenAPI
document and the ledger cannot drift apart: the body as sent, where text is text (a reference to a sealed record is
made by the ledger alone) and a tag may be spelt as the reader showed it; and the fact around it, told apart by `type`.
"""

import json
import uuid
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Annotated, Any, Literal, Union, get_type_hints

import msgspec
from msgspec import Meta

from fill_ledger.intake.claims import Claim, Unreadable
from fill_ledger.intake.credential_facts import CredentialNotTaken, credential_of_device
from fill_ledger.trade.events import catalogue
from fill_ledger.trade.events.cylinders import TagBody
from fill_ledger.trade.events.envelope import (
    MAXIMUM_INTEGER,
    MAXIMUM_LONG_TEXT,
    Body,
    Clock,
    LongText,
    Moment,
    Nature,
)
from fill_ledger.trade.events.members import CredentialBound
from fill_ledger.trade.tags import TagFault, normalise_tag

# Base64 makes three bytes four, and a sealed text holds 400,000: longer bytes are kept in several pieces.
MAXIMUM_KEPT_BYTES = 256 * 1024
UNKNOWN_TAG_PREFIX = "other:"
MAXIMUM_TAG_AS_READ = 122  # with the prefix this is the longest tag the ledger holds
# Fill stations kept no digital record before, and arithmetic with offsets must not leave the calendar.
EARLIEST_YEAR, LATEST_YEAR = 1950, 9990

# What a person may enter: a typing slip is refused, where a broken sensor is kept. 6,000 psi storage reads about 7,460
# psi at 150 F; no gas in a cylinder is hotter than 250 F; no fill takes a day (inference, all three).
ENTERED_BOUNDS = {"psi": (0, 15_000), "temperature_f": (-60, 250), "duration_s": (0, 86_400)}

TagAsRead = Annotated[
    str, Meta(max_length=MAXIMUM_TAG_AS_READ, description="the tag as the reader or the label shows it")
]
StreamNumber = Annotated[int, Meta(ge=0, le=MAXIMUM_INTEGER, description="counts up by one from fact to fact")]


class FactFault(msgspec.Struct, frozen=True, kw_only=True):
    """One thing wrong with a fact: a JSON pointer to its place, a stable code, and what is wrong."""

    code: str
    detail: str
    pointer: str = ""


class UnreadableTextError(ValueError):
    """A text is not JSON, or not of the type expected; carries every fault."""

    def __init__(self, detail: str, faults: Sequence[FactFault], *, is_json: bool) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = tuple(faults)
        self.is_json = is_json


# Decodes a JSON text strictly as a type; raises UnreadableTextError with every fault.
StrictDecode = Callable[[Any, bytes], Any]


class Sender(msgspec.Struct, frozen=True, kw_only=True):
    """Who sent a fact. `station_id` is the station of a controller, None for persons and integrations.

    is_person: it is entered by itself and answered at once, so an id may be left out and a slip be refused.
    """

    recorded_by: uuid.UUID
    station_id: uuid.UUID | None = None
    is_person: bool = False


class FactBase(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What stands around the body of every fact.

    `event_id` is made by the sender before it acts. `device_now` is what the device's clock said when the fact was
    sent; with it a clock that is not synced can be corrected. In a batch it may stand once, for all.
    """

    event_id: uuid.UUID | None = None
    occurred_at: Moment
    stream_id: uuid.UUID | None = None
    stream_number: StreamNumber | None = None
    clock: Clock | None = None
    device_now: Moment | None = None


class ReadFact(msgspec.Struct, frozen=True, kw_only=True):
    """One fact after reading: what to record (one claim, or the pieces of unreadable bytes), and why it was unreadable.

    `event_id` is the id the sender gave, as far as it could be read.
    """

    claims: tuple[Claim | Unreadable, ...]
    event_id: uuid.UUID | None
    faults: tuple[FactFault, ...] = ()
    detail: str | None = None
    is_json: bool = True

    @property
    def is_readable(self) -> bool:
        """Tell whether the fact could be read as its type."""
        return self.detail is None


def _as_sent(body_class: type[Body]) -> type[msgspec.Struct]:
    """Return the struct of a body as it is sent: sealed fields as text, tags as read, all else as in the ledger."""
    hints = get_type_hints(body_class, include_extras=True)
    fields: list[Any] = []
    for field in msgspec.structs.fields(body_class):
        annotation = hints[field.name]
        if field.name in body_class.sealed:
            annotation = LongText if field.required else LongText | None
        elif field.name == "tag":
            annotation = TagAsRead if field.required else TagAsRead | None
        fields.append((field.name, annotation) if field.required else (field.name, annotation, field.default))
    return msgspec.defstruct(
        f"{body_class.__name__}Body",
        fields,
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        module=__name__,
        namespace={"__doc__": body_class.__doc__},
    )


def _fact_of(body_class: type[Body]) -> type[FactBase]:
    """Return the struct of a fact of this type."""
    version = Literal[body_class.type_version]  # type: ignore[name-defined]  # the literal of a value
    made: Any = msgspec.defstruct(
        f"{body_class.__name__}Fact",
        [("type_version", version), ("body", _as_sent(body_class))],
        bases=(FactBase,),
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        tag_field="type",
        tag=body_class.event_type,
        module=__name__,
        namespace={"__doc__": body_class.__doc__},
    )
    return made  # type: ignore[no-any-return]


_bodies = sorted(
    (known for known in catalogue().values() if known.nature is Nature.OBSERVATION), key=lambda known: known.event_type
)
FACT_CLASSES: dict[str, type[FactBase]] = {known.event_type: _fact_of(known) for known in _bodies}
_BODY_CLASSES: dict[type[FactBase], type[Body]] = {FACT_CLASSES[known.event_type]: known for known in _bodies}
ANY_FACT: Any = Union[tuple(FACT_CLASSES.values())]  # noqa: UP007 - made of what the catalogue holds
"""Any fact that a device may send."""


_natures = {name: body_class.nature for (name, _), body_class in catalogue().items()}


def facts_of(*event_types: str) -> Any:
    """Return the type of a fact that is one of these event types."""
    return Union[tuple(FACT_CLASSES[event_type] for event_type in event_types)]  # noqa: UP007 - as above


class FactReader:
    """Reads facts of some types, from the bytes in which they came."""

    def __init__(self, expected: Any, decode: StrictDecode) -> None:
        """Take the fact types that are read, and the strict decoder."""
        self._expected = expected
        self._decode = decode

    def read(self, raw: bytes, sender: Sender, *, device_now: datetime | None = None) -> ReadFact:
        """Read one fact. Never raises: what cannot be read comes back as `Unreadable`, with every fault.

        `device_now` is the clock of the device as the batch says it; a fact's own goes before it.
        """
        try:
            fact: FactBase = self._decode(self._expected, raw)
        except UnreadableTextError as error:
            return keep_unreadable(raw, sender, error.detail, error.faults, is_json=error.is_json)
        body, faults = self._body(fact)
        faults.extend(_envelope_faults(fact, sender))
        if sender.is_person:
            faults.extend(_slips(fact.body, "/body"))  # type: ignore[attr-defined]  # every class in FACT_CLASSES has one
        if faults or body is None:
            return keep_unreadable(raw, sender, _counted(faults), faults)
        claim = Claim(
            event_id=fact.event_id or uuid.uuid4(),  # only a person may leave it out
            body=body,
            recorded_by=sender.recorded_by,
            occurred_at=fact.occurred_at,
            station_id=sender.station_id,
            stream_id=fact.stream_id,
            stream_number=fact.stream_number,
            clock=fact.clock,
            device_now=fact.device_now or device_now,
        )
        return ReadFact(claims=(claim,), event_id=fact.event_id)

    @staticmethod
    def _body(fact: FactBase) -> tuple[Body | None, list[FactFault]]:
        """Return the body as the ledger holds it: its tag in canonical form, a scanned value as it is sealed."""
        body_class = _BODY_CLASSES[type(fact)]
        sent: Any = fact.body  # type: ignore[attr-defined]  # every class in FACT_CLASSES has one
        values = {name: getattr(sent, name) for name in sent.__struct_fields__}
        tag = values.get("tag")
        if tag is not None:
            identity = normalise_tag(tag)
            if not isinstance(identity, TagFault):
                values["tag"] = identity.canonical
            elif issubclass(body_class, TagBody):
                # A misread tag that became a pairing would claim every later misreading for that cylinder.
                detail = f"This cannot be a tag: {identity.detail}; {identity.suggestion}."
                return None, [FactFault(code=f"tag-{identity.code}", detail=detail, pointer="/body/tag")]
            else:
                values["tag"] = UNKNOWN_TAG_PREFIX + tag
        body = body_class(**values)
        if isinstance(body, CredentialBound):
            try:
                body = credential_of_device(body)
            except CredentialNotTaken as error:
                return None, [FactFault(code="credential-not-taken", detail=str(error), pointer="/body/secret")]
        return body, []


def _envelope_faults(fact: FactBase, sender: Sender) -> Iterable[FactFault]:
    """Yield what the types alone cannot say about the parts around a body."""
    if fact.event_id is None and not sender.is_person:
        yield FactFault(code="missing-field", detail="This field is required: a UUID.", pointer="/event_id")
    if fact.stream_number is not None and fact.stream_id is None:
        detail = "A stream_number needs the stream_id that it counts in."
        yield FactFault(code="missing-field", detail=detail, pointer="/stream_id")
    for name, moment in (("occurred_at", fact.occurred_at), ("device_now", fact.device_now)):
        if moment is not None and not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
            detail = f"The year must lie between {EARLIEST_YEAR} and {LATEST_YEAR}."
            yield FactFault(code="out-of-range", detail=detail, pointer=f"/{name}")
    body: Any = fact.body  # type: ignore[attr-defined]  # every class in FACT_CLASSES has one
    if sender.station_id is None and getattr(body, "station_id", sender) is None:
        detail = "Name the station where it happened: only a controller's station is known from its key."
        yield FactFault(code="missing-field", detail=detail, pointer="/body/station_id")


def _slips(entered: Any, pointer: str) -> Iterable[FactFault]:
    """Yield the figures of a body, or of a part of it, that nobody can have read from a gauge or a clock."""
    for name in entered.__struct_fields__:
        value, place = getattr(entered, name), f"{pointer}/{name}"
        if isinstance(value, tuple):
            for count, part in enumerate(value):
                if isinstance(part, msgspec.Struct):
                    yield from _slips(part, f"{place}/{count}")
            continue
        bounds = next((bounds for end, bounds in ENTERED_BOUNDS.items() if name.endswith(end)), None)
        if isinstance(value, int) and bounds is not None and not bounds[0] <= value <= bounds[1]:
            detail = f"Expected an integer from {bounds[0]} to {bounds[1]}."
            yield FactFault(code="out-of-range", detail=detail, pointer=place)


def _counted(faults: Sequence[FactFault]) -> str:
    return "The fact has 1 fault." if len(faults) == 1 else f"The fact has {len(faults)} faults."


class _Claimed(msgspec.Struct, frozen=True, kw_only=True):
    """What an unreadable fact says of itself, as far as each part can be read on its own."""

    event_id: uuid.UUID | None = None
    event_type: str | None = None
    stream_id: uuid.UUID | None = None
    stream_number: int | None = None


def keep_unreadable(
    raw: bytes, sender: Sender, detail: str, faults: Sequence[FactFault] = (), *, is_json: bool = True
) -> ReadFact:
    """Return bytes that could not be read as what is to be kept of them, in pieces where they are long."""
    claimed = _claimed(raw)
    told = _explained(claimed, faults)
    reason = " ".join([detail, *(f"{fault.pointer or '/'}: {fault.detail}" for fault in told)])
    pieces = [raw[start : start + MAXIMUM_KEPT_BYTES] for start in range(0, len(raw), MAXIMUM_KEPT_BYTES)] or [b""]
    claims = tuple(
        Unreadable(
            raw=piece,
            reason=_plain(reason if len(pieces) == 1 else f"Piece {place} of {len(pieces)}. {reason}"),
            recorded_by=sender.recorded_by,
            station_id=sender.station_id,
            claimed_event_id=claimed.event_id,
            claimed_type=claimed.event_type,
            stream_id=claimed.stream_id if claimed.stream_number is not None else None,
            stream_number=claimed.stream_number if claimed.stream_id is not None else None,
        )
        for place, piece in enumerate(pieces, start=1)
    )
    return ReadFact(claims=claims, event_id=claimed.event_id, faults=told, detail=detail, is_json=is_json)


def _plain(text: str) -> str:
    """Return a text fit to be stored: no lone surrogates, no NUL, and no longer than a reason may be."""
    return text.encode("utf-8", "replace").decode().replace("\x00", "\ufffd")[:MAXIMUM_LONG_TEXT]


def _claimed(raw: bytes) -> _Claimed:
    try:
        plain = json.loads(raw)
    except (ValueError, RecursionError):
        return _Claimed()
    if not isinstance(plain, dict):
        return _Claimed()
    event_type = plain.get("type")
    return _Claimed(
        event_id=_uuid(plain.get("event_id")),
        event_type=_plain(event_type)[:64] if isinstance(event_type, str) and event_type else None,
        stream_id=_uuid(plain.get("stream_id")),
        stream_number=_stream_number(plain.get("stream_number")),
    )


def _uuid(value: Any) -> uuid.UUID | None:
    try:
        return msgspec.convert(value, uuid.UUID)
    except (msgspec.ValidationError, UnicodeEncodeError):
        return None


def _stream_number(value: Any) -> int | None:
    try:
        return msgspec.convert(value, StreamNumber)
    except (msgspec.ValidationError, OverflowError, UnicodeEncodeError):
        return None


def _explained(claimed: _Claimed, faults: Sequence[FactFault]) -> tuple[FactFault, ...]:
    """Say of a known type that cannot be sent as a fact why that is so, in place of the list of those that can."""
    nature = _natures.get(claimed.event_type or "")
    if nature is Nature.OFFICE:
        code = "office-entry"
        detail = "This is an office entry: a person or an integration makes it, at the address of its resource."
    elif nature is Nature.LEDGER:
        code, detail = "ledger-entry", "Only the ledger itself writes this."
    else:
        return tuple(faults)
    others = (fault for fault in faults if fault.pointer != "/type")
    return (FactFault(code=code, detail=detail, pointer="/type"), *others)
