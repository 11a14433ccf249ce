"""Rate limits: exact counts on a clock that the test moves."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.api.http import rate_limits
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.rate_limits import RateLimiter, RatePolicy, address_key, refuse_if_limited


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def limiter(quota: int, window_s: int) -> tuple[RateLimiter, Clock]:
    clock = Clock()
    return RateLimiter(RatePolicy(name="per-key", quota=quota, window_s=window_s), clock), clock


def test_the_quota_passes_at_once_and_then_one_in_every_interval() -> None:
    limit, clock = limiter(5, 10)
    assert [limit.charge("a").remaining for _ in range(5)] == [4, 3, 2, 1, 0]
    refused = limit.charge("a")
    assert (refused.is_allowed, refused.retry_after_s) == (False, 2)
    clock.now += 1.9
    assert not limit.charge("a").is_allowed
    clock.now += 0.1
    assert limit.charge("a").is_allowed
    assert not limit.charge("a").is_allowed
    clock.now += 100
    assert [limit.charge("a").is_allowed for _ in range(6)] == [True] * 5 + [False]


def test_waiting_as_long_as_told_is_enough() -> None:
    limit, clock = limiter(7, 60)
    while (outcome := limit.charge("a")).is_allowed:
        pass
    clock.now += outcome.retry_after_s
    assert limit.charge("a").is_allowed


def test_keys_do_not_share_an_account() -> None:
    limit, _ = limiter(1, 10)
    assert limit.charge("a").is_allowed
    assert not limit.charge("a").is_allowed
    assert limit.charge("b").is_allowed


def test_headers_have_the_shape_of_the_draft() -> None:
    # draft-ietf-httpapi-ratelimit-headers-10: RateLimit-Policy: "name";q=100;w=60 and RateLimit: "name";r=42;t=17
    limit, _ = limiter(2, 10)
    assert limit.charge("a").headers() == {
        "RateLimit-Policy": '"per-key";q=2;w=10',
        "RateLimit": '"per-key";r=1;t=5',
    }
    limit.charge("a")
    assert limit.charge("a").headers()["Retry-After"] == "5"


def test_a_refused_request_is_a_problem_with_retry_after() -> None:
    limit, _ = limiter(1, 10)
    refuse_if_limited(limit.charge("a"))
    with pytest.raises(Problem) as caught:
        refuse_if_limited(limit.charge("a"))
    assert caught.value.kind.status == 429
    assert caught.value.headers == {"Retry-After": "10"}


@given(st.integers(1, 20), st.integers(1, 60), st.lists(st.floats(0, 5), max_size=120))
def test_no_window_lets_more_through_than_quota_plus_what_time_restores(
    quota: int, window_s: int, waits_s: list[float]
) -> None:
    limit, clock = limiter(quota, window_s)
    passed: list[float] = []
    for wait_s in waits_s:
        clock.now += wait_s
        if limit.charge("a").is_allowed:
            passed.append(clock.now)
    for first in range(len(passed)):
        for last in range(first, len(passed)):
            span_s = passed[last] - passed[first]
            assert last - first + 1 <= quota + span_s * quota / window_s + 1e-3


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rate_limits, "MAX_ACCOUNTS", 10)
    limit, _ = limiter(1, 10)
    for number in range(11):
        limit.charge(f"key {number}")
    assert not limit.charge("key 1").is_allowed
    assert limit.charge("key 0").is_allowed


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::9", "2001:db8:1:2::/64"),
        (None, "unknown"),
        ("nonsense", "unknown"),
    ],
)
def test_addresses(address: str | None, key: str) -> None:
    assert address_key(address) == key


@pytest.mark.parametrize(("quota", "window_s", "name"), [(0, 1, "a"), (1, 0, "a"), (1, 1, 'a"b')])
def test_policies_that_mean_nothing_are_refused(quota: int, window_s: int, name: str) -> None:
    with pytest.raises(ValueError, match="plain name"):
        RatePolicy(name=name, quota=quota, window_s=window_s)
