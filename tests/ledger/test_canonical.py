"""Canonical bytes are RFC 8785 (JSON Canonicalization Scheme), by an implementation that is not ours, and read back."""

import json
import uuid
from datetime import UTC, datetime, timedelta, timezone

import msgspec
import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from fill_ledger.ledger.canonical import UnknownEventTypeError, canonical_body, canonical_bytes, decode_body, read_event
from fill_ledger.trade.events import catalogue
from fill_ledger.trade.events.county import PrincipalDeactivated
from fill_ledger.trade.events.envelope import MAXIMUM_INTEGER, Event
from fill_ledger.trade.events.fills import Filled
from fill_ledger.trade.events.stations import ClockRead
from tests.support.bodies import events_of, made

EXAMPLES_A_TYPE = 8
TYPES = sorted(catalogue())


def event_around(body: object, **changes: object) -> Event:
    event = Event(
        department_id=uuid.UUID(int=1),
        event_id=uuid.UUID(int=2),
        occurred_at=datetime(2026, 11, 24, 3, 10, 22, tzinfo=timezone(timedelta(hours=-5))),
        effective_at=datetime(2026, 11, 24, 8, 10, 22, 5, tzinfo=UTC),
        recorded_by=uuid.UUID(int=3),
        body=body,  # type: ignore[arg-type]
    )
    return msgspec.structs.replace(event, **changes)


@pytest.mark.parametrize("key", TYPES, ids=[name for name, _ in TYPES])
def test_every_type_is_written_as_rfc_8785_says_and_reads_back_the_same(key: tuple[str, int]) -> None:
    body_class = catalogue()[key]

    @settings(max_examples=EXAMPLES_A_TYPE)
    @given(event=events_of(made(body_class)))
    def holds(event: Event) -> None:
        canonical = canonical_bytes(event)
        assert canonical == rfc8785.dumps(json.loads(canonical))
        read = read_event(canonical)
        assert read == event
        assert canonical_bytes(read) == canonical
        assert decode_body(*key, canonical_body(event.body)) == event.body

    holds()


@given(text=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60))
def test_any_text_is_escaped_as_rfc_8785_says(text: str) -> None:
    """Section 3.2.2.2, through the independent implementation; NUL too, though it never comes this far."""
    body = PrincipalDeactivated(principal_id=uuid.UUID(int=1), reason=text)
    assert canonical_body(body) == rfc8785.dumps({"principal_id": str(uuid.UUID(int=1)), "reason": text})


@pytest.mark.parametrize("number", [0, -1, 1, 2**31, MAXIMUM_INTEGER, -MAXIMUM_INTEGER])
def test_integers_are_written_as_rfc_8785_writes_doubles(number: int) -> None:
    body = ClockRead(station_id=uuid.UUID(int=1), ahead_ms=number)
    assert canonical_body(body) == rfc8785.dumps({"station_id": str(uuid.UUID(int=1)), "ahead_ms": number})


def test_the_bytes_of_a_known_event_never_change() -> None:
    """Written down by hand: a change of these bytes would break every chain there is."""
    body = Filled(cylinder_id=uuid.UUID(int=4), end_psi=4510, note='caf\u00e9 \u2028 "quoted"\n')
    assert canonical_bytes(event_around(body)) == (
        b'{"body":{"cylinder_id":"00000000-0000-0000-0000-000000000004","end_psi":4510,'
        b'"note":"caf\xc3\xa9 \xe2\x80\xa8 \\"quoted\\"\\n"},"canonical_version":1,'
        b'"department_id":"00000000-0000-0000-0000-000000000001","effective_at":"2026-11-24T08:10:22.000005Z",'
        b'"event_id":"00000000-0000-0000-0000-000000000002","occurred_at":"2026-11-24T03:10:22-05:00",'
        b'"recorded_by":"00000000-0000-0000-0000-000000000003","type":"cylinder.filled","type_version":1}'
    )


def test_defaults_are_left_out_so_that_a_field_may_be_added() -> None:
    assert canonical_body(Filled()) == b"{}"
    assert canonical_body(Filled(note=None, mode=None)) == b"{}"


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace(b'"cylinder.filled"', b'"cylinder.unheard_of"'),
        lambda text: text.replace(b'"type_version":1', b'"type_version":99'),
    ],
)
def test_a_type_that_is_not_known_is_told_from_bytes_that_are_broken(change: object) -> None:
    canonical = canonical_bytes(event_around(Filled(end_psi=1)))
    with pytest.raises(UnknownEventTypeError):
        read_event(change(canonical))  # type: ignore[operator]


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace(b'"end_psi":1', b'"end_psi":"1"'),
        lambda text: text.replace(b'"end_psi":1', b'"end_psi":1,"unheard_of":2'),
        lambda text: text.replace(b'"canonical_version":1', b'"canonical_version":1,"unheard_of":2'),
        lambda text: text[:-1],
    ],
)
def test_bytes_that_are_no_event_of_their_type_are_refused(change: object) -> None:
    canonical = canonical_bytes(event_around(Filled(end_psi=1)))
    with pytest.raises(msgspec.DecodeError):
        read_event(change(canonical))  # type: ignore[operator]


def test_there_are_types_to_check() -> None:
    assert len(TYPES) > 40
