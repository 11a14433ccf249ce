"""Passcodes of members: what may be one, and hashing them with argon2id without stopping the service.

One hash takes tens of milliseconds and 64 MiB on purpose, so hashing runs in a few threads of its own (the library lets
other threads run meanwhile), and only so many may wait: whoever comes after is told to try again.
"""

import asyncio
import secrets
import threading
import unicodedata
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

import argon2
import msgspec

# NIST SP 800-63B (revision 3), 5.1.1.1: at least 8 characters if the person chose it, at least 6 if drawn at random,
# and then it may be all digits.
MINIMUM_CHOSEN_LENGTH = 8
DRAWN_LENGTH = 6
# The same, 5.1.1.2: at least 64 must be possible. The upper end only bounds the work.
MAXIMUM_LENGTH = 128
MINIMUM_DIFFERENT_CHARACTERS = 3
SHORTEST_TELLING_BADGE_NUMBER = 4  # a badge number of one or two digits stands in many a good passcode by chance

WORKERS = 2
MAXIMUM_WAITING = 32
RETRY_AFTER_SECONDS = 2

Result = TypeVar("Result")


class PasscodeUnacceptable(ValueError):
    """The passcode may not be used as one. The message says why and never shows it."""


class HashingBusy(Exception):
    """Too many passcodes are being checked at this moment."""

    def __init__(self) -> None:
        super().__init__("too many passcodes are being checked at this moment")
        self.retry_after_seconds = RETRY_AFTER_SECONDS


class Argon2Parameters(msgspec.Struct, frozen=True, kw_only=True):
    """Cost of one hash. The defaults are the second recommended option of RFC 9106, section 4."""

    passes: int = 3
    memory_kib: int = 65_536
    lanes: int = 4
    salt_bytes: int = 16
    tag_bytes: int = 32


class PasscodeCheck(msgspec.Struct, frozen=True, kw_only=True):
    """Whether a passcode was right, and whether its hash was made with other parameters than those of today."""

    matches: bool
    needs_new_hash: bool


def normal_passcode(passcode: str) -> str:
    """Return a passcode as it is hashed: NFKC, as NIST SP 800-63B, 5.1.1.2, advises for Unicode."""
    return unicodedata.normalize("NFKC", passcode)


def check_chosen_passcode(passcode: str, *, badge_number: str | None = None) -> None:
    """Refuse a passcode that a person chose and others would guess.

    NIST SP 800-63B, 5.1.1.2, asks to refuse repetitive and sequential characters and words of the context; which
    patterns those are in detail is ours.

    Raises:
        PasscodeUnacceptable: too short, too long, not valid Unicode, repetitive, sequential, or the badge number.
    """
    normal = normal_passcode(passcode)
    if any(unicodedata.category(character) in ("Cc", "Cs") for character in normal):
        raise PasscodeUnacceptable("a passcode must not hold control characters and must be valid Unicode")
    if len(normal) < MINIMUM_CHOSEN_LENGTH:
        raise PasscodeUnacceptable(f"a chosen passcode needs at least {MINIMUM_CHOSEN_LENGTH} characters")
    if len(normal) > MAXIMUM_LENGTH:
        raise PasscodeUnacceptable(f"a passcode has at most {MAXIMUM_LENGTH} characters")
    badge = (badge_number or "").strip().casefold()
    if len(badge) >= SHORTEST_TELLING_BADGE_NUMBER and badge in normal.casefold():
        raise PasscodeUnacceptable("a passcode must not contain the badge number")
    if _is_plain(normal):
        raise PasscodeUnacceptable("a passcode must not be a repeated or counted row of characters")


def draw_passcode() -> str:
    """Draw a passcode at random: digits, so that a keypad is enough, and none that looks made up."""
    while True:
        passcode = "".join(secrets.choice("0123456789") for _ in range(DRAWN_LENGTH))
        if not _is_plain(passcode):
            return passcode


def _is_plain(passcode: str) -> bool:
    """True for rows that count up or down, repeat a part, or use too few different characters."""
    if len(set(passcode)) < MINIMUM_DIFFERENT_CHARACTERS:
        return True
    if {ord(right) - ord(left) for left, right in pairwise(passcode)} in ({1}, {-1}):
        return True
    return passcode in (passcode + passcode)[1:-1]  # it occurs there only if it is a part repeated


class PasscodeHasher:
    """Hashes and checks passcodes off the event loop, a bounded number at a time. One for each process."""

    def __init__(
        self,
        parameters: Argon2Parameters | None = None,
        *,
        workers: int = WORKERS,
        maximum_waiting: int = MAXIMUM_WAITING,
    ) -> None:
        """Start with these costs; memory is bounded by `workers` times `memory_kib`."""
        cost = parameters or Argon2Parameters()
        self._argon2 = argon2.PasswordHasher(
            time_cost=cost.passes,
            memory_cost=cost.memory_kib,
            parallelism=cost.lanes,
            hash_len=cost.tag_bytes,
            salt_len=cost.salt_bytes,
            type=argon2.Type.ID,
        )
        # Checked where there is nobody to check, so that an unknown member takes as long as a known one.
        self._nobody = self._argon2.hash(secrets.token_urlsafe())
        self._executor = ThreadPoolExecutor(max_workers=workers, thread_name_prefix="passcode")
        self._capacity = workers + maximum_waiting
        self._pending = 0
        self._lock = threading.Lock()

    async def hash(self, passcode: str) -> str:
        """Return the argon2id hash of a passcode in its standard text form, with a new salt.

        Raises:
            HashingBusy: too many are waiting.
            PasscodeUnacceptable: longer than MAXIMUM_LENGTH, or not valid Unicode.
        """
        encoded = _encoded(passcode)
        if encoded is None:
            raise PasscodeUnacceptable(f"a passcode has at most {MAXIMUM_LENGTH} characters of valid Unicode")
        return await self._run(lambda: self._argon2.hash(encoded))

    async def verify(self, stored: str | None, passcode: str) -> PasscodeCheck:
        """Check a passcode against a stored hash; with None (no such member, no passcode) take as long and say no.

        Raises:
            HashingBusy: too many are waiting.
        """
        encoded = _encoded(passcode)
        if encoded is None:
            return PasscodeCheck(matches=False, needs_new_hash=False)
        return await self._run(lambda: self._check(stored, encoded))

    def close(self) -> None:
        """Let running hashes end and drop those that wait."""
        self._executor.shutdown(wait=True, cancel_futures=True)

    def _check(self, stored: str | None, encoded: bytes) -> PasscodeCheck:
        try:
            self._argon2.verify(stored or self._nobody, encoded)
        except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
            return PasscodeCheck(matches=False, needs_new_hash=False)
        if stored is None:
            return PasscodeCheck(matches=False, needs_new_hash=False)
        return PasscodeCheck(matches=True, needs_new_hash=self._argon2.check_needs_rehash(stored))

    async def _run(self, work: Callable[[], Result]) -> Result:
        with self._lock:
            if self._pending >= self._capacity:
                raise HashingBusy
            self._pending += 1
        try:
            future = self._executor.submit(work)
        except RuntimeError:
            self._release()
            raise
        # Released when the thread is done, not when the caller stops waiting: a caller who leaves frees no thread.
        future.add_done_callback(self._release)
        return await asyncio.wrap_future(future)

    def _release(self, _future: "Future[Result] | None" = None) -> None:
        with self._lock:
            self._pending -= 1


def _encoded(passcode: str) -> bytes | None:
    # The length is looked at first: normalising a very long text would be work for the event loop.
    if len(passcode) > MAXIMUM_LENGTH:
        return None
    try:
        return normal_passcode(passcode).encode()
    except UnicodeEncodeError:
        return None
