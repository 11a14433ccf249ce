"""Rate limits, counted in the memory of one process.

The generic cell rate algorithm (GCRA; ITU-T I.371 annex A, virtual scheduling, from memory): each key has one number,
the time at which its account would be empty. A request passes if that time is not further ahead than the burst allows.
No list of past requests is kept, and nothing has to be swept at the end of a window.

What the numbers mean: a policy of quota q in a window of w seconds lets q requests through at once and q in every w
seconds after that. Each process counts alone, so n processes together let through up to n times as much: the limit
keeps one caller from starving the others, and is not a count for billing. A restart forgets all accounts.
"""

import ipaddress
import math
import time
from collections import OrderedDict
from collections.abc import Callable

from msgspec import Struct

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Problem

MAX_ACCOUNTS = 50_000
"""Accounts kept at once; beyond it the one idle for longest is forgotten, which lets a caller start afresh."""

IPV6_NETWORK_BITS = 64
"""One IPv6 customer usually has a /64 (RFC 6177), so single addresses there cannot be told apart as callers."""


class RatePolicy(Struct, frozen=True, kw_only=True):
    """A named limit: ``quota`` requests in ``window_s`` seconds."""

    name: str
    quota: int
    window_s: int

    def __post_init__(self) -> None:
        """Refuse limits that mean nothing."""
        if self.quota < 1 or self.window_s < 1 or not self.name.replace("-", "").isalnum():
            raise ValueError("a policy has a plain name, a quota and a window of at least 1")


class RateOutcome(Struct, frozen=True, kw_only=True):
    """What the limit says about one request: taken or not, how many are left, and when that changes."""

    policy: RatePolicy
    is_allowed: bool
    remaining: int
    retry_after_s: int
    reset_after_s: int

    def headers(self) -> dict[str, str]:
        """Return RateLimit, RateLimit-Policy (draft-ietf-httpapi-ratelimit-headers-10) and, if refused, Retry-After."""
        fields = {
            "RateLimit-Policy": f'"{self.policy.name}";q={self.policy.quota};w={self.policy.window_s}',
            "RateLimit": f'"{self.policy.name}";r={self.remaining};t={self.reset_after_s}',
        }
        if not self.is_allowed:
            fields["Retry-After"] = str(self.retry_after_s)
        return fields


class RateLimiter:
    """Accounts of one policy, one for each key. Used from one event loop; takes no lock and never waits."""

    def __init__(self, policy: RatePolicy, clock: Callable[[], float] = time.monotonic) -> None:
        self.policy = policy
        self._clock = clock
        self._interval_s = policy.window_s / policy.quota
        self._empty_at: OrderedDict[str, float] = OrderedDict()

    def charge(self, key: str) -> RateOutcome:
        """Count one request of a key, if it may pass; a refused request costs nothing."""
        now = self._clock()
        empty_at = max(self._empty_at.get(key, now), now)
        if empty_at - now > self.policy.window_s - self._interval_s + _TOLERANCE_S:
            return self._outcome(now, empty_at, is_allowed=False)
        empty_at += self._interval_s
        self._empty_at[key] = empty_at
        self._empty_at.move_to_end(key)
        if len(self._empty_at) > MAX_ACCOUNTS:
            self._empty_at.popitem(last=False)
        return self._outcome(now, empty_at, is_allowed=True)

    def _outcome(self, now: float, empty_at: float, *, is_allowed: bool) -> RateOutcome:
        owed_s = empty_at - now
        remaining = math.floor((self.policy.window_s - owed_s) / self._interval_s + _TOLERANCE_S)
        retry_after_s = 0.0 if is_allowed else owed_s - (self.policy.window_s - self._interval_s)
        return RateOutcome(
            policy=self.policy,
            is_allowed=is_allowed,
            remaining=max(0, remaining),
            retry_after_s=0 if is_allowed else max(1, math.ceil(retry_after_s - _TOLERANCE_S)),
            reset_after_s=max(0, math.ceil(owed_s - _TOLERANCE_S)),
        )


_TOLERANCE_S = 1e-6


def refuse_if_limited(outcome: RateOutcome) -> None:
    """End the request if the limit does not let it pass.

    Raises:
        Problem: 429 rate-limited with Retry-After. RateLimit headers come with every answer, see `RateOutcome.headers`.
    """
    if not outcome.is_allowed:
        raise Problem(
            problem_types.RATE_LIMITED,
            f"The limit is {outcome.policy.quota} requests in {outcome.policy.window_s} seconds. "
            f"Wait {outcome.retry_after_s} seconds.",
            headers={"Retry-After": str(outcome.retry_after_s)},
        )


def address_key(address: str | None) -> str:
    """Return the key under which failed attempts of a client address count: IPv4 single, IPv6 by its /64."""
    if not address:
        return "unknown"
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((parsed, IPV6_NETWORK_BITS), strict=False))
    return str(parsed)
