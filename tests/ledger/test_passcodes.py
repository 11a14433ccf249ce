"""Passcodes: which may be one, argon2id as published, and hashing that neither blocks nor piles up."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator
from typing import Literal

import argon2
import pytest

from fill_ledger.ledger.passcodes import (
    DRAWN_LENGTH,
    MAXIMUM_LENGTH,
    Argon2Parameters,
    HashingBusy,
    PasscodeCheck,
    PasscodeHasher,
    PasscodeUnacceptable,
    check_chosen_passcode,
    draw_passcode,
)

CHEAP = Argon2Parameters(passes=1, memory_kib=64, lanes=1)  # the least that shows the behaviour
PASSCODE = "blue-ladder-7"


@pytest.fixture
async def hasher() -> AsyncIterator[PasscodeHasher]:
    hasher = PasscodeHasher(CHEAP)
    yield hasher
    hasher.close()


@pytest.mark.parametrize(
    ("passcode", "told"),
    [
        ("short-7", "at least 8"),
        ("x" * (MAXIMUM_LENGTH + 1), "at most"),
        ("11111111", "repeated"),
        ("12345678", "counted"),
        ("87654321", "counted"),
        ("abcdefgh", "counted"),
        ("12341234", "repeated"),
        ("73737373", "repeated"),
        ("code91145", "badge"),
        ("tab\tinside-it", "control"),
        ("lone\ud800surrogate", "Unicode"),
    ],
)
def test_a_passcode_that_others_would_guess_is_refused_without_being_shown(passcode: str, told: str) -> None:
    with pytest.raises(PasscodeUnacceptable, match=told) as refusal:
        check_chosen_passcode(passcode, badge_number="9114")
    assert passcode not in str(refusal.value)


@pytest.mark.parametrize("passcode", [PASSCODE, "27183141", "ein Wort genügt", "x7" * 4 + "y"])
def test_other_passcodes_are_taken(passcode: str) -> None:
    check_chosen_passcode(passcode, badge_number="7")


def test_drawn_passcodes_are_digits_and_differ() -> None:
    drawn = {draw_passcode() for _ in range(50)}
    assert all(len(passcode) == DRAWN_LENGTH and passcode.isdigit() for passcode in drawn)
    assert len(drawn) > 45


def test_the_costs_are_the_second_recommended_option_of_rfc_9106() -> None:
    """RFC 9106, section 4: Argon2id, t=3, p=4 lanes, m=2^16 KiB, 128-bit salt, 256-bit tag."""
    hasher = PasscodeHasher(workers=1)
    try:
        parameters = argon2.extract_parameters(asyncio.run(hasher.hash(PASSCODE)))
    finally:
        hasher.close()
    assert parameters == argon2.Parameters(
        type=argon2.Type.ID, version=19, salt_len=16, hash_len=32, time_cost=3, memory_cost=2**16, parallelism=4
    )


async def test_a_right_passcode_matches_and_a_wrong_one_does_not(hasher: PasscodeHasher) -> None:
    stored = await hasher.hash(PASSCODE)
    assert PASSCODE not in stored
    assert (await hasher.verify(stored, PASSCODE)).matches
    for wrong in ("blue-ladder-8", PASSCODE + " ", "", "\ud800", "x" * 10_000):
        assert not (await hasher.verify(stored, wrong)).matches


async def test_each_hash_has_its_own_salt(hasher: PasscodeHasher) -> None:
    assert await hasher.hash(PASSCODE) != await hasher.hash(PASSCODE)


async def test_composed_and_decomposed_letters_are_one_passcode(hasher: PasscodeHasher) -> None:
    assert (await hasher.verify(await hasher.hash("genu\u0308gend"), "gen\u00fcgend")).matches


async def test_nobody_never_matches_and_is_still_hashed(
    hasher: PasscodeHasher, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Counting(argon2.PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # noqa: A002 - the library's own name
            hashed.append(hash)
            return super().verify(hash, password)

    hashed: list[str | bytes] = []
    monkeypatch.setattr(hasher, "_argon2", Counting(1, 64, 1))
    assert not (await hasher.verify(None, PASSCODE)).matches
    assert len(hashed) == 1
    assert argon2.extract_parameters(str(hashed[0])).memory_cost == CHEAP.memory_kib


async def test_nobodys_own_passcode_does_not_match_either(hasher: PasscodeHasher) -> None:
    """Even if the passcode behind the stand-in were guessed."""
    hasher._nobody = await hasher.hash(PASSCODE)
    assert not (await hasher.verify(None, PASSCODE)).matches


async def test_a_broken_hash_matches_nothing(hasher: PasscodeHasher) -> None:
    assert not (await hasher.verify("$argon2id$v=19$rubbish", PASSCODE)).matches
    assert not (await hasher.verify("plain", "plain")).matches


async def test_a_hash_of_other_costs_asks_to_be_made_again(hasher: PasscodeHasher) -> None:
    old = PasscodeHasher(Argon2Parameters(passes=2, memory_kib=64, lanes=1))
    stored = await old.hash(PASSCODE)
    old.close()
    check = await hasher.verify(stored, PASSCODE)
    assert check.matches
    assert check.needs_new_hash
    assert not (await hasher.verify(await hasher.hash(PASSCODE), PASSCODE)).needs_new_hash


async def test_an_overlong_passcode_is_not_hashed(hasher: PasscodeHasher) -> None:
    with pytest.raises(PasscodeUnacceptable):
        await hasher.hash("x" * (MAXIMUM_LENGTH + 1))


async def test_only_so_many_may_wait_and_room_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    hasher = PasscodeHasher(CHEAP, workers=1, maximum_waiting=2)
    working, gate = threading.Event(), threading.Event()

    def check(_stored: str | None, _passcode: bytes) -> PasscodeCheck:
        working.set()
        return PasscodeCheck(matches=gate.wait(10), needs_new_hash=False)

    monkeypatch.setattr(hasher, "_check", check)
    try:
        waiting = [asyncio.create_task(hasher.verify(None, PASSCODE)) for _ in range(3)]
        assert await asyncio.to_thread(working.wait, 10)
        with pytest.raises(HashingBusy) as busy:
            await hasher.verify(None, PASSCODE)
        assert busy.value.retry_after_seconds > 0
        # Whoever leaves while the thread works frees no room; whoever leaves the queue does.
        waiting[0].cancel()
        await asyncio.sleep(0.01)
        with pytest.raises(HashingBusy):
            await hasher.verify(None, PASSCODE)
        waiting[2].cancel()
        await asyncio.sleep(0.01)
        last = asyncio.create_task(hasher.verify(None, PASSCODE))
        await asyncio.sleep(0.01)
        gate.set()
        assert (await waiting[1]).matches
        assert (await last).matches
    finally:
        gate.set()
        hasher.close()


async def test_the_event_loop_runs_on_while_passcodes_are_hashed() -> None:
    hasher = PasscodeHasher(Argon2Parameters(passes=8, memory_kib=32_768, lanes=1), workers=1)
    try:
        started = time.perf_counter()
        hashing = asyncio.create_task(hasher.hash(PASSCODE))
        turns = 0
        while not hashing.done():
            await asyncio.sleep(0.001)
            turns += 1
        elapsed = time.perf_counter() - started
        assert turns >= 5, f"the loop turned {turns} times in {elapsed:.3f} s"
    finally:
        hasher.close()


async def test_a_closed_hasher_takes_nothing_more_and_keeps_no_count() -> None:
    hasher = PasscodeHasher(CHEAP)
    hasher.close()
    with pytest.raises(RuntimeError):
        await hasher.hash(PASSCODE)
    assert hasher._pending == 0
