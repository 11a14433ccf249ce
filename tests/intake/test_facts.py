"""Reading facts: the wire and the ledger say the same, and whatever cannot be read is kept with its reason."""

import json
import uuid
from datetime import timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fill_ledger.api.record.facts import decode_strictly
from fill_ledger.intake.claims import Claim, Unreadable
from fill_ledger.intake.facts import ANY_FACT, FACT_CLASSES, MAXIMUM_KEPT_BYTES, FactReader, ReadFact, Sender
from fill_ledger.trade.events import catalogue
from fill_ledger.trade.events.cylinders import TagRead
from fill_ledger.trade.events.envelope import MAXIMUM_LONG_TEXT, Nature
from fill_ledger.trade.events.fills import Filled
from tests.support.facts import fact, fill

READER = FactReader(ANY_FACT, decode_strictly)
CONTROLLER = Sender(recorded_by=uuid.uuid4(), station_id=uuid.uuid4())


def read(sent: Any, sender: Sender = CONTROLLER) -> ReadFact:
    """Read one fact given as plain values."""
    return READER.read(json.dumps(sent).encode(), sender)


def claim_of(sent: Any) -> Claim:
    """Read one fact that can be read."""
    found = read(sent)
    assert found.is_readable, found
    claim = found.claims[0]
    assert isinstance(claim, Claim)
    return claim


def test_every_observation_has_a_fact_with_the_same_fields_and_nothing_else_has() -> None:
    observations = {known.event_type: known for known in catalogue().values() if known.nature is Nature.OBSERVATION}
    assert set(FACT_CLASSES) == set(observations)
    for event_type, body_class in observations.items():
        sent = next(found for found in msgspec.structs.fields(FACT_CLASSES[event_type]) if found.name == "body").type
        assert [(found.name, found.default) for found in msgspec.structs.fields(sent)] == [
            (found.name, found.default) for found in msgspec.structs.fields(body_class)
        ]


@pytest.mark.parametrize(
    ("as_read", "canonical"),
    [
        ("e0:04:01:00:12:34:56:78", "iso15693:E004010012345678"),
        ("42", "label:42"),
        ("00000000", "other:00000000"),
        ("iso15693:zz", "other:iso15693:zz"),
        ("", "other:"),
    ],
)
def test_tags_are_kept_in_canonical_form_or_as_they_were_read(as_read: str, canonical: str) -> None:
    body = claim_of(fact("tag.read", {"tag": as_read})).body
    assert isinstance(body, TagRead)
    assert body.tag == canonical
    assert claim_of(fact("tag.read", {"tag": canonical})).body == body or canonical.startswith("other:")


def test_what_the_envelope_says_is_in_the_claim() -> None:
    clock = {"boot_id": str(uuid.uuid4()), "uptime_ms": 17, "synced": False}
    sent = fill({"end_psi": 2000}, stream_id=str(uuid.uuid4()), stream_number=9, clock=clock)
    claim = claim_of({**sent, "device_now": sent["occurred_at"]})
    assert (str(claim.event_id), str(claim.stream_id), claim.stream_number) == (sent["event_id"], sent["stream_id"], 9)
    assert claim.station_id == CONTROLLER.station_id
    assert claim.device_now == claim.occurred_at
    assert claim.clock is not None
    assert claim.clock.uptime_ms == 17
    assert claim.body == Filled(end_psi=2000)


def test_an_offset_is_kept_as_it_was_sent() -> None:
    claim = claim_of(fill({}, occurred_at="2026-11-24T03:10:22-05:00"))
    assert claim.occurred_at is not None
    assert claim.occurred_at.utcoffset() == timedelta(hours=-5)


def test_a_number_in_another_spelling_is_the_same_number() -> None:
    raw = json.dumps(fill({"end_psi": 2000})).replace("2000", "2000.0").encode()
    found = READER.read(raw, CONTROLLER)
    assert isinstance(found.claims[0], Claim)
    assert found.claims[0].body == Filled(end_psi=2000)


def test_an_unreadable_fact_keeps_its_place_in_its_stream() -> None:
    stream_id = uuid.uuid4()
    found = read({**fill({"end_psi": "high"}), "stream_id": str(stream_id), "stream_number": 12})
    unreadable = found.claims[0]
    assert isinstance(unreadable, Unreadable)
    assert (unreadable.stream_id, unreadable.stream_number) == (stream_id, 12)


def test_long_bytes_are_kept_in_pieces_that_make_the_whole() -> None:
    raw = b"\xff" + bytes(range(256)) * (MAXIMUM_KEPT_BYTES // 100)
    pieces = [piece for piece in READER.read(raw, CONTROLLER).claims if isinstance(piece, Unreadable)]
    assert b"".join(piece.raw for piece in pieces) == raw
    assert all(len(piece.raw) <= MAXIMUM_KEPT_BYTES for piece in pieces)
    assert pieces[0].reason.startswith(f"Piece 1 of {len(pieces)}. ")


@given(st.binary(max_size=300))
def test_no_bytes_make_the_reader_fail(raw: bytes) -> None:
    found = READER.read(raw, CONTROLLER)
    assert found.claims


ENVELOPE = ("event_id", "type_version", "occurred_at", "stream_id", "stream_number", "clock", "body")
plain_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(), max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(st.characters(), max_size=10), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(
    st.fixed_dictionaries(
        {},
        optional=dict.fromkeys(ENVELOPE, plain_values),
    ),
    st.sampled_from([*FACT_CLASSES, "cylinder.retired", "a"]),
)
@example({"stream_number": "\ud800"}, "cylinder.filled")
@example({"occurred_at": "\ud800"}, "cylinder.filled")
@example({"stream_id": "\ud800"}, "cylinder.filled")
def test_no_values_make_the_reader_fail(changes: dict[str, Any], event_type: str) -> None:
    found = read({**fact(event_type, {}), **changes})
    for claim in found.claims:
        if isinstance(claim, Unreadable):
            assert claim.raw
            assert 0 < len(claim.reason) <= MAXIMUM_LONG_TEXT
            claim.reason.encode()  # no lone surrogates
            assert "\x00" not in claim.reason + (claim.claimed_type or "")
