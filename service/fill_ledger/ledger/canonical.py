"""Canonical bytes of an event: what is stored, hashed and proven.

RFC 8785 (JSON Canonicalization Scheme) restricted to ASCII member names, integers within +-(2^53-1) and no floating
point, which is what msgspec writes with sorted members; a test holds it against an independent implementation.
"""

import uuid
from datetime import UTC, datetime

import msgspec

from fill_ledger.trade.events.envelope import Body, Clock, Event, Judged, body_class

CANONICAL_VERSION = 1


class UnknownEventTypeError(Exception):
    """The ledger holds an event of a type or version that this version of the service does not know."""


class _Written(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The envelope as it is written."""

    canonical_version: int
    department_id: uuid.UUID
    event_id: uuid.UUID
    type: str
    type_version: int
    occurred_at: datetime
    effective_at: datetime
    recorded_by: uuid.UUID
    body: Body
    station_id: uuid.UUID | None = None
    stream_id: uuid.UUID | None = None
    stream_number: int | None = None
    clock: Clock | None = None
    inventory_number: str | None = None
    judgement: Judged | None = None


class _Read(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The envelope as it is read: the body is decoded once its type is known."""

    canonical_version: int
    department_id: uuid.UUID
    event_id: uuid.UUID
    type: str
    type_version: int
    occurred_at: datetime
    effective_at: datetime
    recorded_by: uuid.UUID
    body: msgspec.Raw
    station_id: uuid.UUID | None = None
    stream_id: uuid.UUID | None = None
    stream_number: int | None = None
    clock: Clock | None = None
    inventory_number: str | None = None
    judgement: Judged | None = None


_encoder = msgspec.json.Encoder(order="sorted")
_envelope_decoder = msgspec.json.Decoder(_Read)
_body_decoders: dict[tuple[str, int], msgspec.json.Decoder[Body]] = {}


def canonical_bytes(event: Event) -> bytes:
    """Return the bytes of an event that the digest chain covers."""
    body = event.body
    return _encoder.encode(
        _Written(
            canonical_version=CANONICAL_VERSION,
            department_id=event.department_id,
            event_id=event.event_id,
            type=body.event_type,
            type_version=body.type_version,
            occurred_at=event.occurred_at,
            effective_at=event.effective_at.astimezone(UTC),
            recorded_by=event.recorded_by,
            body=body,
            station_id=event.station_id,
            stream_id=event.stream_id,
            stream_number=event.stream_number,
            clock=event.clock,
            inventory_number=event.inventory_number,
            judgement=event.judgement,
        )
    )


def canonical_body(body: Body) -> bytes:
    """Return the canonical bytes of a body alone: two facts are the same where type and these bytes are."""
    return _encoder.encode(body)


def read_event(canonical: bytes) -> Event:
    """Return the event that canonical bytes hold.

    Raises:
        UnknownEventTypeError: the type or its version is not known to this version of the service.
        msgspec.ValidationError: the bytes are not an event of their type.
    """
    envelope = _envelope_decoder.decode(canonical)
    return Event(
        department_id=envelope.department_id,
        event_id=envelope.event_id,
        occurred_at=envelope.occurred_at,
        effective_at=envelope.effective_at,
        recorded_by=envelope.recorded_by,
        body=decode_body(envelope.type, envelope.type_version, envelope.body),
        station_id=envelope.station_id,
        stream_id=envelope.stream_id,
        stream_number=envelope.stream_number,
        clock=envelope.clock,
        inventory_number=envelope.inventory_number,
        judgement=envelope.judgement,
    )


def decode_body(event_type: str, type_version: int, body: bytes | msgspec.Raw) -> Body:
    """Decode a body strictly as its type.

    Raises:
        UnknownEventTypeError: the type or its version is not known.
        msgspec.ValidationError, msgspec.DecodeError: the bytes are not a body of this type.
    """
    key = (event_type, type_version)
    decoder = _body_decoders.get(key)
    if decoder is None:
        known = body_class(event_type, type_version)
        if known is None:
            raise UnknownEventTypeError(f"no event type {event_type} version {type_version}")
        decoder = _body_decoders[key] = msgspec.json.Decoder(known)
    return decoder.decode(body)
