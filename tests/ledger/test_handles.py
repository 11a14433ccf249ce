"""Handles: they say what was put in, only to whoever holds the key, and only for their time."""

import os
import uuid
from datetime import UTC, datetime, timedelta, timezone
from typing import get_args

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.ledger import handles
from fill_ledger.ledger.compact_text import decode_compact, encode_compact
from fill_ledger.ledger.handles import (
    HandleFault,
    HandleRefused,
    MemberSession,
    MemberSessions,
    PermitReference,
    PermitReferences,
    new_nonce,
)
from fill_ledger.ledger.key_ring import KeyRing, hmac_sha256
from fill_ledger.trade.events import fills, members

OLD_KEY, NEW_KEY = os.urandom(32), os.urandom(32)
RING = KeyRing(OLD_KEY)
SESSIONS = MemberSessions.from_key_ring(RING)
PERMITS = PermitReferences.from_key_ring(RING)
NOW = datetime(2026, 11, 24, 8, 10, 22, tzinfo=UTC)
SESSION = MemberSession(
    member_id=uuid.uuid4(),
    station_id=uuid.uuid4(),
    department_id=uuid.uuid4(),
    credential_kind="card",
    expires_at=NOW + timedelta(minutes=10),
)
PERMIT = PermitReference(
    station_id=uuid.uuid4(),
    cylinder_id=uuid.uuid4(),
    member_id=uuid.uuid4(),
    fill_limit_psi=4500,
    mode="automatic",
    until=NOW + timedelta(minutes=10),
    nonce=new_nonce(),
)
ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
moments = st.datetimes(
    min_value=datetime(1990, 1, 1),  # noqa: DTZ001
    max_value=datetime(2200, 1, 1),  # noqa: DTZ001
    timezones=st.just(UTC),
)
replace = msgspec.structs.replace


def refused(fault: HandleFault, expired_at: datetime | None = None) -> HandleRefused:
    return HandleRefused(fault=fault, expired_at=expired_at)


@given(
    st.builds(
        MemberSession,
        member_id=st.uuids(),
        station_id=st.uuids(),
        department_id=st.uuids(),
        credential_kind=st.sampled_from(get_args(members.CredentialKind)),
        expires_at=moments,
    )
)
def test_a_session_comes_back_as_it_was(session: MemberSession) -> None:
    assert SESSIONS.verify(SESSIONS.issue(session), session.expires_at - timedelta(microseconds=1)) == session


@given(
    st.builds(
        PermitReference,
        station_id=st.uuids(),
        cylinder_id=st.uuids(),
        member_id=st.none() | st.uuids(),
        fill_limit_psi=st.integers(0, 15_000),
        mode=st.none() | st.sampled_from(get_args(fills.FillMode)),
        until=moments,
        nonce=st.binary(min_size=8, max_size=8),
    )
)
def test_a_permit_comes_back_as_it_was(permit: PermitReference) -> None:
    text = PERMITS.issue(permit)
    assert PERMITS.read(text) == permit
    assert PERMITS.verify(text, permit.until - timedelta(microseconds=1)) == permit
    assert msgspec.convert(text, fills.PermitReference) == text


def test_a_handle_is_short_url_safe_and_known_by_its_prefix() -> None:
    session, permit = SESSIONS.issue(SESSION), PERMITS.issue(PERMIT)
    assert (session[:4], permit[:4]) == ("fls_", "flp_")
    assert set(session[4:] + permit[4:]) <= set(ALPHABET)
    assert (len(session), len(permit)) == (103, 118)


def test_a_handle_ends_exactly_at_its_time() -> None:
    session, permit = SESSIONS.issue(SESSION), PERMITS.issue(PERMIT)
    assert SESSIONS.verify(session, SESSION.expires_at) == refused(HandleFault.EXPIRED, SESSION.expires_at)
    assert PERMITS.verify(permit, PERMIT.until) == refused(HandleFault.EXPIRED, PERMIT.until)
    assert PERMITS.read(permit) == PERMIT


def test_the_offset_of_a_time_does_not_matter() -> None:
    eastern = timezone(timedelta(hours=-5))
    session = replace(SESSION, expires_at=SESSION.expires_at.astimezone(eastern))
    assert SESSIONS.verify(SESSIONS.issue(session), NOW.astimezone(eastern)) == session
    with pytest.raises(ValueError, match="offset"):
        SESSIONS.issue(replace(SESSION, expires_at=datetime(2026, 11, 24)))  # noqa: DTZ001


@pytest.mark.parametrize("text", [SESSIONS.issue(SESSION), PERMITS.issue(PERMIT)], ids=["session", "permit"])
def test_every_altered_bit_is_refused(text: str) -> None:
    signer = SESSIONS if text.startswith("fls_") else PERMITS
    content = decode_compact(text[4:])
    assert content is not None
    for bit in range(len(content) * 8):
        altered = bytearray(content)
        altered[bit // 8] ^= 1 << bit % 8
        expected = HandleFault.MALFORMED if bit < 8 else HandleFault.WRONG_KEY
        assert signer.verify(text[:4] + encode_compact(bytes(altered)), NOW) == refused(expected)


@pytest.mark.parametrize("text", [SESSIONS.issue(SESSION), PERMITS.issue(PERMIT)], ids=["session", "permit"])
def test_every_altered_character_is_refused(text: str) -> None:
    """Also the unused bits of the last one: one handle has one spelling."""
    signer = SESSIONS if text.startswith("fls_") else PERMITS
    for position in range(len(text)):
        for character in ("A", "_", "=", " ", "\u00e9", ALPHABET[(ALPHABET.find(text[position]) + 1) % 64]):
            altered = text[:position] + character + text[position + 1 :]
            if altered != text:
                assert isinstance(signer.verify(altered, NOW), HandleRefused)


@pytest.mark.parametrize("text", ["", "fls_", "flp_", "fls_AAAA", "x" * 10_000, "fls_" + "A" * 99, "\ud800"])
def test_what_is_no_handle_is_malformed(text: str) -> None:
    assert SESSIONS.verify(text, NOW) == refused(HandleFault.MALFORMED)
    assert PERMITS.read(text) == refused(HandleFault.MALFORMED)


@given(st.text(max_size=200))
def test_no_text_makes_verifying_fail(text: str) -> None:
    assert isinstance(SESSIONS.verify("fls_" + text, NOW), HandleRefused)
    assert isinstance(PERMITS.verify("flp_" + text, NOW), HandleRefused)


def test_a_handle_of_one_kind_is_none_of_the_other() -> None:
    session = SESSIONS.issue(SESSION)
    assert PERMITS.read(session) == refused(HandleFault.MALFORMED)
    assert PERMITS.read("flp_" + session[4:]) == refused(HandleFault.MALFORMED)


def test_a_handle_under_another_key_is_refused_and_a_previous_key_still_reads() -> None:
    session = SESSIONS.issue(SESSION)
    assert MemberSessions.from_key_ring(KeyRing(NEW_KEY)).verify(session, NOW) == refused(HandleFault.WRONG_KEY)
    rotating = MemberSessions.from_key_ring(KeyRing(NEW_KEY, (OLD_KEY,)))
    assert rotating.verify(session, NOW) == SESSION
    assert SESSIONS.verify(rotating.issue(SESSION), NOW) == refused(HandleFault.WRONG_KEY)


def test_two_permits_for_the_same_fill_differ() -> None:
    assert PERMITS.issue(PERMIT) != PERMITS.issue(replace(PERMIT, nonce=new_nonce()))


@pytest.mark.parametrize(
    "permit",
    [replace(PERMIT, nonce=b"short"), replace(PERMIT, fill_limit_psi=-1), replace(PERMIT, fill_limit_psi=20_000)],
)
def test_a_permit_that_makes_no_sense_is_not_issued(permit: PermitReference) -> None:
    with pytest.raises(ValueError, match=r"nonce|Expected"):
        PERMITS.issue(permit)


def test_every_mode_and_credential_kind_has_its_place_in_a_handle() -> None:
    assert (None, *get_args(fills.FillMode)) == handles._MODES
    assert get_args(members.CredentialKind) == handles._CREDENTIAL_KINDS


def test_a_word_that_only_a_newer_process_knows_is_refused_not_guessed() -> None:
    key = os.urandom(32)
    for signer, issued, place in (
        (MemberSessions([key]), MemberSessions([key]).issue(SESSION), 1 + 48),
        (PermitReferences([key]), PermitReferences([key]).issue(PERMIT), 1 + 32 + 1 + 16 + 2),
    ):
        content = bytearray(decode_compact(issued[4:]) or b"")
        content[place] = 200
        fields = bytes(content[: -handles.MAC_BYTES])
        text = issued[:4] + encode_compact(fields + hmac_sha256(key, fields)[: handles.MAC_BYTES])
        assert signer.verify(text, NOW) == refused(HandleFault.MALFORMED)


def test_signers_want_a_key() -> None:
    with pytest.raises(ValueError, match="at least one"):
        MemberSessions([])
